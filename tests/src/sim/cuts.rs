//! Power cuts counted one by one: at every commit of a fixed evening, and at every place of a
//! write-ahead log and of a checkpoint.
//!
//! What this covers: SQLite as shipped (WAL, `synchronous = FULL`) over a file system that keeps
//! what was written before a cut, in order, and may tear what came last. What it does not: a disk
//! that acknowledges a sync it did not do, or that loses earlier writes and keeps later ones.

use std::collections::BTreeMap;
use std::path::Path;

use bolebook_core::exchange::{Cursor, LogLine};
use bolebook_core::ids::{BookId, CommitHash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::signing::SecretKey;
use bolebook_db::Connection;
use bolebook_log::client::{ClientError, Session, peer};
use bolebook_log::{LogError, Page, books, read, verify};

use crate::sim::cast::{Cast, Part};
use crate::sim::dice::Dice;
use crate::sim::disk::{FILE, was_power_cut};
use crate::sim::node::Node;
use crate::sim::serving::{Ended, Serving};
use crate::world::{self, MORNING, Who};

/// How often something was cut, and came back whole.
#[derive(Clone, Copy, Debug, Default)]
pub struct Cuts {
    /// Commits the power was cut at.
    pub commits: u64,
    /// Places of a write-ahead log where it was cut.
    pub log_cuts: u64,
    /// Places of a write-ahead log after which everything was noise.
    pub torn: u64,
    /// Checkpoints stopped after some pages.
    pub checkpoints: u64,
}

const BATCHES: usize = 8;

struct Evening {
    dice: Dice,
    cast: Cast,
    crew: Node,
    server: Node,
    /// Everything that was said to be logged.
    logged: Vec<String>,
}

impl Evening {
    fn new(seed: u64, in_files: bool) -> Self {
        let keys = || [(world::key(Who::Server), Part::Main), (world::key(Who::Crew(0)), Part::Crew(0))];
        let cast = Cast::new(1, &keys().map(|(key, part)| (key, part, "device".to_owned())));
        let [(server, main), (crew, part)] = keys();
        let mut server = Node::new("server".into(), main, server, in_files);
        let mut crew = Node::new("crew".into(), part, crew, in_files);
        for (book, lines) in cast.founding() {
            server.import(book, &lines).unwrap();
            crew.import(book, &lines).unwrap();
        }
        Self { dice: Dice::new(seed), cast, crew, server, logged: vec![] }
    }

    /// Logs a batch; after a power cut it is all gone, and logged once more.
    fn log(&mut self) {
        let at = UtcMs(MORNING.0 + self.logged.len() as i64 * 60_000);
        let texts: Vec<String> = (0..3)
            .map(|_| {
                let body = self.cast.tree(&mut self.dice);
                Cast::text(&mut self.dice, self.crew.device, at, body, vec![]).1
            })
            .collect();
        let before = state(self.crew.disk.db(), &self.server.key);
        while let Err(error) = self.crew.write(&mut self.dice, self.cast.job(), at, texts.clone()) {
            assert!(was_power_cut(&error), "{error}");
            self.crew.crash();
            assert_eq!(state(self.crew.disk.db(), &self.server.key), before, "half a batch was kept");
        }
        self.logged.extend(texts);
    }

    /// Exchanges until both have all; whoever loses power starts again.
    fn exchange(&mut self) {
        'again: loop {
            let mut session = Session::new(self.server.device, [self.cast.yard(), self.cast.job()]);
            loop {
                let request = match session.request(self.crew.disk.db(), MORNING) {
                    Ok(Some(request)) => request,
                    Ok(None) => return,
                    Err(error) => {
                        self.lost_power(error);
                        continue 'again;
                    }
                };
                let page = Page { lines: 50_000, bytes: 24 << 20 };
                let keys = BTreeMap::new();
                let serving =
                    Serving { key: &self.server.key, now: MORNING, page, keys: &keys, sabotage: None };
                let (db, body) = (self.server.disk.db_mut(), request.body.as_bytes());
                match serving.answer(db, &mut self.dice, self.crew.device, body) {
                    Ended::Answered(text, acknowledged) => {
                        // Answered: from here on no crash of the server may lose it.
                        self.server.crash();
                        for (book, lines) in &acknowledged {
                            assert!(lines.iter().all(|l| has(self.server.disk.db(), *book, l)), "lost");
                        }
                        if let Err(error) = session.apply(self.crew.disk.db_mut(), &request, text.as_bytes())
                        {
                            self.lost_power(error);
                            continue 'again;
                        }
                    }
                    Ended::Refused(problem) => panic!("{}", problem.detail),
                    Ended::PowerCut(error) => {
                        assert!(was_power_cut(&error), "{error}");
                        self.server.crash();
                        continue 'again;
                    }
                }
            }
        }
    }

    fn lost_power(&mut self, error: ClientError) {
        match error {
            ClientError::Log(error) if was_power_cut(&error) => self.crew.crash(),
            error => panic!("{error}"),
        }
    }

    fn play(&mut self) {
        for _ in 0..BATCHES {
            self.log();
            self.exchange();
        }
        for db in [self.crew.disk.db(), self.server.disk.db()] {
            let lines = read(db, self.cast.job(), 0, Page::ALL).unwrap();
            for text in &self.logged {
                let times = lines.iter().filter(|line| line.text.contains(text)).count();
                assert_eq!(times, 1, "{text} is in a log {times} times");
            }
            assert!([self.cast.yard(), self.cast.job()].iter().all(|book| verify(db, *book).is_ok()));
        }
    }
}

