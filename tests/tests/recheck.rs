//! What a change touches is checked again, and what comes out is what a check of the whole job finds:
//! to the byte, change after change, whatever the change is.

use std::collections::BTreeSet;
use std::sync::Arc;

use bolebook_core::balance::balance;
use bolebook_core::book::Book;
use bolebook_core::check::check_among;
use bolebook_core::check::kept::{Kept, Touched};
use bolebook_core::finding::{Finding, State};
use bolebook_core::ids::{RecordId, Sha256Hash};
use bolebook_core::quantity::{Ms, Ul, Um, UtcMs};
use bolebook_core::record::book_kinds::{ChainEnd, Receipt};
use bolebook_core::record::label::Label;
use bolebook_core::record::office::{Decision, Element, Join, Reopening, Requirements, Ruling, SignOff};
use bolebook_core::record::people::Licence;
use bolebook_core::record::product::MovementKind;
use bolebook_core::record::stand::{Block, Condition, Corner, Position, PositionSource, Tree};
use bolebook_core::record::work::{Application, Incident, IncidentKind, Photo};
use bolebook_core::view::{View, Yard};
use bolebook_server::grown::Run;
use bolebook_tests::crowd::in_order;
use bolebook_tests::planted::relist;
use bolebook_tests::taken::Taken;
use bolebook_tests::week::{Dice, bad, normal};
use bolebook_tests::world::{HOUR, Who, World, day, label};

/// The books' views as they are now, the earlier seasons' after the job's own.
fn views(w: &World, earlier: &[Book]) -> Vec<View<'static>> {
    let devices = w.devices();
    let yard = Arc::new(Yard::read(&w.yard, &devices.for_book(&w.yard)).unwrap());
    let read = |book: &Book| View::read(book, yard.clone(), &devices.for_book(book)).unwrap();
    std::iter::once(&w.job).chain(earlier).map(read).collect()
}

/// Findings kept through the changes of a job.
struct Followed {
    views: Vec<View<'static>>,
    kept: Kept,
    /// How often a part was looked at again, and not everything.
    parts: usize,
    /// How often the view grew, and was not read whole.
    grew: usize,
    codes: BTreeSet<&'static str>,
    /// The book as a server keeps it, with what exchanges bring.
    server: Taken,
    dice: Dice,
}

impl Followed {
    fn new(w: &World, earlier: &[Book]) -> Self {
        let views = views(w, earlier);
        let all: Vec<&View<'_>> = views.iter().collect();
        let kept = Kept::of(&views[0], &all, &balance(&views[0].yard, &all));
        let (server, dice) = (Taken::default(), Dice::new(99));
        Self { views, kept, parts: 0, grew: 0, codes: BTreeSet::new(), server, dice }
    }

    #[track_caller]
    fn follow(&mut self, w: &World, earlier: &[Book], what: &str) {
        let new = views(w, earlier);
        let all: Vec<&View<'_>> = new.iter().collect();
        let balance = balance(&new[0].yard, &all);
        let mut touched = Touched::between(&self.views[0], &new[0]);
        let devices = w.devices();
        let before = self.views[0].with_yard(Arc::new(Yard::clone(&new[0].yard)));
        let book = self.server.followed(&w.job, &mut self.dice);
        if let Some((grown, facts)) = before.grown(book, &devices.for_book(book)) {
            assert!(
                format!("{grown:?}") == format!("{:?}", new[0]),
                "after {what} the view grown is another"
            );
            touched = Touched::grown(&self.views[0], &grown, &facts);
            self.grew += 1;
        }
        self.parts += usize::from(!touched.is_everything());
        self.kept.update(&new[0], &all, &balance, &touched);
        let whole = check_among(&new[0], &all, &balance);
        same(self.kept.findings(), &whole, what);
        self.codes.extend(whole.iter().map(|f| f.code.name()));
        drop(all);
        self.views = new;
    }
}

#[track_caller]
fn same(kept: &[Finding], whole: &[Finding], what: &str) {
    if kept == whole {
        return;
    }
    let lines = |of: &[Finding], other: &[Finding]| {
        let only = of.iter().filter(|f| !other.contains(f));
        only.map(|f| format!("{}: {} {:?}\n", f.code.name(), f.message, f.state)).collect::<String>()
    };
    panic!("after {what}:\nonly kept:\n{}only of the whole:\n{}", lines(kept, whole), lines(whole, kept));
}

