//! A job set up at the desk: leave, notices, what is asked for, and what holds for its trees.

use bolebook_core::record::stand::Condition;
use bolebook_core::record::{Body, Kind};
use bolebook_server::Config;
use bolebook_tests::world::{Who, World};

use crate::labels::send;
use crate::settle::see;
use crate::site::{Browser, Site};

fn conditions(site: &Site, world: &World) -> Vec<Condition> {
    see(site, world, |view| {
        let facts = view.facts.in_force(Kind::Condition);
        let of = facts.filter_map(|f| match &view.facts.shown(f).record.body {
            Body::Condition(c) => Some((**c).clone()),
            _ => None,
        });
        of.collect()
    })
}

#[test]
fn leave_notice_and_what_is_asked_of_every_record_are_logged_and_wrong_ones_are_told_beside_the_field() {
    let mut world = World::new();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let setup = format!("/jobs/{}/setup", world.job.id());
    assert!(browser.page(&setup).text.contains("Ann Invented"), "who may supervise");
    let mut post = |fields: &[(&str, &str)]| send(&mut browser, &setup, &setup, fields);
    let refused = post(&[("do", "authorise"), ("authorise.covers", "all ash"), ("authorise.document", "zz")]);
    assert_eq!(refused.status, 422);
    assert!(
        refused.text.contains("href=\"#f-authorise-given\"")
            && refused.text.contains("64 hexadecimal digits")
    );
    assert!(refused.text.contains("value=\"all ash\""), "what was typed stays");
    let digest = "ab".repeat(32);
    let leave = [
        ("authorise.covers", "all ash, both sides"),
        ("authorise.given", "2026-05-20"),
        ("authorise.document", &digest),
    ];
    assert_eq!(post(&[&leave[..], &[("do", "authorise")]].concat()).status, 303);
    let notice = [
        ("notice.to", "houses east of the park"),
        ("notice.how", "by letter"),
        ("notice.day", "2026-05-25"),
        ("notice.text", "we treat the ash trees in June"),
        ("do", "notice"),
    ];
    let late = post(&[&notice[..], &[("notice.time", "25:00")]].concat());
    assert!(late.status == 422 && late.text.contains("write HH:MM"));
    let future = post(&[&notice[..3], &notice[3..], &[("notice.time", "08:10")]].concat());
    assert_eq!(future.status, 303, "{}", future.text);
    let none = post(&[("do", "require"), ("require.stems", "0")]);
    assert!(none.status == 422 && none.text.contains("no stem an hour leaves nothing to treat"));
    let asked = [
        ("do", "require"),
        ("require.scheme.us", "yes"),
        ("require.element.bark", "yes"),
        ("require.photo", "yes"),
        ("require.categories", "7a\n3a"),
        ("require.leak", "2.5"),
    ];
    assert_eq!(post(&asked).status, 303);
    see(&site, &world, |view| {
        let asks = view.requirements();
        assert!(asks.photo && asks.schemes.len() == 1 && asks.elements.len() == 1 && !asks.notice);
        assert_eq!(
            (asks.licence_categories, asks.leak_share.unwrap().0),
            (vec!["7a".to_owned(), "3a".to_owned()], 25)
        );
        assert_eq!(view.facts.in_force(Kind::Authorisation).count(), 2, "and the one there was");
        let notice = view.facts.in_force(Kind::Notice).next().unwrap();
        match &view.facts.shown(notice).record.body {
            // 08:10 in the job's own time.
            Body::Notice(n) => assert!(view.local_time(n.given_at).starts_with("2026-05-25T08:10:00")),
            other => panic!("{other:?}"),
        }
    });
    let page = browser.page(&setup).text;
    // Nobody's licence is of the categories asked for.
    for part in ["all ash, both sides", "houses east of the park", "Nobody.", "value=\"2.5\""] {
        assert!(page.contains(part), "{part}");
    }
}

#[test]
fn a_signed_paper_is_kept_for_the_office_alone_and_deleted_when_it_is_asked_for() {
    a_paper_is_kept_and_deleted(|_| {});
}

