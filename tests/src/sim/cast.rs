//! Who takes part, and what they write: the invented contractor of `world` with more devices.
//! INVENTED: NOT FOR USE.

use std::collections::BTreeMap;

use bolebook_core::book::Book;
use bolebook_core::day::Day;
use bolebook_core::exchange::LogLine;
use bolebook_core::ids::{BookId, DeviceId, RecordId};
use bolebook_core::quantity::{Ul, UtcMs};
use bolebook_core::record::book_kinds::{BookContent, Strike};
use bolebook_core::record::office::{Join, Reopening, SignOff};
use bolebook_core::record::people::{Admission, Role};
use bolebook_core::record::product::{Fill, Found, Movement, MovementKind};
use bolebook_core::record::stand::{Position, PositionSource, Tree};
use bolebook_core::record::work::{DayClosing, KitContent, NotTreated, NotTreatedReason, Note};
use bolebook_core::record::{Body, Envelope, Kind, Record, canonical};
use bolebook_core::signing::{PublicKey, SecretKey};

use crate::sim::dice::Dice;
use crate::world::{self, Who, World};

/// The root's public key, which every device has pinned.
pub fn root_key() -> PublicKey {
    world::root().public()
}

/// What a node is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The main server.
    Main,
    /// A laptop in a truck that takes crews' exchanges and passes them on.
    Hub,
    /// The office's desk.
    Office,
    /// A crew's device.
    Crew(usize),
    /// A device nobody certified; its work is held.
    Stranger,
}

impl Part {
    /// Whether it answers exchanges.
    pub fn serves(self) -> bool {
        matches!(self, Self::Main | Self::Hub)
    }
}

/// The contractor as founded, and what everybody writes from.
pub struct Cast {
    world: World,
    tags: u64,
    /// The keys of certified devices.
    pub(super) keys: BTreeMap<DeviceId, PublicKey>,
}

impl Cast {
    /// A contractor with these crews; `devices` are given certificates by the office.
    pub fn new(crews: usize, devices: &[(SecretKey, Part, String)]) -> Self {
        let mut world = World::with_crews(crews);
        let mut keys = BTreeMap::new();
        for (key, part, name) in devices {
            let (role, crew) = match part {
                Part::Main | Part::Hub => (Role::Server, None),
                Part::Office => (Role::Office, None),
                Part::Crew(n) => (Role::Crew, Some(world.crews[*n])),
                Part::Stranger => continue,
            };
            let certificate = world::certificate_for(key, role, crew, name);
            world.yard_write(Who::Office, certificate);
            keys.insert(key.device(), key.public());
        }
        Self { world, tags: 0, keys }
    }

    /// The yard book.
    pub fn yard(&self) -> BookId {
        self.world.yard.id()
    }

    /// The job book.
    pub fn job(&self) -> BookId {
        self.world.job.id()
    }

    /// Every line of both books as founded, each commit with its signature after it.
    pub fn founding(&self) -> Vec<(BookId, Vec<LogLine>)> {
        let lines = |book: &Book| {
            let mut lines = vec![];
            for commit in book.commits() {
                lines.push(LogLine::from(commit.clone()));
                let own = book.signatures().filter(|s| s.hash == commit.hash());
                lines.extend(own.cloned().map(LogLine::from));
            }
            lines
        };
        [&self.world.yard, &self.world.job].map(|book| (book.id(), lines(book))).into()
    }

    /// A record's text.
    pub fn text(
        dice: &mut Dice,
        device: DeviceId,
        at: UtcMs,
        body: Body,
        replaces: Vec<RecordId>,
    ) -> (RecordId, String) {
        let id = RecordId::new(at.0, dice.bytes());
        let envelope = Envelope { id, at, device, by: None, replaces };
        (id, Record { envelope, body }.to_canonical().unwrap())
    }

    /// A tree somewhere in the wood.
    pub fn tree(&mut self, dice: &mut Dice) -> Body {
        self.tags += 1;
        let position = Position {
            lat_ndeg: 42_732_500_000 + dice.between(0, 40_000_000),
            lon_ndeg: -84_555_500_000 + dice.between(0, 40_000_000),
            accuracy_um: None,
            source: PositionSource::Mapped,
        };
        let species = Some("FRXAM".into());
        let tag = format!("T{}", self.tags);
        Tree { tag, species, block: None, position: Some(position), stems: 1, mark: None }.into()
    }

    /// A diameter of a tree.
    pub fn diameter(&self, dice: &mut Dice, tree: RecordId) -> Body {
        self.world.diameter_body(tree, dice.between(800, 9_000)).into()
    }

    /// An application to a tree: one to four charges, one of them perhaps leaking.
    pub fn application(&mut self, dice: &mut Dice, crew: usize, tree: RecordId, now: UtcMs) -> Body {
        self.world.now = now;
        let charges = 1 + dice.below(4);
        let mut body = self.world.application(crew, tree, charges);
        if dice.chance(100) {
            body.holes[0].leaked_ul = Ul(dice.between(0, 3_000));
        }
        body.into()
    }

