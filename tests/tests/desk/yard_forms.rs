//! Kits and lots entered at the desk, by the rules and words of the commands.

use bolebook_core::record::kit::Kit;
use bolebook_core::record::{Body, Kind};
use bolebook_tests::world::World;

use crate::labels::{send, with};
use crate::settle::see;
use crate::site::{Answer, Browser, Site};

/// A kit as its plates say. INVENTED: NOT FOR USE.
const KIT: [(&str, &str); 46] = [
    ("name", "Kit 7"),
    ("serial", "INVENTED-R7"),
    ("rating", "200"),
    ("rating.unit", "psi"),
    ("volume", "1.5"),
    ("volume.unit", "L"),
    ("fill_limit", "1000"),
    ("fill_limit.unit", "mL"),
    ("relief_set", "12"),
    ("relief_set.unit", "bar"),
    ("relief_inspected", "2026-03-02"),
    ("relief_due", "2027-03-01"),
    ("hose_rating", "1600"),
    ("hose_rating.unit", "kPa"),
    ("fittings_rating", "1600"),
    ("fittings_rating.unit", "kPa"),
    ("air_source", "1300"),
    ("air_source.unit", "kPa"),
    ("work_low", "700"),
    ("work_low.unit", "kPa"),
    ("work_high", "1000"),
    ("work_high.unit", "kPa"),
    ("bit", "15"),
    ("bit.unit", "64ths in"),
    ("gauge_range", "1600"),
    ("gauge_range.unit", "kPa"),
    ("gauge_u", "16"),
    ("gauge_u.unit", "kPa"),
    ("gauge_checked", "2026-03-02"),
    ("inspected", "2026-03-02"),
    ("inspection_due", "2027-03-01"),
    ("containers.0.name", "10 mL"),
    ("containers.0.charge", "10"),
    ("containers.0.charge.unit", "mL"),
    ("containers.0.charge_u", "0.12"),
    ("containers.0.charge_u.unit", "mL"),
    ("containers.0.shared_u", "60"),
    ("containers.0.shared_u.unit", "µL"),
    ("containers.1.name", "5 mL"),
    ("containers.1.charge", "5"),
    ("containers.1.charge.unit", "mL"),
    ("containers.1.charge_u", "0.1"),
    ("containers.1.charge_u.unit", "mL"),
    ("containers.1.shared_u", "0"),
    ("containers.1.shared_u.unit", "mL"),
    ("do", "check"),
];

fn post(browser: &mut Browser, more: &[(&str, &str)]) -> Answer {
    send(browser, "/kits/new", "/kits/new", &with(&KIT, more))
}

