//! What a person types, read into the integers of records: lengths, volumes, pressures, places, times.
//!
//! Every figure may carry its unit (`29.9cm`, `11 3/4 in`, `90psi`); without one the option's own
//! unit holds, as its help says.

use std::fmt;
use std::str::FromStr;

use bolebook_core::day::{Day, DayError};
use bolebook_core::dosing::units::{self, Rounding, Unit, UnitError};
use bolebook_core::quantity::{
    MilliCelsius, Pa, PerMille, ReadUnit, ReadingError, Ul, Um, UtcMs, parse_decimal,
};
use bolebook_core::record::book_kinds::Zone;
use bolebook_core::record::stand::Corner;
use serde::de::{Deserialize, DeserializeOwned, Deserializer, Error as _};

/// A figure or word could not be understood.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FigureError {
    /// Not a number of the kind wanted.
    #[error(transparent)]
    Reading(#[from] ReadingError),
    /// Not a figure in a unit there is.
    #[error(transparent)]
    Unit(#[from] UnitError),
    /// Not a day.
    #[error(transparent)]
    Day(#[from] DayError),
    /// Not what was wanted, in words.
    #[error("'{text}' is not a {what}: {why}")]
    Other {
        /// What was given.
        text: String,
        /// What it should have been.
        what: String,
        /// Why it is not, and what to write.
        why: String,
    },
}

/// A text that is not what was wanted; only its first 60 signs are shown.
pub fn wrong(text: &str, what: &str, why: impl Into<String>) -> FigureError {
    FigureError::Other { text: text.chars().take(60).collect(), what: what.into(), why: why.into() }
}

/// Text as a person typed it: an argument, or a JSON text or number.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Typed(pub String);

impl Typed {
    /// The text, without the spaces around it.
    pub fn text(&self) -> &str {
        self.0.trim()
    }
}

impl fmt::Display for Typed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl From<&str> for Typed {
    fn from(text: &str) -> Self {
        Self(text.to_owned())
    }
}

impl FromStr for Typed {
    type Err = std::convert::Infallible;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Ok(Self(text.to_owned()))
    }
}

impl<'de> Deserialize<'de> for Typed {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        match serde_json::Value::deserialize(deserializer)? {
            serde_json::Value::String(text) => Ok(Self(text)),
            serde_json::Value::Number(number) => Ok(Self(number.to_string())),
            serde_json::Value::Array(items) => {
                // A hole may be written as a list of its figures.
                let parts: Vec<String> = items
                    .into_iter()
                    .map(|v| match v {
                        serde_json::Value::String(text) => Ok(text),
                        serde_json::Value::Number(number) => Ok(number.to_string()),
                        other => Err(D::Error::custom(format!("{other} is neither a text nor a number"))),
                    })
                    .collect::<Result<_, _>>()?;
                Ok(Self(parts.join(",")))
            }
            other => Err(D::Error::custom(format!("{other} is neither a text nor a number"))),
        }
    }
}

/// Splits a trailing unit off: letters and signs after the last digit.
fn split_unit(text: &str) -> (&str, &str) {
    let text = text.trim();
    let end = text.rfind(|c: char| c.is_ascii_digit() || c == '.').map_or(0, |i| i + 1);
    (text[..end].trim(), text[end..].trim())
}

/// A unit of length and its micrometres; exact (NIST SP 811 for inch and foot).
fn length_unit(unit: &str) -> Option<i64> {
    Some(match unit {
        "mm" => 1_000,
        "cm" => 10_000,
        "m" => 1_000_000,
        "in" | "\"" => 25_400,
        "ft" | "'" => 304_800,
        _ => return None,
    })
}

/// A length; `default` is the unit meant when none is written (`mm`, `cm`, `m`, `in` or `ft`).
///
/// # Errors
/// [`FigureError`].
pub fn length(text: &str, default: &str, what: &'static str) -> Result<Um, FigureError> {
    let (figure, unit) = split_unit(text);
    let unit = if unit.is_empty() { default } else { unit };
    let scale = length_unit(unit).ok_or_else(|| wrong(text, what, "units are mm, cm, m, in and ft"))?;
    if figure.contains('/') {
        return fraction(figure, scale, what).map(Um);
    }
    // A foot-based figure like 4.5 ft is exact; 0.1 mm written in feet is not, and is refused.
    Ok(Um(parse_decimal(figure, scale, what)?))
}