/// Something that may happen to a job; says what it did.
fn happen(w: &mut World, dice: &mut Dice, made: &mut Made) -> String {
    let crew = dice.between(0, 2) as usize;
    let who = Who::Crew(crew);
    w.now = UtcMs(w.now.0 + dice.between(1, 40) * 60_000);
    if dice.once_in(12) {
        w.now = UtcMs(w.now.0 + 20 * HOUR);
    }
    w.by = Some(w.leads[dice.between(0, 2) as usize]);
    let pick = |dice: &mut Dice, of: &[RecordId]| of.get(dice.between(0, of.len() as i64) as usize).copied();
    let tree = pick(dice, &made.trees);
    let record = pick(dice, &made.records);
    let (what, record) = match (dice.between(0, 27), tree, record) {
        (0..=3, ..) | (_, None, _) => {
            let tag = format!("T-{}", dice.between(1, 30));
            let tree = if dice.once_in(3) { w.tree(who, &tag) } else { located(w, dice, who, tag) };
            made.trees.push(tree);
            ("a tree", Some(tree))
        }
        (4..=6, Some(tree), _) => ("a diameter", Some(w.diameter(who, tree, dice.between(200, 5_000)))),
        (7..=11, Some(tree), _) => {
            let mut body = w.application(crew, tree, dice.between(1, 9) as usize);
            body.kit = w.kits[dice.between(0, 2) as usize];
            body.continues = record.filter(|_| dice.once_in(4));
            if dice.once_in(5) {
                body.applicator = w.leads[0];
            }
            ("an application", Some(w.write(who, body)))
        }
        (12, Some(tree), _) => ("a condition", Some(w.write(who, Condition::about(tree)))),
        (13, Some(tree), Some(about)) => {
            let photo = Photo {
                sha256: Sha256Hash::of(&[dice.between(0, 5) as u8]),
                bytes: 1_000,
                media_type: "image/jpeg".into(),
                about: Some(if dice.once_in(2) { tree } else { about }),
                taken_at: w.now,
                caption: None,
            };
            ("a photo", Some(w.write(who, photo)))
        }
        (14, ..) => {
            w.fill(crew, dice.between(10, 900) * 1_000);
            ("a fill", None)
        }
        (15, ..) => ("a closing", Some(w.close_day(crew, dice.between(0, 200) * 1_000))),
        (16, Some(_), Some(record)) => ("a strike", Some(w.strike(Who::Office, record))),
        (17, Some(_), Some(record)) => ("a crew's strike", Some(w.strike(who, record))),
        (18 | 19, Some(tree), Some(record)) => amend(w, dice, who, tree, record),
        (20, Some(keep), _) => {
            let joined = pick(dice, &made.trees).into_iter().collect();
            ("a join", Some(w.write(Who::Office, Join { keep, joined, reason: "one tree".into() })))
        }
        (21 | 22, ..) => ("a ruling", rule(w, dice)),
        (23, ..) => ("a sign-off", sign(w, dice)),
        (24, ..) => ("an incident", Some(incident(w, crew))),
        (25, ..) => ("a receipt", Some(receipt(w, dice))),
        (26, Some(tree), _) => {
            ("a stranger's diameter", Some(w.diameter(Who::Stranger, tree, dice.between(200, 900))))
        }
        _ => office(w, dice, crew),
    };
    made.records.extend(record);
    what.to_owned()
}

/// A tree that a crew located among others, some of them the same tree.
fn located(w: &mut World, dice: &mut Dice, who: Who, tag: String) -> RecordId {
    let position = Position {
        lat_ndeg: 42_732_500_000 + dice.between(0, 9) * 90_000,
        lon_ndeg: -84_555_500_000 + dice.between(0, 9) * 120_000,
        accuracy_um: Some(Um(dice.between(3, 12) * 1_000_000)),
        source: PositionSource::Gnss,
    };
    let species = Some(if dice.once_in(3) { "ACRSA" } else { "FRXAM" }.to_owned());
    w.write(who, Tree { tag, species, block: None, position: Some(position), stems: 1, mark: None })
}

#[derive(Clone, Default)]
struct Made {
    trees: Vec<RecordId>,
    records: Vec<RecordId>,
}

fn amend(
    w: &mut World,
    dice: &mut Dice,
    who: Who,
    tree: RecordId,
    record: RecordId,
) -> (&'static str, Option<RecordId>) {
    let body =
        w.look(|view, _, _| view.facts.fact_of(record).map(|f| view.facts.shown(f).record.body.clone()));
    let who = if dice.once_in(2) { Who::Office } else { who };
    use bolebook_core::record::Body;
    let body: Option<Body> = match body {
        Some(Body::Application(a)) => {
            let to = if dice.once_in(3) { tree } else { a.tree };
            Some(Application { tree: to, started_at: UtcMs(a.started_at.0 - HOUR), ..*a }.into())
        }
        Some(Body::Tree(t)) => Some(Tree { tag: format!("T-{}", dice.between(1, 30)), ..*t }.into()),
        Some(Body::Diameter(_)) => Some(w.diameter_body(tree, dice.between(200, 900)).into()),
        _ => None,
    };
    ("an amendment", body.map(|body| w.amend(who, &[record], body)))
}

