//! A contractor's week, invented from a seed: three crews, five days, with the noise of real work in it
//! and nothing wrong; and the same week with faults planted, each named with the code it must raise.
//!
//! The noise: several trees at once, a second crew that finishes a tree, positions 5 to 15 m off, girths
//! off by the tape's tolerance, taps up to forty minutes late, small leaks, charges that scatter.

pub mod faults;

use bolebook_core::ids::RecordId;
use bolebook_core::quantity::{AsRead, Measured, MilliCelsius, Pa, PerMille, ReadUnit, Ul, Um, UtcMs};
use bolebook_core::record::label::Sealing;
use bolebook_core::record::office::{Element, Requirements, Scheme};
use bolebook_core::record::product::MovementKind;
use bolebook_core::record::stand::{
    Block, Bloom, Condition, Corner, Diameter, Notice, Position, PositionSource, SoilMoisture, Tree,
};
use bolebook_core::record::work::{Acknowledgement, Application, Hole, NotTreated, NotTreatedReason, Photo};

use crate::planted::relabel;
use crate::world::{CREWS, HOUR, MORNING, Who, World, day};

/// Days of the week.
pub const DAYS: i64 = 5;
/// Trees a crew visits in a day.
const VISITS: usize = 16;
const MINUTE: i64 = 60_000;
const CAUTION: &str = "INVENTED: NOT FOR USE";

/// Repeatable numbers (Knuth's MMIX constants).
pub struct Dice(u64);

impl Dice {
    /// From a seed.
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    /// A number from `low` to `high`, both included.
    pub fn between(&mut self, low: i64, high: i64) -> i64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        low + ((self.0 >> 33) % (high - low + 1) as u64) as i64
    }

    /// True once in so many times.
    pub fn once_in(&mut self, n: i64) -> bool {
        self.between(1, n) == 1
    }

    /// About normal, in thousandths of a standard deviation (twelve even numbers).
    fn normal(&mut self) -> i64 {
        (0..12).map(|_| self.between(0, 1_000)).sum::<i64>() - 6_000
    }
}

/// A tree of the map.
#[derive(Clone, Copy)]
struct Mapped {
    id: RecordId,
    at: Position,
    dbh_um: i64,
}

/// The week as it goes.
struct Week {
    w: World,
    dice: Dice,
    /// The trees of each crew's block, in walking order.
    blocks: [Vec<Mapped>; CREWS],
    ids: [RecordId; CREWS],
    /// What is in each kit, measured.
    content_ul: [i64; CREWS],
}

/// A week with nothing wrong in it.
pub fn normal(seed: u64) -> World {
    play(seed, |_, _, _| ())
}

/// The same week with every fault of [`faults::FAULTS`] in it, four a crew-day.
pub fn bad(seed: u64) -> World {
    let mut w = play(seed, |w, day, crew| {
        let from = (day * CREWS + crew) * faults::A_DAY;
        for fault in faults::FAULTS.iter().skip(from).take(faults::A_DAY) {
            (fault.plant)(w, crew, fault.sign);
        }
    });
    faults::afterwards(&mut w);
    w
}

fn play(seed: u64, mut before_closing: impl FnMut(&mut World, usize, usize)) -> World {
    let mut week = Week::open(seed);
    for number in 0..DAYS as usize {
        let morning = UtcMs(MORNING.0 + number as i64 * 24 * HOUR);
        let mut apart: Vec<World> = (0..CREWS).map(|crew| week.w.apart_as(10 + crew as u8)).collect();
        let mut begun = None;
        for (crew, w) in apart.iter_mut().enumerate() {
            begun = week.crew_day(w, crew, number, morning, begun.take(), &mut before_closing);
        }
        apart.iter().for_each(|w| week.w.merge(w));
        week.w.now = UtcMs(morning.0 + 11 * HOUR);
    }
    week.w
}

