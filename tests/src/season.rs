//! A large job as it stands after a season: for benchmarks and for comparing a part's re-check with the
//! whole. Every tree has six records: listing, diameter, condition, planned dose, application, photo.

use bolebook_core::book::Book;
use bolebook_core::dosing::dose::dose_for;
use bolebook_core::dosing::stem::{diameter_from_reading, girth_of_diameter};
use bolebook_core::geo;
use bolebook_core::ids::{ActorId, DeviceId, RecordId, Sha256Hash};
use bolebook_core::quantity::{AsRead, Measured, PerMille, ReadUnit, Ul, Um, UtcMs};
use bolebook_core::record::book_kinds::BookContent;
use bolebook_core::record::stand::{Bloom, Condition, Diameter, GroundDatum, Position, PositionSource, Tree};
use bolebook_core::record::work::{Application, Dose, Hole, Photo};
use bolebook_core::record::{Body, Envelope, Record};

use crate::crowd::accepted_examples;
use crate::stand::{ORIGIN, example, label};

/// Trees of a crew-day.
pub const A_DAY: usize = 400;
const DAY_MS: i64 = 86_400_000;
const MINUTE: i64 = 60_000;
/// 2026-03-02T12:00:00Z.
const START: i64 = 1_772_452_800_000;
const DEVICE: DeviceId = DeviceId([7; 16]);

/// A job of so many trees on a grid of 8 m, all listed by crews where the satellites say when `located`,
/// else on a map; 400 trees a day by one crew. Trees before `from` are left out: what is written is
/// what one part of the season adds.
pub fn write_season(book: &mut Book, trees: std::ops::Range<usize>, located: bool) {
    write(book, trees, located, false);
}

/// The same with work that the label allows, so that hardly a tree has a finding: species on the label, and
/// as many holes as the dose needs containers.
pub fn write_quiet_season(book: &mut Book, trees: std::ops::Range<usize>) {
    write(book, trees, true, true);
}

