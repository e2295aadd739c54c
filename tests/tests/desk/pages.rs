//! Every page a link leads to: it answers, is strict, and shows hostile words as words.

use std::collections::{BTreeMap, BTreeSet};

use bolebook_core::quantity::UtcMs;
use bolebook_core::record::stand::{Block, Corner};
use bolebook_core::record::work::Note;
use bolebook_tests::world::{HOUR, MORNING, Who, World};

use crate::site::{Answer, Browser, Site};

const HOSTILE: &str = "<script>alert('x')</script>\"><img src=x onerror=alert(1)> \u{202e}gnp.exe";

pub fn busy() -> World {
    let mut world = World::new();
    let hostile = world.tree(Who::Crew(0), HOSTILE);
    let formula = world.tree(Who::Crew(0), "=cmd|' /C calc'!A0");
    let twin = world.tree(Who::Crew(1), "A-1");
    world.tree(Who::Office, "A-1");
    for tree in [hostile, formula, twin] {
        world.diameter(Who::Crew(0), tree, 3_000);
    }
    world.fill(0, 500_000);
    world.treat(0, hostile, 7);
    world.treat(0, formula, 12);
    world.treat(1, hostile, 7);
    world.write(Who::Crew(0), Note { about: None, text: HOSTILE.into() });
    let corner =
        |lat: i64, lon: i64| Corner { lat_ndeg: 42_732_000_000 + lat, lon_ndeg: -84_556_000_000 + lon };
    let boundary =
        vec![corner(0, 0), corner(0, 2_000_000), corner(1_000_000, 2_000_000), corner(1_000_000, 0)];
    world.write(Who::Office, Block { name: HOSTILE.into(), boundary });
    world.close_day(0, 300_000);
    world
}

/// Every address in a page, without what follows a `#`.
pub fn hrefs(page: &str) -> BTreeSet<String> {
    let of = |name: &str| {
        page.split(&format!(" {name}=\""))
            .skip(1)
            .filter_map(|t| t.split('"').next())
            .map(str::to_owned)
            .collect::<Vec<_>>()
    };
    let all = of("href").into_iter().chain(of("src"));
    all.map(|h| h.split('#').next().unwrap().replace("&amp;", "&")).filter(|h| h.starts_with('/')).collect()
}

/// What no page may hold.
pub fn strict(path: &str, page: &Answer) {
    let text = &page.text;
    let lower = text.to_lowercase();
    for bad in [
        " style=",
        "<style",
        "javascript:",
        " onclick=",
        " onerror=alert",
        " onload=",
        "<iframe",
        "<object",
        "<base",
    ] {
        let at = lower.find(bad).map(|i| text[i.saturating_sub(60)..(i + 40).min(text.len())].to_owned());
        // As words they stand escaped; as markup never.
        assert!(
            at.is_none() || bad == " onerror=alert" && lower.contains("&lt;img src=x onerror"),
            "{path}: {at:?}"
        );
    }
    assert!(!text.contains("<img src=x") && !text.contains("<script>alert"), "{path}");
    assert!(!text.contains('\u{202e}'), "{path}: text that turns around");
    for script in text.split("<script").skip(1) {
        assert!(script.starts_with(" src=\"/desk.js\" defer></script>"), "{path}");
    }
    for address in text.split("\"http").skip(1) {
        let address = format!("http{}", address.split('"').next().unwrap());
        assert!(
            address == "http://www.w3.org/2000/svg" || address.starts_with("https://trees.example.org/p/"),
            "{path}: {address}"
        );
    }
    let policy = page.header("content-security-policy");
    assert!(policy.contains("default-src 'none'") && !policy.contains("unsafe"), "{path}");
    assert_eq!(page.header("x-content-type-options"), "nosniff", "{path}");
}

