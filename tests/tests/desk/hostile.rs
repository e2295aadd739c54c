//! Words that want to be more than words: through every export, every page of the desk, and every page and
//! file of a client's link, in every language.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;

use bolebook_core::quantity::UtcMs;
use bolebook_core::record::office::SignOff;
use bolebook_core::record::product::Lot;
use bolebook_core::record::stand::{Block, Condition, Corner, Tree};
use bolebook_core::record::work::Note;
use bolebook_core::service::RegisterEntry;
use bolebook_report::files::FILES;
use bolebook_server::findings::EXPORTS;
use bolebook_server::store;
use bolebook_tests::root;
use bolebook_tests::world::{Who, World, day};

use crate::pages::{hrefs, strict};
use crate::portal::link;
use crate::site::{Answer, Browser, Site};

/// What hurts a careless reader: markup (OWASP, XSS), turned text (Unicode TR 36 §2.5), formulas (OWASP, CSV
/// injection) by every sign that begins one, control signs, quotes and line ends, and the longest text that
/// a record takes (64 KB).
fn hostile() -> Vec<String> {
    let words = [
        "<script>alert('x')</script>\"><img src=x onerror=alert(1)>",
        "</textarea></title></svg><iframe srcdoc=x>",
        "\u{202e}gnp.exe\u{2066}\u{200f}\u{61c}",
        "=cmd|' /C calc'!A0",
        "+1+1",
        "-2+3",
        "@SUM(1)",
        "\t=1+1",
        "\r=1+1",
        "＝1+1",
        "a\u{0}b\u{7}c\u{1b}[31md\u{9b}e\u{7f}",
        "a,\"b\"\r\n=c;d'e",
        "{{7*7}}${7*7}%s%n../../etc/passwd",
    ];
    words.map(str::to_owned).into_iter().chain(["w".repeat(60_000)]).collect()
}

/// Every word as a tag that was treated, a species, a block, a note, a reading, a lot's number.
fn world() -> World {
    let (mut world, words) = (World::new(), hostile());
    world.fill(0, 70_000 * words.len() as i64 + 30_000);
    for word in &words {
        let tree = world.tree(Who::Crew(0), word);
        world.diameter(Who::Crew(0), tree, 3_000);
        world.write(Who::Crew(0), Condition { pest: Some(word.clone()), ..Condition::about(tree) });
        world.treat(0, tree, 7);
        world.write(Who::Crew(0), Note { about: Some(tree), text: word.clone() });
        let species = Some(word.clone());
        let tag = format!("of {}", world.now.0);
        let other = Tree { tag, species, block: None, position: None, stems: 1, mark: None };
        world.write(Who::Office, other);
        let corner =
            |lat: i64, lon: i64| Corner { lat_ndeg: 42_732_000_000 + lat, lon_ndeg: -84_556_000_000 + lon };
        let boundary = vec![corner(0, 0), corner(0, 2_000_000), corner(1_000_000, 2_000_000)];
        world.write(Who::Office, Block { name: word.clone(), boundary });
        let (label, expires) = (world.label, day("2027-12-31"));
        world.yard_write(Who::Office, Lot { label, number: word.clone(), expires, recalled: None });
    }
    world.close_day(0, 30_000);
    world
}

/// Signs the first crew's day off on all that is known, whatever the checks say of such words.
fn signed_off(mut world: World) -> World {
    let (job_heads, yard_heads) = world.look(|view, _, _| (view.heads.clone(), view.yard.heads.clone()));
    let (crew, day) = (world.crews[0], day("2026-06-01"));
    world.write(Who::Office, SignOff { crew, day, job_heads, yard_heads });
    world
}

fn site(world: &mut World) -> Site {
    let site = Site::new(world, true);
    // The applicator's name and licence number, too, are somebody's words.
    let name = "=\u{202e}<script>alert('x')</script>";
    let fields = [("name", name), ("licence_number", "@<img src=x onerror=alert(1)>")];
    let entry = RegisterEntry {
        fields: fields.iter().map(|(k, v)| ((*k).to_owned(), (*v).into())).collect(),
        ..RegisterEntry::new(world.leads[0], "person", UtcMs(2))
    };
    site.app.write(|tx| store::put_register(tx, std::slice::from_ref(&entry))).unwrap();
    site
}

