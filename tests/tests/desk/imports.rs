//! Blocks out of map files and stands out of tables: seen first, then all added or none.

use bolebook_core::record::stand::{Block, Corner};
use bolebook_core::record::{Body, Kind};
use bolebook_tests::world::{Who, World};

use crate::labels::with;
use crate::settle::see;
use crate::site::{Answer, Browser, Site};

const MAP: &str = r#"{"type":"FeatureCollection","features":[
    {"type":"Feature","properties":{"Block":"North","ha":1},"geometry":{"type":"Polygon","coordinates":
        [[[-84.556,42.732],[-84.556,42.734],[-84.554,42.734],[-84.554,42.732],[-84.556,42.732]]]}},
    {"type":"Feature","properties":{"Block":"South","ha":2},"geometry":{"type":"Polygon","coordinates":
        [[[-84.556,42.730],[-84.554,42.730],[-84.555,42.731],[-84.556,42.730]]]}}]}"#;

fn token(browser: &mut Browser, page: &str, action: &str) -> String {
    browser.page(page).form(action).into_iter().find(|(n, _)| n == "token").unwrap().1
}

fn upload(browser: &mut Browser, page: &str, action: &str, name: &str, file: &[u8]) -> Answer {
    let token = token(browser, page, action);
    browser.upload(action, &token, name, file)
}

fn blocks(site: &Site, world: &World) -> Vec<Block> {
    see(site, world, |view| {
        let facts = view.facts.in_force(Kind::Block);
        let of = facts.filter_map(|f| match &view.facts.shown(f).record.body {
            Body::Block(b) => Some((**b).clone()),
            _ => None,
        });
        of.collect()
    })
}

#[test]
fn blocks_of_a_map_file_are_shown_and_then_added_all_or_none() {
    let mut world = World::new();
    world.write(Who::Office, Block { name: "north".into(), boundary: vec![] });
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let at = format!("/jobs/{}/blocks", world.job.id());
    let (file, matched) = (format!("{at}/file"), format!("{at}/match"));
    let sent = upload(&mut browser, &at, &file, "site.geojson", MAP.as_bytes());
    let page = browser.follow(&sent);
    // The file's own name for a block is guessed, and the block that was entered undrawn gets its boundary.
    assert!(page.text.contains("the boundary of the block entered before"), "{}", page.text);
    assert_eq!(blocks(&site, &world).len(), 1, "nothing yet");
    let other = browser.submit(&page, &matched, &[("property", "ha"), ("do", "add")]);
    assert!(other.status == 200 && blocks(&site, &world).len() == 1, "other names are shown first");
    let added = browser.submit(&page, &matched, &[("property", "Block"), ("do", "add")]);
    assert_eq!(added.status, 303, "{}", added.text);
    let there = blocks(&site, &world);
    assert!(there.len() == 2 && there.iter().all(|b| b.boundary.len() >= 3), "{there:?}");
    // Counter-clockwise as records hold them, though the first of the file was not.
    for block in &there {
        let next = block.boundary.iter().cycle().skip(1);
        let from = block.boundary[0];
        let at =
            |c: &Corner| (i128::from(c.lon_ndeg - from.lon_ndeg), i128::from(c.lat_ndeg - from.lat_ndeg));
        let doubled: i128 =
            block.boundary.iter().zip(next).map(|(a, b)| at(a).0 * at(b).1 - at(b).0 * at(a).1).sum();
        assert!(doubled > 0, "{block:?}");
    }
    assert_eq!(browser.get(&matched).status, 404, "the file is forgotten");
    // Again: both names are taken.
    let sent = upload(&mut browser, &at, &file, "site.geojson", MAP.as_bytes());
    let page = browser.follow(&sent);
    assert!(
        page.text.contains("2 of 2 areas cannot be taken")
            && page.text.contains("there is a block 'South' already")
    );
    let add = browser.submit(&page, &matched, &[("property", "Block"), ("do", "add")]);
    assert_eq!((add.status, blocks(&site, &world).len()), (422, 2));
}

#[test]
fn a_file_waits_over_a_restart_half_an_hour_and_no_longer_than_its_session() {
    let mut world = World::new();
    let mut site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let at = format!("/jobs/{}/blocks", world.job.id());
    let (file, matched) = (format!("{at}/file"), format!("{at}/match"));
    // More than a row's piece of it: 300 KB that say nothing.
    let padded = MAP.replacen('{', &format!("{{{}", " ".repeat(300 * 1024)), 1);
    upload(&mut browser, &at, &file, "site.geojson", padded.as_bytes());
    site.restart();
    browser.base.clone_from(&site.desk);
    assert!(browser.page(&matched).text.contains("Add all 2"));
    let mut other = site.browser();
    assert_eq!(other.get(&matched).status, 404, "another session's");
    let stand = format!("/jobs/{}/stand/match", world.job.id());
    assert_eq!(browser.get(&stand).status, 404, "a map is no table");
    let waiting = |site: &Site| -> i64 {
        let count = "SELECT COUNT(*) FROM desk_files";
        site.app.read(|db| Ok(db.query_row(count, [], |row| row.get(0))?)).unwrap()
    };
    assert_eq!(waiting(&site), 2);
    // It goes with its session.
    let page = browser.page("/");
    browser.submit(&page, "/sign-out", &[]);
    assert_eq!(waiting(&site), 0);
    let mut browser = site.browser();
    upload(&mut browser, &at, &file, "site.geojson", MAP.as_bytes());
    site.clock.fetch_add(30 * 60_000 - 1, std::sync::atomic::Ordering::Relaxed);
    assert_eq!(browser.get(&matched).status, 200);
    site.clock.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
    assert_eq!(browser.get(&matched).status, 404);
    // Its bytes go when somebody signs in next.
    site.browser();
    assert_eq!(waiting(&site), 0);
}