fn rule(w: &mut World, dice: &mut Dice) -> Option<RecordId> {
    let open = w.look(|_, _, findings| {
        let open = findings.iter().filter(|f| matches!(f.state, State::Open | State::Reopened { .. }));
        open.map(|f| (f.id, f.facts)).collect::<Vec<_>>()
    });
    let (finding, facts) = *open.get(dice.between(0, open.len() as i64) as usize)?;
    let decision = if dice.once_in(2) {
        Decision::Accept
    } else {
        Decision::ConfirmViolation { done: "marked".into(), reported: "to the agency".into() }
    };
    Some(w.write(Who::Office, Ruling { finding, facts, decision, reason: "looked at".into() }))
}

fn sign(w: &mut World, dice: &mut Dice) -> Option<RecordId> {
    let (days, signed) = w.look(|view, _, _| {
        let days: Vec<_> = view.crew_days.iter().copied().collect();
        (days, view.signed_off.values().next().copied())
    });
    if let Some(sign_off) = signed.filter(|_| dice.once_in(3)) {
        return Some(w.write(Who::Office, Reopening { sign_off, reason: "late work".into() }));
    }
    let of = *days.get(dice.between(0, days.len() as i64) as usize)?;
    let (job_heads, yard_heads) = (w.job.heads(), w.yard.heads());
    Some(w.write(Who::Office, SignOff { crew: of.crew, day: of.day, job_heads, yard_heads }))
}

fn incident(w: &mut World, crew: usize) -> RecordId {
    let incident = Incident {
        what: IncidentKind::Spill,
        crew: w.crews[crew],
        happened_at: w.now,
        tree: None,
        text: "a cup of it".into(),
        done: "soaked up".into(),
        told: vec![],
    };
    w.write(Who::Crew(crew), incident)
}

fn receipt(w: &mut World, dice: &mut Dice) -> RecordId {
    let ends =
        w.job.commits().iter().map(|c| (c.actor(), c.seq())).collect::<std::collections::BTreeMap<_, _>>();
    let through = ends.into_iter().map(|(actor, seq)| ChainEnd { actor, seq }).collect();
    let receipt = Receipt {
        delivered_by: bolebook_tests::world::key(Who::Crew(0)).device(),
        arrived_at: UtcMs(w.now.0 - dice.between(-1, 1) * HOUR),
        clock_offset_ms: Ms(dice.between(-1, 1) * HOUR),
        through,
    };
    w.write(Who::Server, receipt)
}

/// What bears on everything, or lies in the yard's book.
fn office(w: &mut World, dice: &mut Dice, crew: usize) -> (&'static str, Option<RecordId>) {
    match dice.between(0, 3) {
        0 => {
            w.movement(Who::Office, MovementKind::OnHand, dice.between(0, 2_000) * 1_000, None);
            ("a count of stock", None)
        }
        1 => {
            let lot = w.look(|view, _, _| view.yard.lot(w.lot).cloned());
            if let Some(lot) = lot {
                w.yard_amend(
                    Who::Office,
                    w.lot,
                    bolebook_core::record::product::Lot { recalled: Some("glass".into()), ..lot },
                );
            }
            ("a recall", None)
        }
        2 => {
            let licence = Licence {
                person: w.leads[crew],
                scheme: "invented scheme".into(),
                category: "other".into(),
                certified: true,
                valid_from: day("2025-01-01"),
                valid_to: day("2026-12-31"),
            };
            w.yard_write(Who::Office, licence);
            ("a licence", None)
        }
        _ => {
            let asks = Requirements {
                elements: vec![Element::Pest],
                photo: dice.once_in(2),
                ..Requirements::default()
            };
            ("requirements", Some(w.write(Who::Office, asks)))
        }
    }
}