/// One heading, a language, a title, names for every field: what can be checked of WCAG without eyes.
fn accessible(path: &str, text: &str) {
    assert!(text.contains("<html lang=\"en\">"), "{path}");
    assert_eq!(text.matches("<h1").count(), 1, "{path}: one main heading");
    assert!(text.contains("<main") && text.contains("<title>"), "{path}");
    let mut ids = BTreeSet::new();
    for id in text.split(" id=\"").skip(1).filter_map(|t| t.split('"').next()) {
        assert!(ids.insert(id), "{path}: id {id} twice");
    }
    for label in text.split("<label").skip(1) {
        if let Some(of) = label.split('>').next().unwrap().split("for=\"").nth(1) {
            assert!(ids.contains(of.split('"').next().unwrap()), "{path}: label for nothing: {of}");
        }
    }
    for field in ["<input", "<select", "<textarea"] {
        for tag in text.split(field).skip(1) {
            let tag = tag.split('>').next().unwrap();
            let id = tag.split(" id=\"").nth(1).and_then(|t| t.split('"').next());
            let named = id.is_some_and(|id| text.contains(&format!("for=\"{id}\"")));
            let inside = text
                .split("<label class=\"tick\">")
                .skip(1)
                .any(|l| l.split("</label>").next().unwrap().contains(tag));
            assert!(
                tag.contains("type=\"hidden\"") || named || inside || tag.contains("aria-label="),
                "{path}: {tag}"
            );
        }
    }
    for image in text.split("<img").skip(1) {
        assert!(image.split('>').next().unwrap().contains(" alt=\""), "{path}");
    }
}

#[test]
fn every_page_a_link_leads_to_answers_and_nothing_in_it_is_inline_or_from_elsewhere() {
    let mut world = busy();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let links = format!("/jobs/{}/links", world.job.id());
    let page = browser.page(&links);
    browser.submit(&page, &links, &[("note", HOSTILE), ("days", "30"), ("language", "en")]);
    let mut waiting = BTreeSet::from(["/".to_owned(), "/account".to_owned(), "/search?q=a".to_owned()]);
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    while let Some(path) = waiting.pop_first() {
        let page = browser.page(&path);
        seen.insert(path.clone(), page.text.len());
        if page.header("content-type").starts_with("text/html") {
            strict(&path, &page);
            accessible(&path, &page.text);
            // The map leads on and on: one step is enough.
            if !path.contains("/map?") {
                waiting.extend(hrefs(&page.text).into_iter().filter(|h| !seen.contains_key(h)));
            }
        }
    }
    let base = format!("/jobs/{}", world.job.id());
    for part in [
        "/findings",
        "/trees",
        "/map",
        "/map.svg",
        "/pairs",
        "/balance",
        "/rulings",
        "/exports/book.xlsx",
        "/links",
    ] {
        assert!(seen.contains_key(&format!("{base}{part}")), "{part}: {:?}", seen.keys());
    }
    for part in ["/people", "/devices", "/labels", "/kits", "/lots", "/balance", "/desk.css", "/desk.js"] {
        assert!(seen.contains_key(part), "{part}");
    }
    assert!(seen.keys().any(|k| k.ends_with("/amend")) && seen.keys().any(|k| k.ends_with("/holes.svg")));
    assert!(seen.values().all(|bytes| *bytes < 200_000), "{seen:?}");
}

#[test]
fn hostile_words_are_shown_as_words_everywhere() {
    let mut world = busy();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let base = format!("/jobs/{}", world.job.id());
    for path in
        ["", "/trees", "/findings", "/map", "/exports/application-records.csv"].map(|p| format!("{base}{p}"))
    {
        let page = browser.page(&path);
        if page.header("content-type").starts_with("text/html") {
            strict(&path, &page);
            assert!(page.text.contains("&lt;script&gt;alert"), "{path}");
        }
    }
    let search = browser.page("/search?q=%3Cscript%3E%22+onmouseover%3D1");
    strict("/search", &search);
    let map = browser.page(&format!("{base}/map.svg")).text;
    assert!(map.starts_with("<svg") && !map.contains("<script") && map.contains("&lt;script&gt;"));
    let holes = browser.page(&format!("{base}/trees")).text;
    assert!(holes.contains("=cmd|"), "shown as it is on the tree");
}