/// `11 3/4` or `15/64`, in micrometres rounded to the nearest.
fn fraction(text: &str, scale: i64, what: &'static str) -> Result<i64, FigureError> {
    let error = || wrong(text, what, "write a fraction like 11 3/4");
    let (whole, part) = text.split_once(' ').unwrap_or(("0", text));
    let (above, below) = part.trim().split_once('/').ok_or_else(error)?;
    let number = |t: &str| t.trim().parse::<u32>().map(i64::from).map_err(|_| error());
    let (whole, above, below) = (number(whole)?, number(above)?, number(below)?);
    if below == 0 || below > 1_000 || above > 1_000_000 || whole > 1_000_000 {
        return Err(error());
    }
    Ok(((whole * below + above) * scale * 2 + below) / (2 * below))
}

/// The figure and unit of a reading off a tape, to be kept as read.
///
/// # Errors
/// [`FigureError`] for a unit no tape has.
pub fn reading(text: &str, default: ReadUnit, what: &'static str) -> Result<(String, ReadUnit), FigureError> {
    let (figure, unit) = split_unit(text);
    let unit = match unit {
        "" => default,
        "mm" => ReadUnit::Mm,
        "cm" => ReadUnit::Cm,
        "in" | "\"" => ReadUnit::In,
        _ => return Err(wrong(text, what, "a tape is read in mm, cm or in")),
    };
    if figure.is_empty() || figure.len() > 32 {
        return Err(wrong(text, what, "write the figure as it stands on the tape"));
    }
    Ok((figure.to_owned(), unit))
}

/// A volume of product; without unit in millilitres.
///
/// # Errors
/// [`FigureError`].
pub fn volume(text: &str, what: &'static str) -> Result<Ul, FigureError> {
    let (figure, unit) = split_unit(text);
    let scale = match unit.to_lowercase().as_str() {
        "" | "ml" => 1_000,
        "l" => 1_000_000,
        "ul" | "µl" => 1,
        _ => return Err(wrong(text, what, "units are mL, L and µL")),
    };
    Ok(Ul(parse_decimal(figure, scale, what)?))
}

/// A gauge pressure; the unit must be written: `psi`, `bar` or `kPa`.
///
/// # Errors
/// [`FigureError`].
pub fn pressure(text: &str, what: &'static str) -> Result<Pa, FigureError> {
    let (figure, unit) = split_unit(text);
    match unit.to_lowercase().as_str() {
        "kpa" => Ok(Pa(parse_decimal(figure, 1_000, what)?)),
        "bar" => Ok(Pa(parse_decimal(figure, 100_000, what)?)),
        // NIST SP 811 appendix B.8: 1 psi = 6 894.757 Pa. Taken in thousandths and rounded.
        "psi" => {
            let thousandths = parse_decimal(figure, 1_000, what)?;
            let milli_pa = i128::from(thousandths) * 6_894_757;
            let pa = (milli_pa + 500_000 * milli_pa.signum()) / 1_000_000;
            i64::try_from(pa).map(Pa).map_err(|_| wrong(text, what, "too large"))
        }
        _ => Err(wrong(text, what, "write the unit with it: psi, bar or kPa, as on the gauge")),
    }
}

/// A figure in any unit the core knows, to the nearest of the record's units; without one `default`
/// is meant, where there is one.
///
/// # Errors
/// [`FigureError`].
pub fn in_unit<U: Unit>(text: &str, default: Option<U>) -> Result<U::Of, FigureError> {
    let (figure, unit) = split_unit(text);
    let unit = match (unit, default) {
        ("", Some(default)) => default,
        ("", None) => {
            let names: Vec<&str> = U::ALL.iter().map(|u| u.name()).collect();
            return Err(wrong(text, U::WHAT, format!("write the unit with it: {}", names.join(", "))));
        }
        (name, _) => units::named(name)?,
    };
    Ok(units::parse(figure, unit, Rounding::Nearest)?)
}

/// Minutes, to a thousandth of one, from 0 up.
///
/// # Errors
/// [`FigureError`].
pub fn minutes(text: &str, what: &'static str) -> Result<f64, FigureError> {
    let figure = text.trim().trim_end_matches("min").trim_end();
    let found = parse_decimal(figure, 1_000, what)?;
    if found < 0 { Err(wrong(text, what, "it cannot be less than 0")) } else { Ok(found as f64 / 1e3) }
}

