//! A small invented contractor with real keys: three crews, an office, a label, kits, a lot, one job.
//! For tests only: whatever cannot happen here panics. Everything in it is INVENTED: NOT FOR USE.

use bolebook_core::authority::{Directory, Grant, certify};
use bolebook_core::balance::{Balance, balance};
use bolebook_core::book::Book;
use bolebook_core::check::check;
use bolebook_core::day::Day;
use bolebook_core::dosing::invented::confirmation_of;
use bolebook_core::finding::Finding;
use bolebook_core::ids::{ActorId, BookId, RecordId};
use bolebook_core::quantity::{AsRead, Measured, Pa, ReadUnit, Ul, Um, UtcMs};
use bolebook_core::record::book_kinds::{BookContent, Genesis, Job, Strike, Zone, ZoneOffset};
use bolebook_core::record::kit::{ContainerKind, Gauge, Kit, Reservoir};
use bolebook_core::record::label::{Label, LabelConfirmation};
use bolebook_core::record::people::{Certificate, Crew, Licence, Person, PersonWork, Role};
use bolebook_core::record::product::{Fill, Found, Lot, Movement, MovementKind};
use bolebook_core::record::stand::{Authorisation, Diameter, GroundDatum, Position, Tree};
use bolebook_core::record::work::{Application, DayClosing, Hole, KitContent};
use bolebook_core::record::{Body, Envelope, Record};
use bolebook_core::signing::{HeadSignature, SecretKey};
use bolebook_core::view::{View, Yard};

mod label;
mod seasons;

pub use label::label;

/// 2026-06-01T12:00:00Z, eight in the morning at the job.
pub const MORNING: UtcMs = UtcMs(1_780_315_200_000);
/// How many crews there are, unless said otherwise.
pub const CREWS: usize = 3;
/// A millisecond count of one hour.
pub const HOUR: i64 = 3_600_000;

/// Who writes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Who {
    /// The office.
    Office,
    /// A crew, from 0.
    Crew(usize),
    /// The server.
    Server,
    /// A device nobody certified.
    Stranger,
}

/// A replica of the contractor's books.
#[derive(Clone)]
pub struct World {
    /// The yard book.
    pub yard: Book,
    /// The job book.
    pub job: Book,
    /// Time of the next record.
    pub now: UtcMs,
    /// Crew ids.
    pub crews: Vec<RecordId>,
    /// Each crew's kit.
    pub kits: Vec<RecordId>,
    /// Each crew's lead.
    pub leads: Vec<RecordId>,
    /// The confirmed label.
    pub label: RecordId,
    /// The lot in use.
    pub lot: RecordId,
    /// The person named in the next records, if any.
    pub by: Option<RecordId>,
    minted: u64,
    replica: u8,
}

/// The key of a device.
pub fn key(who: Who) -> SecretKey {
    SecretKey::from_seed(match who {
        Who::Office => [1; 32],
        Who::Crew(n) if n >= 40 => {
            // Beyond these the seeds of others begin.
            let mut seed = [11; 32];
            seed[..8].copy_from_slice(&(n as u64).to_be_bytes());
            seed
        }
        Who::Crew(n) => [10 + n as u8; 32],
        Who::Server => [50; 32],
        Who::Stranger => [99; 32],
    })
}

/// The key everything hangs on.
pub fn root() -> SecretKey {
    SecretKey::from_seed([200; 32])
}

fn certificate(who: Who, role: Role, crew: Option<RecordId>, name: &str) -> Certificate {
    certificate_for(&key(who), role, crew, name)
}

/// A certificate for a device, signed by the root.
pub fn certificate_for(key: &SecretKey, role: Role, crew: Option<RecordId>, name: &str) -> Certificate {
    let (key, name) = (key.public(), name.into());
    let grant = Grant { key, role, crew, name, not_before: UtcMs(0), not_after: UtcMs(MORNING.0 * 2) };
    certify(&root(), grant).unwrap()
}

impl World {
    /// The contractor on the morning of 1 June 2026, nothing treated yet; 2 L received; two crews.
    pub fn new() -> Self {
        Self::with_crews(CREWS)
    }