#[test]
fn no_tag_runs_in_a_spreadsheet() {
    let mut world = busy();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let base = format!("/jobs/{}/exports", world.job.id());
    for name in ["trees.csv", "applications.csv", "application-records.csv"] {
        let text = browser.page(&format!("{base}/{name}")).text;
        for cell in text.split([',', '\n']) {
            assert!(!cell.trim_matches('"').starts_with(['=', '@', '+']), "{name}: {cell}");
        }
    }
    let book = browser.page(&format!("{base}/book.xlsx"));
    assert!(book.bytes.starts_with(b"PK"));
    assert_eq!(
        book.bytes,
        browser.page(&format!("{base}/book.xlsx")).bytes,
        "the same state, the same bytes"
    );
    assert!(book.header("content-disposition").contains("attachment"));
}

#[test]
fn a_geopackage_holds_every_tree_and_is_the_same_at_the_same_state() {
    let mut world = busy();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let path = format!("/jobs/{}/exports/trees.gpkg", world.job.id());
    let file = browser.page(&path);
    assert_eq!(file.bytes, browser.page(&path).bytes);
    // OGC 12-128r18, requirement 1 and 2: an SQLite file whose application id is 'GPKG'.
    assert!(file.bytes.starts_with(b"SQLite format 3\0") && &file.bytes[68..72] == b"GPKG");
    let saved = site.data.path().join("copy.gpkg");
    std::fs::write(&saved, &file.bytes).unwrap();
    let db = rusqlite::Connection::open(&saved).unwrap();
    let trees: i64 = db.query_row("SELECT count(*) FROM trees", [], |r| r.get(0)).unwrap();
    assert_eq!(trees, 4);
    let geom: Vec<u8> = db.query_row("SELECT geom FROM trees LIMIT 1", [], |r| r.get(0)).unwrap();
    assert_eq!(
        (&geom[..4], geom[4..8].to_vec(), geom.len()),
        (b"GP\0\x01".as_slice(), 4326i32.to_le_bytes().to_vec(), 29)
    );
    let lon = f64::from_le_bytes(geom[13..21].try_into().unwrap());
    assert!((-84.6..-84.5).contains(&lon), "longitude first: {lon}");
    let checked: String = db.query_row("PRAGMA integrity_check", [], |r| r.get(0)).unwrap();
    assert_eq!(checked, "ok");
}

#[test]
fn a_long_day_comes_in_pages_and_whole_for_who_prints_it_with_the_sum_of_the_whole_day() {
    let mut world = World::new();
    world.fill(0, 1_100_000);
    for n in 0..105 {
        // Many stems stand under way at once: a crew's day has no room for them one after the other.
        world.now = UtcMs(MORNING.0 + n * 4 * 60_000);
        let tree = world.tree(Who::Crew(0), &format!("L-{n:03}"));
        world.diameter(Who::Crew(0), tree, 1_000);
        world.treat(0, tree, 1);
        world.write(Who::Crew(0), Note { about: Some(tree), text: format!("noted {n:03}") });
    }
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let sheet = format!("/jobs/{}/days/{}/2026-06-01", world.job.id(), world.crews[0]);
    let treated = |page: &Answer| -> Vec<String> {
        let table = page.text.split("id=\"treated\"").nth(1).unwrap().split("</table>").next().unwrap();
        let rows = table.split("<tr>").filter(|row| row.contains("scope=\"row\"><a"));
        rows.map(|row| row.split("<bdi>").nth(1).unwrap().split('<').next().unwrap().to_owned()).collect()
    };
    let (first, second) = (browser.page(&sheet), browser.page(&format!("{sheet}?page=2")));
    assert!(first.text.contains("href=\"") && first.text.contains("page=2") && first.bytes.len() < 200_000);
    let whole = browser.page(&format!("{sheet}?rows=all"));
    assert_eq!((treated(&first).len(), treated(&second).len(), treated(&whole).len()), (100, 5, 105));
    assert_eq!([treated(&first), treated(&second)].concat(), treated(&whole));
    for page in [&first, &second, &whole, &browser.page(&format!("{sheet}?page=999"))] {
        assert!(
            page.text.contains("Treated: 105") && page.text.contains("1,050.0 mL")
                || page.text.contains("1050.0 mL")
        );
        assert!(page.text.contains("5 more: what is about a tree"), "the notes, of which 100 are shown");
    }
}