fn has(db: &Connection, book: BookId, line: &LogLine) -> bool {
    bolebook_log::has_line(db, book, line).unwrap()
}

/// Plays an evening once for each commit that its two stores make, the power cut at that commit.
pub fn at_every_commit(seed: u64, in_files: bool) -> u64 {
    let mut whole = Evening::new(seed, in_files);
    let before = [whole.crew.disk.commits(), whole.server.disk.commits()];
    whole.play();
    let made = [whole.crew.disk.commits() - before[0], whole.server.disk.commits() - before[1]];
    assert!(made.iter().all(|n| *n >= BATCHES as u64), "{made:?}");
    for (node, commits) in made.into_iter().enumerate() {
        for number in 1..=commits {
            let mut evening = Evening::new(seed, in_files);
            let cut = if node == 0 { &evening.crew } else { &evening.server };
            cut.disk.cut_power_at_commit(number);
            evening.play();
        }
    }
    made.iter().sum()
}

/// What a store says of itself: every book's end and heads, and the cursor kept for the server.
type State = Vec<(BookId, Cursor, Vec<CommitHash>, Cursor, u64)>;

fn state(db: &Connection, server: &SecretKey) -> State {
    let book = |info: bolebook_log::BookInfo| -> Result<_, LogError> {
        let (cursor, sent_to) = peer(db, info.book, server.device())?;
        verify(db, info.book)?;
        Ok((info.book, info.end, info.heads, cursor, sent_to))
    };
    books(db).unwrap().into_iter().map(|info| book(info).unwrap()).collect()
}

/// Records an evening's write-ahead log, then opens the store again with the log cut at every frame
/// and inside every frame, cut there and filled up with noise, and with a checkpoint stopped after
/// every page. Each time the store must be exactly as it was when something was last acknowledged.
pub fn of_the_log(seed: u64) -> Cuts {
    let mut evening = Evening::new(seed, true);
    let folder = evening.crew.disk.folder().unwrap().to_owned();
    evening.crew.disk.db().only_sqlite().unwrap().pragma_update(None, "wal_autocheckpoint", 0).unwrap();
    evening.crew.disk.db().query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    let base = std::fs::read(folder.join(FILE)).unwrap();
    let log = || std::fs::read(folder.join("log.db-wal")).unwrap();
    let key = SecretKey::from_seed(evening.server.key.seed());
    let mut acknowledged: Vec<(usize, State)> = vec![(0, state(evening.crew.disk.db(), &key))];
    for _ in 0..BATCHES / 2 {
        evening.log();
        acknowledged.push((log().len(), state(evening.crew.disk.db(), &key)));
        evening.exchange();
        acknowledged.push((log().len(), state(evening.crew.disk.db(), &key)));
    }
    let whole = log();
    let page = usize::from(u16::from_be_bytes([base[16], base[17]]));
    let mut cuts = Cuts::default();
    let opened = |base: &[u8], log: &[u8]| {
        let folder = tempfile::tempdir().unwrap();
        put(folder.path(), base, log);
        state(&bolebook_log::open(&folder.path().join(FILE)).unwrap(), &key)
    };
    let mut places: Vec<usize> = vec![];
    for frame in (32..=whole.len()).step_by(page + 24) {
        places.extend([frame, frame + 1, frame + 23, frame + 24, frame + 24 + page / 2, frame + page + 23]);
    }
    let mut noise = Dice::new(seed ^ 0x5eed);
    for place in places.into_iter().filter(|place| *place <= whole.len()) {
        let known = acknowledged.iter().filter(|(length, _)| *length <= place);
        let least = known.clone().count() - 1;
        let found = opened(&base, &whole[..place]);
        check(&acknowledged, least, &found, place);
        cuts.log_cuts += 1;
        let mut torn = whole[..place].to_vec();
        torn.extend(std::iter::repeat_with(|| noise.bytes::<16>()).take(page / 8).flatten());
        check(&acknowledged, least, &opened(&base, &torn), place);
        cuts.torn += 1;
    }
    evening.crew.disk.db().query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(())).unwrap();
    let after = std::fs::read(folder.join(FILE)).unwrap();
    for pages in 0..=after.len() / page {
        let mut half = after[..pages * page].to_vec();
        half.extend(base.get(pages * page..).unwrap_or_default());
        check(&acknowledged, acknowledged.len() - 1, &opened(&half, &whole), pages);
        cuts.checkpoints += 1;
    }
    cuts
}

/// A store found after a cut is that of an acknowledgement: the last before the cut, or, when the
/// exchange made several commits, one on the way to the next. Never less, never half of one.
fn check(acknowledged: &[(usize, State)], least: usize, found: &State, place: usize) {
    let (now, next) = (&acknowledged[least].1, acknowledged.get(least + 1).map(|(_, s)| s));
    let between = |next: &State| {
        found.iter().zip(now).zip(next).all(|((f, a), b)| {
            (a.1.position..=b.1.position).contains(&f.1.position) && (a.4..=b.4).contains(&f.4)
        }) && found.len() == now.len()
    };
    let holds = found == now || next.is_some_and(between);
    assert!(holds, "cut at {place}: {found:?}\nwas acknowledged: {now:?}");
}

fn put(folder: &Path, base: &[u8], log: &[u8]) {
    std::fs::write(folder.join(FILE), base).unwrap();
    std::fs::write(folder.join("log.db-wal"), log).unwrap();
}
