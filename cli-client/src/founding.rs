//! Opening books: a genesis commit by the root key's own actor, signed by the root.

use bolebook_core::ids::{ActorId, BookId};
use bolebook_core::quantity::{Ms, UtcMs};
use bolebook_core::record::book_kinds::{BookContent, Genesis, Zone, ZoneOffset};
use bolebook_core::record::{Envelope, Record};
use bolebook_core::signing::SecretKey;
use bolebook_db::Transaction;
use jiff::Timestamp;
use jiff::civil::date;
use jiff::tz::{Offset, TimeZone};

use crate::error::CliError;
use crate::figures::{FigureError, wrong};
use crate::outside::Outside;
use crate::writer;

/// How long an office's own certificate holds: ten years, in milliseconds.
pub const OFFICE_TERM: Ms = Ms(10 * 366 * 86_400_000);

/// Opens a book and gives its id.
///
/// # Errors
/// [`CliError`] when the log fails.
pub fn found(
    tx: &Transaction<'_>,
    outside: &Outside,
    root: &SecretKey,
    title: &str,
    content: BookContent,
) -> Result<BookId, CliError> {
    let now = outside.now();
    let book = BookId::new(now.0, outside.random()?);
    let device = root.device();
    let genesis = Genesis { format: 1, book, root: root.public(), title: title.to_owned(), content };
    let envelope = Envelope { id: outside.record_id()?, at: now, device, by: None, replaces: vec![] };
    let record = Record { envelope, body: genesis.into() };
    let actor = ActorId::new(device, outside.random()?);
    writer::append(tx, root, actor, book, now, vec![record.to_canonical()?])?;
    Ok(book)
}

/// A time zone's offsets from a year before the season to two years after it.
///
/// # Errors
/// [`FigureError`] for a zone or season that is none.
pub fn zone(name: &str, season: &str) -> Result<Zone, FigureError> {
    let zone = TimeZone::get(name)
        .map_err(|_| wrong(name, "time zone", "write its IANA name, like America/Detroit"))?;
    let digits: String = season.chars().take(4).collect();
    let year: i16 = digits
        .parse()
        .ok()
        .filter(|y| (2020..=2200).contains(y))
        .ok_or_else(|| wrong(season, "season", "begin it with its year, like 2026"))?;
    let instant = |year| {
        let midnight = date(year, 1, 1).at(0, 0, 0, 0);
        TimeZone::UTC.to_timestamp(midnight).map_err(|e| wrong(season, "season", e.to_string()))
    };
    let (first, last) = (instant(year - 1)?, instant(year + 3)?);
    let mut offsets = vec![offset(first, zone.to_offset(first))];
    offsets.extend(
        zone.following(first).take_while(|t| t.timestamp() < last).map(|t| offset(t.timestamp(), t.offset())),
    );
    offsets.dedup_by_key(|o| o.offset_s);
    Ok(Zone { name: name.to_owned(), offsets })
}

fn offset(from: Timestamp, offset: Offset) -> ZoneOffset {
    ZoneOffset { from: UtcMs(from.as_millisecond()), offset_s: i64::from(offset.seconds()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IANA time zone database: in 2026 Detroit's clocks go forward on 8 March at 07:00 UTC and
    /// back on 1 November at 06:00 UTC.
    #[test]
    fn a_zone_carries_the_changes_of_its_season() {
        let zone = zone("America/Detroit", "2026").unwrap();
        let at = |ms| zone.offset_ms(UtcMs(ms)) / 1_000;
        assert_eq!(at(1_772_953_199_999), -18_000);
        assert_eq!(at(1_772_953_200_000), -14_400);
        assert_eq!(at(1_793_512_799_999), -14_400);
        assert_eq!(at(1_793_512_800_000), -18_000);
    }

    #[test]
    fn a_zone_or_season_that_is_none_is_refused() {
        assert!(zone("America/Nowhere", "2026").is_err());
        assert!(zone("UTC", "autumn").is_err());
        assert_eq!(zone("UTC", "2026/27").unwrap().offsets.len(), 1);
    }
}
