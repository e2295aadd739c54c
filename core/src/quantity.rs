//! Quantities as they stand in records: integers in named units.
//!
//! A float never enters a record, so the same figures come out on a phone, a server and a
//! terminal. What a person read off the tape is kept beside the integer, as read ([`AsRead`]).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Largest integer a record may hold, 2⁵³ − 1: beyond it JSON readers disagree (RFC 8785, RFC 7493).
pub const MAX_SAFE_INTEGER: i64 = 9_007_199_254_740_991;

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(
            Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
        )]
        #[serde(transparent)]
        pub struct $name(pub i64);

        impl $name {
            /// Nothing of it.
            pub const ZERO: Self = Self(0);

            /// The bare integer, in the unit of the type's name.
            pub const fn get(self) -> i64 {
                self.0
            }

            /// Sum that stops at the ends of the integer range instead of wrapping.
            #[must_use]
            pub const fn saturating_add(self, other: Self) -> Self {
                Self(self.0.saturating_add(other.0))
            }

            /// Difference that stops at the ends of the integer range instead of wrapping.
            #[must_use]
            pub const fn saturating_sub(self, other: Self) -> Self {
                Self(self.0.saturating_sub(other.0))
            }
        }

        impl std::iter::Sum for $name {
            fn sum<I: Iterator<Item = Self>>(items: I) -> Self {
                items.fold(Self::ZERO, Self::saturating_add)
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                write!(f, concat!("{} ", $unit), self.0)
            }
        }
    };
}

quantity!(
    /// A length in micrometres.
    Um, "µm"
);
quantity!(
    /// A volume in microlitres, of product (never of mix) unless a field says otherwise.
    Ul, "µL"
);
quantity!(
    /// A gauge pressure in pascals, above the local atmosphere.
    Pa, "Pa"
);
quantity!(
    /// An absolute pressure in pascals: gauge and local atmosphere together.
    AbsPa, "Pa absolute"
);
quantity!(
    /// A density in micrograms per millilitre (water at 20 °C is 998 207).
    UgPerMl, "µg/mL"
);
quantity!(
    /// An area in square millimetres.
    Mm2, "mm²"
);
quantity!(
    /// A dose rate in microlitres of product per metre of trunk diameter (2.4 mL per cm is 240 000).
    UlPerM, "µL/m"
);
quantity!(
    /// A temperature in thousandths of a degree Celsius.
    MilliCelsius, "m°C"
);
quantity!(
    /// A mass in milligrams.
    Mg, "mg"
);
quantity!(
    /// A duration in milliseconds.
    Ms, "ms"
);
quantity!(
    /// An instant: milliseconds since 1970-01-01T00:00:00Z, leap seconds not counted.
    UtcMs, "ms UTC"
);
quantity!(
    /// A share in thousandths (0 to 1000).
    PerMille, "‰"
);

impl Um {
    /// Centimetres with one decimal, rounded half away from zero: `29.9`.
    pub fn cm(self) -> String {
        decimal(self.0, 10_000, 1)
    }

    /// Millimetres with one decimal.
    pub fn mm(self) -> String {
        decimal(self.0, 1_000, 1)
    }

    /// Metres with one decimal.
    pub fn m(self) -> String {
        decimal(self.0, 1_000_000, 1)
    }
}

impl Ul {
    /// Millilitres with one decimal: `138.0`.
    pub fn ml(self) -> String {
        decimal(self.0, 1_000, 1)
    }

    /// Millilitres to the microlitre, with one decimal at least: `138.0`, `2.25`. For limits, which
    /// must not be shown rounded up.
    pub fn ml_exact(self) -> String {
        let text = decimal(self.0, 1_000, 3);
        let spare = text.bytes().rev().take(2).take_while(|b| *b == b'0').count();
        text.get(..text.len() - spare).unwrap_or(&text).to_owned()
    }
}

/// `value / scale` with `places` decimals, rounded half away from zero, without floats.
pub fn decimal(value: i64, scale: i64, places: u32) -> String {
    let factor = 10i128.pow(places);
    let scale = i128::from(scale.max(1));
    let magnitude = (i128::from(value).abs() * factor * 2 + scale) / (scale * 2);
    let sign = if value < 0 && magnitude != 0 { "-" } else { "" };
    let whole = magnitude / factor;
    if places == 0 {
        return format!("{sign}{whole}");
    }
    format!("{sign}{whole}.{:0width$}", magnitude % factor, width = places as usize)
}