    /// The same with any number of crews.
    pub fn with_crews(crews: usize) -> Self {
        let root = root();
        let yard_id = BookId::new(MORNING.0, [1; 10]);
        let job_id = BookId::new(MORNING.0, [2; 10]);
        let zero = RecordId::new(0, [0; 10]);
        let mut world = Self {
            yard: Book::new(yard_id),
            job: Book::new(job_id),
            now: UtcMs(MORNING.0 - 24 * HOUR),
            crews: vec![zero; crews],
            kits: vec![zero; crews],
            leads: vec![zero; crews],
            label: zero,
            lot: zero,
            by: None,
            minted: 0,
            replica: 0,
        };
        let genesis = |book, content| Genesis {
            format: 1,
            book,
            root: root.public(),
            title: "Invented".into(),
            content,
        };
        world.found(false, genesis(yard_id, BookContent::Yard { company: "Invented Trees".into() }));
        for (who, role) in [(Who::Office, Role::Office), (Who::Server, Role::Server)] {
            let certificate = certificate(who, role, None, "desk");
            world.yard_write(Who::Office, certificate);
        }
        for n in 0..crews {
            world.crews[n] = world.crew(n);
        }
        world.label = world.confirmed(label());
        let expires = day("2027-12-31");
        let lot = Lot { label: world.label, number: "L-77".into(), expires, recalled: None };
        world.lot = world.yard_write(Who::Office, lot);
        world.movement(Who::Office, MovementKind::Received, 2_000_000, None);
        let job = Job {
            yard: yard_id,
            season: "2026".into(),
            client: zero,
            site: "Invented Wood".into(),
            zone: Zone {
                name: "America/Detroit".into(),
                offsets: vec![ZoneOffset { from: UtcMs(0), offset_s: -14_400 }],
            },
            breast_height_um: Um(1_300_000),
            closed: vec![],
            previous: None,
        };
        world.found(true, genesis(job_id, BookContent::Job(job)));
        let covers = "every listed tree, once, in 2026".into();
        let leave = Authorisation { client: zero, given: day("2026-05-01"), covers, document: None };
        world.write(Who::Office, leave);
        world.now = MORNING;
        world
    }

    /// A label entered by one licensed person and re-entered from the paper by another.
    pub fn confirmed(&mut self, label: Label) -> RecordId {
        self.twice_entered(None, label)
    }

    /// A label amended by one licensed person, and the new version confirmed by another.
    pub fn reissued(&mut self, replaces: RecordId, label: Label) -> RecordId {
        self.twice_entered(Some(replaces), label)
    }

    fn twice_entered(&mut self, replaces: Option<RecordId>, label: Label) -> RecordId {
        let by = self.by.replace(self.leads[0]);
        let confirmation = confirmation_of(&label, RecordId::new(0, [0; 10]));
        let id = match replaces {
            Some(replaces) => self.yard_amend(Who::Office, replaces, label),
            None => self.yard_write(Who::Office, label),
        };
        let second = match self.leads.get(1) {
            Some(lead) => *lead,
            None => self.licensed(PersonWork::Office),
        };
        self.by = Some(second);
        self.yard_write(Who::Office, LabelConfirmation { label: id, ..confirmation });
        self.by = by;
        id
    }

    fn licensed(&mut self, work: PersonWork) -> RecordId {
        let person = self.yard_write(Who::Office, Person { work });
        let licence = Licence {
            person,
            scheme: "invented scheme".into(),
            category: "ornamental".into(),
            certified: true,
            valid_from: day("2025-01-01"),
            valid_to: day("2026-12-31"),
        };
        self.yard_write(Who::Office, licence);
        person
    }

    fn crew(&mut self, n: usize) -> RecordId {
        let lead = self.licensed(PersonWork::CrewLead);
        let crew =
            self.yard_write(Who::Office, Crew { name: format!("Crew {n}"), lead, members: vec![lead] });
        let certificate = certificate(Who::Crew(n), Role::Crew, Some(crew), "phone");
        self.yard_write(Who::Office, certificate);
        let kit = Kit {
            name: format!("Kit {n}"),
            crew: Some(crew),
            reservoir: Reservoir {
                serial: format!("S-{n}"),
                rating_pa: Pa(1_400_000),
                volume_ul: Ul(3_000_000),
                fill_limit_ul: Ul(2_000_000),
                relief_set_pa: Pa(1_200_000),
                relief_inspected: day("2026-03-01"),
                relief_due: day("2027-03-01"),
            },
            hose_rating_pa: Pa(1_500_000),
            fittings_rating_pa: Pa(1_500_000),
            air_source_limit_pa: Pa(1_300_000),
            work_low_pa: Pa(600_000),
            work_high_pa: Pa(1_000_000),
            containers: vec![ContainerKind {
                name: "10 mL".into(),
                charge_ul: Ul(10_000),
                inner_volume_ul: None,
                scale_step_ul: None,
                charge_u_ul: Ul(100),
                shared_u_ul: Ul(50),
            }],
            bit_um: Um(6_000),
            gauge: Gauge { range_pa: Pa(1_600_000), u_pa: Pa(10_000), checked: day("2026-03-01") },
            inspected: day("2026-03-01"),
            inspection_due: day("2027-03-01"),
        };
        self.kits[n] = self.yard_write(Who::Office, kit);
        self.leads[n] = lead;
        crew
    }

