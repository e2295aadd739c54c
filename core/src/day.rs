//! Days: the date in a job's own time zone.

use std::fmt;
use std::str::FromStr;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error as _};

use crate::quantity::UtcMs;
use crate::record::book_kinds::Zone;

const MS_PER_DAY: i64 = 86_400_000;

/// A calendar day of the proleptic Gregorian calendar, 0001-01-01 to 9999-12-31, as days since 1970-01-01.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Day(i32);

/// A text is not a day.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("'{0}' is not a day: write YYYY-MM-DD")]
pub struct DayError(pub String);

impl Day {
    /// Days since 1970-01-01.
    pub const fn number(self) -> i32 {
        self.0
    }

    /// Whole days from `self` to `later`; negative when it is earlier.
    pub const fn days_until(self, later: Self) -> i64 {
        later.0 as i64 - self.0 as i64
    }

    /// The day of an instant in a zone; instants outside the calendar give its nearest end.
    pub fn of(at: UtcMs, zone: &Zone) -> Self {
        let local = at.0.saturating_add(zone.offset_ms(at));
        let number = local.div_euclid(MS_PER_DAY);
        Self(number.clamp(i64::from(FIRST), i64::from(LAST)) as i32)
    }

    /// Year, month 1–12 and day of month 1–31 (civil-from-days, H. Hinnant's published algorithm).
    pub const fn ymd(self) -> (i32, u32, u32) {
        let z = self.0 as i64 + 719_468;
        let era = z.div_euclid(146_097);
        let day_of_era = z.rem_euclid(146_097);
        let year_of_era =
            (day_of_era - day_of_era / 1_460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
        let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
        let shifted_month = (5 * day_of_year + 2) / 153;
        let day = (day_of_year - (153 * shifted_month + 2) / 5 + 1) as u32;
        let month = if shifted_month < 10 { shifted_month + 3 } else { shifted_month - 9 } as u32;
        let year = year_of_era + era * 400 + if month <= 2 { 1 } else { 0 };
        (year as i32, month, day)
    }

    /// A day from year, month and day of month, if there is such a day in the years 1 to 9999.
    pub fn from_ymd(year: i32, month: u32, day: u32) -> Option<Self> {
        if !(1..=9999).contains(&year) || !(1..=12).contains(&month) || !(1..=31).contains(&day) {
            return None;
        }
        let y = i64::from(if month <= 2 { year - 1 } else { year });
        let era = y.div_euclid(400);
        let year_of_era = y.rem_euclid(400);
        let shifted_month = i64::from(if month > 2 { month - 3 } else { month + 9 });
        let day_of_year = (153 * shifted_month + 2) / 5 + i64::from(day) - 1;
        let day_of_era = year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year;
        let found = Self((era * 146_097 + day_of_era - 719_468) as i32);
        (found.ymd() == (year, month, day)).then_some(found)
    }

    /// The day so many days later, unless the calendar is over.
    pub fn after(self, days: u32) -> Option<Self> {
        let number = self.0.checked_add(i32::try_from(days).ok()?)?;
        (number <= LAST).then_some(Self(number))
    }
}

const FIRST: i32 = -719_162;
const LAST: i32 = 2_932_896;

impl Zone {
    /// Local time minus UTC at an instant, in milliseconds; 0 for a zone without offsets.
    pub fn offset_ms(&self, at: UtcMs) -> i64 {
        let mut found = self.offsets.first();
        for offset in &self.offsets {
            if offset.from <= at {
                found = Some(offset);
            }
        }
        found.map_or(0, |o| o.offset_s.clamp(-93_600, 93_600) * 1_000)
    }

    /// The instant of local midnight that begins `day`.
    pub fn start_of(&self, day: Day) -> UtcMs {
        let local = i64::from(day.0) * MS_PER_DAY;
        let guess = UtcMs(local - self.offset_ms(UtcMs(local)));
        UtcMs(local - self.offset_ms(guess))
    }

    /// An instant as local `YYYY-MM-DDTHH:MM:SS±HH:MM` (RFC 3339).
    pub fn rfc3339(&self, at: UtcMs) -> String {
        let offset_s = self.offset_ms(at) / 1_000;
        let local_s = at.0.div_euclid(1_000).saturating_add(offset_s);
        let day = Day(local_s.div_euclid(86_400).clamp(i64::from(FIRST), i64::from(LAST)) as i32);
        let s = local_s.rem_euclid(86_400);
        let (sign, o) = if offset_s < 0 { ('-', -offset_s) } else { ('+', offset_s) };
        format!(
            "{day}T{:02}:{:02}:{:02}{sign}{:02}:{:02}",
            s / 3_600,
            s / 60 % 60,
            s % 60,
            o / 3_600,
            o / 60 % 60
        )
    }
}

impl FromStr for Day {
    type Err = DayError;

    fn from_str(text: &str) -> Result<Self, DayError> {
        let error = || DayError(text.chars().take(40).collect());
        let bytes = text.as_bytes();
        let shape = bytes.len() == 10
            && bytes
                .iter()
                .enumerate()
                .all(|(i, b)| if i == 4 || i == 7 { *b == b'-' } else { b.is_ascii_digit() });
        if !shape {
            return Err(error());
        }
        let number = |from: usize, to: usize| text[from..to].parse::<u32>().map_err(|_| error());
        Self::from_ymd(number(0, 4)? as i32, number(5, 7)?, number(8, 10)?).ok_or_else(error)
    }
}

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (year, month, day) = self.ymd();
        write!(f, "{year:04}-{month:02}-{day:02}")
    }
}

impl fmt::Debug for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Day({self})")
    }
}

impl Serialize for Day {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Day {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = std::borrow::Cow::<'de, str>::deserialize(deserializer)?;
        text.parse().map_err(D::Error::custom)
    }
}

impl JsonSchema for Day {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Day".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "type": "string", "description": "A day, YYYY-MM-DD", "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$" })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::book_kinds::ZoneOffset;

    #[test]
    fn days_read_and_write_back() {
        for text in ["1970-01-01", "2024-02-29", "2026-11-24", "0001-01-01", "9999-12-31"] {
            assert_eq!(text.parse::<Day>().unwrap().to_string(), text);
        }
        for bad in
            ["2023-02-29", "2026-13-01", "2026-1-1", "26-01-01", "2026-11-24 ", "2026-04-31", "0000-01-01"]
        {
            assert!(bad.parse::<Day>().is_err(), "{bad}");
        }
        assert_eq!("9999-12-31".parse::<Day>().unwrap().number(), LAST);
        assert_eq!("0001-01-01".parse::<Day>().unwrap().number(), FIRST);
    }

    #[test]
    fn an_evening_hour_belongs_to_the_local_day() {
        let zone = Zone {
            name: "America/Detroit".into(),
            offsets: vec![
                ZoneOffset { from: UtcMs(0), offset_s: -14_400 },
                ZoneOffset { from: UtcMs(1_793_512_800_000), offset_s: -18_000 },
            ],
        };
        let at = UtcMs(1_790_215_200_000); // 2026-09-24T02:00:00Z
        assert_eq!(zone.rfc3339(at), "2026-09-23T22:00:00-04:00");
        assert_eq!(Day::of(at, &zone).to_string(), "2026-09-23");
        assert_eq!(Day::of(zone.start_of(Day::of(at, &zone)), &zone), Day::of(at, &zone));
    }
}
