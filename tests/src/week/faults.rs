//! Sixty-one faults for the bad week: each with the code it must raise, and a sign that its finding's
//! message carries (a tag, mostly), so that no other finding can stand for it.

use bolebook_core::ids::{RecordId, Sha256Hash};
use bolebook_core::quantity::{Ms, Pa, PerMille, Ul, Um, UtcMs};
use bolebook_core::record::book_kinds::Receipt;
use bolebook_core::record::office::{Requirements, SignOff};
use bolebook_core::record::people::{Licence, Person, PersonWork};
use bolebook_core::record::product::Lot;
use bolebook_core::record::stand::{Block, Bloom, Condition, Corner, Position, PositionSource, Tree};
use bolebook_core::record::work::{Application, DayClosing, Incident, IncidentKind, Photo};
use bolebook_core::signing::SecretKey;

use crate::planted::{filled, treat};
use crate::world::{HOUR, Who, World, day, label};

/// Faults planted at the end of a crew's day, before it closes.
pub const A_DAY: usize = 4;
const MINUTE: i64 = 60_000;

/// One fault.
pub struct Fault {
    /// The code it must raise.
    pub code: &'static str,
    /// What its finding's message holds.
    pub sign: &'static str,
    /// Plants it in a crew's day; `sign` is given on.
    pub plant: fn(&mut World, usize, &str),
}

const fn fault(code: &'static str, sign: &'static str, plant: fn(&mut World, usize, &str)) -> Fault {
    Fault { code, sign, plant }
}