fn checked(page: &str) -> String {
    page.split("name=\"checked\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned()
}

fn kits(site: &Site, world: &World) -> Vec<(String, Kit)> {
    see(site, world, |view| {
        let facts = &view.yard.facts;
        let of = facts.in_force(Kind::Kit).filter_map(|f| match &facts.shown(f).record.body {
            Body::Kit(kit) => Some((f.id.to_string(), (**kit).clone())),
            _ => None,
        });
        of.collect()
    })
}

#[test]
fn a_kit_is_entered_in_the_units_on_its_plates_and_what_stops_it_is_said_before() {
    let mut world = World::new();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let before = kits(&site, &world).len();
    for (field, typed, said) in [
        ("rating.unit", "", "has no unit"),
        ("rating", "0", "is nothing"),
        ("volume", "1,5", "1,5"),
        ("containers.1.name", "10 ml", "two containers are called"),
        ("name", "kit 0", "there is a kit 'kit 0' already"),
        ("inspected", "soon", "soon"),
        ("serial", "", "is missing"),
    ] {
        let page = post(&mut browser, &[(field, typed)]);
        assert_eq!(page.status, 422, "{field}={typed}");
        let id = format!("href=\"#f-{}\"", field.trim_end_matches(".unit").replace(['.', '_'], "-"));
        assert!(page.text.contains(&id) && page.text.contains(said), "{field}={typed}: {}", page.text);
    }
    let late = post(&mut browser, &[("inspection_due", "2026-04-01"), ("work_high", "1500")]);
    assert!(
        late.text.contains("inspection was due on 2026-04-01") && late.text.contains("above its limit"),
        "{}",
        late.text
    );
    let page = post(&mut browser, &[]);
    assert_eq!(page.status, 200, "{}", page.text);
    let digest = checked(&page.text);
    let changed = post(&mut browser, &[("do", "enter"), ("checked", &digest), ("rating", "250")]);
    assert_eq!((changed.status, kits(&site, &world).len()), (200, before), "shown again, not entered");
    let sent = post(&mut browser, &[("do", "enter"), ("checked", &digest)]);
    assert_eq!(sent.status, 303, "{}", sent.text);
    let (id, kit) = kits(&site, &world).into_iter().find(|(_, k)| k.name == "Kit 7").unwrap();
    // 200 psi are 1 378.951 kPa (NIST SP 811), a rating rounded down; 15/64 in are 5.953 mm.
    assert_eq!(
        (kit.reservoir.rating_pa.0, kit.reservoir.relief_set_pa.0, kit.bit_um.0),
        (1_378_951, 1_200_000, 5_953)
    );
    assert_eq!(
        (kit.reservoir.volume_ul.0, kit.containers.len(), kit.containers[0].shared_u_ul.0),
        (1_500_000, 2, 60)
    );
    // A new version: the next inspection.
    let again = browser.page(&format!("/kits/new?from={id}"));
    assert!(again.text.contains("value=\"1378.951\"") && again.text.contains("value=\"INVENTED-R7\""));
    let newer = [("amends", id.as_str()), ("inspection_due", "2028-03-01")];
    let digest = checked(&post(&mut browser, &newer).text);
    let sent = post(&mut browser, &with(&newer, &[("do", "enter"), ("checked", &digest)]));
    assert_eq!(sent.status, 303, "{}", sent.text);
    let there = kits(&site, &world);
    assert_eq!(there.len(), before + 1, "one kit, two versions");
    assert!(there.iter().any(|(known, k)| *known == id && k.inspection_due.to_string() == "2028-03-01"));
}

#[test]
fn a_lot_is_entered_once_and_taken_out_of_use_with_a_reason() {
    let mut world = World::new();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let label = world.label.to_string();
    let lot = [("lot.number", "INV-77"), ("lot.label", label.as_str()), ("lot.expires", "2027-05-01")];
    let mut enter = |more: &[(&str, &str)]| send(&mut browser, "/lots", "/lots", &with(&lot, more));
    for (field, typed, said) in [
        ("lot.number", "", "or it has no number"),
        ("lot.label", "", "choose the label"),
        ("lot.label", &world.lot.to_string(), "choose the label"),
        ("lot.expires", "2027-02-30", "2027-02-30"),
    ] {
        let page = enter(&[(field, typed)]);
        assert!(page.status == 422 && page.text.contains(said), "{field}={typed}: {}", page.text);
    }
    assert_eq!(enter(&[]).status, 303);
    let again = enter(&[("lot.number", "inv-77")]);
    assert!(again.status == 422 && again.text.contains("there is a lot 'inv-77' already"));
    let page = browser.page("/lots");
    let recall = page
        .text
        .split("INV-77")
        .nth(2)
        .unwrap()
        .split("action=\"")
        .nth(1)
        .unwrap()
        .split('"')
        .next()
        .unwrap();
    let recall = recall.to_owned();
    let bare = browser.submit(&page, &recall, &[("reason", " ")]);
    assert_eq!(bare.status, 422);
    let out = browser.submit(&page, &recall, &[("reason", "the maker asks for it back")]);
    assert!(browser.follow(&out).text.contains("recalled: <bdi>the maker asks for it back"));
    let twice = browser.submit(&page, &recall, &[("reason", "again")]);
    assert!(twice.status == 422 && twice.text.contains("out of use already"));
}

#[test]
fn a_desk_that_can_only_be_read_enters_nothing() {
    let mut world = World::new();
    let site = Site::new(&mut world, false);
    let mut browser = site.browser();
    let label = world.label.to_string();
    let lot = [("lot.number", "INV-77"), ("lot.label", label.as_str()), ("lot.expires", "2027-05-01")];
    let sent = send(&mut browser, "/lots", "/lots", &lot);
    assert!(sent.status == 409 && sent.text.contains("can only be read"), "{}", sent.text);
    assert!(browser.page("/lots").text.contains("<button class=\"main\" disabled>"));
}