#[test]
fn application_records_name_what_they_lack() {
    let mut world = busy();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let text = browser.page(&format!("/jobs/{}/exports/application-records.csv", world.job.id())).text;
    let mut rows = csv::Reader::from_reader(text.as_bytes());
    let headers = rows.headers().unwrap().clone();
    let rows: Vec<_> = rows.records().map(|r| r.unwrap()).collect();
    let cell =
        |row: &csv::StringRecord, name: &str| row[headers.iter().position(|h| h == name).unwrap()].to_owned();
    assert_eq!(rows.len(), 3);
    for row in &rows {
        // 40 CFR 171.303(b)(7)(vi), element by element.
        assert_eq!(cell(row, "person_served"), "Client Invented");
        assert_eq!(cell(row, "address_of_person_served"), "1 Nowhere Road");
        assert!(cell(row, "location").starts_with("Invented Wood, tree"));
        assert_eq!((cell(row, "date").as_str(), cell(row, "time").len()), ("2026-06-01", 5));
        assert_eq!(
            (cell(row, "product"), cell(row, "registration")),
            ("Invented One".into(), "INV-0001".into())
        );
        assert!(
            cell(row, "amount_ml").ends_with("0.000")
                && cell(row, "certification_number").starts_with("INV-")
        );
        assert!(cell(row, "certified_applicator").ends_with("Invented"));
        assert_eq!(cell(row, "missing"), "", "{row:?}");
    }
    // An applicator nobody certified: said, not filled in.
    let mut lacking = world.clone();
    let tree = lacking.tree(Who::Crew(0), "Z");
    let mut application = lacking.application(0, tree, 1);
    application.applicator = site.olive;
    lacking.now = UtcMs(lacking.now.0 + HOUR);
    lacking.write(Who::Crew(0), application);
    site.take(&lacking);
    let text = browser.page(&format!("/jobs/{}/exports/application-records.csv", world.job.id())).text;
    let row = text.lines().find(|l| l.contains("tree Z")).unwrap();
    for element in ["size treated", "certified applicator", "certification number"] {
        assert!(row.contains(element), "{row}");
    }
}

#[test]
fn search_finds_trees_people_lots_and_notes() {
    let mut world = busy();
    world.write(Who::Crew(1), Note { about: None, text: "the north gate was locked".into() });
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    for (asked, found) in [
        ("a-1", "Tree "),
        ("ann", "Ann Invented"),
        ("l-77", "Lot L-77"),
        ("gate+north", "north gate"),
        ("zzz", "Nothing has all"),
    ] {
        let page = browser.page(&format!("/search?q={asked}"));
        assert!(page.text.contains(found), "{asked}");
    }
}

#[test]
fn a_form_that_is_too_large_or_an_address_that_is_none_gets_a_page_that_says_so() {
    let mut world = World::new();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let links = format!("/jobs/{}/links", world.job.id());
    let page = browser.page(&links);
    let long = "x".repeat(17_000);
    let refused = browser.submit(&page, &links, &[("note", &long)]);
    assert_eq!(refused.status, 413);
    let long = "x".repeat(300_000);
    let refused = browser.submit(&page, &links, &[("note", &long)]);
    assert_eq!(refused.status, 413);
    for path in ["/nothing", "/jobs/x", "/jobs/x/map", "/labels/x", "/jobs/%00"] {
        let answer = browser.get(path);
        assert!(matches!(answer.status, 400 | 404), "{path}: {}", answer.status);
        assert!(answer.text.contains("<h1>"), "{path}: {}", answer.text);
        strict(path, &answer);
    }
    let mut portal = Browser::new(&site.portal);
    strict("/p/x", &portal.get("/p/x"));
}