/// GDAL's `ogr2ogr` writes the same map in the other formats (EPSG:32616 is UTM zone 16 north).
#[test]
fn outside_maps_that_gdal_wrote_in_every_format_give_the_same_blocks() {
    let folder = tempfile::tempdir().unwrap();
    let map = folder.path().join("map.geojson");
    // A name beyond ASCII, for the tables of shapefiles.
    std::fs::write(&map, MAP.replace("South", "Süd")).unwrap();
    let convert = |name: &str, arguments: &[&str]| {
        let out = folder.path().join(name);
        let mut ogr = std::process::Command::new("ogr2ogr");
        let done = ogr.args(arguments).arg(&out).arg(&map).status().expect("ogr2ogr: 'cargo xtask setup'");
        assert!(done.success(), "{name}");
        std::fs::read(out).unwrap()
    };
    let utf_8 = ["-f", "ESRI Shapefile", "-lco", "ENCODING=UTF-8"];
    let files = [
        ("map.geojson", std::fs::read(&map).unwrap()),
        ("map.kml", convert("map.kml", &["-f", "KML", "-dsco", "NameField=Block"])),
        ("map.kmz", convert("map.kmz", &["-f", "LIBKML", "-dsco", "NameField=Block"])),
        ("map.gpkg", convert("map.gpkg", &["-f", "GPKG"])),
        ("map.shz", convert("map.shz", &utf_8)),
        ("high.shz", convert("high.shz", &[&utf_8[..], &["-dim", "XYZ"]].concat())),
    ];
    let mut all = vec![];
    for (name, bytes) in files {
        let mut world = World::new();
        let site = Site::new(&mut world, true);
        let mut browser = site.browser();
        let at = format!("/jobs/{}/blocks", world.job.id());
        let sent = upload(&mut browser, &at, &format!("{at}/file"), name, &bytes);
        assert_eq!(sent.status, 303, "{name}: {}", sent.text);
        let page = browser.follow(&sent);
        let matched = format!("{at}/match");
        let property = if page.text.contains("<option value=\"Block\"") { "Block" } else { "name" };
        let page = browser.submit(&page, &matched, &[("property", property), ("do", "look")]);
        let added = browser.submit(&page, &matched, &[("property", property), ("do", "add")]);
        assert_eq!(added.status, 303, "{name}: {}", added.text);
        let mut there: Vec<_> = blocks(&site, &world)
            .into_iter()
            .map(|b| (b.name, b.boundary.iter().map(|c| (c.lat_ndeg, c.lon_ndeg)).collect()))
            .collect::<Vec<(String, std::collections::BTreeSet<_>)>>();
        there.sort();
        all.push((name, there));
    }
    assert!(all[0].1.iter().any(|(name, corners)| name == "Süd" && corners.len() == 3), "{all:?}");
    for (name, there) in &all {
        assert_eq!(there, &all[0].1, "{name}");
    }
    let mut world = World::new();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let at = format!("/jobs/{}/blocks", world.job.id());
    for (name, driver) in [("utm.gpkg", "GPKG"), ("utm.shz", "ESRI Shapefile")] {
        let bytes = convert(name, &["-f", driver, "-t_srs", "EPSG:32616"]);
        let sent = upload(&mut browser, &at, &format!("{at}/file"), name, &bytes);
        assert!(sent.status == 422 && sent.text.contains("WGS 84"), "{name}: {}", sent.text);
        assert!(sent.text.contains("zone 16N") || sent.text.contains("Zone_16N"), "{name}: {}", sent.text);
    }
}