impl Week {
    fn open(seed: u64) -> Self {
        let mut w = World::new();
        let mut dice = Dice::new(seed);
        w.now = UtcMs(MORNING.0 - 20 * HOUR);
        relabel(&mut w, |l| {
            l.holes.sealing = Sealing::Required;
            l.conditions.canopy_loss_max = Some(PerMille(500));
            l.conditions.not_in_bloom = true;
            l.conditions.air_min_mc = Some(MilliCelsius(5_000));
            l.area_season_max_ul_per_ha = Some(Ul(9_000_000));
        });
        w.movement(Who::Office, MovementKind::Received, 20_000_000, None);
        let asks = Requirements {
            schemes: vec![Scheme::Eu2023564],
            elements: vec![Element::CanopyLoss, Element::CrewPosition],
            condition: true,
            cautions: true,
            notice: true,
            licence_categories: vec!["ornamental".into()],
            ..Requirements::default()
        };
        w.write(Who::Office, asks);
        let notice =
            Notice { to: "neighbours".into(), how: "letter".into(), given_at: w.now, text: "trees".into() };
        w.write(Who::Office, notice);
        let mut week = Self {
            w,
            dice,
            blocks: [vec![], vec![], vec![]],
            ids: [RecordId::new(1, [1; 10]); CREWS],
            content_ul: [0; CREWS],
        };
        for crew in 0..CREWS {
            week.block(crew);
        }
        dice = Dice::new(seed ^ 0xb01e);
        week.dice = dice;
        week
    }

    /// A block of 120 m by 130 m with a mapped tree about every 13 m.
    fn block(&mut self, crew: usize) {
        let south = 42_740_000_000 + crew as i64 * 3_000_000;
        let west = -84_560_000_000i64;
        // A metre is about 9 003 ndeg of latitude and 12 210 ndeg of longitude there.
        let corner = |n: i64, e: i64| Corner { lat_ndeg: south + n * 9_003, lon_ndeg: west + e * 12_210 };
        let boundary = vec![corner(-10, -10), corner(-10, 120), corner(120, 120), corner(120, -10)];
        self.ids[crew] = self.w.write(Who::Office, Block { name: format!("Block {crew}"), boundary });
        for row in 0..9i64 {
            for column in 0..9i64 {
                let (n, e) = (
                    row * 13 * 10 + self.dice.between(-20, 20),
                    column * 13 * 10 + self.dice.between(-20, 20),
                );
                let at = Position {
                    lat_ndeg: south + n * 900,
                    lon_ndeg: west + e * 1_221,
                    accuracy_um: None,
                    source: PositionSource::Mapped,
                };
                let tag = format!("{}-{}", ["A", "B", "C"][crew], row * 9 + column + 1);
                let id = self.list(Who::Office, &tag, at, crew);
                let dbh_um = self.dice.between(200, 600) * 1_000;
                self.blocks[crew].push(Mapped { id, at, dbh_um });
            }
        }
    }

    fn list(&mut self, who: Who, tag: &str, at: Position, crew: usize) -> RecordId {
        let block = Some(self.ids[crew]);
        let species = Some("FRXAM".into());
        self.w.write(who, Tree { tag: tag.into(), species, block, position: Some(at), stems: 1, mark: None })
    }

    /// A satellite fix 5 to 15 m from where the crew stood.
    fn fix(&mut self, at: Position) -> Position {
        let off = self.dice.between(5_000, 15_000);
        let (north, east) = match self.dice.between(0, 3) {
            0 => (off, 0),
            1 => (-off, 0),
            2 => (0, off),
            _ => (0, -off),
        };
        Position {
            lat_ndeg: at.lat_ndeg + north * 9,
            lon_ndeg: at.lon_ndeg + east * 12,
            accuracy_um: Some(Um(self.dice.between(5, 12) * 1_000_000)),
            source: PositionSource::Gnss,
        }
    }