/// Planted day by day.
pub const FAULTS: &[Fault] = &[
    fault("dose.over_label", "F-01,", |w, c, s| {
        done(put(w, c, s, |w, a| a.holes = w.application(0, a.tree, 10).holes))
    }),
    fault("dose.under_label", "F-02,", |w, c, s| done(put(w, c, s, |_, a| a.holes.truncate(4)))),
    fault("dose.below_smallest_diameter", "F-03:", |w, c, s| thick(w, c, s, 900, 2)),
    fault("dose.no_rate", "F-04:", |w, c, s| done(put(w, c, s, |_, a| a.purpose = "curative".into()))),
    fault("dose.too_soon", "F-05,", again),
    fault("dose.species_not_on_label", "F-06:", |w, c, s| {
        listed(w, c, s, |t| t.species = Some("QUERO".into()))
    }),
    fault("dose.species_unknown", "F-07:", |w, c, s| listed(w, c, s, |t| t.species = None)),
    fault("dose.pest_not_on_label", "F-08:", |w, c, s| seen(w, c, s, |b| b.pest = Some("ANOLGL".into()))),
    fault("hole.depth", "F-09:", |w, c, s| done(put(w, c, s, |_, a| a.holes[1].depth_um = Um(40_000)))),
    fault("hole.spacing", "F-10,", |w, c, s| done(put(w, c, s, |_, a| a.holes[1].arc_um = Um(60_000)))),
    fault("hole.outside_band", "F-11:", |w, c, s| {
        done(put(w, c, s, |_, a| a.holes[1].height_um = Um(900_000)))
    }),
    fault("hole.charge_over_label", "F-12:", |w, c, s| {
        done(put(w, c, s, |_, a| a.holes[1].put_in_ul = Ul(15_000)))
    }),
    fault("hole.sealing", "F-13:", |w, c, s| done(put(w, c, s, |_, a| a.holes[1].sealed = false))),
    fault("hole.removed_early", "F-14:", |w, c, s| {
        done(put(w, c, s, |_, a| a.ended_at = UtcMs(a.started_at.0 + 30_000)));
    }),
    fault("hole.leaks", "F-15:", |w, c, s| {
        done(put(w, c, s, |_, a| (a.holes[1].put_in_ul, a.holes[1].leaked_ul) = (Ul(0), Ul(10_000))));
    }),
    fault("hole.container_not_off", "F-16:", |w, c, s| {
        done(put(w, c, s, |_, a| a.holes[1].removed_at = Some(a.ended_at)));
    }),
    fault("condition.canopy", "F-17,", |w, c, s| seen(w, c, s, |b| b.canopy_loss = Some(PerMille(700)))),
    fault("condition.temperature", "F-18,", |w, c, s| {
        seen(w, c, s, |b| b.air_mc = Some(bolebook_core::quantity::MilliCelsius(1_000)));
    }),
    fault("condition.bloom", "F-19,", |w, c, s| seen(w, c, s, |b| b.bloom = Some(Bloom::In))),
    fault("condition.not_assessed", "F-20", |w, c, s| seen(w, c, s, |b| b.canopy_loss = None)),
    fault("diameter.disagree", "F-21,", |w, c, s| {
        let tree = list(w, c, s, |_| ());
        let _ = w.diameter(Who::Crew(c), tree, 3_500);
    }),
    fault("diameter.not_as_read", "F-22,", |w, c, s| {
        let tree = list(w, c, s, |_| ());
        let mut body = w.diameter_body(tree, 3_000);
        body.diameter_um = Um(310_000);
        w.write(Who::Crew(c), body);
    }),
    fault("tree.treated_twice", "F-23,", |w, c, s| {
        let tree = put(w, c, s, |_, _| ());
        treat(w, c, tree, |_| ());
    }),
    fault("tree.same_tag", "F-24 stands on 2 trees", |w, c, _| {
        list(w, c, "F-24", |_| ());
        list(w, c, "f-24", |_| ());
    }),
    fault("tree.may_be_same", "F-25 and F-25b", |w, c, _| {
        let mut at = None;
        list(w, c, "F-25", |t| at = t.position);
        let at = at.map(|p| Position { source: PositionSource::Gnss, ..p });
        list(w, c, "F-25b", |t| t.position = at);
    }),
    fault("tree.unknown", "discharged", |w, c, _| done(treat(w, c, RecordId::new(9, [9; 10]), |_| ()))),
    fault("tree.outside_block", "F-27:", |w, c, s| {
        let block = block(w, "Elsewhere", 500);
        list(w, c, s, |t| t.block = Some(block));
    }),
    fault("place.far_from_tree", "F-28:", |w, c, s| {
        done(put(w, c, s, |_, a| a.position = Some(at(42_742_500_000))))
    }),
    fault("place.off_track", "F-29", |w, c, s| {
        listed(w, c, s, |t| t.position = Some(at(45_000_000_000)));
    }),
    fault("time.backwards", "F-30:", |w, c, s| {
        done(put(w, c, s, |_, a| {
            a.holes.iter_mut().for_each(|h| h.removed_at = Some(UtcMs(a.started_at.0 - 1)))
        }));
    }),
    fault("time.other_day", "F-31:", |w, c, s| {
        done(put(w, c, s, |_, a| (a.started_at, a.ended_at) = (ago(a, 72), ended_ago(a, 72))));
    }),
    fault("time.overlap", "Person", |w, c, _| {
        let other = w.leads[(c + 1) % 3];
        let ten = UtcMs(w.now.0 - w.now.0.rem_euclid(24 * HOUR) + 13 * HOUR + HOUR / 2);
        done(put(w, c, "F-32", |_, a| {
            a.applicator = other;
            (a.started_at, a.ended_at) = (ten, UtcMs(ten.0 + HOUR));
        }));
    }),
    fault("crew.too_fast", "stems within an hour", |w, c, _| {
        for i in 0..45 {
            let tree = list(w, c, &format!("F-33-{i}"), |_| ());
            w.now = UtcMs(w.now.0 + (1 + i % 2) * MINUTE / 2);
            let body = w.application(c, tree, 7);
            w.write(Who::Crew(c), body);
        }
    }),
    fault("device.two_people", "people wrote with one device", |w, c, _| {
        let (mine, other) = (w.leads[c], w.leads[(c + 1) % 3]);
        let tree = list(w, c, "F-34", |_| ());
        for by in [other, mine, other, mine] {
            w.by = Some(by);
            let _ = w.diameter(Who::Crew(c), tree, 3_000);
        }
    }),
    fault("photo.reused", "F-35", |w, c, _| {
        for tag in ["F-35", "F-35b"] {
            let tree = list(w, c, tag, |_| ());
            let photo = Photo {
                sha256: Sha256Hash([35; 32]),
                bytes: 1_000,
                media_type: "image/jpeg".into(),
                about: Some(tree),
                taken_at: w.now,
                caption: None,
            };
            w.write(Who::Crew(c), photo);
        }
    }),
    fault("work.regular_as_clockwork", "F-36-", |w, c, _| {
        for i in 0..7 {
            put(w, c, &format!("F-36-{i}"), |_, _| ());
        }
    }),
    fault("work.same_readings", "F-37-", |w, c, _| {
        for i in 0..6 {
            list(w, c, &format!("F-37-{i}"), |_| ());
            w.now = UtcMs(w.now.0 + MINUTE);
        }
    }),
    fault("kit.no_fill", "F-38", |w, c, s| {
        let lot = lot(w, "L-38", "2027-12-31", None);
        done(put(w, c, s, |_, a| a.lot = lot));
    }),
    fault("kit.fill_over_limit", "2100.0 mL, over", |w, c, _| done(w.fill(c, 2_100_000))),
    fault("kit.content_over_limit", "1990.0 mL onto", |w, c, _| done(w.fill(c, 1_990_000))),
    fault("kit.read_otherwise", "L-41", |w, c, _| done(filled(w, c, 10_000, "INV-0001", "L-41"))),
    fault("kit.other_product", "L-42", |w, c, _| {
        let mine = (w.label, w.lot);
        crate::planted::relabel(w, |l| l.registration = "INV-0042".into());
        let label = w.label;
        let expires = day("2027-12-31");
        w.lot = w.yard_write(Who::Office, Lot { label, number: "L-42".into(), expires, recalled: None });
        filled(w, c, 10_000, "INV-0042", "L-42");
        (w.label, w.lot) = mine;
    }),
    fault("kit.pressure_over_limit", "F-43:", |w, c, s| {
        done(put(w, c, s, |_, a| a.pressure_pa = Some(Pa(1_350_000))))
    }),
    fault("kit.pressure_outside_band", "F-44:", |w, c, s| {
        done(put(w, c, s, |_, a| a.pressure_pa = Some(Pa(400_000))))
    }),
    fault("kit.gauge_stuck", "at all of 10", |w, c, _| {
        let kit = w.kits[(c + 1) % 3];
        for i in 0..10 {
            put(w, c, &format!("F-45-{i}"), |_, a| (a.kit, a.pressure_pa) = (kit, Some(Pa(800_000))));
            w.now = UtcMs(w.now.0 - 28 * MINUTE);
        }
    }),
    fault("kit.not_ready", "not in the yard's book", |w, c, s| {
        done(put(w, c, s, |_, a| a.kit = RecordId::new(46, [46; 10])));
    }),
    fault("lot.unknown", "F-47:", |w, c, s| done(put(w, c, s, |_, a| a.lot = RecordId::new(47, [47; 10])))),
    fault("lot.expired", "F-48:", |w, c, s| {
        let lot = lot(w, "L-48", "2026-05-31", None);
        done(put(w, c, s, |_, a| a.lot = lot));
    }),
    fault("lot.recalled", "F-49:", |w, c, s| {
        let lot = lot(w, "L-49", "2027-12-31", Some("maker's notice"));
        done(put(w, c, s, |_, a| a.lot = lot));
    }),
    fault("label.not_usable", "F-50:", |w, c, s| {
        let unconfirmed = w.yard_write(Who::Office, label());
        done(put(w, c, s, |_, a| a.label = unconfirmed));
    }),
    fault("licence.not_valid", "F-51:", |w, c, s| {
        let person = w.yard_write(Who::Office, Person { work: PersonWork::CrewMember });
        done(put(w, c, s, |_, a| a.applicator = person));
    }),
    fault("licence.wrong_category", "F-52:", |w, c, s| {
        let person = w.yard_write(Who::Office, Person { work: PersonWork::CrewMember });
        let (valid_from, valid_to) = (day("2025-01-01"), day("2026-12-31"));
        let (scheme, category) = ("invented scheme".into(), "forest".into());
        w.yard_write(
            Who::Office,
            Licence { person, scheme, category, certified: true, valid_from, valid_to },
        );
        done(put(w, c, s, |_, a| a.applicator = person));
    }),
];

