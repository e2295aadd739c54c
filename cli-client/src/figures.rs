//! What a person types at a command: texts, moments and minutes; figures are read by the core.

use std::fmt;
use std::str::FromStr;

use bolebook_core::day::Day;
pub use bolebook_core::figures::*;
use bolebook_core::quantity::{UtcMs, parse_decimal};
use bolebook_core::record::book_kinds::Zone;
use serde::de::{Deserialize, Deserializer, Error as _};

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

/// Minutes, to a thousandth of one, from 0 up.
///
/// # Errors
/// [`FigureError`].
pub fn minutes(text: &str, what: &'static str) -> Result<f64, FigureError> {
    let figure = text.trim().trim_end_matches("min").trim_end();
    let found = parse_decimal(figure, 1_000, what)?;
    if found < 0 { Err(wrong(text, what, "it cannot be less than 0")) } else { Ok(found as f64 / 1e3) }
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
    Ok(local_moment(day, into_day, zone))
}

#[cfg(test)]
mod tests {
    use super::*;
    use bolebook_core::quantity::{MilliCelsius, Pa, Um};
    use bolebook_core::record::book_kinds::ZoneOffset;

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