    fn found(&mut self, job: bool, genesis: Genesis) {
        let key = root();
        let text = self.text(&key, genesis.into(), vec![]).1;
        let book = if job { &mut self.job } else { &mut self.yard };
        write(book, &key, 0, self.now, text);
    }

    fn text(&mut self, key: &SecretKey, body: Body, replaces: Vec<RecordId>) -> (RecordId, String) {
        self.minted += 1;
        let mut random = [self.replica; 10];
        random[2..].copy_from_slice(&self.minted.to_be_bytes());
        let id = RecordId::new(self.now.0, random);
        let envelope = Envelope { id, at: self.now, device: key.device(), by: self.by, replaces };
        (id, Record { envelope, body }.to_canonical().unwrap())
    }

    /// Writes a record into the yard book.
    pub fn yard_write(&mut self, who: Who, body: impl Into<Body>) -> RecordId {
        let (id, text) = self.text(&key(who), body.into(), vec![]);
        write(&mut self.yard, &key(who), self.replica, self.now, text);
        id
    }

    /// Writes a record into the yard book that replaces another.
    pub fn yard_amend(&mut self, who: Who, replaces: RecordId, body: impl Into<Body>) -> RecordId {
        let (id, text) = self.text(&key(who), body.into(), vec![replaces]);
        write(&mut self.yard, &key(who), self.replica, self.now, text);
        id
    }

    /// Writes a record into the job book.
    pub fn write(&mut self, who: Who, body: impl Into<Body>) -> RecordId {
        self.amend(who, &[], body)
    }

    /// Writes a record that replaces others.
    pub fn amend(&mut self, who: Who, replaces: &[RecordId], body: impl Into<Body>) -> RecordId {
        let (id, text) = self.text(&key(who), body.into(), replaces.to_vec());
        write(&mut self.job, &key(who), self.replica, self.now, text);
        id
    }

    /// Strikes a record of the job.
    pub fn strike(&mut self, who: Who, record: RecordId) -> RecordId {
        self.write(who, Strike { records: vec![record], reason: "logged by mistake".into() })
    }

    /// A replica that goes its own way until [`World::merge`].
    pub fn apart(&self) -> Self {
        let mut other = self.clone();
        other.replica = self.replica * 2 + 1;
        other
    }

    /// A replica of a device of its own, told from others by a number.
    pub fn apart_as(&self, replica: u8) -> Self {
        Self { replica, ..self.clone() }
    }

    /// Takes in everything another replica has.
    pub fn merge(&mut self, other: &Self) {
        for (mine, theirs) in [(&mut self.yard, &other.yard), (&mut self.job, &other.job)] {
            for commit in theirs.commits() {
                mine.take(commit.clone()).unwrap();
            }
            for signed in theirs.signatures() {
                mine.take_signature(signed.clone());
            }
        }
        self.now = self.now.max(other.now);
    }

    /// Lists an ash with this tag, 20 m east of the one before.
    pub fn tree(&mut self, who: Who, tag: &str) -> RecordId {
        let lon_ndeg = -84_555_500_000 + 250_000 * self.minted as i64;
        let source = bolebook_core::record::stand::PositionSource::Mapped;
        let position = Some(Position { lat_ndeg: 42_732_500_000, lon_ndeg, accuracy_um: None, source });
        let species = Some("FRXAM".into());
        self.write(who, Tree { tag: tag.into(), species, block: None, position, stems: 1, mark: None })
    }

    /// Logs a diameter in tenths of a millimetre.
    pub fn diameter(&mut self, who: Who, tree: RecordId, tenths_mm: i64) -> RecordId {
        self.write(who, self.diameter_body(tree, tenths_mm))
    }

    /// A diameter record's body.
    pub fn diameter_body(&self, tree: RecordId, tenths_mm: i64) -> Diameter {
        Diameter {
            tree,
            stem: 1,
            diameter_um: Um(tenths_mm * 100),
            as_read: AsRead {
                text: format!("{}.{}", tenths_mm / 10, tenths_mm % 10),
                unit: ReadUnit::Mm,
                of: Measured::Diameter,
            },
            height_um: Um(1_300_000),
            datum: GroundDatum::Level,
            band_low_girth_um: None,
            band_high_girth_um: None,
            bark_um: None,
        }
    }

