//! What a camera wrote into a photo: when and where, and which way up. It is shown beside what the
//! record says, to office and crews; it decides nothing.

use bolebook_core::ids::Sha256Hash;
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::book_kinds::Zone;
use bolebook_objects::{Key, Objects};
use exif::{DateTime, Exif, In, Tag, Value};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// So many bytes of an object are read for its EXIF: a JPEG segment has at most 64 KiB, and a camera's
/// comes first (CIPA DC-008).
const FIRST_PART: u64 = 256 << 10;

/// A place as the camera had it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Place {
    /// Latitude, in 10⁻⁹ degrees, north positive.
    pub lat_ndeg: i64,
    /// Longitude, in 10⁻⁹ degrees, east positive.
    pub lon_ndeg: i64,
}

/// What the camera wrote. Everything may be missing, or wrong: a camera's clock is set by hand.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Camera {
    /// The camera's local time, as written: `YYYY-MM-DD hh:mm:ss`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken_local: Option<String>,
    /// The same in UTC, if the camera wrote its offset.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken_at: Option<UtcMs>,
    /// Where.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<Place>,
    /// Which way up, 1 to 8 (TIFF 6.0 tag 274); 1 is upright.
    pub orientation: u8,
    #[serde(skip)]
    local: Option<i64>,
}

impl Camera {
    /// When it was taken: by the camera's own offset, else as local time of the job.
    pub fn taken(&self, zone: &Zone) -> Option<UtcMs> {
        self.taken_at.or_else(|| {
            let local = self.local?;
            let guess = local - zone.offset_ms(UtcMs(local));
            Some(UtcMs(local - zone.offset_ms(UtcMs(guess))))
        })
    }
}

/// Reads a photo's EXIF (CIPA DC-008); what is missing or unreadable stays empty.
pub fn read(bytes: &[u8]) -> Camera {
    read_from(&mut std::io::Cursor::new(bytes))
}

/// The same of a photo that the server has; none if it cannot be read. Of a file it is read only as far
/// as its EXIF; of an object, its first part, where a camera's JPEG has it.
pub fn of_photo(objects: &Objects, hash: Sha256Hash) -> Option<Camera> {
    let key = Key::photo(hash);
    if let Objects::Folder(folder) = objects {
        let file = std::fs::File::open(folder.place(&key)).ok()?;
        return Some(read_from(&mut std::io::BufReader::new(file)));
    }
    let start = objects.range(&key, 0, FIRST_PART).ok()??;
    Some(read(&start))
}

fn read_from(source: &mut (impl std::io::BufRead + std::io::Seek)) -> Camera {
    let mut camera = Camera { orientation: 1, ..Camera::default() };
    let Ok(exif) = exif::Reader::new().read_from_container(source) else {
        return camera;
    };
    let turned = exif.get_field(Tag::Orientation, In::PRIMARY).and_then(|f| f.value.get_uint(0));
    camera.orientation =
        turned.and_then(|v| u8::try_from(v).ok()).filter(|v| (1..=8).contains(v)).unwrap_or(1);
    if let Some(time) = time(&exif) {
        let local = jiff::civil::DateTime::new(
            i16::try_from(time.year).unwrap_or(0),
            i8::try_from(time.month).unwrap_or(0),
            i8::try_from(time.day).unwrap_or(0),
            i8::try_from(time.hour).unwrap_or(-1),
            i8::try_from(time.minute).unwrap_or(-1),
            i8::try_from(time.second).unwrap_or(-1),
            0,
        );
        if let Ok(local) = local
            && let Ok(as_utc) = jiff::tz::TimeZone::UTC.to_timestamp(local)
        {
            let local_ms = as_utc.as_millisecond();
            camera.taken_local = Some(format!("{} {}", local.date(), local.time()));
            camera.local = Some(local_ms);
            camera.taken_at = time.offset.map(|minutes| UtcMs(local_ms - i64::from(minutes) * 60_000));
        }
    }
    camera.place = angle(&exif, Tag::GPSLatitude, Tag::GPSLatitudeRef, b'S', 90)
        .zip(angle(&exif, Tag::GPSLongitude, Tag::GPSLongitudeRef, b'W', 180))
        .map(|(lat_ndeg, lon_ndeg)| Place { lat_ndeg, lon_ndeg });
    camera
}

fn ascii(exif: &Exif, tag: Tag) -> Option<&[u8]> {
    match &exif.get_field(tag, In::PRIMARY)?.value {
        Value::Ascii(texts) => texts.first().map(Vec::as_slice),
        _ => None,
    }
}

fn time(exif: &Exif) -> Option<DateTime> {
    let mut time = DateTime::from_ascii(ascii(exif, Tag::DateTimeOriginal)?).ok()?;
    if let Some(offset) = ascii(exif, Tag::OffsetTimeOriginal) {
        // Without a readable offset it is local time.
        let _ = time.parse_offset(offset);
    }
    Some(time)
}

/// Degrees, minutes and seconds as 10⁻⁹ degrees.
fn angle(exif: &Exif, tag: Tag, side: Tag, negative: u8, most: i64) -> Option<i64> {
    let Value::Rational(parts) = &exif.get_field(tag, In::PRIMARY)?.value else { return None };
    let mut ndeg = 0i128;
    for (part, unit) in parts.iter().zip([1i128, 60, 3_600]) {
        if part.denom == 0 {
            return None;
        }
        ndeg += i128::from(part.num) * 1_000_000_000 / (i128::from(part.denom) * unit);
    }
    let ndeg = i64::try_from(ndeg).ok().filter(|n| *n <= most * 1_000_000_000 && !parts.is_empty())?;
    let away = ascii(exif, side).is_some_and(|s| s.first() == Some(&negative));
    Some(if away { -ndeg } else { ndeg })
}