/// A temperature; without unit in degrees Celsius.
///
/// # Errors
/// [`FigureError`].
pub fn temperature(text: &str, what: &'static str) -> Result<MilliCelsius, FigureError> {
    let (figure, unit) = split_unit(text);
    match unit.to_uppercase().trim_start_matches('°') {
        "" | "C" => Ok(MilliCelsius(parse_decimal(figure, 1_000, what)?)),
        "F" => {
            let milli_f = parse_decimal(figure, 1_000, what)? - 32_000;
            Ok(MilliCelsius((milli_f * 10 + 9 * milli_f.signum()) / 18))
        }
        _ => Err(wrong(text, what, "units are C and F")),
    }
}

/// A share, in per cent.
///
/// # Errors
/// [`FigureError`].
pub fn share(text: &str, what: &'static str) -> Result<PerMille, FigureError> {
    let figure = text.trim().trim_end_matches('%').trim();
    let found = parse_decimal(figure, 10, what)?;
    if !(0..=1_000).contains(&found) {
        return Err(wrong(text, what, "a share lies between 0 and 100 per cent"));
    }
    Ok(PerMille(found))
}

/// A whole number from 0 up.
///
/// # Errors
/// [`FigureError`].
pub fn count(text: &str, what: &'static str) -> Result<i64, FigureError> {
    let found = parse_decimal(text, 1, what)?;
    if found < 0 { Err(wrong(text, what, "it cannot be less than 0")) } else { Ok(found) }
}

/// Degrees, in billionths; `limit` is 90 or 180.
///
/// # Errors
/// [`FigureError`].
pub fn degrees(text: &str, limit: i64, what: &'static str) -> Result<i64, FigureError> {
    let figure = text.trim();
    // Maps write more decimals than a billionth of a degree (0.1 mm) can hold: they are cut, unless the
    // place to cut is inside a sign that is no digit: then it is refused as it stands.
    let cut = figure.find('.').and_then(|dot| figure.get(..dot + 10)).unwrap_or(figure);
    let found = parse_decimal(cut, 1_000_000_000, what)?;
    if found.abs() > limit * 1_000_000_000 {
        return Err(wrong(text, what, format!("it lies between -{limit} and {limit} degrees")));
    }
    Ok(found)
}

/// A place written `LAT,LON` in degrees.
///
/// # Errors
/// [`FigureError`].
pub fn corner(text: &str) -> Result<Corner, FigureError> {
    let (lat, lon) = text
        .split_once(',')
        .ok_or_else(|| wrong(text, "place", "write LAT,LON in degrees, like 42.28,-83.74"))?;
    Ok(Corner { lat_ndeg: degrees(lat, 90, "latitude")?, lon_ndeg: degrees(lon, 180, "longitude")? })
}

/// A moment: RFC 3339, or local `YYYY-MM-DDTHH:MM[:SS]`, or `HH:MM` of the day of `now`.
///
/// # Errors
/// [`FigureError`].
pub fn moment(text: &str, zone: &Zone, now: UtcMs) -> Result<UtcMs, FigureError> {
    let text = text.trim();
    if let Ok(stamp) = text.parse::<jiff::Timestamp>() {
        return Ok(UtcMs(stamp.as_millisecond()));
    }
    let error = || wrong(text, "time", "write HH:MM for today, 2026-09-14T08:10, or 2026-09-14T08:10:00Z");
    let (day, time) = match text.split_once(['T', ' ']) {
        Some((day, time)) => (day.parse()?, time),
        None => (Day::of(now, zone), text),
    };
    let time: jiff::civil::Time = time.parse().map_err(|_| error())?;
    let into_day = i64::from(time.hour()) * 3_600 + i64::from(time.minute()) * 60 + i64::from(time.second());
    let guess = UtcMs(zone.start_of(day).0 + into_day * 1_000);
    // On the day a clock is changed, midnight's offset is not the hour's.
    let shift = zone.offset_ms(zone.start_of(day)) - zone.offset_ms(guess);
    Ok(UtcMs(guess.0 + shift))
}

