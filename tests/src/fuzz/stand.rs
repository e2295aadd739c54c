//! A target that takes what a spreadsheet wrote: a stand in a CSV file, as `bolebook stand import`
//! reads it.

use bolebook_core::entering::stand::{Columns, Fault, Reading, Row, Sheet};
use bolebook_core::quantity::{Measured, ReadUnit};
use bolebook_core::record::stand::Corner;

use crate::fuzz::Ended;
use crate::sim::dice::Dice;

/// What readers of CSV stumble over.
const PIECES: [&[u8]; 18] = [
    b"\"",
    b",",
    b"\n",
    b"\r",
    b"\r\n",
    b"\0",
    b"\xff",
    b"\xef\xbb\xbf",
    b";",
    b"\t",
    b"-",
    b"1e9",
    b"NaN",
    b"99999999999999999999",
    b"\"\"",
    b"\xe2\x80\xae",
    b" ",
    b"='x'!A1",
];
const SIZES: [&str; 8] = ["30", "31.5", "\"31,5\"", "28.4 x 31.2", "", "14 1/2 in", "41.25", "410 mm"];

/// Makes a stand of a few trees, changed in up to three places.
pub fn make_csv(dice: &mut Dice) -> Vec<u8> {
    let mut text = "tag,E,N,d,sp\n".to_owned();
    let usual = dice.chance(700);
    for row in 0..1 + dice.below(6) {
        let size = if usual { "31.5" } else { SIZES[dice.below(SIZES.len())] };
        text.push_str(&format!("R{row},{}.5,-{row},{size},QUAL\n", dice.below(200)));
    }
    let mut bytes = text.into_bytes();
    for _ in 0..dice.below(4) {
        let at = dice.below(bytes.len());
        let end = (at + 1 + dice.below(12)).min(bytes.len());
        let piece = PIECES[dice.below(PIECES.len())];
        match dice.below(4) {
            0 => drop(bytes.splice(at..at, piece.iter().copied())),
            1 => drop(bytes.splice(at..end, piece.iter().copied())),
            2 => drop(bytes.drain(at..end)),
            _ => {
                let piece = bytes[at..end].to_vec();
                drop(bytes.splice(at..at, piece));
            }
        }
    }
    bytes
}

fn read(bytes: &[u8], degrees: bool) -> Result<Vec<Row>, Vec<Fault>> {
    let sheet = Sheet::of_csv(bytes, b',').map_err(|fault| vec![fault])?;
    let column = |name: &str| sheet.needed(name).map(Some).map_err(|fault| vec![fault]);
    let columns = Columns {
        tag: column("tag")?,
        size: column("d")?,
        species: column("sp")?,
        east: column("E")?,
        north: column("N")?,
    };
    let origin = Corner { lat_ndeg: 42_280_000_000, lon_ndeg: -83_740_000_000 };
    let reading = Reading {
        columns,
        prefix: String::new(),
        of: if degrees { Measured::Girth } else { Measured::Diameter },
        unit: ReadUnit::Cm,
        species: None,
        plane: (!degrees).then(|| (origin, "m".to_owned())),
    };
    sheet.trees(&reading, |tag| tag == "R5")
}

/// Reads a stand, once with metres and once with degrees and girths: whole, or refused with the lines
/// at fault. What is read has one tree a tag, on the earth, of a size that is one. What passes here is
/// that a whole file is read.
pub fn csv(bytes: &[u8]) -> Ended {
    let mut class = vec![];
    let mut passed = false;
    for degrees in [false, true] {
        match read(bytes, degrees) {
            Ok(rows) => {
                let mut tags: Vec<String> = rows.iter().map(|r| r.tag.to_uppercase()).collect();
                tags.sort();
                tags.dedup();
                assert_eq!(tags.len(), rows.len(), "a tag stands on two trees");
                for row in &rows {
                    assert!(!row.tag.trim().is_empty() && row.tag != "R5", "{row:?}");
                    if let Some((as_read, diameter)) = &row.size {
                        assert!(diameter.0 >= 1_000 && !as_read.text.is_empty(), "{row:?}");
                    }
                    if let Some(place) = &row.position {
                        let (lat, lon) = (place.lat_ndeg.abs(), place.lon_ndeg.abs());
                        assert!(lat <= 90_000_000_000 && lon <= 180_000_000_000, "{row:?}");
                    }
                }
                passed = true;
                class.push(if rows.is_empty() { "no tree" } else { "read" }.to_owned());
            }
            Err(faults) => {
                assert!(!faults.is_empty() && faults.iter().all(|f| f.line > 0 && !f.why.is_empty()));
                let why: String = faults[0].why.split_whitespace().last().unwrap_or("?").to_owned();
                class.push(if faults[0].column.is_some() { "a field" } else { "a line" }.to_owned());
                passed |= faults.iter().all(|f| f.column.is_some()) && why != "?";
            }
        }
    }
    Ended { passed, class: class.join(", ") }
}
