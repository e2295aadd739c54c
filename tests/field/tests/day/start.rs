//! A start on the ready-made view: what it shows, what may be logged before the books are read, and what
//! waits for them.

use std::future::Future;
use std::pin::pin;
use std::task::{Context, Poll, Waker};

use bolebook_core::ids::Sha256Hash;
use bolebook_field_core::field::{Field, Fields};
use bolebook_field_core::outside::Trouble;
use bolebook_field_core::state::Screen;
use bolebook_field_tests::memory::{Memory, block_on, tap};
use bolebook_field_tests::office::{LOT, ORIGIN, Office, REGISTRATION};
use bolebook_field_tests::play::{LOOK, MORNING, SEVEN, find, good, joined, treat, tree_of};

const FILL: &[(&str, &str)] = &[("lot", LOT), ("registration", REGISTRATION), ("amount", "800")];
const GIRTH: &[(&str, &str)] = &[("reading", "94"), ("of", "girth"), ("unit", "cm")];

/// Puts the app away, so that the view is kept, and opens it again.
fn put_away(device: &Memory, field: Field<Memory>, url: &str) -> Field<Memory> {
    // The view is kept of what a screen has shown.
    tap(&field, "go:today", &[]);
    block_on(field.keep_ready()).unwrap();
    drop(field);
    let field = device.open(url);
    assert!(!field.state().books_open, "the view is of the lines stored");
    field
}

/// Everything the screens show, by some of them; the clock ticks at each look, and none of these shows it so
/// finely.
fn screens(field: &Field<Memory>, trees: &[&str]) -> Vec<String> {
    let all = ["go:today", "go:find", "go:map", "go:kit", "go:close", "go:unsent", "go:board"];
    let trees = trees.iter().flat_map(|t| [format!("tree:{t}"), format!("see:{t}")]);
    all.map(str::to_owned).into_iter().chain(trees).map(|act| tap(field, &act, &[])).collect()
}

#[test]
fn the_ready_made_view_shows_what_the_books_show_and_only_when_it_is_of_their_lines() {
    let mut office = Office::found(Some(MORNING), SEVEN, 6);
    let corner = |north: f64, east: f64| format!("{},{}", ORIGIN.0 + north, ORIGIN.1 + east);
    let corners =
        [corner(-0.001, -0.001), corner(-0.001, 0.001), corner(0.001, 0.001), corner(0.001, -0.001)];
    let [a, b, c, d] = &corners;
    office.run(&["block", "add", "Mill <Lot>", "--corner", a, "--corner", b, "--corner", c, "--corner", d]);
    let url = office.serve(None);
    office.run(&["exchange", &url]);
    let (device, field) = joined(&office, &url, 25, 0);
    good(&tap(&field, "fill", FILL));
    let [first, second, third] = ["P-1", "P-2", "P-3"].map(|tag| tree_of(&field, tag));
    treat(&device, &field, &first);
    good(&tap(&field, &format!("nottreated:{third}"), &[("reason", "refused")]));
    let map = tap(&field, "go:map", &[]);
    assert!(map.contains("<polygon class=\"block\"") && map.contains("Mill &lt;Lot&gt;"), "{map}");
    let trees = [&*first, &*second, &*third];
    let open = screens(&field, &trees);

    let field = put_away(&device, field, &url);
    assert_eq!(screens(&field, &trees), open);
    assert!(!field.state().books_open, "looking needs no books");
    good(&tap(&field, &format!("seen:{second}"), LOOK));
    assert!(!field.state().books_open, "it is logged on the view");
    let logged = tap(&field, "go:unsent", &[]);
    drop(field);

    // The phone died before the view was kept again: it is of other lines, and the books are read.
    let field = device.open(&url);
    assert!(field.state().books_open && !field.state().behind());
    let shown = tap(&field, "go:unsent", &[]);
    let unsent =
        |screen: &str| screen.split("class=\"lead\">").nth(1).unwrap().split('<').next().unwrap().to_owned();
    assert_eq!(unsent(&shown), unsent(&logged));
    treat(&device, &field, &second);
}

