//! Figures as they are typed on a phone, read into a record's integers by the core's own units. A
//! decimal comma is a decimal point; nothing is guessed.

use bolebook_core::dosing::layout::scale::Scale;
use bolebook_core::dosing::units::{
    LengthUnit, PressureUnit, Rounding, TemperatureScale, UnitError, VolumeUnit, named, parse,
    parse_temperature, shown,
};
use bolebook_core::quantity::{MilliCelsius, Pa, PerMille, ReadUnit, Ul, Um, parse_decimal};

use crate::state::Units;

/// A typed figure is none.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FigureError {
    /// No figure of this unit.
    #[error(transparent)]
    Unit(#[from] UnitError),
    /// Not a number.
    #[error(transparent)]
    Reading(#[from] bolebook_core::quantity::ReadingError),
    /// Negative, or beyond what it can be.
    #[error("'{0}' cannot be: {1}")]
    Range(String, &'static str),
}

/// The figure with a decimal point, spaces at its ends dropped.
pub fn pointed(text: &str) -> String {
    let text = text.trim();
    if text.contains('.') { text.to_owned() } else { text.replacen(',', ".", 1) }
}

/// Millilitres of product.
///
/// # Errors
/// [`FigureError`].
pub fn volume(text: &str) -> Result<Ul, FigureError> {
    let figure: Ul = parse(&pointed(text), VolumeUnit::Millilitre, Rounding::Nearest)?;
    if figure.0 < 0 {
        Err(FigureError::Range(text.trim().into(), "a volume is not negative"))
    } else {
        Ok(figure)
    }
}

/// A length in the unit meant.
///
/// # Errors
/// [`FigureError`].
pub fn length(text: &str, unit: &str) -> Result<Um, FigureError> {
    let unit: LengthUnit = named(unit)?;
    let figure: Um = parse(&pointed(text), unit, Rounding::Nearest)?;
    if figure.0 < 0 {
        Err(FigureError::Range(text.trim().into(), "a length is not negative"))
    } else {
        Ok(figure)
    }
}

/// A percentage.
///
/// # Errors
/// [`FigureError`].
pub fn percent(text: &str) -> Result<PerMille, FigureError> {
    let figure = PerMille(parse_decimal(&pointed(text), 10, "percentage")?);
    if (0..=1_000).contains(&figure.0) {
        Ok(figure)
    } else {
        Err(FigureError::Range(text.trim().into(), "a share lies between 0 and 100 %"))
    }
}

/// A temperature in the crew's scale.
///
/// # Errors
/// [`FigureError`].
pub fn temperature(text: &str, units: Units) -> Result<MilliCelsius, FigureError> {
    let scale = match units {
        Units::Metric => TemperatureScale::Celsius,
        Units::Us => TemperatureScale::Fahrenheit,
    };
    Ok(parse_temperature(&pointed(text).replace('\u{2212}', "-"), scale)?)
}

/// A gauge pressure in bar, or psi.
///
/// # Errors
/// [`FigureError`].
pub fn pressure(text: &str, units: Units) -> Result<Pa, FigureError> {
    let unit = if units == Units::Us { PressureUnit::Psi } else { PressureUnit::Bar };
    let figure: Pa = parse(&pointed(text), unit, Rounding::Nearest)?;
    if figure.0 < 0 {
        return Err(FigureError::Range(text.trim().into(), "a gauge pressure is not negative"));
    }
    Ok(figure)
}

/// A gauge pressure in the crew's unit, with it: `7.0 bar`, `101.5 psi`.
pub fn gauge(pressure: Pa, units: Units) -> String {
    match units {
        Units::Metric => format!("{} bar", shown(pressure, PressureUnit::Bar, 1)),
        Units::Us => format!("{} psi", shown(pressure, PressureUnit::Psi, 1)),
    }
}

/// A trunk's length in the crew's unit, with it: `29.9 cm`, `11.8 in`.
pub fn trunk(length: Um, units: Units) -> String {
    match units {
        Units::Metric => format!("{} cm", length.cm()),
        Units::Us => format!("{} in", shown(length, LengthUnit::Inch, 1)),
    }
}

/// What the crew's tape is divided in.
pub fn scale(units: Units) -> Scale {
    match units {
        Units::Metric => Scale::Cm,
        Units::Us => Scale::In,
    }
}

/// The unit a trunk is read in.
pub fn unit_name(units: Units) -> &'static str {
    match units {
        Units::Metric => "cm",
        Units::Us => "in",
    }
}

/// A distance over ground, to the metre or foot.
pub fn distance(metres: f64, units: Units) -> String {
    match units {
        Units::Metric if metres >= 1_000.0 => format!("{:.1} km", metres / 1_000.0),
        Units::Metric => format!("{metres:.0} m"),
        Units::Us => format!("{:.0} ft", metres / 0.3048),
    }
}

/// The tape's unit as a word of forms.
pub fn read_unit(word: &str) -> Option<ReadUnit> {
    Some(match word {
        "cm" => ReadUnit::Cm,
        "mm" => ReadUnit::Mm,
        "in" => ReadUnit::In,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_decimal_comma_is_a_point_and_nothing_else_is_guessed() {
        assert_eq!(volume(" 12,5 "), Ok(Ul(12_500)));
        assert_eq!(length("29.9", "cm"), Ok(Um(299_000)));
        for bad in ["", "1,2,3", "1.234,5", "12 mL", "-1", "1e3"] {
            assert!(volume(bad).is_err(), "{bad}");
        }
    }

    /// Fixed points of the two scales: water freezes at 32 °F and boils at 212 °F.
    #[test]
    fn a_temperature_is_read_in_the_crews_scale() {
        assert_eq!(temperature("212", Units::Us), Ok(MilliCelsius(100_000)));
        assert_eq!(temperature("\u{2212}3", Units::Metric), Ok(MilliCelsius(-3_000)));
    }

    /// NIST SP 811: the inch is 25.4 mm, the foot 0.3048 m.
    #[test]
    fn lengths_are_shown_in_the_crews_unit() {
        assert_eq!(trunk(Um(254_000), Units::Us), "10.0 in");
        assert_eq!(distance(30.48, Units::Us), "100 ft");
    }
}
