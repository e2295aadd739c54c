//! Units a label, gauge or tape is read in, turned into the record's integers exactly.
//!
//! Every factor is a ratio of integers, taken from the definitions in NIST SP 811 (2008), appendix B:
//! inch 25.4 mm, pound 0.453 592 37 kg, standard gravity 9.806 65 m/s², US gallon 231 in³, imperial
//! gallon 4.546 09 L, acre 43 560 ft². Names that mean two things (`fl oz`, `gal`, `oz`, `psia`) are
//! refused with the choices, because the wrong one doses 4 % off, or 15 atmospheric psi.

use crate::quantity::{
    AbsPa, MAX_SAFE_INTEGER, Mg, MilliCelsius, Mm2, Pa, ReadingError, Ul, UlPerM, Um, parse_decimal,
};

/// How many of the record's unit make up one of a unit: `above / below`, both positive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ratio {
    /// Numerator.
    pub above: i128,
    /// Denominator.
    pub below: i128,
}

/// Which way a figure between two integers goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rounding {
    /// Toward minus infinity: for limits and maxima.
    Down,
    /// To the nearest, halves away from zero: for measurements.
    Nearest,
    /// Toward plus infinity: for minima.
    Up,
}

/// Why a figure with a unit cannot be taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum UnitError {
    /// The figure cannot be read.
    #[error(transparent)]
    Reading(#[from] ReadingError),
    /// The figure is beyond what a record may hold.
    #[error("{text} {unit} is more than a record can hold: check the figure and its unit")]
    TooLarge {
        /// The figure.
        text: String,
        /// Its unit.
        unit: &'static str,
    },
    /// A temperature below absolute zero.
    #[error("{text} {unit} is below absolute zero: check the figure and its unit")]
    TooCold {
        /// The figure.
        text: String,
        /// Its unit.
        unit: &'static str,
    },
    /// No unit of this kind has that name.
    #[error("'{name}' is not a unit of {of}: write one of {known}")]
    Unknown {
        /// What was written.
        name: String,
        /// What is measured.
        of: &'static str,
        /// The names that are taken.
        known: String,
    },
    /// The name means more than one unit.
    #[error("'{name}' could mean more than one unit: {choices}")]
    Ambiguous {
        /// What was written.
        name: String,
        /// The choices, each with what tells it apart.
        choices: &'static str,
    },
}

/// A unit of one kind of quantity.
pub trait Unit: Copy + 'static {
    /// The record's quantity.
    type Of: Copy;
    /// What is measured, in words.
    const WHAT: &'static str;
    /// All units of this kind.
    const ALL: &'static [Self];
    /// Names that mean two things, with what to write instead.
    const AMBIGUOUS: &'static [(&'static str, &'static str)];
    /// The one name it is written and read by.
    fn name(self) -> &'static str;
    /// The record's units in one of this.
    fn ratio(self) -> Ratio;
    /// What it is taken for by mistake, to be shown where it is chosen.
    fn trap(self) -> Option<&'static str>;
    /// The bare integer of a quantity.
    fn integer(of: Self::Of) -> i64;
    /// A quantity of a bare integer.
    fn quantity(integer: i64) -> Self::Of;
}