fn at(lat_ndeg: i64) -> Position {
    Position { lat_ndeg, lon_ndeg: -84_555_500_000, accuracy_um: None, source: PositionSource::Mapped }
}

fn ago(a: &Application, hours: i64) -> UtcMs {
    UtcMs(a.started_at.0 - hours * HOUR)
}

fn ended_ago(a: &Application, hours: i64) -> UtcMs {
    UtcMs(a.ended_at.0 - hours * HOUR)
}

/// A tag without the sign's punctuation.
fn tag(sign: &str) -> &str {
    sign.trim_end_matches([',', ':'])
}

/// Lists a tree, not yet measured.
fn bare(w: &mut World, crew: usize, sign: &str, edit: impl FnOnce(&mut Tree)) -> RecordId {
    let place = tag(sign).bytes().fold(7i64, |n, b| (n * 31 + i64::from(b)) % 1_009);
    let mut tree = Tree {
        tag: tag(sign).into(),
        species: Some("FRXAM".into()),
        block: None,
        position: Some(Position { lon_ndeg: -84_555_500_000 + 250_000 * place, ..at(42_732_500_000) }),
        stems: 1,
        mark: None,
    };
    edit(&mut tree);
    w.write(Who::Crew(crew), tree)
}

/// Lists a tree of 30 cm and judges it well.
fn list(w: &mut World, crew: usize, sign: &str, edit: impl FnOnce(&mut Tree)) -> RecordId {
    let tree = bare(w, crew, sign, edit);
    let _ = w.diameter(Who::Crew(crew), tree, 3_000);
    w.write(Who::Crew(crew), good(tree));
    tree
}