fn write(book: &mut Book, trees: std::ops::Range<usize>, located: bool, quiet: bool) {
    let (label_id, label) = label();
    let (_, like) = example(|b| if let Body::Application(a) = b { Some((**a).clone()) } else { None });
    let (_, lead) = example(|b| if let Body::Crew(crew) = b { Some(crew.lead) } else { None });
    let mut records: Vec<String> = vec![];
    for n in trees {
        let (day, of_day) = (n / A_DAY, n % A_DAY);
        let at = START + day as i64 * DAY_MS + of_day as i64 * MINUTE;
        let mut put = |offset: i64, body: Body| {
            let mut bytes = [0; 10];
            bytes[2..].copy_from_slice(&((n as u64) * 8 + offset.unsigned_abs()).to_be_bytes());
            let id = RecordId::new(at + offset, bytes);
            // An application is logged when it has ended.
            let at = UtcMs(at + if offset < 4 { offset } else { 31 * MINUTE });
            let envelope = Envelope { id, at, device: DEVICE, by: Some(lead), replaces: vec![] };
            records.push(Record { envelope, body }.to_canonical().expect("a record"));
            id
        };
        // A scatter that repeats, of 6 m either way.
        let scatter = |salt: usize| (mixed(n + salt * 1_000_003) % 12_001) as i64 * 1_000 - 6_000_000;
        let (x, y) = ((n % 320) as i64 * 8_000_000, (n / 320) as i64 * 8_000_000);
        let position = if located {
            let fix = geo::place(ORIGIN, Um(x + scatter(1)), Um(y + scatter(2)));
            let accuracy_um = Some(Um(5_000_000 + (n % 6) as i64 * 1_000_000));
            Position { accuracy_um, source: PositionSource::Gnss, ..fix }
        } else {
            geo::place(ORIGIN, Um(x), Um(y))
        };
        let tree = put(
            0,
            Body::Tree(Box::new(Tree {
                tag: format!("T-{n:06}"),
                species: Some(if quiet { label.species[0].clone() } else { "PIUPA".into() }),
                block: None,
                position: Some(position),
                stems: 1,
                mark: None,
            })),
        );
        let as_read = AsRead {
            text: format!("{}.{}", 20 + mixed(n) % 40, mixed(n) / 40 % 10),
            unit: ReadUnit::Cm,
            of: Measured::Diameter,
        };
        let diameter_um = diameter_from_reading(&as_read).expect("a diameter");
        let diameter = put(
            1,
            Body::Diameter(Box::new(Diameter {
                tree,
                stem: 1,
                diameter_um,
                as_read,
                height_um: Um(1_371_600),
                datum: GroundDatum::Level,
                band_low_girth_um: None,
                band_high_girth_um: None,
                bark_um: None,
            })),
        );
        let seen = Condition {
            canopy_loss: Some(PerMille(100)),
            bloom: Some(Bloom::After),
            ..Condition::about(tree)
        };
        put(2, Body::Condition(Box::new(seen)));
        let dose = dose_for(&label, &label.rates[0].purpose, diameter_um).expect("a dose");
        let planned = Dose {
            tree,
            stem: 1,
            label: label_id,
            purpose: dose.purpose.clone(),
            diameter,
            target_ul: dose.target_ul,
            max_ul: dose.max_ul,
            charges_ul: vec![dose.target_ul],
        };
        put(3, Body::Dose(Box::new(planned)));
        let (started_at, ended_at) = (UtcMs(at + 10 * MINUTE), UtcMs(at + 30 * MINUTE));
        let hole = Hole { put_in_ul: dose.target_ul, removed_at: Some(ended_at), ..like.holes[0].clone() };
        let holes = if quiet { charged(&hole, girth_of_diameter(diameter_um)) } else { vec![hole] };
        let position = Some(position);
        let application = Application {
            tree,
            diameter: Some(diameter),
            holes,
            started_at,
            ended_at,
            position,
            ..like.clone()
        };
        let application = put(4, Body::Application(Box::new(application)));
        let photo = Photo {
            sha256: Sha256Hash::of(&n.to_be_bytes()),
            bytes: 2_000_000,
            media_type: "image/jpeg".into(),
            about: Some(application),
            taken_at: ended_at,
            caption: None,
        };
        put(5, Body::Photo(Box::new(photo)));
    }
    book.write(ActorId::new(DEVICE, [1; 16]), UtcMs(START), &records).expect("commits");
}

/// One hole's dose in as many as it takes, 10 mL each at most, evenly around the trunk.
fn charged(all: &Hole, girth: Um) -> Vec<Hole> {
    let count = all.put_in_ul.0.div_euclid(10_000);
    let hole = |n: i64| Hole { put_in_ul: Ul(10_000), arc_um: Um(girth.0 * n / count), ..all.clone() };
    (0..count).map(hole).collect()
}

/// A number scrambled, always the same way (the finaliser of MurmurHash3, from memory).
fn mixed(n: usize) -> usize {
    let mut x = n as u64 + 1;
    for _ in 0..2 {
        x = (x ^ (x >> 33)).wrapping_mul(0xff51_afd7_ed55_8ccd);
    }
    (x >> 33) as usize
}

/// The yard of the example records, all of them in force: written by the device that they name.
pub fn yard() -> Book {
    let examples = crate::stand::yard();
    let mut book = Book::new(examples.id());
    for text in examples.commits().iter().flat_map(|c| c.records()) {
        let mut record = Record::read(text).expect("an example");
        if !matches!(record.body, Body::Genesis(_)) {
            record.envelope.device = DEVICE;
        }
        let text = record.to_canonical().expect("a record");
        book.write(ActorId::new(DEVICE, [1; 16]), UtcMs(START), &[text]).expect("a commit");
    }
    book
}

/// The job book with nothing but its genesis.
pub fn opened() -> Book {
    let (_, genesis) = example(|b| match b {
        Body::Genesis(g) if matches!(g.content, BookContent::Job(_)) => Some(g.clone()),
        _ => None,
    });
    let text = accepted_examples().into_iter().find(|t| t.contains(r#""type":"job""#)).expect("a job");
    let mut book = Book::new(genesis.book);
    book.write(ActorId::new(DEVICE, [1; 16]), UtcMs(START), &[text]).expect("a commit");
    book
}