    /// A tree left alone.
    pub fn not_treated(&self, dice: &mut Dice, crew: usize, tree: RecordId) -> Body {
        let reasons = [NotTreatedReason::TooSmall, NotTreatedReason::Refused, NotTreatedReason::Other];
        let reason = reasons[dice.below(reasons.len())];
        NotTreated { tree, crew: self.world.crews[crew], reason, note: None }.into()
    }

    /// A note.
    pub fn note(dice: &mut Dice, about: Option<RecordId>) -> Body {
        Note { about, text: format!("note {}", dice.below(1_000_000)) }.into()
    }

    /// A strike.
    pub fn strike(record: RecordId) -> Body {
        Strike { records: vec![record], reason: "logged by mistake".into() }.into()
    }

    /// A fill of a crew's kit.
    pub fn fill(&self, dice: &mut Dice, crew: usize) -> Body {
        Fill {
            kit: self.world.kits[crew],
            lot: self.world.lot,
            crew: self.world.crews[crew],
            amount_ul: Ul(dice.between(1, 300) * 1_000),
            registration_read: "INV-0001".into(),
            lot_read: "L-77".into(),
        }
        .into()
    }

    /// A movement of the lot, of a crew's kit or of the stock.
    pub fn movement(&self, dice: &mut Dice, crew: Option<usize>) -> Body {
        use MovementKind::{Disposed, InKit, OnHand, PrimedOrTested, Received, Returned, Spilled};
        let kinds: &[MovementKind] = match crew {
            Some(_) => &[PrimedOrTested, Returned, Spilled, Disposed, InKit],
            None => &[Received, OnHand, Spilled, Disposed],
        };
        Movement {
            lot: self.world.lot,
            what: kinds[dice.below(kinds.len())],
            amount_ul: Ul(dice.between(0, 500) * 1_000),
            kit: crew.map(|c| self.world.kits[c]),
            crew: crew.map(|c| self.world.crews[c]),
            found: Found::Measured,
            note: None,
        }
        .into()
    }

    fn day(&self, now: UtcMs) -> Day {
        match self.world.job.genesis().map(|g| &g.content) {
            Some(BookContent::Job(job)) => Day::of(now, &job.zone),
            _ => unreachable!("the job book has a genesis"),
        }
    }

    /// The end of a crew's day.
    pub fn closing(&self, dice: &mut Dice, crew: usize, now: UtcMs) -> Body {
        let content_ul = Ul(dice.between(0, 500) * 1_000);
        let kits = vec![KitContent { kit: self.world.kits[crew], lot: self.world.lot, content_ul }];
        let containers_out = dice.between(0, 1);
        DayClosing { crew: self.world.crews[crew], day: self.day(now), containers_out, kits }.into()
    }

    /// A crew's day signed off by the office.
    pub fn sign_off(&self, dice: &mut Dice, now: UtcMs, job: &[bolebook_core::ids::CommitHash]) -> Body {
        let crew = self.world.crews[dice.below(self.world.crews.len())];
        SignOff { crew, day: self.day(now), job_heads: job.to_vec(), yard_heads: vec![] }.into()
    }

    /// A sign-off taken back.
    pub fn reopening(sign_off: RecordId) -> Body {
        Reopening { sign_off, reason: "late records".into() }.into()
    }

    /// Two trees that are one.
    pub fn join(keep: RecordId, other: RecordId) -> Body {
        Join { keep, joined: vec![other], reason: "one tree".into() }.into()
    }

    /// Held records let in.
    pub fn admission(record: RecordId) -> Body {
        Admission { records: vec![record], reason: "the work was done".into() }.into()
    }

    /// A text that is canonical JSON with an id, and nonsense otherwise.
    pub fn nonsense(dice: &mut Dice, device: DeviceId, at: UtcMs, about: Option<RecordId>) -> String {
        let id = RecordId::new(at.0, dice.bytes()).to_string();
        let kind = Kind::ALL[dice.below(Kind::ALL.len())].name();
        let number = dice.between(-9_007_199_254_740_991, 9_007_199_254_740_991);
        let other = about.map_or_else(String::new, |id| id.to_string());
        let value = match dice.below(5) {
            0 => serde_json::json!({ "id": id }),
            1 => serde_json::json!({ "id": id, "kind": kind, "v": 1, "number": number }),
            2 => {
                serde_json::json!({ "id": id, "kind": kind, "at": number, "device": device, "replaces": [other, other] })
            }
            3 => {
                serde_json::json!({ "id": id, "kind": "of another time", "v": 9, "at": 0, "device": device, "tree": other })
            }
            _ => serde_json::json!({ "id": id, "kind": [[[{}]]], "": null, "\u{1f332}": "\u{0}" }),
        };
        canonical::write(&value).unwrap()
    }
}