    fn crew_day(
        &mut self,
        w: &mut World,
        crew: usize,
        number: usize,
        morning: UtcMs,
        other: Option<(RecordId, Mapped, UtcMs)>,
        before_closing: &mut impl FnMut(&mut World, usize, usize),
    ) -> Option<(RecordId, Mapped, UtcMs)> {
        let who = Who::Crew(crew);
        w.now = UtcMs(morning.0 + self.dice.between(0, 10) * MINUTE);
        w.by = Some(w.leads[crew]);
        let today = day(&format!("2026-06-0{}", number + 1));
        let said = Acknowledgement {
            person: w.leads[crew],
            label: w.label,
            day: today,
            cautions: vec![CAUTION.into()],
        };
        w.write(who, said);
        let mut in_kit = self.content_ul[crew];
        let (mut charges, mut half_done) = (0, None);
        let walk: Vec<Mapped> =
            self.blocks[crew].iter().skip(number * VISITS).take(VISITS).copied().collect();
        let mut at = w.now.0 + 10 * MINUTE;
        for (visit, tree) in walk.into_iter().enumerate() {
            at += self.dice.between(4, 13) * MINUTE + self.dice.between(0, 59) * 1_000;
            let tree = if visit == 7 { self.unmapped(w, crew, number, tree, at) } else { tree };
            self.measure(w, who, tree, at);
            if self.dice.once_in(20) {
                w.now = UtcMs(w.now.0.max(at + 5 * MINUTE));
                let reason = NotTreatedReason::TrunkDamage;
                w.write(who, NotTreated { tree: tree.id, crew: w.crews[crew], reason, note: None });
                continue;
            }
            if in_kit < 200_000 {
                w.now = UtcMs(w.now.0.max(at));
                w.fill(crew, 800_000);
                in_kit += 800_000;
            }
            let count = (tree.dbh_um * 24 / 1_000_000) as usize;
            let some = if visit == 11 && crew + 1 < CREWS { count / 2 } else { count };
            let holes = self.holes(tree, count, 0..some, at);
            in_kit -= holes.iter().map(|h| h.discharged_ul().0).sum::<i64>();
            charges += holes.len() as i64;
            let application = self.apply(w, crew, tree, at, holes, None);
            if visit == 11 && crew + 1 < CREWS {
                half_done = Some((application, tree, UtcMs(at + 60 * MINUTE)));
            } else if self.dice.once_in(4) {
                let body = self.photo(w, application);
                w.write(who, body);
            }
        }
        if let Some((begun, tree, from)) = other {
            let at = from.0.max(at + 3 * MINUTE);
            let count = (tree.dbh_um * 24 / 1_000_000) as usize;
            let holes = self.holes(tree, count, count / 2..count, at);
            in_kit -= holes.iter().map(|h| h.discharged_ul().0).sum::<i64>();
            charges += holes.len() as i64;
            self.apply(w, crew, tree, at, holes, Some(begun));
        }
        before_closing(w, number, crew);
        w.now = UtcMs(w.now.0.max(morning.0 + 9 * HOUR) + 20 * MINUTE);
        // Charges scatter by 0.1 mL each and 0.05 mL together.
        let scatter =
            self.dice.normal() * 100 * isqrt(charges) / 1_000 + self.dice.normal() * 50 * charges / 1_000 / 2;
        in_kit -= scatter;
        w.close_day(crew, in_kit);
        self.content_ul[crew] = in_kit;
        half_done
    }

    /// A tree the map did not have, listed where the satellites say.
    fn unmapped(&mut self, w: &mut World, crew: usize, number: usize, like: Mapped, at: i64) -> Mapped {
        w.now = UtcMs(w.now.0.max(at));
        let position = self.fix(like.at);
        let tag = format!("N-{crew}{number}");
        let block = Some(self.ids[crew]);
        let species = Some("FRXAM".into());
        let tree = Tree { tag, species, block, position: Some(position), stems: 1, mark: None };
        let id = w.write(Who::Crew(crew), tree);
        Mapped { id, at: position, dbh_um: self.dice.between(200, 600) * 1_000 }
    }