/// No cell of a table is one that a spreadsheet runs, and every row has every column.
fn nothing_runs(name: &str, text: &str) {
    let mut rows = csv::Reader::from_reader(text.as_bytes());
    let mut cells = 0;
    for row in rows.records() {
        for cell in row.unwrap_or_else(|e| panic!("{name}: {e}")).iter() {
            cells += 1;
            let begins = |c| "=+-@\t\r\n＝＋－＠".contains(c);
            assert!(!cell.starts_with(begins) || cell.parse::<f64>().is_ok(), "{name}: {cell:.80}");
        }
    }
    assert!(cells > 0, "{name}");
}

fn output(command: &mut Command) -> Vec<u8> {
    let output =
        command.output().unwrap_or_else(|e| panic!("{command:?}: {e}: 'cargo xtask setup' installs it"));
    assert!(output.status.success(), "{command:?}: {}", String::from_utf8_lossy(&output.stderr));
    output.stdout
}

/// What must hold of a file, by the ending of its name.
fn checked(folder: &Path, name: &str, file: &Answer) {
    let path = folder.join("file").with_extension(name.rsplit('.').next().unwrap());
    std::fs::write(&path, &file.bytes).unwrap();
    assert!(file.header("content-disposition").starts_with("attachment"), "{name}");
    assert_eq!(file.header("x-content-type-options"), "nosniff", "{name}");
    match path.extension().unwrap().to_str().unwrap() {
        "csv" => nothing_runs(name, &file.text),
        "json" | "geojson" => {
            let value: serde_json::Value = serde_json::from_str(&file.text).unwrap();
            let spelled = value.to_string();
            // Data is as it was written: nothing in it is left out, whatever it looks like.
            if name == "trees.geojson" {
                for word in hostile() {
                    let word = serde_json::to_string(&word).unwrap();
                    assert!(spelled.contains(word.trim_matches('"')), "{name}: {word:.80}");
                }
            }
        }
        "xlsx" => {
            let script = root().join("tests/reference/read_xlsx.py");
            let read = output(Command::new(xtask::setup::python().unwrap()).arg(script).arg(&path));
            let sheets: serde_json::Value = serde_json::from_slice(&read).unwrap();
            for (sheet, said) in sheets.as_object().unwrap() {
                assert_eq!(said["formulas"], serde_json::json!([]), "{name}: {sheet}");
            }
        }
        "zip" => {
            let unpacked = tempfile::tempdir().unwrap();
            let mut python = Command::new(xtask::setup::python().unwrap());
            output(python.args(["-m", "zipfile", "-e"]).arg(&path).arg(unpacked.path()));
            let files = std::fs::read_dir(unpacked.path()).unwrap().map(|e| e.unwrap().path());
            for file in files.filter(|f| f.extension().is_some_and(|e| e == "csv")) {
                nothing_runs(&file.display().to_string(), &std::fs::read_to_string(&file).unwrap());
            }
        }
        "pdf" => {
            output(Command::new("qpdf").arg("--check").arg(&path));
            let text = String::from_utf8(output(Command::new("pdftotext").arg(&path).arg("-"))).unwrap();
            let odd = |c: &char| {
                matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{61c}')
                    || c.is_control() && !['\n', '\u{c}'].contains(c)
            };
            assert_eq!(text.chars().find(odd), None, "{name}");
            for active in [&b"/JavaScript"[..], b"/JS", b"/Launch", b"/URI"] {
                assert!(!file.bytes.windows(active.len()).any(|w| w == active), "{name}");
            }
        }
        "gpkg" => {
            let db = rusqlite::Connection::open(&path).unwrap();
            let mut tags = db.prepare("SELECT tag FROM trees UNION SELECT name FROM blocks").unwrap();
            let tags: Vec<String> = tags.query_map([], |r| r.get(0)).unwrap().map(Result::unwrap).collect();
            assert!(tags.len() > hostile().len());
            assert!(!tags.iter().any(|tag| tag.starts_with(['=', '+', '-', '@', '\t', '\r'])), "{tags:.80?}");
        }
        other => panic!("{name}: what is .{other}?"),
    }
}