#[test]
fn what_is_logged_before_the_books_are_read_is_durable_and_what_they_then_say() {
    let mut office = Office::found(Some(MORNING), SEVEN, 6);
    let url = office.serve(None);
    let (device, mut field) = joined(&office, &url, 31, 0);
    good(&tap(&field, "fill", FILL));
    let [first, second, third] = ["P-1", "P-2", "P-3"].map(|tag| tree_of(&field, tag));
    let trees = [&*first, &*second, &*third];
    treat(&device, &field, &first);
    good(&tap(&field, &format!("seen:{second}"), LOOK));
    good(&tap(&field, &format!("begin:{second}:1"), &[]));
    good(&tap(&field, &format!("on:{second}:1"), &[]));
    device.wait(9);
    let acts: Vec<(String, Vec<(&str, &str)>)> = vec![
        (format!("done:{second}:1:sealed"), vec![]),
        (format!("measured:{third}:1"), GIRTH.to_vec()),
        (format!("seen:{third}"), LOOK.to_vec()),
        (format!("nottreated:{third}"), vec![("reason", "refused")]),
        ("fill".into(), vec![("lot", LOT), ("registration", REGISTRATION), ("amount", "100")]),
        ("moved".into(), vec![("what", "spilled"), ("amount", "3")]),
        (format!("note:{third}"), vec![("note", "gate locked")]),
        ("incident".into(), vec![("what", "spill"), ("text", "a drop"), ("done", "wiped up")]),
    ];
    for (act, fields) in acts {
        field = put_away(&device, field, &url);
        let (lines, (unsent, since)) = (device.lines(), field.state().unsent());
        let said = tap(&field, &act, &fields);
        good(&said);
        assert!(said.contains("class=\"said\"") && said.contains("id=\"behind\""), "{act}: {said}");
        assert!(!field.state().books_open, "{act}");
        let today = tap(&field, "go:today", &[]);
        assert!(today.contains("In the kit") && !today.contains("Charges left"), "{act}: {today}");
        // A commit and its signature, on the disk before it was said.
        assert_eq!(device.lines(), lines + 2, "{act}");
        let (unsent_now, since_now) = field.state().unsent();
        assert!(unsent_now > unsent && since_now == since, "{act}: {unsent} {unsent_now}");
        block_on(field.open_books()).unwrap();
        assert!(!field.state().behind());
        assert_eq!(field.state().unsent(), (unsent_now, since_now), "{act}");
        let shown = screens(&field, &trees);
        // Another start, which reads the books first, shows the same.
        assert_eq!(screens(&device.open(&url), &trees), shown, "{act}");
        assert!(!shown[0].contains("id=\"behind\""));
    }
    let said = tap(&field, "exchange", &[]);
    assert!(said.contains("Exchanged"), "{said}");
    office.run(&["exchange", &url]);
    let shown = office.run(&["job", "show"]);
    assert_eq!(shown["trees"]["treated"], 2, "{shown}");
    assert_eq!(shown["trees"]["not_treated"], 1, "{shown}");
    // P-1 of 25 cm and P-2 of 26 cm take six charges of 10 mL each; 3 mL were spilled.
    let balance = office.run(&["balance"]);
    assert_eq!(find(&balance, "into_trees_ul"), Some(120_000), "{balance}");
    assert_eq!(find(&balance, "spilled_ul"), Some(3_000), "{balance}");
}