/// The same whatever place papers lie in.
pub fn a_paper_is_kept_and_deleted(place: impl FnOnce(&mut Config)) {
    let mut world = World::new();
    let site = Site::with(&mut world, true, place);
    let mut browser = site.browser();
    let setup = format!("/jobs/{}/setup", world.job.id());
    let papers = format!("/jobs/{}/papers", world.job.id());
    let token = browser.page(&setup).form(&papers).into_iter().find(|(n, _)| n == "token").unwrap().1;
    let refused = browser.upload(&papers, &token, "leave.html", b"<script>alert(1)</script>");
    assert!(refused.status == 422 && refused.text.contains("no PDF and no picture"), "{}", refused.text);
    let paper = b"%PDF-1.7 invented";
    let digest = bolebook_core::ids::Sha256Hash::of(paper).to_string();
    let filled = browser.upload(&papers, &token, "leave.pdf", paper);
    assert!(filled.status == 200 && filled.text.contains(&format!("value=\"{digest}\"")), "{}", filled.text);
    let at = format!("{papers}/{digest}");
    assert_eq!(browser.get(&at).status, 404, "no record names it yet");
    let leave = [("authorise.covers", "all ash"), ("authorise.given", "2026-05-20"), ("do", "authorise")];
    assert_eq!(browser.submit(&filled, &setup, &leave).status, 303);
    let got = browser.page(&at);
    assert_eq!((&got.bytes[..], got.header("content-type")), (&paper[..], "application/pdf"));
    assert!(got.header("content-disposition").starts_with("attachment"));
    assert_eq!(Browser::new(&site.desk).get(&at).status, 303, "who is not signed in is sent to the sign-in");
    assert_eq!(browser.get(&format!("{papers}/..%2fbolebook.db")).status, 404);
    let page = browser.page(&setup);
    let gone = browser.submit(&page, &format!("{at}/remove"), &[]);
    assert!(browser.follow(&gone).text.contains("the paper is kept elsewhere"));
    assert_eq!(browser.get(&at).status, 404);
}

#[test]
fn food_water_felling_and_metal_are_said_of_many_trees_at_once_or_of_none() {
    let mut world = World::new();
    let trees = ["A-1", "A-2", "A-3"].map(|tag| world.tree(Who::Office, tag));
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let setup = format!("/jobs/{}/setup", world.job.id());
    let mut post = |fields: &[(&str, &str)]| send(&mut browser, &setup, &setup, fields);
    for (fields, said) in [
        (
            vec![("trees.which", "tags"), ("trees.tags", "A-1, A-9"), ("trees.food", "yes")],
            "there is no tree 'A-9'",
        ),
        (vec![("trees.which", "all")], "say at least one thing"),
        (vec![("trees.food", "yes")], "say which trees"),
        (vec![("trees.which", "all"), ("trees.water", "12")], "choose the unit"),
        (vec![("trees.which", "all"), ("trees.felling", "soon")], "soon"),
    ] {
        let sent = post(&[&fields[..], &[("do", "trees")]].concat());
        assert!(sent.status == 422 && sent.text.contains(said), "{said}: {}", sent.text);
    }
    assert!(conditions(&site, &world).is_empty(), "all or none");
    let of_all = [("do", "trees"), ("trees.which", "all"), ("trees.water", "40"), ("trees.water.unit", "ft")];
    assert_eq!(post(&of_all).status, 303);
    let of_two = [
        ("do", "trees"),
        ("trees.which", "tags"),
        ("trees.tags", "a-1\nA-2"),
        ("trees.food", "yes"),
        ("trees.felling", "2027-03-01"),
        ("trees.metal", "old fence wire, 1 m up"),
    ];
    assert_eq!(post(&of_two).status, 303);
    let all = conditions(&site, &world);
    // 40 ft are 12.192 m (NIST SP 811).
    assert_eq!(all.iter().filter(|c| c.water_um.is_some_and(|w| w.0 == 12_192_000)).count(), 3);
    let said: Vec<_> =
        all.iter().filter(|c| c.food == Some(true) && c.felling.is_some()).map(|c| c.tree).collect();
    assert!(said.len() == 2 && !said.contains(&trees[2]));
    let page = browser.page(&format!("/jobs/{}/trees/{}", world.job.id(), trees[0]));
    assert!(page.text.contains("metal in the wood: old fence wire, 1 m up"), "{}", page.text);
}
