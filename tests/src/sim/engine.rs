//! The run: steps in trouble, quiet points between them.

use std::collections::BTreeSet;

use bolebook_core::ids::{BookId, DeviceId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::signing::SecretKey;
use bolebook_db::Connection;
use bolebook_log::client::{ClientError, Session};
use bolebook_log::{LogError, Page};

use crate::sim::cast::{Cast, Part};
use crate::sim::dice::Dice;
use crate::sim::disk::was_power_cut;
use crate::sim::laws::Quiet;
use crate::sim::ledger::{Ledger, What};
use crate::sim::net::{Cargo, Net, Packet, Weather};
use crate::sim::node::{Asking, Node};
use crate::sim::serving::{Ended, Serving};
use crate::sim::{Broken, Failure, Law, Options, Sabotage, Size, Stats};
use crate::world::{self, MORNING, Who};

/// Plays the run of a seed.
///
/// # Errors
/// [`Failure`] with the law that broke and the steps that led there.
pub fn run(seed: u64, options: Options) -> Result<Stats, Box<Failure>> {
    let mut sim = Sim::new(seed, options);
    let played = sim.play();
    match played {
        Ok(()) => Ok(sim.stats),
        Err(broken) => {
            let (size, snapshots, steps) = (options.size, options.snapshots, std::mem::take(&mut sim.steps));
            Err(Box::new(Failure { seed, size, snapshots, broken, steps }))
        }
    }
}

/// Refusals that a request cut off on its way may get.
const CUT: [&str; 4] = ["body-cut", "line-order", "line-malformed", "genesis-unproven"];

/// How often in a thousand steps a device is put back to a snapshot, or one is made, where actors fork.
const SNAPSHOTS: usize = 150;

/// How much happens.
#[derive(Clone, Copy)]
pub(super) struct Measure {
    crews: usize,
    steps: usize,
    quiet: usize,
    /// Most records logged at once.
    pub(super) burst: usize,
    /// How often in a thousand a stand is imported instead, and of how many trees.
    pub(super) imports: (usize, usize),
}

impl Measure {
    fn of(size: Size) -> Self {
        match size {
            Size::Small => Self { crews: 2, steps: 110, quiet: 2, burst: 3, imports: (10, 20) },
            Size::Middle => Self { crews: 3, steps: 320, quiet: 1, burst: 8, imports: (60, 120) },
            Size::Large => Self { crews: 2, steps: 260, quiet: 1, burst: 20, imports: (900, 1_300) },
        }
    }
}

/// The state of a run.
pub(super) struct Sim {
    pub(super) options: Options,
    pub(super) measure: Measure,
    pub(super) dice: Dice,
    /// The true time, in milliseconds.
    pub(super) now: i64,
    pub(super) nodes: Vec<Node>,
    pub(super) cast: Cast,
    pub(super) stats: Stats,
    ledger: Ledger,
    net: Net,
    pub(super) weather: Weather,
    steps: Vec<String>,
    requests: u64,
    small_pages: bool,
}

impl Sim {
    fn new(seed: u64, options: Options) -> Self {
        let mut dice = Dice::new(seed);
        let measure = Measure::of(options.size);
        let mut parts = vec![
            ("server", Part::Main, world::key(Who::Server)),
            ("hub A", Part::Hub, SecretKey::from_seed([60; 32])),
            ("hub B", Part::Hub, SecretKey::from_seed([61; 32])),
            ("office", Part::Office, world::key(Who::Office)),
        ]
        .into_iter()
        .map(|(name, part, key)| (key, part, name.to_owned()))
        .collect::<Vec<_>>();
        for crew in 0..measure.crews {
            parts.push((world::key(Who::Crew(crew)), Part::Crew(crew), format!("crew {crew}")));
        }
        parts.push((SecretKey::from_seed([70; 32]), Part::Crew(0), "crew 0's second phone".into()));
        if dice.chance(300) {
            parts.push((world::key(Who::Stranger), Part::Stranger, "stranger".into()));
        }
        let cast = Cast::new(measure.crews, &parts);
        // Files are slow; a few runs have them.
        let in_files = options.size != Size::Large && dice.chance(40);
        let mut nodes: Vec<Node> =
            parts.into_iter().map(|(key, part, name)| Node::new(name, part, key, in_files)).collect();
        for node in &mut nodes {
            node.reaches = match node.part {
                Part::Main => vec![],
                Part::Hub => vec![0],
                Part::Stranger => vec![1],
                Part::Office => vec![0],
                Part::Crew(_) => {
                    [vec![0, 1, 2], vec![1], vec![2], vec![1, 2], vec![0, 1]][dice.below(5)].clone()
                }
            };
        }
        let (ledger, weather) = (Ledger::new(nodes.len(), options.snapshots), Weather::of(&mut dice));
        let small_pages = dice.chance(500);
        Self {
            options,
            measure,
            dice,
            now: MORNING.0,
            nodes,
            cast,
            stats: Stats::default(),
            ledger,
            net: Net::default(),
            weather,
            steps: vec![],
            requests: 0,
            small_pages,
        }
    }

    pub(super) fn tell(&mut self, step: String) {
        self.stats.operations += 1;
        let minutes = (self.now - MORNING.0) / 60_000;
        self.steps.push(format!("{:5} {minutes:4} min  {step}", self.stats.operations));
    }

    fn play(&mut self) -> Result<(), Broken> {
        let founding = self.cast.founding();
        for n in 0..self.nodes.len() {
            // Hubs begin empty; crews have been to the office, or not yet.
            let founded = matches!(self.nodes[n].part, Part::Main | Part::Office);
            if founded || (!self.nodes[n].part.serves() && self.dice.chance(700)) {
                for (book, lines) in &founding {
                    self.nodes[n].import(*book, lines).unwrap();
                }
            }
            self.observe(n, Law::AddOnly)?;
        }
        for _ in 0..self.measure.quiet {
            for _ in 0..self.measure.steps {
                self.step()?;
            }
            self.quiet_point()?;
        }
        self.stats.records = self.ledger.lines().map(|(_, seen)| seen.records.len() as u64).sum();
        self.stats.destroyed = self.ledger.destroyed;
        self.stats.laid_out = self.ledger.laid_out;
        self.stats.packets = self.net.faults;
        self.stats.commits = self.nodes.iter().map(|n| n.disk.commits()).sum();
        Ok(())
    }

    fn step(&mut self) -> Result<(), Broken> {
        self.now += self.dice.between(500, 120_000);
        if self.options.snapshots && self.dice.chance(SNAPSHOTS) {
            self.snapshot()?;
        }
        let n = self.dice.below(self.nodes.len());
        match self.dice.below(100) {
            0..35 => self.work()?,
            35..60 => self.ask(n)?,
            60..88 => self.now = self.net.next_due().unwrap_or(self.now).max(self.now),
            88..91 => self.crash(n, "crashes")?,
            91..94 => {
                self.tell(format!("{}: the power will go at its next commit", self.nodes[n].name));
                self.nodes[n].disk.cut_power_at_next_commit();
            }
            94..96 => self.copy(n),
            96..98 => self.restore(n)?,
            98 => {
                let hours = [0, 0, 1, -1, 5, -7, 24, -24][self.dice.below(8)];
                self.nodes[n].skew_ms = hours * 3_600_000 + self.dice.between(-90_000, 90_000);
                self.stats.clocks += u64::from(hours != 0);
                self.tell(format!("{}: clock {hours} h off", self.nodes[n].name));
            }
            _ => self.weather = Weather::of(&mut self.dice),
        }
        while let Some(packet) = self.net.due(self.now) {
            self.deliver(packet)?;
        }
        for n in 0..self.nodes.len() {
            if self.nodes[n].asking.as_ref().is_some_and(|a| a.until < self.now) {
                self.nodes[n].asking = None;
                self.tell(format!("{} gives up waiting", self.nodes[n].name));
            }
        }
        Ok(())
    }

    /// Reads what is new in a node's store into ledger and screen.
    pub(super) fn observe(&mut self, n: usize, law: Law) -> Result<(), Broken> {
        let news = self.ledger.observe(n, self.nodes[n].disk.db(), law)?;
        if news.anew {
            self.tell(format!("{} laid its log out anew", self.nodes[n].name));
            self.nodes[n].screen = Default::default();
        }
        let (job, uncertified) = (self.cast.job(), self.uncertified());
        for arrival in news.lines.iter().filter(|(book, _)| *book == job) {
            let Some(seen) = self.ledger.line(arrival) else { continue };
            let screen = &mut self.nodes[n].screen;
            for (id, what) in &seen.records {
                screen.any.push(*id);
                match what {
                    What::Tree => screen.trees.push(*id),
                    What::Application => screen.applications.push(*id),
                    What::SignOff => screen.sign_offs.push(*id),
                    What::Other => {}
                }
                if Some(seen.author) == uncertified {
                    screen.held.push(*id);
                }
            }
        }
        Ok(())
    }

    fn uncertified(&self) -> Option<DeviceId> {
        self.nodes.iter().find(|n| n.part == Part::Stranger).map(|n| n.device)
    }

    pub(super) fn crash(&mut self, n: usize, how: &str) -> Result<(), Broken> {
        self.tell(format!("{} {how}", self.nodes[n].name));
        self.stats.crashes += 1;
        self.nodes[n].crash();
        self.observe(n, Law::AcknowledgedDurable)?;
        self.ledger.still_durable(n, self.nodes[n].disk.db())
    }

    /// The store failed at a commit: the process ends, and nothing of the commit may be there.
    pub(super) fn power_cut(&mut self, n: usize, error: &LogError) -> Result<(), Broken> {
        if !was_power_cut(error) {
            let why = format!("{}: {error}", self.nodes[n].name);
            let law = match error {
                LogError::Refused { .. } => Law::MergeIsTotal,
                _ => Law::AddOnly,
            };
            return Err(Broken { law, why });
        }
        self.stats.power_cuts += 1;
        self.crash(n, "loses power at a commit")
    }

    pub(super) fn restore(&mut self, n: usize) -> Result<(), Broken> {
        let serves = self.nodes[n].part.serves();
        let copies = std::mem::take(&mut self.nodes[n].copies);
        if !copies.is_empty() {
            let which = self.dice.below(copies.len());
            self.tell(format!("{} is restored to its copy {which}", self.nodes[n].name));
            self.stats.restores += 1;
            let actor = self.nodes[n].actor;
            self.nodes[n].crash();
            self.nodes[n].disk.restore(&copies[which]);
            self.nodes[n].screen = Default::default();
            if self.options.snapshots && !serves {
                self.nodes[n].actor = actor;
            }
            self.ledger.restored(n);
            self.observe(n, Law::AddOnly)?;
            self.ledger.count_destroyed();
        }
        self.nodes[n].copies = copies;
        Ok(())
    }

    fn books(&self) -> [BookId; 2] {
        [self.cast.yard(), self.cast.job()]
    }

    /// A device or hub begins an exchange.
    fn ask(&mut self, n: usize) -> Result<(), Broken> {
        let Some(server) = self.dice.pick(&self.nodes[n].reaches) else { return Ok(()) };
        if self.nodes[n].asking.is_some() {
            return Ok(());
        }
        let mut session = Session::new(self.nodes[server].device, self.books());
        if self.dice.chance(300) {
            session = session.with_page(Page { lines: 2 + self.dice.below(12), bytes: 1 << 20 });
        }
        self.ask_on(n, server, session)
    }

    fn ask_on(&mut self, n: usize, server: usize, mut session: Session) -> Result<(), Broken> {
        let clock = self.nodes[n].clock(self.now);
        let request = match session.request(self.nodes[n].disk.db(), clock) {
            Ok(Some(request)) => request,
            // Both have the same lines: now what had to be set aside.
            Ok(None) => return self.put_back(n, server),
            Err(ClientError::Log(error)) => return self.power_cut(n, &error),
            Err(error) => return Err(Broken { law: Law::Settles, why: error.to_string() }),
        };
        self.requests += 1;
        let (number, offers) = (self.requests, request.offered());
        let body = request.body.clone().into_bytes();
        self.tell(format!("{} asks {}: offers {offers}", self.nodes[n].name, self.nodes[server].name));
        let packet = Packet { from: n, to: server, number, cargo: Cargo::Request(body) };
        self.net.send(&mut self.dice, self.weather, self.now, packet);
        let until = self.now + self.dice.between(60_000, 3_600_000);
        self.nodes[n].asking = Some(Asking { server, number, session, request, until });
        Ok(())
    }

    fn deliver(&mut self, packet: Packet) -> Result<(), Broken> {
        let Packet { from, to, number, cargo } = packet;
        match cargo {
            Cargo::Request(body) => {
                let Some((status, body)) = self.serve(to, from, &body)? else { return Ok(()) };
                let answer = Packet { from: to, to: from, number, cargo: Cargo::Answer(status, body) };
                self.net.send(&mut self.dice, self.weather, self.now, answer);
                // The process may end just after it answered.
                if self.dice.chance(20) { self.crash(to, "crashes after an answer") } else { Ok(()) }
            }
            Cargo::Answer(status, body) => {
                let waits = self.nodes[to].asking.as_ref().is_some_and(|a| a.number == number);
                match self.nodes[to].asking.take_if(|_| waits) {
                    Some(asking) => self.take_answer(to, asking, status, &body).map(|_| ()),
                    None => Ok(()),
                }
            }
        }
    }

    fn serve(&mut self, server: usize, by: usize, body: &[u8]) -> Result<Option<(u16, Vec<u8>)>, Broken> {
        self.serve_by(server, by, body, |s, db, dice, by, body| s.answer(db, dice, by, body))
    }

    pub(super) fn serve_by(
        &mut self,
        server: usize,
        by: usize,
        body: &[u8],
        how: impl Fn(&Serving<'_>, &mut Connection, &mut Dice, DeviceId, &[u8]) -> Ended,
    ) -> Result<Option<(u16, Vec<u8>)>, Broken> {
        let lines = if self.small_pages { 1 + self.dice.below(40) } else { 50_000 };
        let by = self.nodes[by].device;
        let node = &mut self.nodes[server];
        let serving = Serving {
            key: &node.key,
            now: UtcMs(self.now + node.skew_ms),
            page: Page { lines, bytes: 24 << 20 },
            keys: &self.cast.keys,
            sabotage: self.options.sabotage,
        };
        match how(&serving, node.disk.db_mut(), &mut self.dice, by, body) {
            Ended::Answered(text, lines) => {
                self.stats.exchanges += 1;
                self.observe(server, Law::AcknowledgedDurable)?;
                self.ledger.acknowledged(server, self.nodes[server].disk.db(), lines)?;
                Ok(Some((200, text.into_bytes())))
            }
            Ended::Refused(problem) => {
                self.stats.refusals += 1;
                self.tell(format!("{} refuses: {}", self.nodes[server].name, problem.code));
                Ok(Some((problem.status, serde_json::to_vec(&problem).unwrap())))
            }
            Ended::PowerCut(error) => self.power_cut(server, &error).map(|()| None),
        }
    }

    /// Takes an answer in; says whether anything moved.
    fn take_answer(&mut self, n: usize, asking: Asking, status: u16, body: &[u8]) -> Result<bool, Broken> {
        let Asking { server, mut session, request, .. } = asking;
        let name = self.nodes[n].name.clone();
        if status == 200 {
            match session.apply(self.nodes[n].disk.db_mut(), &request, body) {
                Ok(outcome) => {
                    let (pushed, pulled) =
                        outcome.books.values().fold((0, 0), |(a, b), o| (a + o.pushed, b + o.pulled));
                    self.tell(format!("{name} gave {pushed}, took in {pulled}"));
                    if self.options.sabotage == Some(Sabotage::ForgetSetAside) {
                        self.nodes[n].disk.db().execute("DELETE FROM set_aside", []).unwrap();
                    }
                    self.observe(n, Law::AcknowledgedDurable)?;
                    self.ask_on(n, server, session)?;
                    return Ok(pushed + pulled > 0);
                }
                Err(ClientError::Log(error)) => self.power_cut(n, &error)?,
                Err(error) => {
                    self.stats.answers_refused += 1;
                    self.tell(format!("{name} does not take the answer in: {error}"));
                }
            }
            return Ok(false);
        }
        // A problem document that was cut off says nothing.
        let Ok(problem) = serde_json::from_slice::<bolebook_core::exchange::Problem>(body) else {
            return Ok(false);
        };
        match session.refused(self.nodes[n].disk.db_mut(), &request, &problem) {
            Ok(()) => self.ask_on(n, server, session).map(|()| true),
            Err(ClientError::Log(error)) => self.power_cut(n, &error).map(|()| false),
            // What a cut request looks like to the server; and a second restore within one session.
            Err(_) if CUT.contains(&problem.code.as_str()) => Ok(false),
            Err(_) if ["chain-mismatch", "unknown-dependency"].contains(&problem.code.as_str()) => Ok(false),
            // A fork on the way between two servers: nothing was changed, and it is said.
            Err(error @ ClientError::OtherBranch { .. }) if self.options.snapshots => {
                self.tell(format!("{name}: {error}"));
                Ok(false)
            }
            Err(error) => Err(Broken { law: Law::MergeIsTotal, why: format!("{name}: {error}") }),
        }
    }

    /// The network is whole; everybody exchanges until nothing moves. Then the laws are checked.
    fn quiet_point(&mut self) -> Result<(), Broken> {
        self.tell("quiet: everybody exchanges".into());
        self.net.clear();
        self.weather = Weather { lost: 0, cut: 0, doubled: 0, delay_ms: 1 };
        for node in &mut self.nodes {
            node.asking = None;
            node.disk.restore_power();
        }
        let mut order: Vec<usize> = (1..self.nodes.len()).collect();
        order.sort_by_key(|n| !self.nodes[*n].part.serves());
        let mut moved = true;
        for _ in 0..12 {
            moved = false;
            for n in order.clone() {
                for server in self.nodes[n].reaches.clone() {
                    moved |= self.exchange_whole(n, server)?;
                }
            }
            if !moved {
                break;
            }
        }
        if moved {
            let why = "after twelve rounds over a whole network lines still move".into();
            return Err(Broken { law: Law::Settles, why });
        }
        self.check()?;
        self.weather = Weather::of(&mut self.dice);
        Ok(())
    }

    fn exchange_whole(&mut self, n: usize, server: usize) -> Result<bool, Broken> {
        let session = Session::new(self.nodes[server].device, self.books());
        let before = self.stats.put_back();
        self.ask_on(n, server, session)?;
        let mut moved = false;
        for _ in 0..5_000 {
            let Some(asking) = self.nodes[n].asking.take() else {
                return Ok(moved || self.stats.put_back() > before);
            };
            self.net.clear();
            self.now += 10;
            let body = asking.request.body.clone().into_bytes();
            let Some((status, body)) = self.serve(server, n, &body)? else { return Ok(true) };
            moved |= self.take_answer(n, asking, status, &body)?;
        }
        Err(Broken { law: Law::Settles, why: "an exchange has no end".into() })
    }

    fn check(&mut self) -> Result<(), Broken> {
        self.nothing_waits()?;
        if self.options.sabotage == Some(Sabotage::TamperWithLine) {
            let n = self.dice.below(self.nodes.len());
            let change = r#"UPDATE lines SET line = replace(line, '"text":"note', '"text":"Note')
                WHERE rowid = (SELECT max(rowid) FROM lines WHERE line LIKE '%"text":"note%')"#;
            bolebook_log::repack::all(self.nodes[n].disk.db(), bolebook_log::Form::Text).unwrap();
            self.nodes[n].disk.db().execute(change, []).unwrap();
        }
        let crews = self.nodes.iter().filter(|n| matches!(n.part, Part::Crew(_))).map(|n| n.device);
        let crews: BTreeSet<DeviceId> = crews.collect();
        let seen = Quiet {
            stores: self.nodes.iter().map(|n| n.disk.db()).collect(),
            ledger: &self.ledger,
            yard: self.cast.yard(),
            job: self.cast.job(),
            crews: &crews,
            sabotage: self.options.sabotage,
            thorough: self.options.size == Size::Small,
        }
        .check()?;
        self.stats.quiet_points += 1;
        self.stats.findings = seen.findings as u64;
        self.stats.applications = seen.applications as u64;
        self.stats.late = seen.late as u64;
        Ok(())
    }
}