fn good(tree: RecordId) -> Condition {
    Condition {
        canopy_loss: Some(PerMille(100)),
        bloom: Some(Bloom::After),
        air_mc: Some(bolebook_core::quantity::MilliCelsius(18_000)),
        ..Condition::about(tree)
    }
}

/// Lists a tree and treats it, the application changed; gives the tree.
fn put(w: &mut World, crew: usize, sign: &str, edit: impl FnOnce(&World, &mut Application)) -> RecordId {
    let tree = list(w, crew, sign, |_| ());
    let like = w.clone();
    treat(w, crew, tree, |a| edit(&like, a));
    tree
}

fn listed(w: &mut World, crew: usize, sign: &str, edit: impl FnOnce(&mut Tree)) {
    let tree = list(w, crew, sign, edit);
    treat(w, crew, tree, |_| ());
}

fn seen(w: &mut World, crew: usize, sign: &str, edit: impl FnOnce(&mut Condition)) {
    let tree = bare(w, crew, sign, |_| ());
    let _ = w.diameter(Who::Crew(crew), tree, 3_000);
    let mut body = good(tree);
    edit(&mut body);
    w.write(Who::Crew(crew), body);
    treat(w, crew, tree, |_| ());
}

fn thick(w: &mut World, crew: usize, sign: &str, tenths_mm: i64, charges: usize) {
    let tree = bare(w, crew, sign, |_| ());
    let _ = w.diameter(Who::Crew(crew), tree, tenths_mm);
    w.write(Who::Crew(crew), good(tree));
    treat(w, crew, tree, |a| a.holes.truncate(charges));
}