    /// A girth off the tape to the millimetre, and the tree's condition; now and then measured twice.
    fn measure(&mut self, w: &mut World, who: Who, tree: Mapped, at: i64) {
        w.now = UtcMs(w.now.0.max(at));
        for _ in 0..if self.dice.once_in(10) { 2 } else { 1 } {
            let off = self.dice.between(-4, 4);
            let girth_mm = tree.dbh_um * 31_416 / 10_000_000 * (1_000 + off) / 1_000;
            let as_read = AsRead {
                text: format!("{}.{}", girth_mm / 10, girth_mm % 10),
                unit: ReadUnit::Cm,
                of: Measured::Girth,
            };
            let diameter_um = bolebook_core::dosing::stem::diameter_from_reading(&as_read).unwrap();
            let body = Diameter { diameter_um, as_read, ..w.diameter_body(tree.id, 3_000) };
            w.write(who, body);
        }
        let seen = Condition {
            canopy_loss: Some(PerMille(self.dice.between(0, 28) * 10)),
            bloom: Some(Bloom::After),
            soil: Some(SoilMoisture::Moist),
            air_mc: Some(MilliCelsius(self.dice.between(120, 260) * 100)),
            ..Condition::about(tree.id)
        };
        w.write(who, seen);
    }

    /// Full charges of 10 mL, holes spread around the trunk as planned and off by a few millimetres.
    fn holes(&mut self, tree: Mapped, count: usize, range: std::ops::Range<usize>, at: i64) -> Vec<Hole> {
        let girth = tree.dbh_um * 31_416 / 10_000;
        let logged = self.dice.once_in(2);
        let leak = self.dice.once_in(20);
        range
            .map(|i| Hole {
                arc_um: Um(girth * i as i64 / count as i64 + self.dice.between(0, 8) * 1_000),
                height_um: Um(self.dice.between(120, 280) * 1_000),
                depth_um: Um(self.dice.between(16, 24) * 1_000),
                put_in_ul: Ul(if leak && i == 0 { 8_500 } else { 10_000 }),
                leaked_ul: Ul(if leak && i == 0 { 1_500 } else { 0 }),
                sealed: true,
                reseated: false,
                removed_at: logged.then(|| UtcMs(at + self.dice.between(7, 11) * MINUTE)),
            })
            .collect()
    }

    fn apply(
        &mut self,
        w: &mut World,
        crew: usize,
        tree: Mapped,
        at: i64,
        holes: Vec<Hole>,
        continues: Option<RecordId>,
    ) -> RecordId {
        let ended = at + self.dice.between(12, 26) * MINUTE + self.dice.between(0, 59) * 1_000;
        let late = if self.dice.once_in(5) { self.dice.between(5, 40) } else { self.dice.between(0, 2) };
        let position = Some(self.fix(tree.at));
        let pressure_pa = Some(Pa(self.dice.between(65, 95) * 10_000));
        let body = Application {
            holes,
            continues,
            position,
            pressure_pa,
            started_at: UtcMs(at),
            ended_at: UtcMs(ended),
            ..w.application(crew, tree.id, 0)
        };
        // Logged after it ended, and after whatever was logged of other trees meanwhile.
        let before = w.now;
        w.now = UtcMs(before.0.max(ended + late * MINUTE));
        let id = w.write(Who::Crew(crew), body);
        // The next tree is begun while this one still takes up: its entries carry their own, earlier time.
        w.now = UtcMs(before.0.max(w.now.0 - 5 * MINUTE));
        id
    }

    fn photo(&mut self, w: &World, about: RecordId) -> Photo {
        let mut bytes = [0; 32];
        bytes.iter_mut().for_each(|b| *b = self.dice.between(0, 255) as u8);
        Photo {
            sha256: bolebook_core::ids::Sha256Hash(bytes),
            bytes: 2_000_000,
            media_type: "image/jpeg".into(),
            about: Some(about),
            taken_at: w.now,
            caption: None,
        }
    }
}

fn isqrt(n: i64) -> i64 {
    (n.max(0) as u64).isqrt() as i64
}