/// The word that goes with a whole number in English: `one` with 1, else `other`.
///
/// Source: CLDR's cardinal plural rules for `en` (one: i = 1 and v = 0).
pub fn word_for<'a, N: PartialEq + From<u8>>(number: N, one: &'a str, other: &'a str) -> &'a str {
    if number == N::from(1) { one } else { other }
}

/// What the person read off the instrument, kept exactly as read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AsRead {
    /// What was measured.
    pub of: Measured,
    /// The figure as written, for example `94` or `14 13/16`. At most 32 characters.
    pub text: String,
    /// Its unit.
    pub unit: ReadUnit,
}

/// A unit a tape or caliper is read in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ReadUnit {
    /// Millimetres.
    Mm,
    /// Centimetres.
    Cm,
    /// Inches of exactly 25.4 mm.
    In,
}

impl ReadUnit {
    /// Micrometres in one of this unit; exact (NIST SP 811 for the inch).
    pub const fn um(self) -> i64 {
        match self {
            Self::Mm => 1_000,
            Self::Cm => 10_000,
            Self::In => 25_400,
        }
    }
}

/// Which length a reading is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Measured {
    /// Around the trunk.
    Girth,
    /// Across the trunk, read off a diameter tape or a caliper.
    Diameter,
}

/// A reading could not be understood.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("'{text}' is not a {what}: {why}")]
pub struct ReadingError {
    /// What was given.
    pub text: String,
    /// What it should have been.
    pub what: &'static str,
    /// Why it is not, and what to write instead.
    pub why: &'static str,
}

/// A decimal figure as typed (`29.9`, `-3`, `1,234.5` is refused) times `scale`, as an integer.
///
/// # Errors
/// [`ReadingError`] for anything but an optional minus, digits and one decimal point, for more
/// than 12 digits before the point, and when digits beyond the scale would be lost
/// (`scale` 1000 takes three decimals).
pub fn parse_decimal(text: &str, scale: i64, what: &'static str) -> Result<i64, ReadingError> {
    let error = |why| ReadingError { text: text.chars().take(40).collect(), what, why };
    let trimmed = text.trim();
    let (negative, digits) = match trimmed.strip_prefix('-') {
        Some(rest) => (true, rest),
        None => (false, trimmed),
    };
    let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
    let plain = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
    if (whole.is_empty() && fraction.is_empty()) || !plain(whole) || !plain(fraction) {
        return Err(error("write digits with at most one decimal point, like 29.9"));
    }
    if whole.len() > 12 || fraction.len() > 12 {
        return Err(error("too many digits"));
    }
    let unit = 10i128.pow(fraction.len() as u32);
    let magnitude = whole.parse::<i128>().unwrap_or(0) * unit + fraction.parse::<i128>().unwrap_or(0);
    let scaled = magnitude * i128::from(scale);
    if scaled % unit != 0 {
        return Err(error("more decimals than the instrument can show"));
    }
    let value = i64::try_from(scaled / unit).map_err(|_| error("too large"))?;
    if value > MAX_SAFE_INTEGER {
        return Err(error("too large"));
    }
    Ok(if negative { -value } else { value })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_alone_takes_the_singular() {
        assert_eq!(
            [0, 1, 2, -1, 11].map(|n: i64| word_for(n, "day", "days")),
            ["days", "day", "days", "days", "days"]
        );
    }

    #[test]
    fn decimals_round_half_away_from_zero() {
        assert_eq!(Um(299_000).cm(), "29.9");
        assert_eq!(Um(299_500).cm(), "30.0");
        assert_eq!(Ul(-50).ml(), "-0.1");
        assert_eq!(Ul(-49).ml(), "0.0");
        assert_eq!(decimal(1_234, 1_000, 0), "1");
        assert_eq!([0, 138_000, 2_250, -5].map(|v| Ul(v).ml_exact()), ["0.0", "138.0", "2.25", "-0.005"]);
    }

    #[test]
    fn a_typed_figure_is_exact_or_refused() {
        assert_eq!(parse_decimal("29.9", 10_000, "diameter"), Ok(299_000));
        assert_eq!(parse_decimal("14.8", 25_400, "diameter"), Ok(375_920));
        assert_eq!(parse_decimal(" .5 ", 10, "figure"), Ok(5));
        for bad in ["", ".", "NaN", "1e3", "1,5", "--1", "1.23456", "9999999999999", "∞"] {
            assert!(parse_decimal(bad, 1_000, "figure").is_err(), "{bad}");
        }
    }
}