/// Treated today and, as its times say, two days before.
fn again(w: &mut World, crew: usize, sign: &str) {
    let tree = put(w, crew, sign, |_, _| ());
    treat(w, crew, tree, |a| (a.started_at, a.ended_at) = (ago(a, 48), ended_ago(a, 48)));
}

fn lot(w: &mut World, number: &str, expires: &str, recalled: Option<&str>) -> RecordId {
    let (label, number, expires) = (w.label, number.into(), day(expires));
    w.yard_write(Who::Office, Lot { label, number, expires, recalled: recalled.map(str::to_owned) })
}

/// A block of so many metres' side, far from everything.
fn block(w: &mut World, name: &str, metres: i64) -> RecordId {
    let (n, e) = (metres * 9_003, metres * 12_210);
    let corner =
        |lat: i64, lon: i64| Corner { lat_ndeg: 42_600_000_000 + lat, lon_ndeg: -84_000_000_000 + lon };
    let boundary = vec![corner(0, 0), corner(0, e), corner(n, e), corner(n, 0)];
    w.write(Who::Office, Block { name: name.into(), boundary })
}

/// Codes and signs of what is planted when the week is over.
pub const AFTERWARDS: &[(&str, &str)] = &[
    ("day.work_after_closing", "F-60"),
    ("incident.no_follow_up", "ladder"),
    ("day.containers_out", "2 containers"),
    ("time.clock_set_back", "set back by 60 minutes"),
    ("time.clock_off", "25 minutes ahead"),
    ("record.proposal", "requirements"),
    ("record.changed_after_sign_off", "F-53"),
    ("day.signed_past_stop", "2026-06-05"),
    ("dose.area_limit", "Block Tiny"),
];

/// Plants what [`AFTERWARDS`] lists.
pub fn afterwards(w: &mut World) {
    let who = Who::Crew(0);
    w.by = Some(w.leads[0]);
    w.now = UtcMs(w.now.0 + HOUR);
    let tree = list(w, 0, "F-53", |_| ());
    let application = treat(w, 0, tree, |_| ());
    let incident = Incident {
        what: IncidentKind::Injury,
        crew: w.crews[0],
        happened_at: w.now,
        tree: None,
        text: "fell off a ladder".into(),
        done: "plaster".into(),
        told: vec![],
    };
    w.write(who, incident);
    let (crew, today) = (w.crews[0], day("2026-06-05"));
    let earlier = day("2026-06-04");
    w.write(who, DayClosing { crew: w.crews[1], day: earlier, containers_out: 2, kits: vec![] });
    w.now = UtcMs(w.now.0 - HOUR);
    w.write(who, good(tree));
    w.now = UtcMs(w.now.0 + HOUR);
    let receipt = Receipt {
        delivered_by: SecretKey::from_seed([11; 32]).device(),
        arrived_at: w.now,
        clock_offset_ms: Ms(25 * MINUTE),
        through: vec![],
    };
    w.write(Who::Server, receipt);
    w.write(who, Requirements::default());
    let block = block(w, "Tiny", 5);
    let inside = Position { lon_ndeg: -84_000_000_000 + 30_000, ..at(42_600_020_000) };
    let tree = list(w, 0, "F-60", |t| (t.block, t.position) = (Some(block), Some(inside)));
    treat(w, 0, tree, |_| ());
    let (job_heads, yard_heads) = (w.job.heads(), w.yard.heads());
    w.write(Who::Office, SignOff { crew, day: today, job_heads, yard_heads });
    w.strike(Who::Office, application);
}

/// A fault's sign names its tree; the id is not needed.
fn done(_: RecordId) {}