#[test]
fn a_part_checked_again_gives_what_the_whole_gives_whatever_happens() {
    let (mut parts, mut grew, mut codes) = (0, 0, BTreeSet::new());
    for seed in 1..=8 {
        let (mut w, mut dice, mut made) = (World::new(), Dice::new(seed), Made::default());
        w.fill(0, 900_000);
        let mut followed = Followed::new(&w, &[]);
        // A replica that goes its own way for a while, so that amendments and strikes are made apart.
        let mut phone = w.apart();
        for step in 0..60 {
            let mut said = happen(&mut w, &mut dice, &mut made);
            if dice.once_in(3) {
                said = format!("{said}, and apart {}", happen(&mut phone, &mut dice, &mut made.clone()));
            }
            if dice.once_in(8) {
                w.merge(&phone);
                phone.merge(&w);
                said.push_str(", merged");
            }
            followed.follow(&w, &[], &format!("seed {seed}, step {step}: {said}"));
        }
        parts += followed.parts;
        grew += followed.grew;
        codes.extend(followed.codes);
    }
    assert!(parts > 350, "{parts} of 480 changes were looked at in part");
    assert!(grew > 200, "{grew} of 480 changes only added");
    // A test that meets few kinds of finding shows little.
    assert!(codes.contains("tree.may_be_same"), "{codes:?}");
    assert!(codes.len() >= 30, "{} kinds: {codes:?}", codes.len());
}

/// The log is made unreadable behind what was handed over: so it was not read again. What is not said to go
/// on from where the book stands is not believed, and then the log is asked.
#[test]
fn lines_handed_over_are_not_read_again_unless_they_do_not_go_on_exactly() {
    let unread = |server: &Taken, after: u64| {
        let text = "UPDATE lines SET line = 'x' WHERE position > ?1";
        assert!(server.db.execute(text, [after as i64]).unwrap() > 0);
    };
    for strange in [false, true] {
        let (mut w, mut server) = (World::new(), Taken::default());
        server.followed(&w.job, &mut Dice::new(1));
        let (begun, mut taken) = (server.info(&w.job).end.position, vec![]);
        for tree in 0..6 {
            w.tree(Who::Crew(0), &format!("T-{tree}"));
            let news = server.news(&w.job);
            taken.push(server.take(&w.job, news));
        }
        let runs = taken.into_iter().map(|(mut appended, lines)| {
            if strange {
                appended.before.chain.0[0] ^= 1;
            }
            Run::of(w.job.id(), &appended, lines)
        });
        // The last one first, as answers cross each other.
        let runs: Vec<Run> = runs.collect();
        runs.into_iter().rev().for_each(|run| server.hand(run));
        unread(&server, begun);
        match server.kept(&w.job) {
            Ok(kept) => assert!(!strange && kept.commits() == w.job.commits()),
            Err(_) => assert!(strange, "the log was asked"),
        }
    }
}

/// A hub lays its log out anew over the main server's while lines of the old one wait to be taken over.
#[test]
fn lines_handed_over_of_a_log_that_was_laid_out_anew_since_are_not_believed() {
    let (mut w, mut server, mut other) = (World::new(), Taken::default(), Taken::default());
    for taken in [&mut server, &mut other] {
        taken.followed(&w.job, &mut Dice::new(1));
    }
    let mut apart = w.apart();
    w.tree(Who::Crew(0), "HERE");
    let news = server.news(&w.job);
    let (appended, lines) = server.take(&w.job, news);
    server.hand(Run::of(w.job.id(), &appended, lines));
    for tree in 0..8 {
        apart.tree(Who::Crew(1), &format!("T-{tree}"));
    }
    let news = other.news(&apart.job);
    other.take(&apart.job, news);
    std::mem::swap(&mut server.db, &mut other.db);
    assert_eq!(server.kept(&apart.job).unwrap().commits(), apart.job.commits());
}

/// A week's commits taken in a day at a time, in another order than they were written in.
#[test]
fn a_week_taken_in_by_parts_ends_at_what_a_check_of_the_week_finds() {
    for (w, name) in [(normal(1), "normal"), (bad(1), "bad")] {
        let mut at = w.clone();
        at.job = Book::new(w.job.id());
        let commits = in_order(w.job.commits(), &[7, 11, 13, 0x9e37_79b9]);
        w.job.signatures().for_each(|s| at.job.take_signature(s.clone()));
        let mut followed: Option<Followed> = None;
        let part = commits.len() / 12 + 1;
        for (n, some) in commits.chunks(part).enumerate() {
            for commit in some {
                at.job.take(commit.clone()).unwrap();
            }
            match &mut followed {
                None => followed = Some(Followed::new(&at, &[])),
                Some(followed) => followed.follow(&at, &[], &format!("part {n} of the {name} week")),
            }
        }
        let followed = followed.unwrap();
        w.look(|_, _, findings| assert_eq!(&followed.kept.findings()[..], findings));
    }
}

