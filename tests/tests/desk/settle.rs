//! An evening at the desk: settling findings, signing off, amending, joining; and what is refused.

use bolebook_core::authority::Directory;
use bolebook_core::ids::{BookId, RecordId};
use bolebook_core::record::people::Revocation;
use bolebook_core::record::work::{NotTreated, NotTreatedReason, Note};
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::{View, Yard};
use bolebook_server::identity::Identity;
use bolebook_tests::world::{Who, World};

use crate::site::{Browser, Site, root};

/// A day of crew 0: one tree right, one far over the label, one treated by both crews, one too small;
/// crew 1 has not closed its day.
pub fn day() -> (World, [RecordId; 4]) {
    let mut world = World::new();
    let trees = ["A-1", "A-2", "A-3", "A-4"].map(|tag| world.tree(Who::Office, tag));
    for tree in &trees[..3] {
        world.diameter(Who::Crew(0), *tree, 3_000);
    }
    world.fill(0, 400_000);
    world.fill(1, 100_000);
    world.treat(0, trees[0], 7);
    world.treat(0, trees[1], 12);
    world.treat(0, trees[2], 7);
    world.treat(1, trees[2], 7);
    let crew = world.crews[0];
    world.write(
        Who::Crew(0),
        NotTreated { tree: trees[3], crew, reason: NotTreatedReason::TooSmall, note: None },
    );
    world.close_day(0, 400_000 - 260_000);
    (world, trees)
}

fn path(world: &World, below: &str) -> String {
    format!("/jobs/{}{below}", world.job.id())
}

/// The ids of the findings of a kind in the queue.
fn listed(browser: &mut Browser, world: &World, code: &str) -> Vec<String> {
    let page = browser.page(&path(world, &format!("/findings?code={code}")));
    page.text
        .split("id=\"f-")
        .skip(1)
        .filter_map(|t| t.split('"').next())
        .filter(|t| !t.ends_with("-h"))
        .map(str::to_owned)
        .collect()
}