/// A page that shows words as words, without signs that steer a reader's eye or terminal.
fn harmless(path: &str, page: &Answer) {
    if page.header("content-type").starts_with("text/html") {
        strict(path, page);
    }
    if page.header("content-type").starts_with("image/svg") {
        assert!(!page.text.contains("<script") && !page.text.contains("<iframe"), "{path}");
    }
    let steers = |c: &char| {
        matches!(c, '\u{202a}'..='\u{202e}' | '\u{61c}' | '\u{200f}')
            || c.is_control() && !['\n', '\r', '\t'].contains(c)
    };
    let kind = page.header("content-type");
    if kind.starts_with("text/html") || kind.starts_with("image/svg") {
        assert_eq!(page.text.chars().find(steers), None, "{path}");
    }
}

#[test]
fn outside_hostile_words_stay_words_in_every_export() {
    let (folder, mut world) = (tempfile::tempdir().unwrap(), world());
    let site = site(&mut world);
    let mut browser = site.browser();
    let job = format!("/jobs/{}", world.job.id());
    let billing = format!("{job}/billing");
    let page = browser.page(&billing);
    let fill = [("currency", "XTS"), ("decimals", "2"), ("per_tree", "100")];
    assert_eq!(browser.submit(&page, &billing, &fill).status, 303);
    for name in EXPORTS.into_iter().chain(FILES.map(|(name, _)| name)) {
        checked(folder.path(), name, &browser.page(&format!("{job}/exports/{name}")));
    }
    for language in ["fr", "es"] {
        let report = browser.page(&format!("{job}/exports/report.pdf?lang={language}"));
        checked(folder.path(), "report.pdf", &report);
    }
}

#[test]
fn hostile_words_stay_words_on_every_page_of_the_desk() {
    let mut world = world();
    let site = site(&mut world);
    let mut browser = site.browser();
    let mut waiting = BTreeSet::from(["/".to_owned(), "/account".to_owned(), "/search?q=w".to_owned()]);
    let asked = "/search?q=%3Cscript%3E%22+onmouseover%3D1%E2%80%AE%00".to_owned();
    waiting.insert(asked);
    let mut seen = BTreeSet::new();
    while let Some(path) = waiting.pop_first() {
        let page = browser.page(&path);
        harmless(&path, &page);
        seen.insert(path.clone());
        // The files have a test of their own; the map leads on and on: one step is enough.
        if page.header("content-type").starts_with("text/html") && !path.contains("/map?") {
            let more =
                hrefs(&page.text).into_iter().filter(|h| !h.contains("/exports/") && !seen.contains(h));
            waiting.extend(more);
        }
    }
    let kinds: BTreeSet<&str> = seen.iter().filter_map(|path| path.split('/').nth(3)).collect();
    for kind in ["findings", "trees", "map", "pairs", "days", "records", "setup", "blocks", "charts"] {
        assert!(kinds.iter().any(|k| k.split('?').next() == Some(kind)), "{kind}: {kinds:?}");
    }
}

#[test]
fn outside_hostile_words_stay_words_in_all_a_client_is_given() {
    let (folder, mut world) = (tempfile::tempdir().unwrap(), signed_off(world()));
    let site = site(&mut world);
    let mut desk = site.browser();
    let link = link(&mut desk, &world, "30");
    let mut client = Browser::new(&site.portal);
    for language in ["en", "fr", "es"] {
        let mut waiting = BTreeSet::from([format!("{link}?lang={language}")]);
        let mut seen = BTreeSet::new();
        while let Some(path) = waiting.pop_first() {
            let page = client.page(&path);
            harmless(&path, &page);
            seen.insert(path.clone());
            let name = path.split('?').next().unwrap().strip_prefix(&link).unwrap().trim_start_matches('/');
            if page.header("content-type").starts_with("text/html") {
                assert!(!page.text.contains("<script") && !page.text.contains("<form"), "{path}");
                let here = format!("lang={language}");
                let more =
                    hrefs(&page.text).into_iter().filter(|h| h.starts_with(&link) && h.contains(&here));
                waiting.extend(more.filter(|h| !seen.contains(h)));
            } else if !name.ends_with(".svg") {
                checked(folder.path(), name, &page);
            }
        }
        assert!(seen.len() >= 7, "{seen:?}");
        let first = client.page(&format!("{link}?lang={language}")).text;
        assert!(first.contains("&lt;script&gt;alert"), "what was done is shown, in words");
    }
}