    /// An application's body: this many full charges of 10 mL.
    pub fn application(&self, crew: usize, tree: RecordId, charges: usize) -> Application {
        let hole = |i: usize| Hole {
            arc_um: Um(120_000 * i as i64),
            height_um: Um(150_000),
            depth_um: Um(20_000),
            put_in_ul: Ul(10_000),
            leaked_ul: Ul(0),
            sealed: true,
            reseated: false,
            removed_at: None,
        };
        Application {
            tree,
            stem: 1,
            crew: self.crews[crew],
            applicator: self.leads[crew],
            supervisor: None,
            label: self.label,
            purpose: "preventive".into(),
            lot: self.lot,
            kit: self.kits[crew],
            diameter: None,
            started_at: UtcMs(self.now.0 - 20 * 60_000),
            ended_at: self.now,
            pressure_pa: None,
            holes: (0..charges).map(hole).collect(),
            continues: None,
            position: None,
        }
    }

    /// Logs an application.
    pub fn treat(&mut self, crew: usize, tree: RecordId, charges: usize) -> RecordId {
        self.now = UtcMs(self.now.0 + 30 * 60_000);
        self.write(Who::Crew(crew), self.application(crew, tree, charges))
    }

    /// Fills a crew's kit.
    pub fn fill(&mut self, crew: usize, amount_ul: i64) -> RecordId {
        let fill = Fill {
            kit: self.kits[crew],
            lot: self.lot,
            crew: self.crews[crew],
            amount_ul: Ul(amount_ul),
            registration_read: "INV-0001".into(),
            lot_read: "L-77".into(),
        };
        self.yard_write(Who::Crew(crew), fill)
    }

    /// Logs a movement of the lot.
    pub fn movement(
        &mut self,
        who: Who,
        what: MovementKind,
        amount_ul: i64,
        crew: Option<usize>,
    ) -> RecordId {
        let movement = Movement {
            lot: self.lot,
            what,
            amount_ul: Ul(amount_ul),
            kit: crew.map(|c| self.kits[c]),
            crew: crew.map(|c| self.crews[c]),
            found: Found::Measured,
            note: None,
        };
        self.yard_write(who, movement)
    }

    /// Closes a crew's day with this much in its kit.
    pub fn close_day(&mut self, crew: usize, content_ul: i64) -> RecordId {
        self.now = UtcMs(self.now.0 + 60_000);
        let zone = match self.job.genesis().map(|g| &g.content) {
            Some(BookContent::Job(job)) => job.zone.clone(),
            _ => unreachable!("the job book has a genesis"),
        };
        let closing = DayClosing {
            crew: self.crews[crew],
            day: Day::of(self.now, &zone),
            containers_out: 0,
            kits: vec![KitContent { kit: self.kits[crew], lot: self.lot, content_ul: Ul(content_ul) }],
        };
        self.write(Who::Crew(crew), closing)
    }

    /// The yard's devices, as its book proves them.
    pub fn devices(&self) -> Directory {
        Directory::read(&self.yard, &root().public()).unwrap()
    }

    /// Reads view, balance and findings and shows them to `look`.
    pub fn look<T>(&self, look: impl FnOnce(&View<'_>, &Balance, &[Finding]) -> T) -> T {
        let devices = self.devices();
        let yard = Yard::read(&self.yard, &devices.for_book(&self.yard)).unwrap();
        let view = View::read(&self.job, &yard, &devices.for_book(&self.job)).unwrap();
        let balance = balance(&yard, &[&view]);
        let findings = check(&view, &balance);
        look(&view, &balance, &findings)
    }

    /// The codes of all findings, in order.
    pub fn codes(&self) -> Vec<&'static str> {
        self.look(|_, _, findings| findings.iter().map(|f| f.code.name()).collect())
    }
}

impl Default for World {
    fn default() -> Self {
        Self::new()
    }
}

/// A day from its text.
pub fn day(text: &str) -> Day {
    text.parse().unwrap()
}

fn write(book: &mut Book, key: &SecretKey, replica: u8, now: UtcMs, text: String) {
    let actor = ActorId::new(key.device(), [replica; 16]);
    for commit in book.write(actor, now, &[text]).unwrap() {
        let signed = HeadSignature::sign(key, book.id(), actor, commit.seq(), commit.hash());
        book.take_signature(signed);
    }
}