pub fn see<T>(site: &Site, world: &World, look: impl FnOnce(&View<'_>) -> T) -> T {
    let (yard_book, job) = (site.job_book(world.yard.id()), site.job_book(world.job.id()));
    let devices = Directory::read(&yard_book, &root().public()).unwrap();
    let yard = Yard::read(&yard_book, &devices.for_book(&yard_book)).unwrap();
    look(&View::read(&job, &yard, &devices.for_book(&job)).unwrap())
}

fn rule(browser: &mut Browser, world: &World, finding: &str, fill: &[(&str, &str)]) -> crate::site::Answer {
    let page = browser.page(&path(world, &format!("/findings/{finding}")));
    browser.submit(&page, &path(world, &format!("/findings/{finding}/rule")), fill)
}

#[test]
fn findings_are_settled_one_by_one_and_ticked_and_the_day_signed_off_with_forms_alone() {
    let (mut world, _) = day();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let sheet = path(&world, &format!("/days/{}/2026-06-01", world.crews[0]));
    let page = browser.page(&sheet);
    assert!(page.text.contains("from being signed off") && !page.text.contains("Sign the day off"));
    // Sent all the same, it is refused and nothing is written.
    let token = page.form("/sign-out").remove(0).1;
    let state = see(&site, &world, |v| v.state_digest().to_string());
    let forced = browser.post(&format!("{sheet}/sign-off"), &[("token", &token), ("state", &state)]);
    assert_eq!(forced.status, 409);
    assert!(forced.text.contains("settle them first"), "{}", forced.text);

    let violations = ["dose.over_label", "hole.spacing"].map(|code| listed(&mut browser, &world, code));
    for finding in violations.concat() {
        let refused = browser.post(
            &path(&world, &format!("/findings/{finding}/rule")),
            &[("token", &token), ("decision", "accept"), ("reason", "fine"), ("facts", "")],
        );
        assert_eq!(refused.status, 409, "facts that were not shown");
        let facts = browser.page(&path(&world, &format!("/findings/{finding}"))).text;
        let facts =
            facts.split("name=\"facts\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
        let refused = browser.post(
            &path(&world, &format!("/findings/{finding}/rule")),
            &[("token", &token), ("decision", "accept"), ("reason", "fine"), ("facts", &facts)],
        );
        assert_eq!(refused.status, 422, "a violation cannot be accepted");
        let lacking = rule(&mut browser, &world, &finding, &[("reason", "counted wrong"), ("done", "")]);
        assert_eq!(lacking.status, 422);
        let fill = [("reason", "counted wrong"), ("done", "crew told"), ("reported", "state, by mail")];
        let done = rule(&mut browser, &world, &finding, &fill);
        assert!(browser.follow(&done).text.contains("Ruled."));
    }
    // The rest for one reason, ticked.
    let queue = browser.page(&path(&world, "/findings"));
    let ticked: Vec<String> = queue
        .text
        .split("name=\"finding\" value=\"")
        .skip(1)
        .map(|t| t.split('"').next().unwrap().to_owned())
        .collect();
    assert!(ticked.len() >= 2, "{}", queue.text);
    let mut fill: Vec<(&str, &str)> = ticked.iter().map(|t| ("finding", t.as_str())).collect();
    fill.push(("reason", "asked both crews"));
    let many = browser.submit(&queue, &path(&world, "/findings/settle"), &fill);
    let left = browser.follow(&many);
    assert!(left.text.contains("Nothing to settle here"), "{}", left.text);

    let page = browser.page(&sheet);
    let signed = browser.submit(&page, &format!("{sheet}/sign-off"), &[]);
    let page = browser.follow(&signed);
    assert!(
        page.text.contains("Signed off 2026-06-01") && page.text.contains("by <bdi>Olive Invented</bdi>"),
        "{}",
        page.text
    );
    let again = browser.post(&format!("{sheet}/sign-off"), &[("token", &token), ("state", "")]);
    assert_eq!(again.status, 422);

    // Another replica finds the same: in force, by the desk's device, in Olive's name.
    see(&site, &world, |view| {
        assert_eq!(view.signed_off.len(), 1);
        let sign_off = view.signed_off.values().next().unwrap();
        let version = view.facts.shown(view.facts.fact_of(*sign_off).unwrap());
        assert_eq!(version.record.envelope.by, Some(site.olive));
        assert_eq!(
            version.author,
            Identity::load_from(&site.data.path().join("desk.json")).unwrap().device()
        );
        assert!(view.facts.in_force(Kind::Ruling).count() > ticked.len());
    });
    let page = browser.page(&sheet);
    let reopened = browser.submit(&page, &format!("{sheet}/reopen"), &[("reason", "a hole was forgotten")]);
    browser.follow(&reopened);
    assert_eq!(see(&site, &world, |view| view.signed_off.len()), 0);
}

#[test]
fn a_day_is_never_signed_off_on_a_state_that_was_not_shown() {
    let mut world = World::new();
    let tree = world.tree(Who::Office, "A-1");
    world.diameter(Who::Crew(0), tree, 3_000);
    world.fill(0, 100_000);
    world.treat(0, tree, 7);
    world.close_day(0, 30_000);
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let sheet = path(&world, &format!("/days/{}/2026-06-01", world.crews[0]));
    let page = browser.page(&sheet);
    world.write(Who::Crew(0), Note { about: None, text: "wait, one more thing".into() });
    site.take(&world);
    let refused = browser.submit(&page, &format!("{sheet}/sign-off"), &[]);
    assert_eq!(refused.status, 409);
    assert!(refused.text.contains("load the day sheet again"));
    let page = browser.page(&sheet);
    assert!(page.text.contains("wait, one more thing"));
    let signed = browser.submit(&page, &format!("{sheet}/sign-off"), &[]);
    browser.follow(&signed);
}

#[test]
fn without_an_office_certificate_the_desk_is_read_and_says_what_to_run() {
    let (mut world, _) = day();
    let site = Site::new(&mut world, false);
    let mut browser = site.browser();
    let queue = browser.page(&path(&world, "/findings"));
    assert!(queue.text.contains("bolebook-server desk --data") && queue.text.contains("--role office"));
    assert!(!queue.text.contains("name=\"reason\""), "no form is offered");
    let token = queue.form("/sign-out").remove(0).1;
    let finding = listed(&mut browser, &world, "tree.treated_twice").remove(0);
    let facts = site_facts(&site, &world, &finding);
    let forced = browser.post(
        &path(&world, &format!("/findings/{finding}/rule")),
        &[("token", &token), ("decision", "accept"), ("reason", "x"), ("facts", &facts)],
    );
    assert_eq!(forced.status, 409);
    assert!(forced.text.contains("can only be read"));
    // A certificate given to the running server counts at once.
    site.certify(&world);
    let ruled = rule(&mut browser, &world, &finding, &[("reason", "one finished the other's work")]);
    browser.follow(&ruled);
    // And one that is taken back ends it at once.
    let device = Identity::load_from(&site.data.path().join("desk.json")).unwrap().device();
    world.yard_write(Who::Office, Revocation { device, reason: "server replaced".into(), accepted: vec![] });
    site.take_book(&world.yard);
    assert!(browser.page("/").text.contains("has revoked the desk"));
    let forced = browser.post(&path(&world, "/join"), &[("token", &token)]);
    assert_eq!(forced.status, 400);
}

fn site_facts(site: &Site, world: &World, finding: &str) -> String {
    let snapshot = bolebook_server::snapshot::now(&site.app).unwrap();
    let job = snapshot.job(world.job.id()).unwrap().clone();
    let findings = snapshot.findings(&job);
    findings.iter().find(|f| f.id.to_string() == finding).unwrap().facts.to_string()
}

#[test]
fn a_reading_is_amended_in_the_units_people_read_and_the_old_one_stays() {
    let (mut world, trees) = day();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let id = see(&site, &world, |v| v.facts.in_force(Kind::Diameter).next().unwrap().id);
    let action = path(&world, &format!("/records/{id}/amend"));
    let page = browser.page(&action);
    assert!(page.text.contains("value=\"300.0\""), "{}", page.text);
    assert_eq!(browser.submit(&page, &action, &[]).status, 422, "nothing was changed");
    let bad = browser.submit(&page, &action, &[("v.as_read.text", "=1+1")]);
    assert_eq!(bad.status, 422);
    let done = browser.submit(&page, &action, &[("v.as_read.text", "310.5")]);
    let tree = browser.follow(&done);
    assert!(tree.text.contains("31.1 cm") && tree.text.contains("<del>"), "{}", tree.text);
    see(&site, &world, |view| {
        let fact = view.facts.fact_of(id).unwrap();
        let Body::Diameter(d) = &view.facts.shown(fact).record.body else { panic!() };
        assert_eq!((d.diameter_um.0, d.as_read.text.as_str(), fact.history.len()), (310_500, "310.5", 2));
    });
    let page = browser.page(&action);
    let struck =
        browser.submit(&page, &path(&world, &format!("/records/{id}/strike")), &[("reason", "wrong tree")]);
    let tree = browser.follow(&struck);
    assert!(tree.text.contains("wrong tree") && tree.text.contains("310.5"), "struck, and still readable");
    assert!(tree.text.contains(&trees[0].to_string()));
}

#[test]
fn trees_that_are_one_are_joined_side_by_side() {
    let mut world = World::new();
    let (one, two) = (world.tree(Who::Office, "T-7"), world.tree(Who::Crew(0), "T-7"));
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let page = browser.page(&path(&world, "/pairs"));
    assert!(page.text.contains("apart"), "{}", page.text);
    let joined = browser.submit(
        &page,
        &path(&world, "/join"),
        &[("reason", "listed twice"), ("keep", &one.to_string())],
    );
    let tree = browser.follow(&joined);
    assert!(tree.text.contains("listed twice") || tree.text.contains("Joined"), "{}", tree.text);
    assert_eq!(see(&site, &world, |v| v.stays(two)), one);
    assert!(browser.page(&path(&world, "/pairs")).text.contains("No pair waits"));
}

#[test]
fn a_crew_is_asked_and_its_records_are_struck_from_the_finding() {
    let (mut world, _) = day();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let finding = listed(&mut browser, &world, "tree.treated_twice").remove(0);
    let page = browser.page(&path(&world, &format!("/findings/{finding}")));
    let (ask, strike) = (
        path(&world, &format!("/findings/{finding}/ask")),
        path(&world, &format!("/findings/{finding}/strike")),
    );
    let asked = browser.submit(
        &page,
        &ask,
        &[("crew", &world.crews[1].to_string()), ("text", "Did you see the tag?")],
    );
    assert!(browser.follow(&asked).text.contains("Did you see the tag?"));
    let nobody = browser.submit(&page, &ask, &[("crew", &world.lot.to_string()), ("text", "?")]);
    assert_eq!(nobody.status, 422);
    let stranger = browser.submit(&page, &strike, &[("record", &world.label.to_string()), ("reason", "x")]);
    assert_eq!(stranger.status, 422, "only records of the finding");
    let record =
        page.text.split("name=\"record\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    let struck =
        browser.submit(&page, &strike, &[("record", &record), ("reason", "logged by the wrong crew")]);
    browser.follow(&struck);
    assert!(listed(&mut browser, &world, "tree.treated_twice").is_empty());
    assert!(browser.page(&path(&world, "/rulings")).text.contains("logged by the wrong crew"));
}

#[test]
fn a_day_sheet_is_provisional_and_keeps_what_was_struck_and_the_crew_is_asked_from_it() {
    let (mut world, trees) = day();
    let struck = world.treat(0, trees[0], 1);
    world.strike(Who::Crew(0), struck);
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let sheet = path(&world, &format!("/days/{}/2026-06-01", world.crews[0]));
    let page = browser.page(&sheet);
    for part in ["Provisional", ">struck<", "First aid", "wash with much water"] {
        assert!(page.text.contains(part), "{part}: {}", page.text);
    }
    let asked = browser.submit(&page, &format!("{sheet}/ask"), &[("text", "Which gate was locked?")]);
    let page = browser.follow(&asked);
    assert!(page.text.contains("Which gate was locked?") && page.text.contains("no answer yet"));
    let other = path(&world, &format!("/days/{}/2026-06-01", world.crews[1]));
    assert!(!browser.page(&other).text.contains("Which gate was locked?"), "asked of crew 0 alone");
}

#[test]
fn violations_are_confirmed_together_only_with_what_was_done_and_reported() {
    let mut world = World::new();
    let trees = ["A-1", "A-2"].map(|tag| world.tree(Who::Office, tag));
    world.fill(0, 400_000);
    for tree in trees {
        world.diameter(Who::Crew(0), tree, 3_000);
        world.treat(0, tree, 12);
    }
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let queue = browser.page(&path(&world, "/findings?code=dose.over_label"));
    let ticked: Vec<String> = queue
        .text
        .split("name=\"finding\" value=\"")
        .skip(1)
        .map(|t| t.split('"').next().unwrap().to_owned())
        .collect();
    assert_eq!(ticked.len(), 2);
    let settle = path(&world, "/findings/settle");
    let send = |browser: &mut Browser, more: &[(&str, &str)]| {
        let mut fill: Vec<(&str, &str)> = ticked.iter().map(|t| ("finding", t.as_str())).collect();
        fill.push(("reason", "the scale was misread"));
        fill.extend(more);
        browser.submit(&queue, &settle, &fill)
    };
    assert_eq!(send(&mut browser, &[]).status, 422, "a violation is not accepted");
    assert_eq!(send(&mut browser, &[("decision", "confirm"), ("done", "")]).status, 422);
    let whole = [("decision", "confirm"), ("done", "crew told"), ("reported", "state, by mail")];
    let sent = send(&mut browser, &whole);
    browser.follow(&sent);
    assert!(listed(&mut browser, &world, "dose.over_label").is_empty());
    let records = browser.page(&path(&world, "/exports/application-records.csv")).text;
    assert_eq!(
        records.matches("the scale was misread; done: crew told; reported: state, by mail").count(),
        2
    );
}

#[test]
fn what_is_unexplained_is_shown_with_its_likely_causes_and_the_kits_it_comes_from() {
    let mut world = World::new();
    let trees = ["A-1", "A-2"].map(|tag| world.tree(Who::Office, tag));
    for crew in [0, 1] {
        world.fill(crew, 200_000);
        world.treat(crew, trees[crew], 7);
    }
    world.close_day(0, 200_000);
    world.close_day(1, 60_000);
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    for below in [path(&world, "/balance"), "/balance".to_owned()] {
        let page = browser.page(&below);
        assert!(page.text.contains("a kit mix-up: crew Crew 1 is out by 70.0 mL"), "{}", page.text);
        assert!(page.text.contains("By kit") && page.text.contains("Kit 1"), "{}", page.text);
    }
    let finding = listed(&mut browser, &world, "balance.day_unexplained").remove(0);
    assert!(browser.page(&path(&world, &format!("/findings/{finding}"))).text.contains("a kit mix-up"));
}

#[test]
fn the_seasons_page_says_what_was_seen_and_when_an_interval_is_over() {
    let (world, trees) = day();
    let mut world = world;
    let seen = bolebook_core::record::stand::Condition::about(trees[0]);
    let loss = Some(bolebook_core::quantity::PerMille(200));
    world.write(Who::Crew(0), bolebook_core::record::stand::Condition { canopy_loss: loss, ..seen });
    let site = Site::new(&mut world, true);
    let page = site.browser().page(&path(&world, "/seasons"));
    // One of one between 10 and 30 %: Wilson (1927) gives 20.6 to 100 %.
    assert!(page.text.contains("1 of 4 assessed") && page.text.contains("20.6 to 100.0 %"), "{}", page.text);
    assert!(page.text.contains("2028-05-01"), "700 days after 1 June 2026");
}

#[test]
fn one_jobs_address_reaches_nothing_of_another() {
    let (mut world, trees) = day();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let other = BookId::new(5, [5; 10]);
    for below in ["", "/findings", "/map", "/exports/trees.csv", "/links", &format!("/trees/{}", trees[0])] {
        assert_eq!(browser.get(&format!("/jobs/{other}{below}")).status, 404, "{below}");
    }
    for below in
        ["/exports/..%2f..%2fidentity.json", "/exports/nothing.csv", "/records/x/holes.svg", "/trees/x"]
    {
        assert_eq!(browser.get(&path(&world, below)).status, 404, "{below}");
    }
}