#[test]
fn an_earlier_season_counts_when_a_part_is_checked_again() {
    let mut w = World::new();
    let trees: Vec<_> = (0..3).map(|n| w.tree(Who::Crew(0), &format!("T-{n}"))).collect();
    for tree in &trees {
        w.diameter(Who::Crew(0), *tree, 3_000);
    }
    w.treat(0, trees[0], 7);
    w.treat(0, trees[1], 7);
    let earlier = [w.next_season("2026 second", &trees)];
    let mut followed = Followed::new(&w, &[]);
    let missing = |followed: &Followed| {
        followed.kept.findings().iter().any(|f| f.code.name() == "job.earlier_season_missing")
    };
    assert!(missing(&followed), "the earlier book is not here");
    followed.follow(&w, &earlier, "the arrival of the earlier book");
    assert!(!missing(&followed));
    for tree in &trees {
        w.diameter(Who::Crew(0), *tree, 3_000);
        w.treat(0, *tree, 7);
        followed.follow(&w, &earlier, "a treatment in the next season");
    }
    let of_both = |code: &str| followed.kept.findings().iter().filter(|f| f.code.name() == code).count();
    assert!(of_both("dose.season_limit") + of_both("dose.too_soon") >= 2, "{:?}", followed.codes);
    assert_eq!(followed.parts, 4);
}

/// A block's limit per hectare counts what an earlier book put into its trees: also into one that this book
/// has not treated and that is moved into the block, or out of it.
#[test]
fn a_tree_that_only_an_earlier_season_treated_counts_where_it_is_moved_to() {
    let mut w = World::new();
    w.label = w.confirmed(Label { area_season_max_ul_per_ha: Some(Ul(110_000)), ..label() });
    let trees: Vec<_> = (0..2).map(|n| w.tree(Who::Office, &format!("T-{n}"))).collect();
    for tree in &trees {
        w.treat(0, *tree, 7);
    }
    let blocks = ["North", "South"].map(|name| w.write(Who::Office, hectare(name)));
    relist(&mut w, trees[0], |t| t.block = Some(blocks[0]));
    let earlier = [w.next_season("2026", &trees)];
    w.treat(0, trees[0], 3);
    let mut followed = Followed::new(&w, &earlier);
    assert_eq!(over(&followed), 0, "70 and 30 mL");
    for (block, expected) in [(Some(blocks[0]), 1), (Some(blocks[1]), 0), (Some(blocks[0]), 1), (None, 0)] {
        relist(&mut w, trees[1], |t| t.block = block);
        followed.follow(&w, &earlier, "a tree in another block");
        assert_eq!(over(&followed), expected, "{block:?}");
    }
    assert_eq!(followed.parts, 4);
}

/// A tree that stood in one block when the earlier book treated it is listed in another now, and struck
/// there: it counts to the first again.
#[test]
fn a_tree_that_is_struck_counts_to_the_block_it_stood_in() {
    let mut w = World::new();
    w.label = w.confirmed(Label { area_season_max_ul_per_ha: Some(Ul(110_000)), ..label() });
    let trees: Vec<_> = (0..2).map(|n| w.tree(Who::Office, &format!("T-{n}"))).collect();
    for tree in &trees {
        w.treat(0, *tree, 7);
    }
    let blocks = ["North", "South"].map(|name| w.write(Who::Office, hectare(name)));
    for tree in &trees {
        relist(&mut w, *tree, |t| t.block = Some(blocks[0]));
    }
    let earlier = [w.next_season("2026", &trees)];
    w.treat(0, trees[0], 3);
    relist(&mut w, trees[1], |t| t.block = Some(blocks[1]));
    let mut followed = Followed::new(&w, &earlier);
    assert_eq!(over(&followed), 0, "70 and 30 mL");
    w.strike(Who::Office, trees[1]);
    followed.follow(&w, &earlier, "a listing struck");
    assert_eq!(over(&followed), 1, "70, 70 and 30 mL");
}

/// Blocks over their limit per hectare.
fn over(followed: &Followed) -> usize {
    followed.kept.findings().iter().filter(|f| f.code.name() == "dose.area_limit").count()
}

/// A block of about 100 m by 100 m.
fn hectare(name: &str) -> Block {
    let corner =
        |lat: i64, lon: i64| Corner { lat_ndeg: 42_732_500_000 + lat, lon_ndeg: -84_555_500_000 + lon };
    let square = [(0, 0), (0, 1_220_000), (900_000, 1_220_000), (900_000, 0)];
    Block { name: name.into(), boundary: square.map(|(lat, lon)| corner(lat, lon)).to_vec() }
}