#[test]
fn a_plan_and_whatever_asks_whether_it_may_be_done_waits_for_the_books() {
    let mut office = Office::found(Some(MORNING), SEVEN, 3);
    let url = office.serve(None);
    let (device, field) = joined(&office, &url, 32, 0);
    good(&tap(&field, "fill", FILL));
    let [first, second] = ["P-1", "P-2"].map(|tag| tree_of(&field, tag));
    treat(&device, &field, &first);
    // A plan that follows what was logged early is not shown before the books are read, and nothing begins.
    let field = put_away(&device, field, &url);
    let waits = tap(&field, &format!("seen:{first}"), LOOK);
    assert_eq!(field.state().screen, Screen::Plan(first.parse().unwrap(), 1, None));
    assert!(waits.contains("lead busy") && !waits.contains("mL"), "{waits}");
    assert!(!waits.contains("data-act=\"begin") && !waits.contains("Do not treat"), "{waits}");
    block_on(field.open_books()).unwrap();
    let stopped = field.screen();
    assert!(stopped.contains("has been treated this season") && !stopped.contains("begin:"), "{stopped}");
    // Each of these opens the books by itself, and says what they say.
    let mut field = put_away(&device, field, &url);
    for act in ["plan", "begin"] {
        let said = tap(&field, &format!("{act}:{first}:1"), &[]);
        assert!(field.state().books_open && !said.contains("data-act=\"begin"), "{act}: {said}");
        field = put_away(&device, field, &url);
    }
    for (act, fields) in [
        ("close".to_owned(), vec![]),
        (format!("strike:{first}"), vec![("struck", "x"), ("reason", "y")]),
        ("list".to_owned(), vec![("tag", "P-1")]),
    ] {
        tap(&field, &act, &fields);
        assert!(field.state().books_open, "{act}");
        field = put_away(&device, field, &url);
    }
    // The second tap that writes stands on the first.
    good(&tap(&field, &format!("note:{second}"), &[("note", "one")]));
    assert!(!field.state().books_open);
    good(&tap(&field, &format!("note:{second}"), &[("note", "two")]));
    assert!(field.state().books_open && !field.state().behind());
    // What a pressurisation gives stands on what is in the kit: after a tap that wrote, the books are asked.
    let field = put_away(&device, field, &url);
    tap(&field, "go:kit", &[]);
    tap(&field, "gauge", &[("gauge", "4")]);
    assert!(!field.state().books_open);
    good(&tap(&field, "moved", &[("what", "spilled"), ("amount", "3")]));
    assert!(!field.state().books_open && field.state().behind());
    tap(&field, "gauge", &[("gauge", "4")]);
    assert!(field.state().books_open);
    // And what was logged early is taken back like anything else.
    let field = put_away(&device, field, &url);
    let said = tap(&field, &format!("nottreated:{second}"), &[("reason", "refused")]);
    let undo = said.split("data-act=\"undo:").nth(1).unwrap().split('"').next().unwrap().to_owned();
    let undone = tap(&field, &format!("undo:{undo}"), &[]);
    good(&undone);
    assert!(undone.contains("Tree P-2") && !undone.contains("class=\"stopped\""), "{undone}");
    assert!(tap(&field, "exchange", &[]).contains("Exchanged"));
}

#[test]
fn what_the_storage_refuses_early_is_said_and_goes_under_another_actor_later() {
    let mut office = Office::found(Some(MORNING), SEVEN, 2);
    let url = office.serve(None);
    let (device, field) = joined(&office, &url, 33, 0);
    let tree = tree_of(&field, "P-1");
    let field = put_away(&device, field, &url);
    let lines = device.lines();
    for trouble in [Trouble::Storage("the disk is full".into()), Trouble::OtherWriter] {
        *device.refuses.borrow_mut() = Some(trouble.clone());
        let said = tap(&field, &format!("note:{tree}"), &[("note", "gate locked")]);
        assert!(said.contains("said bad") && said.contains(&trouble.to_string()), "{said}");
        assert!(!said.contains("id=\"behind\"") && field.state().actor.is_none());
    }
    assert_eq!(device.lines(), lines);
    *device.refuses.borrow_mut() = None;
    good(&tap(&field, &format!("note:{tree}"), &[("note", "gate locked")]));
    assert!(!field.state().books_open && device.lines() == lines + 2);
    assert!(tap(&field, "exchange", &[]).contains("Exchanged"));
}

/// One step of something that may have to wait.
fn step<T>(future: std::pin::Pin<&mut impl Future<Output = T>>) -> Option<T> {
    match future.poll(&mut Context::from_waker(Waker::noop())) {
        Poll::Ready(done) => Some(done),
        Poll::Pending => None,
    }
}

#[test]
fn a_tap_while_the_books_are_being_read_is_in_them_once_whatever_comes_first() {
    let mut office = Office::found(Some(MORNING), SEVEN, 2);
    let url = office.serve(None);
    let (device, mut field) = joined(&office, &url, 34, 0);
    let tree = tree_of(&field, "P-1");
    let (act, note) = (format!("note:{tree}"), Fields::from([("note".to_owned(), "gate locked".to_owned())]));
    for (lines_late, store_late) in [(false, false), (true, false), (false, true), (true, true)] {
        field = put_away(&device, field, &url);
        let lines = device.lines();
        device.answers_later.set((lines_late, store_late));
        {
            let mut tapped = pin!(field.act(&act, &note));
            let mut opened = pin!(field.open_books());
            if lines_late {
                // The lines were read off the disk before the tap, and come after it.
                assert!(step(opened.as_mut()).is_none());
            }
            let logged = step(tapped.as_mut());
            assert_eq!(logged.is_none(), store_late);
            // What is on its way to the disk is waited for.
            let open = step(opened.as_mut());
            assert_eq!(open.is_none(), store_late);
            if store_late {
                assert!(!field.state().books_open);
                assert!(step(tapped.as_mut()).is_some());
                step(opened.as_mut()).unwrap().unwrap();
            }
        }
        assert!(field.state().books_open && !field.state().behind());
        assert_eq!(device.lines(), lines + 2);
        assert_eq!(field.state().logs.values().map(|l| l.end()).sum::<u64>(), lines as u64 + 2);
    }
    assert!(tap(&field, "exchange", &[]).contains("Exchanged"));
    office.run(&["exchange", &url]);
    let notes = office.run(&["list", "note"]);
    assert_eq!(notes["records"].as_array().unwrap().len(), 4, "{notes}");
}