macro_rules! units {
    (
        $(#[$doc:meta])* $kind:ident of $quantity:ident, $what:literal, ambiguous $ambiguous:expr;
        $($(#[$variant_doc:meta])* $variant:ident $name:literal = $above:literal / $below:literal $(, trap $trap:literal)?;)+
    ) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        pub enum $kind { $($(#[$variant_doc])* $variant),+ }

        impl Unit for $kind {
            type Of = $quantity;
            const WHAT: &'static str = $what;
            const ALL: &'static [Self] = &[$(Self::$variant),+];
            const AMBIGUOUS: &'static [(&'static str, &'static str)] = $ambiguous;

            fn name(self) -> &'static str {
                match self { $(Self::$variant => $name),+ }
            }

            fn ratio(self) -> Ratio {
                match self { $(Self::$variant => Ratio { above: $above, below: $below }),+ }
            }

            fn trap(self) -> Option<&'static str> {
                match self { $(Self::$variant => units!(@trap $($trap)?)),+ }
            }

            fn integer(of: $quantity) -> i64 {
                of.0
            }

            fn quantity(integer: i64) -> $quantity {
                $quantity(integer)
            }
        }
    };
    (@trap) => { None };
    (@trap $trap:literal) => { Some($trap) };
}

units! {
    /// Units of length, in micrometres.
    LengthUnit of Um, "length", ambiguous &[
        ("ft (survey)", "the US survey foot is retired since 2022: write ft, which is exactly 0.3048 m"),
    ];
    /// Millimetre.
    Millimetre "mm" = 1_000 / 1;
    /// Centimetre.
    Centimetre "cm" = 10_000 / 1;
    /// Metre.
    Metre "m" = 1_000_000 / 1;
    /// Inch of exactly 25.4 mm.
    Inch "in" = 25_400 / 1;
    /// One sixty-fourth of an inch, as bits are sold: 0.396 875 mm.
    SixtyFourthInch "64ths in" = 3_175 / 8;
    /// Foot of exactly 0.3048 m.
    Foot "ft" = 304_800 / 1;
}

units! {
    /// Units of volume, in microlitres.
    VolumeUnit of Ul, "volume", ambiguous &[
        ("fl oz", "write 'US fl oz' (29.57 mL) or 'imp fl oz' (28.41 mL), as the label's country has it"),
        ("oz", "write 'US fl oz' or 'imp fl oz' for a volume; an ounce of mass is 28.35 g"),
        ("gal", "write 'US gal' (3.785 L) or 'imp gal' (4.546 L)"),
        ("pt", "write 'US pt' (473 mL), or the volume in mL"),
        ("qt", "write 'US qt' (946 mL), or the volume in mL"),
    ];
    /// Microlitre.
    Microlitre "µL" = 1 / 1;
    /// Millilitre, the same as a cubic centimetre.
    Millilitre "mL" = 1_000 / 1;
    /// Litre.
    Litre "L" = 1_000_000 / 1;
    /// US fluid ounce, 29.573 529 562 5 mL.
    UsFluidOunce "US fl oz" = 295_735_295_625 / 10_000_000, trap "the imperial fluid ounce is 4 % smaller, and an ounce of mass is no volume";
    /// Imperial fluid ounce, 28.413 062 5 mL.
    ImperialFluidOunce "imp fl oz" = 284_130_625 / 10_000, trap "the US fluid ounce is 4 % larger, and an ounce of mass is no volume";
    /// US liquid pint, 473.176 473 mL.
    UsPint "US pt" = 473_176_473 / 1_000, trap "the imperial pint is 20 % larger";
    /// US liquid quart, 946.352 946 mL.
    UsQuart "US qt" = 946_352_946 / 1_000, trap "the imperial quart is 20 % larger";
    /// US gallon, 3.785 411 784 L.
    UsGallon "US gal" = 3_785_411_784 / 1_000, trap "the imperial gallon is 20 % larger";
    /// Imperial gallon, 4.546 09 L.
    ImperialGallon "imp gal" = 4_546_090 / 1, trap "the US gallon is 17 % smaller";
}

units! {
    /// Units of gauge pressure, in pascals above the local atmosphere.
    PressureUnit of Pa, "gauge pressure", ambiguous &[
        ("psia", "kits are worked by the gauge: read it in psi, or take the local atmosphere off first"),
        ("bara", "kits are worked by the gauge: read it in bar, or take the local atmosphere off first"),
        ("atm", "write bar (1 atm = 1.01325 bar)"),
        ("kg", "write bar (1 kgf/cm² = 0.980665 bar)"),
    ];
    /// Pascal.
    Pascal "Pa" = 1 / 1;
    /// Kilopascal.
    Kilopascal "kPa" = 1_000 / 1;
    /// Bar.
    Bar "bar" = 100_000 / 1;
    /// Megapascal.
    Megapascal "MPa" = 1_000_000 / 1;
    /// Pound-force per square inch: 0.453 592 37 × 9.806 65 / 0.0254² Pa.
    Psi "psi" = 44_482_216_152_605 / 6_451_600_000, trap "bar is 14.5 times larger; psia starts at vacuum, the gauge at the atmosphere";
}

units! {
    /// Units a barometer is read in, in pascals absolute.
    BarometerUnit of AbsPa, "air pressure", ambiguous &[
        ("in", "write inHg for a barometer"),
    ];
    /// Hectopascal, the same as a millibar.
    Hectopascal "hPa" = 100 / 1, trap "weather services report pressure reduced to sea level: enter the barometer's own reading at the site, or the altitude";
    /// Kilopascal.
    Kilopascal "kPa" = 1_000 / 1, trap "weather services report pressure reduced to sea level: enter the barometer's own reading at the site, or the altitude";
    /// Conventional inch of mercury, 3 386.389 Pa (NIST SP 811).
    InchMercury "inHg" = 3_386_389 / 1_000, trap "weather services report pressure reduced to sea level: enter the barometer's own reading at the site, or the altitude";
    /// Conventional millimetre of mercury, 133.322 4 Pa (NIST SP 811).
    MillimetreMercury "mmHg" = 1_333_224 / 10_000, trap "weather services report pressure reduced to sea level: enter the barometer's own reading at the site, or the altitude";
}

units! {
    /// Units of a dose rate, in microlitres per metre of trunk diameter.
    RateUnit of UlPerM, "rate", ambiguous &[
        ("fl oz/in", "write 'US fl oz/in'; for an imperial label convert to mL/cm"),
        ("mL/in girth", "a rate per inch of girth is π times one per inch of diameter: have the office convert it"),
        ("mL/cm girth", "a rate per centimetre of girth is π times one per centimetre of diameter: have the office convert it"),
    ];
    /// Millilitres per centimetre of diameter.
    MillilitrePerCentimetre "mL/cm" = 100_000 / 1, trap "per centimetre of diameter, not of girth; a rate per inch has a figure 2.54 times larger";
    /// Millilitres per inch of diameter.
    MillilitrePerInch "mL/in" = 10_000_000 / 254, trap "per inch of diameter, not of girth; taken for mL/cm it doses 2.54 times too much";
    /// US fluid ounces per inch of diameter.
    UsFluidOuncePerInch "US fl oz/in" = 295_735_295_625 / 254_000, trap "per inch of diameter, not of girth";
}

units! {
    /// Units of area, in square millimetres.
    AreaUnit of Mm2, "area", ambiguous &[
        ("ac", "write 'acre' (4046.856 m²), or 'survey acre' where an old plan says so"),
    ];
    /// Square metre.
    SquareMetre "m²" = 1_000_000 / 1;
    /// Hectare.
    Hectare "ha" = 10_000_000_000 / 1;
    /// Acre of 43 560 square feet of exactly 0.3048 m.
    Acre "acre" = 40_468_564_224 / 10, trap "a hectare is 2.47 acres; the survey acre of old plans is 4 parts in a million larger";
    /// US survey acre: 43 560 square feet of 1200/3937 m; retired at the end of 2022.
    SurveyAcre "survey acre" = 62_726_400_000_000_000 / 15_499_969, trap "retired at the end of 2022; 4 parts in a million larger than the acre";
}

units! {
    /// Units of a limit per area, in microlitres per hectare.
    PerAreaUnit of Ul, "volume per area", ambiguous &[
        ("fl oz/acre", "write 'US fl oz/acre'; for an imperial label convert to mL/ha"),
        ("gal/acre", "write 'US gal/acre'; for an imperial label convert to L/ha"),
    ];
    /// Millilitres per hectare.
    MillilitrePerHectare "mL/ha" = 1_000 / 1;
    /// Litres per hectare.
    LitrePerHectare "L/ha" = 1_000_000 / 1;
    /// Millilitres per acre.
    MillilitrePerAcre "mL/acre" = 100_000_000_000_000 / 40_468_564_224, trap "a hectare is 2.47 acres";
    /// US fluid ounces per acre.
    UsFluidOuncePerAcre "US fl oz/acre" = 2_957_352_956_250_000 / 40_468_564_224, trap "a hectare is 2.47 acres";
    /// US gallons per acre.
    UsGallonPerAcre "US gal/acre" = 378_541_178_400_000_000 / 40_468_564_224, trap "a hectare is 2.47 acres";
}

units! {
    /// Units of mass, in milligrams.
    MassUnit of Mg, "mass", ambiguous &[];
    /// Milligram.
    Milligram "mg" = 1 / 1;
    /// Gram.
    Gram "g" = 1_000 / 1;
    /// Kilogram.
    Kilogram "kg" = 1_000_000 / 1;
    /// Avoirdupois ounce, 28.349 523 125 g.
    Ounce "oz" = 28_349_523_125 / 1_000_000, trap "an ounce of mass is no fluid ounce: the density lies between them";
    /// Avoirdupois pound, 453.592 37 g.
    Pound "lb" = 45_359_237 / 100;
}

/// Decimals a typed figure may have: 6.
const TYPED_SCALE: i64 = 1_000_000;

/// A typed figure in a unit, as the record's integer.
///
/// # Errors
/// [`UnitError`] for what is no decimal figure of at most six decimals, or more than a record holds
/// (2⁵³ − 1).
pub fn parse<U: Unit>(text: &str, unit: U, rounding: Rounding) -> Result<U::Of, UnitError> {
    let scaled = parse_decimal(text, TYPED_SCALE, U::WHAT)?;
    let ratio = unit.ratio();
    let numerator = i128::from(scaled).checked_mul(ratio.above);
    let denominator = ratio.below.checked_mul(i128::from(TYPED_SCALE));
    let value = numerator.zip(denominator).map(|(above, below)| divide(above, below, rounding));
    match value.and_then(|v| i64::try_from(v).ok()) {
        Some(value) if value.abs() <= MAX_SAFE_INTEGER => Ok(U::quantity(value)),
        _ => Err(UnitError::TooLarge { text: text.chars().take(40).collect(), unit: unit.name() }),
    }
}

/// The unit a name stands for.
///
/// # Errors
/// [`UnitError::Ambiguous`] for a name that means two things, [`UnitError::Unknown`] for any other.
pub fn named<U: Unit>(name: &str) -> Result<U, UnitError> {
    let name = name.trim();
    if let Some(unit) = U::ALL.iter().find(|unit| unit.name().eq_ignore_ascii_case(name)) {
        return Ok(*unit);
    }
    let short = || name.chars().take(40).collect();
    if let Some((_, choices)) = U::AMBIGUOUS.iter().find(|(other, _)| other.eq_ignore_ascii_case(name)) {
        return Err(UnitError::Ambiguous { name: short(), choices });
    }
    let known = U::ALL.iter().map(|unit| unit.name()).collect::<Vec<_>>().join(", ");
    Err(UnitError::Unknown { name: short(), of: U::WHAT, known })
}

/// A quantity in a unit with `places` decimals (at most 9), rounded half away from zero: `150.0`.
pub fn shown<U: Unit>(of: U::Of, unit: U, places: u32) -> String {
    let factor = 10i128.pow(places.min(9));
    let ratio = unit.ratio();
    let scaled = i128::from(U::integer(of)).saturating_mul(ratio.below).saturating_mul(factor);
    let figure = divide(scaled, ratio.above, Rounding::Nearest);
    let sign = if figure < 0 { "-" } else { "" };
    let magnitude = figure.abs();
    let (whole, fraction) = (magnitude / factor, magnitude % factor);
    if places == 0 {
        return format!("{sign}{whole}");
    }
    format!("{sign}{whole}.{fraction:0width$}", width = places.min(9) as usize)
}

fn divide(above: i128, below: i128, rounding: Rounding) -> i128 {
    let (quotient, rest) = (above.div_euclid(below), above.rem_euclid(below));
    let up = match rounding {
        Rounding::Down => false,
        Rounding::Up => rest > 0,
        Rounding::Nearest if above < 0 => rest > below - rest,
        Rounding::Nearest => rest >= below - rest,
    };
    quotient + i128::from(up)
}

/// A gauge pressure in both units a gauge may show: `1034 kPa (150.0 psi)`.
pub fn pressure(pa: Pa) -> String {
    format!("{} kPa ({} psi)", shown(pa, PressureUnit::Kilopascal, 0), shown(pa, PressureUnit::Psi, 1))
}

/// A temperature in both scales: `20.0 °C (68.0 °F)`.
pub fn temperature(mc: MilliCelsius) -> String {
    let tenths_c = divide(i128::from(mc.0), 100, Rounding::Nearest);
    let tenths_f = divide(i128::from(mc.0) * 9 + 160_000, 500, Rounding::Nearest);
    let write = |tenths: i128| {
        format!("{}{}.{}", if tenths < 0 { "-" } else { "" }, tenths.abs() / 10, tenths.abs() % 10)
    };
    format!("{} °C ({} °F)", write(tenths_c), write(tenths_f))
}

/// A scale of temperature.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum TemperatureScale {
    /// Degrees Celsius.
    Celsius,
    /// Degrees Fahrenheit: (°F − 32) × 5/9.
    Fahrenheit,
}

/// A typed temperature, to the nearest thousandth of a degree Celsius.
///
/// # Errors
/// [`UnitError`] for what is no figure, too large, or below absolute zero (−273.15 °C).
pub fn parse_temperature(text: &str, scale: TemperatureScale) -> Result<MilliCelsius, UnitError> {
    let thousandths = i128::from(parse_decimal(text, 1_000, "temperature")?);
    let (value, unit) = match scale {
        TemperatureScale::Celsius => (thousandths, "°C"),
        TemperatureScale::Fahrenheit => (divide((thousandths - 32_000) * 5, 9, Rounding::Nearest), "°F"),
    };
    let text = || text.chars().take(40).collect();
    if value < -273_150 {
        return Err(UnitError::TooCold { text: text(), unit });
    }
    match i64::try_from(value) {
        Ok(value) if value <= MAX_SAFE_INTEGER => Ok(MilliCelsius(value)),
        _ => Err(UnitError::TooLarge { text: text(), unit }),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// NIST SP 811 (2008), appendix B, exact definitions: the figures of the units table.
    #[test]
    fn one_of_each_unit_is_its_definition() {
        let ul = |text, unit: VolumeUnit| parse(text, unit, Rounding::Nearest).map(|q| q.0);
        assert_eq!(ul("10000", VolumeUnit::UsFluidOunce), Ok(295_735_296));
        assert_eq!(ul("10000", VolumeUnit::ImperialFluidOunce), Ok(284_130_625));
        assert_eq!(ul("1", VolumeUnit::UsGallon), Ok(3_785_412));
        assert_eq!(ul("128", VolumeUnit::UsFluidOunce), ul("1", VolumeUnit::UsGallon));
        assert_eq!(ul("160", VolumeUnit::ImperialFluidOunce), ul("1", VolumeUnit::ImperialGallon));
        assert_eq!(ul("2", VolumeUnit::UsPint), ul("1", VolumeUnit::UsQuart));
        let pa = |text| parse(text, PressureUnit::Psi, Rounding::Nearest).map(|q| q.0);
        assert_eq!((pa("100"), pa("150")), (Ok(689_476), Ok(1_034_214)));
        assert_eq!(pa("1000000"), Ok(6_894_757_293));
        let um = |text, unit: LengthUnit| parse(text, unit, Rounding::Nearest).map(|q| q.0);
        assert_eq!(um("4.5", LengthUnit::Foot), Ok(1_371_600));
        assert_eq!(um("1000", LengthUnit::SixtyFourthInch), Ok(396_875));
        let mm2 = |text, unit: AreaUnit| parse(text, unit, Rounding::Nearest).map(|q| q.0);
        assert_eq!(mm2("1000", AreaUnit::Acre), Ok(4_046_856_422_400));
        assert_eq!(mm2("1", AreaUnit::SurveyAcre), Ok(4_046_872_610));
    }

    /// 1 mL/in is 0.393 700 787 mL/cm (computed from the inch): the 2.54-fold trap.
    #[test]
    fn a_rate_per_inch_is_smaller_per_centimetre() {
        let rate = |text, unit: RateUnit| parse(text, unit, Rounding::Nearest).map(|q| q.0);
        assert_eq!(rate("1", RateUnit::MillilitrePerInch), Ok(39_370));
        assert_eq!(rate("2.54", RateUnit::MillilitrePerInch), rate("1", RateUnit::MillilitrePerCentimetre));
        assert!(RateUnit::MillilitrePerInch.trap().is_some_and(|t| t.contains("2.54")));
    }

    #[test]
    fn a_maximum_rounds_down_and_a_minimum_up() {
        let rate = |rounding| parse("1", RateUnit::MillilitrePerInch, rounding).map(|q| q.0);
        assert_eq!((rate(Rounding::Down), rate(Rounding::Up)), (Ok(39_370), Ok(39_371)));
        let ul = |rounding| parse("0.0005", VolumeUnit::Millilitre, rounding).map(|q| q.0);
        assert_eq!((ul(Rounding::Down), ul(Rounding::Nearest), ul(Rounding::Up)), (Ok(0), Ok(1), Ok(1)));
        let back = parse("-0.0005", VolumeUnit::Millilitre, Rounding::Nearest).map(|q| q.0);
        assert_eq!(back, Ok(-1));
    }

    #[test]
    fn a_name_that_means_two_things_is_refused_with_the_choices() {
        for name in ["fl oz", "OZ", "gal", "pt"] {
            assert!(matches!(named::<VolumeUnit>(name), Err(UnitError::Ambiguous { .. })), "{name}");
        }
        assert!(matches!(named::<PressureUnit>("psia"), Err(UnitError::Ambiguous { .. })));
        assert_eq!(named::<VolumeUnit>(" us fl oz "), Ok(VolumeUnit::UsFluidOunce));
        let unknown = named::<LengthUnit>("furlong").unwrap_err().to_string();
        assert!(unknown.contains("mm, cm, m, in"), "{unknown}");
    }

    #[test]
    fn temperatures_are_read_and_shown_in_both_scales() {
        assert_eq!(parse_temperature("68", TemperatureScale::Fahrenheit), Ok(MilliCelsius(20_000)));
        assert_eq!(parse_temperature("-40", TemperatureScale::Fahrenheit), Ok(MilliCelsius(-40_000)));
        assert!(parse_temperature("-300", TemperatureScale::Celsius).is_err());
        assert_eq!(temperature(MilliCelsius(20_000)), "20.0 °C (68.0 °F)");
        assert_eq!(temperature(MilliCelsius(-40_000)), "-40.0 °C (-40.0 °F)");
        assert_eq!(pressure(Pa(1_034_214)), "1034 kPa (150.0 psi)");
    }

    fn nothing_panics<U: Unit + std::fmt::Debug>(text: &str, integer: i64) {
        for unit in U::ALL {
            for rounding in [Rounding::Down, Rounding::Nearest, Rounding::Up] {
                drop(parse(text, *unit, rounding));
            }
            shown(U::quantity(integer), *unit, 3);
            assert_eq!(named::<U>(unit.name()).unwrap().name(), unit.name());
        }
    }

    proptest! {
        #[test]
        fn any_text_and_any_integer_is_taken_or_refused(text in "\\PC{0,16}", integer: i64) {
            nothing_panics::<LengthUnit>(&text, integer);
            nothing_panics::<VolumeUnit>(&text, integer);
            nothing_panics::<PressureUnit>(&text, integer);
            nothing_panics::<BarometerUnit>(&text, integer);
            nothing_panics::<RateUnit>(&text, integer);
            nothing_panics::<AreaUnit>(&text, integer);
            nothing_panics::<PerAreaUnit>(&text, integer);
            nothing_panics::<MassUnit>(&text, integer);
            drop(named::<VolumeUnit>(&text));
            drop(parse_temperature(&text, TemperatureScale::Fahrenheit));
            temperature(MilliCelsius(integer));
        }

        #[test]
        fn a_figure_shown_in_a_unit_reads_back_as_itself(pa in 0i64..5_000_000) {
            let text = shown(Pa(pa), PressureUnit::Psi, 6);
            prop_assert_eq!(parse(&text, PressureUnit::Psi, Rounding::Nearest), Ok(Pa(pa)));
        }
    }
}
