//! A mapped stand as a job's book: for tests of exports and of sums over a whole stand.

use bolebook_core::book::Book;
use bolebook_core::dosing::dose::dose_for;
use bolebook_core::dosing::stem::diameter_from_reading;
use bolebook_core::geo;
use bolebook_core::ids::{ActorId, DeviceId, PersonId, RecordId};
use bolebook_core::quantity::{AsRead, Measured, ReadUnit, Um, UtcMs, parse_decimal};
use bolebook_core::record::label::Label;
use bolebook_core::record::stand::{Corner, Diameter, GroundDatum, Tree};
use bolebook_core::record::work::{Application, Dose, Hole};
use bolebook_core::record::{Body, Envelope, Record};

use crate::crowd::accepted_examples;
use crate::root;

/// Where the south-west corner of a mapped stand is put: an invented spot.
pub const ORIGIN: Corner = Corner { lat_ndeg: 30_600_000_000, lon_ndeg: -84_400_000_000 };

/// When the first record of the job was logged.
const START: i64 = 1_789_387_200_000;

/// A tree of a mapped stand, as the file says it.
#[derive(Clone, Debug)]
pub struct Mapped {
    /// East of the corner.
    pub x: Um,
    /// North of it.
    pub y: Um,
    /// The diameter as read, in centimetres.
    pub dbh_cm: String,
}

/// The 584 longleaf pines of `tests/data/longleaf.csv`.
pub fn longleaf() -> Vec<Mapped> {
    let text = std::fs::read_to_string(root().join("tests/data/longleaf.csv")).expect("the stand is there");
    let metres = |field: &str| Um(parse_decimal(field, 1_000_000, "position").expect("a position in metres"));
    let tree = |line: &str| {
        let fields: Vec<&str> = line.split(',').collect();
        Mapped { x: metres(fields[0]), y: metres(fields[1]), dbh_cm: fields[2].to_owned() }
    };
    text.lines().skip(1).map(tree).collect()
}

/// A diameter as the file's reader takes it.
pub fn reading(tree: &Mapped) -> AsRead {
    AsRead { text: tree.dbh_cm.clone(), unit: ReadUnit::Cm, of: Measured::Diameter }
}

/// The body of the first example record that `pick` takes.
pub fn example<T>(pick: impl Fn(&Body) -> Option<T>) -> (RecordId, T) {
    let records = accepted_examples().into_iter().map(|text| Record::read(&text).expect("an example"));
    let mut found = records.filter_map(|r| pick(&r.body).map(|body| (r.envelope.id, body)));
    found.next().expect("an example of this kind")
}

/// The example's invented label, closed at no upper diameter so that it covers any stand.
pub fn label() -> (RecordId, Label) {
    let (id, mut label) =
        example(|b| if let Body::Label(label) = b { Some((**label).clone()) } else { None });
    label.rates[0].below_um = None;
    (id, label)
}

/// The yard book of the example records, its label widened by [`label`].
pub fn yard() -> Book {
    let (label_id, wide) = label();
    let mut genesis = None;
    let mut rest = vec![];
    for text in accepted_examples() {
        let mut record = Record::read(&text).expect("an example");
        match &mut record.body {
            Body::Genesis(g) if text.contains(r#""type":"yard""#) => genesis = Some((g.book, text)),
            Body::Label(body) => {
                assert_eq!(record.envelope.id, label_id);
                **body = wide.clone();
                rest.push(record.to_canonical().expect("a record"));
            }
            Body::LabelConfirmation(body) => {
                body.rates = wide.rates.clone();
                rest.push(record.to_canonical().expect("a record"));
            }
            Body::Person(_) | Body::Licence(_) | Body::Crew(_) | Body::Kit(_) | Body::Lot(_) => {
                rest.push(text)
            }
            _ => {}
        }
    }
    let (id, genesis) = genesis.expect("a yard among the examples");
    let mut book = Book::new(id);
    write(&mut book, &[genesis]);
    write(&mut book, &rest);
    book
}

/// A job book that lists every tree with its diameter and planned dose; every `treat`th tree that
/// has a dose gets an application of it, in one hole a charge. `tag` names the trees.
pub fn job(stand: &[Mapped], treat: usize, tag: impl Fn(usize) -> String) -> Book {
    let (_, genesis) = example(|b| match b {
        Body::Genesis(g) if matches!(g.content, bolebook_core::record::book_kinds::BookContent::Job(_)) => {
            Some(g.clone())
        }
        _ => None,
    });
    let text = accepted_examples().into_iter().find(|t| t.contains(r#""type":"job""#)).expect("a job");
    let mut book = Book::new(genesis.book);
    write(&mut book, &[text]);
    let (label_id, label) = label();
    let (_, like) = example(|b| if let Body::Application(a) = b { Some((**a).clone()) } else { None });
    let (_, lead) = example(|b| if let Body::Crew(crew) = b { Some(crew.lead) } else { None });
    let mut records = vec![];
    for (index, mapped) in stand.iter().enumerate() {
        let number = index as i64;
        let put = |offset: i64, body: Body| record(number * 10 + offset, lead, body);
        let tree = Tree {
            tag: tag(index),
            species: Some("PIUPA".into()),
            block: None,
            position: Some(geo::place(ORIGIN, mapped.x, mapped.y)),
            stems: 1,
            mark: None,
        };
        let (tree_id, text) = put(0, Body::Tree(Box::new(tree)));
        records.push(text);
        let as_read = reading(mapped);
        let diameter_um = diameter_from_reading(&as_read).expect("a diameter");
        let diameter = Diameter {
            tree: tree_id,
            stem: 1,
            diameter_um,
            as_read,
            height_um: Um(1_371_600),
            datum: GroundDatum::Level,
            band_low_girth_um: None,
            band_high_girth_um: None,
            bark_um: None,
        };
        let (diameter_id, text) = put(1, Body::Diameter(Box::new(diameter)));
        records.push(text);
        let Ok(dose) = dose_for(&label, &label.rates[0].purpose, diameter_um) else { continue };
        let charges_ul = vec![dose.target_ul];
        let planned = Dose {
            tree: tree_id,
            stem: 1,
            label: label_id,
            purpose: dose.purpose.clone(),
            diameter: diameter_id,
            target_ul: dose.target_ul,
            max_ul: dose.max_ul,
            charges_ul,
        };
        records.push(put(2, Body::Dose(Box::new(planned))).1);
        if index % treat == 0 {
            let hole = Hole { put_in_ul: dose.target_ul, ..like.holes[0].clone() };
            let tree = tree_id;
            let application =
                Application { tree, diameter: Some(diameter_id), holes: vec![hole], ..like.clone() };
            records.push(put(3, Body::Application(Box::new(application))).1);
        }
    }
    write(&mut book, &records);
    book
}

fn record(number: i64, by: PersonId, body: Body) -> (RecordId, String) {
    let random = (number as u64).to_be_bytes();
    let mut bytes = [0; 10];
    bytes[2..].copy_from_slice(&random);
    let id = RecordId::new(START + number, bytes);
    let envelope = Envelope { id, at: UtcMs(START + number), device: DEVICE, by: Some(by), replaces: vec![] };
    (id, Record { envelope, body }.to_canonical().expect("a record"))
}

const DEVICE: DeviceId = DeviceId([7; 16]);

fn write(book: &mut Book, records: &[String]) {
    book.write(ActorId::new(DEVICE, [1; 16]), UtcMs(START), records).expect("a commit");
}