#[test]
fn a_view_of_an_older_version_or_a_damaged_one_is_made_anew_from_the_books() {
    let mut office = Office::found(Some(MORNING), SEVEN, 3);
    let url = office.serve(None);
    let (device, field) = joined(&office, &url, 35, 0);
    good(&tap(&field, "fill", FILL));
    let tree = tree_of(&field, "P-1");
    treat(&device, &field, &tree);
    let shown = screens(&field, &[&tree]);
    let field = put_away(&device, field, &url);
    let kept = device.put_ready(vec![]);
    drop(field);
    // Until format 3 it was JSON among the settings; it is left alone there.
    let lines = device.lines();
    let older = format!(r#"{{"format":2,"program":"{}","lines":{lines}}}"#, env!("CARGO_PKG_VERSION"));
    device.put_setting("ready", &older);
    let field = device.open(&url);
    assert!(field.state().books_open);
    assert_eq!(screens(&field, &[&tree]), shown);
    drop(put_away(&device, field, &url));
    assert_eq!(device.put_ready(vec![]), kept, "the same lines give the same view");
    // Cut, turned over anywhere, or with something behind it.
    for at in (0..kept.len()).step_by(97) {
        let mut turned = kept.clone();
        turned[at] ^= 1;
        for other in [kept[..at].to_vec(), turned] {
            device.put_ready(other);
            assert!(device.open(&url).state().books_open, "at {at}");
        }
    }
    device.put_ready([&kept[..], &[0]].concat());
    assert!(device.open(&url).state().books_open);
    const DIGEST: usize = 32;
    let resealed = |at: usize, turn: u8| {
        let mut other = kept[DIGEST..].to_vec();
        other[at - DIGEST] ^= turn;
        [&Sha256Hash::of(&other).0[..], &other].concat()
    };
    // With a digest that holds: every byte of the head, each bit of it turned. Behind the digest stand the
    // format, the program's version with its length, and the number of lines, seven bits a byte, the lowest
    // first (`sync-server/field/src/pack.rs`); these are asked before anything else is read.
    let program = env!("CARGO_PKG_VERSION");
    let mut head = vec![3, program.len() as u8];
    head.extend_from_slice(program.as_bytes());
    let mut left = lines;
    while left >= 0x80 {
        head.push(left as u8 | 0x80);
        left >>= 7;
    }
    head.push(left as u8);
    assert_eq!(kept[DIGEST..DIGEST + head.len()], head);
    for at in DIGEST..DIGEST + head.len() {
        for bit in 0..8 {
            device.put_ready(resealed(at, 1 << bit));
            assert!(device.open(&url).state().books_open, "byte {at}, bit {bit}: another's view is not used");
        }
    }
    // Bytes of nothing behind it, which nobody but who can make a digest could put there: they are no view,
    // or another one; nothing panics, and the books can be opened.
    let (mut taken, mut refused) = (0, 0);
    for at in (DIGEST + head.len()..kept.len()).step_by(11) {
        device.put_ready(resealed(at, 0x55));
        let field = device.open(&url);
        assert!(!field.screen().is_empty());
        *if field.state().books_open { &mut refused } else { &mut taken } += 1;
        block_on(field.open_books()).unwrap();
        assert!(field.state().books_open && !field.screen().is_empty());
    }
    assert!(taken > 0 && refused > 0, "{taken} {refused}");
    device.put_ready(kept);
    let field = device.open(&url);
    assert!(!field.state().books_open);
    assert_eq!(screens(&field, &[&tree]), shown);
}