#[test]
fn broken_crossing_and_huge_map_files_get_a_clear_answer_and_nothing_is_kept() {
    let mut world = World::new();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let at = format!("/jobs/{}/blocks", world.job.id());
    let (file, matched) = (format!("{at}/file"), format!("{at}/match"));
    for (name, bytes, said) in [
        ("cut.geojson", &MAP.as_bytes()[..300], "no GeoJSON"),
        ("x.gpkg", b"SQLite format 3\0", "GeoPackage"),
        ("page.html", b"<html><script>alert(1)</script></html>", "no KML"),
        ("empty.json", b"", "empty"),
    ] {
        let sent = upload(&mut browser, &at, &file, name, bytes);
        assert!(sent.status == 422 && sent.text.contains(said), "{name}: {}", sent.text);
        assert_eq!(browser.get(&matched).status, 404);
    }
    let huge = vec![b' '; 5 * 1024 * 1024];
    let sent = upload(&mut browser, &at, &file, "huge.json", &huge);
    assert!(sent.status == 413 && sent.text.contains("at most 4 MB"), "{}", sent.text);
    let bow = MAP.replace("[-84.554,42.734],[-84.554,42.732]", "[-84.554,42.732],[-84.554,42.734]");
    let sent = upload(&mut browser, &at, &file, "<b>.json", bow.as_bytes());
    let page = browser.follow(&sent);
    assert!(
        page.text.contains("crosses or touches itself") && page.text.contains("&lt;b&gt;.json"),
        "{}",
        page.text
    );
    let add = browser.submit(&page, &matched, &[("property", "Block"), ("do", "add")]);
    assert!(add.status == 422 && blocks(&site, &world).is_empty());
    // By hand, in the words of the command.
    let page = browser.page(&at);
    let two = browser.submit(
        &page,
        &at,
        &[("block.name", "East"), ("block.corners", "42.73,-84.55\n42.74,-84.55")],
    );
    assert!(two.status == 422 && two.text.contains("a boundary has three corners or more"));
    let three = browser.submit(
        &page,
        &at,
        &[("block.name", "East"), ("block.corners", "42.73,-84.55\n42.74,-84.55\n42.74,-84.56")],
    );
    assert_eq!((three.status, blocks(&site, &world).len()), (303, 1));
    // Without the session's token nothing is read.
    assert_eq!(browser.upload(&file, "0", "site.geojson", MAP.as_bytes()).status, 403);
    assert_eq!(browser.post(&file, &[("token", "0")]).status, 415);
}

#[test]
fn a_stand_is_matched_column_by_column_and_added_whole_or_not_at_all() {
    let mut world = World::new();
    world.tree(Who::Office, "A-9");
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let at = format!("/jobs/{}/stand", world.job.id());
    let matched = format!("{at}/match");
    let table =
        "Tree;Art;Umfang;Breite;Laenge\nA-1;fraxam;94,2;42.7325;-84.5555\n=1+1;;31;42.7326;-84.5556\n";
    let sent = upload(&mut browser, &at, &at, "trees.csv", table.as_bytes());
    let page = browser.follow(&sent);
    assert!(page.text.contains("fraxam"), "its first lines are shown");
    let token = page.form(&matched).into_iter().find(|(n, _)| n == "token").unwrap().1;
    let how = [
        ("token", token.as_str()),
        ("column.tag", "0"),
        ("column.species", "1"),
        ("column.size", "2"),
        ("of", "girth"),
        ("position", "degrees"),
        ("column.lat", "3"),
        ("column.lon", "4"),
        ("do", "look"),
    ];
    let no_unit = browser.post(&matched, &how);
    assert!(no_unit.status == 422 && no_unit.text.contains("choose the unit"), "{}", no_unit.text);
    let mut how = with(&how, &[("unit", "cm")]);
    let comma = browser.post(&matched, &how);
    assert!(
        comma.status == 422 && comma.text.contains("1 thing is wrong") && comma.text.contains("Umfang"),
        "{}",
        comma.text
    );
    assert_eq!(see(&site, &world, |v| v.trees.len()), 1, "nothing was added");
    // Corrected, and a tag that is there already: still nothing.
    let there = table.replace("94,2", "94.2").replace("=1+1", "a-9");
    let sent = upload(&mut browser, &at, &at, "trees.csv", there.as_bytes());
    browser.follow(&sent);
    let again = browser.post(&matched, &how);
    assert!(again.text.contains("stands on a tree of the job already"), "{}", again.text);
    let sent = upload(&mut browser, &at, &at, "trees.csv", table.replace("94,2", "94.2").as_bytes());
    browser.follow(&sent);
    let looked = browser.post(&matched, &how);
    assert!(
        looked.status == 200
            && looked.text.contains("2 trees would be added, 2 with diameters, 2 with positions"),
        "{}",
        looked.text
    );
    let checked =
        looked.text.split("name=\"checked\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    how = with(&how, &[("do", "add")]);
    assert_eq!(browser.post(&matched, &how).status, 200, "what was not looked at is shown, not added");
    let added = browser.post(&matched, &with(&how, &[("checked", &checked)]));
    assert_eq!(added.status, 303, "{}", added.text);
    see(&site, &world, |view| {
        assert_eq!(view.trees.len(), 3);
        let listed = view.trees.iter().find(|(id, _)| view.tag(**id) == "A-1").unwrap();
        assert_eq!(view.tree(*listed.0).unwrap().species.as_deref(), Some("FRAXAM"));
        let (_, diameter) = view.diameters(listed.1, 1).next().unwrap();
        // 94.2 cm ÷ π = 29.985 cm (arithmetic).
        assert_eq!(diameter.diameter_um.0 / 1_000, 299);
    });
    assert!(!browser.page(&format!("/jobs/{}/trees", world.job.id())).text.contains("<td>=1+1"));
}
