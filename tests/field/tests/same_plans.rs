//! The same numbers as everywhere: a thousand random stems are planned by the app in the browser
//! and by the same code here, and every screen is the same, byte for byte.

use bolebook_core::ids::Sha256Hash;
use bolebook_core::quantity::UtcMs;
use bolebook_field_tests::browser::Browser;
use bolebook_field_tests::memory::{Memory, tap};
use bolebook_field_tests::office::{CREWS, LEADS, LOT, Office, REGISTRATION};
use serde_json::{Value, json};

/// 2026-09-14T07:00:00Z.
const SEVEN: UtcMs = UtcMs(1_789_369_200_000);
const TREES: u64 = 16;
const STEMS: u64 = 64;

/// A generator good enough for girths (Knuth's MMIX constants), the same at each run.
fn random(state: &mut u64) -> u64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    *state >> 33
}

fn plant(office: &Office) {
    let mut state = 2026;
    let mut entries: Vec<Value> = vec![];
    for tree in 0..TREES {
        let tag = format!("R-{tree}");
        entries.push(json!({ "do": "tree", "tag": tag, "species": "FRXAM", "stems": STEMS, "mark": "tag" }));
        let damage = [format!("{},wound,{},{}", 1 + tree, 5, 20 + random(&mut state) % 30)];
        entries.push(json!({ "do": "condition", "tree": tag, "canopy_loss": "10", "bloom": "after",
            "soil": "moist", "air": "17", "food": false, "damage": damage }));
        for stem in 1..=STEMS {
            // Girths of 30 to 300 cm, in millimetres.
            let girth = 300 + random(&mut state) % 2_700;
            let reading = format!("{}.{}", girth / 10, girth % 10);
            let bark = format!("{}", 5 + random(&mut state) % 20);
            entries.push(json!({ "do": "diameter", "tree": tag, "stem": stem, "reading": reading,
                "girth": true, "bark": bark }));
        }
    }
    for part in entries.chunks(400) {
        office.log(part);
    }
}

/// Plans on a device of the page's own making, which holds what was stored here, at a fixed time.
const PLAN: &str = "
    const [stored, now, asked] = arguments;
    Date.now = () => now;
    const { App } = await import(new URL('field.js', location.href));
    const texts = {};
    for (const language of ['en', 'fr', 'es']) texts[language] = await (await fetch(new URL(`${language}.ftl`, location.href))).text();
    const device = {
        messages: (language) => texts[language],
        random: (count) => new Uint8Array(count), settings: async () => ({ settings: stored.settings, lines: stored.lines.length }),
        lines: async () => stored.lines, pause: async () => {}, store: async () => {},
        key: async () => ({}), sign: async () => '', ask: async () => { throw new Error('no signal'); },
        photos: async () => [],
    };
    const app = await App.open(device, location.origin, 'en');
    const digests = [];
    for (const act of asked) {
        await app.act(act, {});
        const bytes = new TextEncoder().encode(app.screen());
        const digest = new Uint8Array(await crypto.subtle.digest('SHA-256', bytes));
        digests.push(Array.from(digest, (b) => b.toString(16).padStart(2, '0')).join(''));
    }
    return { digests, last: app.screen() };";

#[test]
fn a_thousand_random_stems_are_planned_alike_in_the_browser_and_here() {
    let mut office = Office::found(Some("2026-09-14T07:00:00Z"), SEVEN, 0);
    plant(&office);
    let web = xtask::web::build(None).unwrap();
    let url = office.serve(Some(&web));
    let device = Memory::new(31, SEVEN);
    let field = device.open(&url);
    let code = office.invite(&url, "phone", CREWS[0]);
    let who = tap(&field, "join", &[("code", &code)]);
    let at = who.find(LEADS[0]).unwrap();
    let act = who[..at].rsplit_once("data-act=\"").unwrap().1.split('"').next().unwrap().to_owned();
    tap(&field, &act, &[]);
    tap(&field, "fill", &[("lot", LOT), ("registration", REGISTRATION), ("amount", "800")]);
    tap(&field, "exchange", &[]);
    let find = tap(&field, "go:find", &[]);
    let trees: Vec<String> =
        find.split("data-act=\"tree:").skip(1).map(|r| r.split('"').next().unwrap().to_owned()).collect();
    assert_eq!(trees.len() as u64, TREES);
    let plan = tap(&field, &format!("plan:{}:1", trees[0]), &[]);
    let read = plan.split("data-act=\"read:").nth(1).unwrap().split('"').next().unwrap().to_owned();
    tap(&field, &format!("read:{read}"), &[]);

    let browser = Browser::new();
    browser.go(&format!("{url}/field/"));
    browser.ready();
    let stored = device.stored();
    let script = format!(
        "return (async (...given) => {{ {} }})(...arguments)",
        PLAN.replace("= arguments;", "= given;")
    );
    let (mut planned, mut stopped) = (0, 0);
    for tree in &trees {
        let asked: Vec<String> = (1..=STEMS).map(|stem| format!("plan:{tree}:{stem}")).collect();
        let found = browser.run(&script, json!([stored, SEVEN.0 + 60_000, asked]));
        for (index, act) in asked.iter().enumerate() {
            let here = tap(&field, act, &[]);
            let digest = Sha256Hash::of(here.as_bytes()).to_string();
            if found["digests"][index] != digest.as_str() {
                let there = browser.run(&script, json!([stored, SEVEN.0 + 60_000, [act]]));
                assert_eq!(there["last"].as_str().unwrap(), here, "{act}");
            }
            if here.contains("<svg") { planned += 1 } else { stopped += 1 }
        }
    }
    assert_eq!(planned + stopped, TREES * STEMS);
    assert!(planned > 500 && stopped > 20, "{planned} planned, {stopped} stopped");
}
