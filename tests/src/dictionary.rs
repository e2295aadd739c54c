//! What the dictionary for packed lines was made from: lines of invented books, in which every id, hash,
//! key and time is another, so that it learns how lines are spelled and nobody's ids. From a fixed seed.
//! INVENTED: NOT FOR USE.

use std::collections::BTreeMap;

use bolebook_core::book::Book;
use bolebook_core::exchange::LogLine;

use crate::crowd::{Crowd, Step, accepted_examples};
use crate::scale::crews::{crew, lines, morning};
use crate::season::{opened, write_season, yard};
use crate::sim::dice::Dice;
use crate::week;

/// What a dictionary may have.
pub const BYTES: usize = 16 << 10;
/// The number it has in the frames made with it.
pub const NUMBER: u32 = 1;
const SEED: u64 = 1;
/// Crews whose day is learnt from, and how many lines of each.
const CREWS: usize = 4;
const OF_A_DAY: usize = 150;
/// How often each example record is learnt from, each time with other ids.
const OF_AN_EXAMPLE: usize = 3;

/// The lines it is trained on.
pub fn samples() -> Vec<String> {
    let mut dice = Dice::new(SEED);
    let mut samples = vec![];
    let mut add = |lines: &[LogLine]| {
        samples.extend(lines.iter().map(|line| with_other_ids(line.text(), &mut dice)));
    };
    let world = morning(CREWS);
    for n in 0..CREWS {
        let day = crew(&world, n).lines;
        add(&day[..OF_A_DAY.min(day.len())]);
        // The last one is the signature of the day's end.
        add(&day[day.len() - 1..]);
    }
    for seed in 1..=2 {
        for world in [week::normal(seed), week::bad(seed)] {
            add(&lines(&world.yard));
            add(&lines(&world.job));
        }
    }
    let mut season = opened();
    write_season(&mut season, 0..40, true);
    add(&lines(&season));
    add(&lines(&yard()));
    for _ in 0..OF_AN_EXAMPLE {
        accepted_examples().iter().filter_map(|text| alone(text)).for_each(|line| add(&[line]));
    }
    let crowd = (0..120u16).map(|n| Step { device: (n % 4) as u8, act: (n / 4 % 6) as u8, pick: n });
    add(&lines(&Crowd::play(&crowd.collect::<Vec<_>>()).all()));
    samples
}

/// A record as the one of its commit, as people write at a command line.
fn alone(text: &str) -> Option<LogLine> {
    use bolebook_core::commit::{Commit, Draft};
    use bolebook_core::ids::{ActorId, CommitHash, DeviceId};
    use bolebook_core::quantity::UtcMs;
    let actor = ActorId::new(DeviceId([7; 16]), [1; 16]);
    let (deps, records) = (vec![CommitHash([7; 32])], vec![text.to_owned()]);
    let draft = Draft { actor, seq: 12, start_op: 345, time: UtcMs(1_789_390_000_000), deps, records };
    Commit::author(draft).ok().map(LogLine::from)
}

/// Lines that the dictionary was not made from, by name: what it is judged by.
///
/// # Panics
/// When the golden lines cannot be read.
pub fn others() -> Vec<(&'static str, Vec<String>)> {
    let golden = std::fs::read_to_string(crate::root().join("tests/data/golden/format-1.ndjson"));
    let golden = golden.expect("the golden lines").lines().map(str::to_owned).collect();
    let texts = |book: &Book| lines(book).into_iter().map(|line| line.text().to_owned()).collect();
    vec![
        ("golden lines of another generator", golden),
        ("a week of another seed", texts(&week::normal(77).job)),
        ("the same with faults", texts(&week::bad(78).job)),
    ]
}

/// A dictionary of so many bytes.
///
/// # Panics
/// When the samples are too few.
pub fn train(bytes: usize) -> Vec<u8> {
    let mut made = zstd::dict::from_samples(&samples(), bytes).expect("enough samples");
    // Its number, behind the magic number (RFC 8878, §6).
    made[4..8].copy_from_slice(&NUMBER.to_le_bytes());
    made
}

/// The text with other ids, hashes and keys in the place of its own, the same for the same, and its times
/// moved together.
fn with_other_ids(text: &str, dice: &mut Dice) -> String {
    let mut known: BTreeMap<String, String> = BTreeMap::new();
    let later = dice.below(5 * 365 * 86_400) as i64 * 1_000 + dice.below(1_000) as i64;
    let mut out = String::with_capacity(text.len());
    for part in text.split_inclusive(|c: char| !c.is_ascii_alphanumeric() && c != '-') {
        let word = part.trim_end_matches(|c: char| !c.is_ascii_alphanumeric() && c != '-');
        let is_hex = word.chars().all(|c| matches!(c, '0'..='9' | 'a'..='f' | '-'));
        let new = match word.len() {
            13 if word.starts_with('1') && word.bytes().all(|b| b.is_ascii_digit()) => {
                (word.parse::<i64>().unwrap_or(0) + later).to_string()
            }
            36 if is_hex => other_uuid(word, &mut known, dice),
            32.. if is_hex => other_hex(word, &mut known, dice),
            _ => word.to_owned(),
        };
        out.push_str(&new);
        out.push_str(&part[word.len()..]);
    }
    out
}

fn hex(digits: usize, dice: &mut Dice) -> String {
    (0..digits).map(|_| char::from_digit(dice.below(16) as u32, 16).unwrap_or('0')).collect()
}

/// By groups: ids that were minted in one minute begin alike.
fn other_uuid(word: &str, known: &mut BTreeMap<String, String>, dice: &mut Dice) -> String {
    let mut groups = word.split('-').enumerate().map(|(at, group)| {
        let group = if at < 2 { group.to_owned() } else { format!("{at}{word}") };
        let digits = [8, 4, 4, 4, 12][at.min(4)];
        let made = known.entry(group).or_insert_with(|| match at {
            0 => format!("01{}", hex(6, dice)),
            2 => format!("7{}", hex(3, dice)),
            3 => format!("{}{}", ["8", "9", "a", "b"][dice.below(4)], hex(3, dice)),
            _ => hex(digits, dice),
        });
        made.clone()
    });
    let first = groups.next().unwrap_or_default();
    groups.fold(first, |all, group| format!("{all}-{group}"))
}

/// By pieces of 32: an actor begins with its device.
fn other_hex(word: &str, known: &mut BTreeMap<String, String>, dice: &mut Dice) -> String {
    let pieces = word.as_bytes().chunks(32).map(|piece| String::from_utf8_lossy(piece).into_owned());
    pieces.map(|piece| known.entry(piece.clone()).or_insert_with(|| hex(piece.len(), dice)).clone()).collect()
}