/// A day: `YYYY-MM-DD`, or `today`.
///
/// # Errors
/// [`FigureError`].
pub fn day(text: &str, zone: &Zone, now: UtcMs) -> Result<Day, FigureError> {
    match text.trim() {
        "today" => Ok(Day::of(now, zone)),
        other => Ok(other.parse()?),
    }
}

/// One of the words a record knows; hyphens and underscores are the same.
///
/// # Errors
/// [`FigureError`] naming the words there are.
pub fn word<T: DeserializeOwned>(text: &str, what: &'static str) -> Result<T, FigureError> {
    let spelled = text.trim().to_lowercase().replace(['-', ' '], "_");
    serde_json::from_value(serde_json::Value::String(spelled)).map_err(|e| wrong(text, what, e.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use bolebook_core::record::book_kinds::ZoneOffset;

    #[test]
    fn degrees_with_a_strange_sign_where_they_would_be_cut_are_refused() {
        assert_eq!(degrees("42.28081234567", 90, "latitude"), Ok(42_280_812_345));
        assert_eq!(degrees("42.5", 90, "latitude"), Ok(42_500_000_000));
        for bad in ["145.5999999\u{202e}99", "12.12345678\u{feff}", "1.\u{1f332}\u{1f332}\u{1f332}"] {
            assert!(degrees(bad, 180, "longitude").is_err(), "{bad}");
        }
    }

    #[test]
    fn lengths_come_out_exact_in_every_unit_a_tape_has() {
        assert_eq!(length("29.9", "cm", "diameter"), Ok(Um(299_000)));
        assert_eq!(length("11 3/4 in", "cm", "diameter"), Ok(Um(298_450)));
        assert_eq!(length("15/64in", "mm", "bit"), Ok(Um(5_953)));
        assert_eq!(length("4.5 ft", "m", "height"), Ok(Um(1_371_600)));
        for bad in ["NaN", "inf", "1e3", "3 furlong", "1/0 in", "", "12cm3x"] {
            assert!(length(bad, "cm", "diameter").is_err(), "{bad}");
        }
    }

    /// NIST SP 811 appendix B.8: pound-force per square inch, 6.894 757 E+03 Pa.
    #[test]
    fn pressures_convert_as_nist_sp_811_says_and_never_without_a_unit() {
        assert_eq!(pressure("100psi", "pressure"), Ok(Pa(689_476)));
        assert_eq!(pressure("6.5 bar", "pressure"), Ok(Pa(650_000)));
        assert!(pressure("100", "pressure").is_err());
    }

    #[test]
    fn a_fahrenheit_reading_is_the_celsius_one() {
        assert_eq!(temperature("212F", "temperature"), Ok(MilliCelsius(100_000)));
        assert_eq!(temperature("-40 °F", "temperature"), Ok(MilliCelsius(-40_000)));
        assert_eq!(temperature("21.5", "temperature"), Ok(MilliCelsius(21_500)));
    }

    #[test]
    fn a_local_hour_is_right_on_the_day_the_clock_changes() {
        let zone = Zone {
            name: "America/Detroit".into(),
            offsets: vec![
                ZoneOffset { from: UtcMs(0), offset_s: -14_400 },
                // 2026-11-01T06:00:00Z: clocks go back from 02:00 to 01:00.
                ZoneOffset { from: UtcMs(1_793_512_800_000), offset_s: -18_000 },
            ],
        };
        let at = |text| moment(text, &zone, UtcMs(1_793_500_000_000)).unwrap();
        assert_eq!(zone.rfc3339(at("2026-11-01T08:30")), "2026-11-01T08:30:00-05:00");
        assert_eq!(zone.rfc3339(at("2026-10-31T08:30")), "2026-10-31T08:30:00-04:00");
        assert_eq!(at("2026-11-01T13:30:00Z"), at("2026-11-01T08:30"));
        for bad in ["25:00", "2026-02-30T08:00", "yesterday", ""] {
            assert!(moment(bad, &zone, UtcMs(0)).is_err(), "{bad}");
        }
    }

    #[test]
    fn maps_with_many_decimals_are_cut_to_a_billionth_of_a_degree() {
        assert_eq!(degrees("-83.7430000012345", 180, "longitude"), Ok(-83_743_000_001));
        assert!(degrees("91", 90, "latitude").is_err());
        assert!(corner("42.28 -83.74").is_err());
    }
}
