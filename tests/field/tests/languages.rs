//! Days on the app in French and in Spanish: nothing a screen shows stays English, marked or not.

use std::cell::RefCell;

use bolebook_core::dosing::picture::escape;
use bolebook_core::quantity::UtcMs;
use bolebook_field_core::field::Field;
use bolebook_field_tests::memory::{Memory, tap};
use bolebook_field_tests::office::{CREWS, LEADS, LOT, Office, REGISTRATION};

/// 2026-09-14T07:00:00Z.
const SEVEN: UtcMs = UtcMs(1_789_369_200_000);
const MORNING: &str = "2026-09-14T07:00:00Z";

/// Words of the core's English that stand in no name, note, label or tag of the invented day.
const ENGLISH: [&str; 20] = [
    " the ",
    " is ",
    " of ",
    " and ",
    " with ",
    " was ",
    " not ",
    " for ",
    " from ",
    " between ",
    " label ",
    " holes",
    "hole ",
    " stem",
    "Tree ",
    "girth",
    " charges:",
    " measure",
    " before ",
    " treat",
];

/// What a screen says, without its markup and without what is the label's own or the office's.
fn text(screen: &str, own: &[String]) -> String {
    let mut said = String::new();
    for part in screen.split('<').skip(1) {
        let (tag, text) = part.split_once('>').unwrap();
        for name in ["title=\"", "aria-label=\"", "data-say=\""] {
            said.extend(tag.split(name).skip(1).map(|v| format!(" {} ", v.split('"').next().unwrap())));
        }
        said.push(' ');
        said.push_str(text);
    }
    for words in own {
        said = said.replace(words.as_str(), " ");
    }
    said
}

/// What the invented label says in its own words, whatever the crew's language.
fn own_words(field: &Field<Memory>) -> Vec<String> {
    let state = field.state();
    let labels = &state.summary.as_ref().unwrap().labels;
    let of = labels.iter().flat_map(|(_, label)| {
        let closed = label.conditions.closed.iter().map(|season| &season.why);
        label.cautions.iter().chain(&label.first_aid).chain(closed)
    });
    of.map(|text| escape(text)).collect()
}

/// What of a screen is in English.
fn english(screen: &str, own: &[String]) -> Option<String> {
    let said = text(screen, own);
    let marked = screen.find("lang=\"en\"").map(|at| screen[at..].chars().take(240).collect());
    let found = ENGLISH.iter().find_map(|word| Some((word, said.find(word)?)));
    marked.or_else(|| {
        let (word, at) = found?;
        let from = (0..=at.saturating_sub(80)).rev().find(|i| said.is_char_boundary(*i)).unwrap_or(0);
        Some(format!("'{word}' in: {}", said[from..].chars().take(240).collect::<String>()))
    })
}

fn joined(office: &Office, url: &str, language: &str) -> (Memory, Field<Memory>) {
    let device = Memory::new(51, SEVEN);
    let field = device.open(url);
    let code = office.invite(url, &format!("phone of {}", CREWS[0]), CREWS[0]);
    tap(&field, "join", &[("code", &code)]);
    let who = tap(&field, "go:who", &[]);
    let at = who.find(LEADS[0]).unwrap();
    let act = who[..at].rsplit_once("data-act=\"").unwrap().1.split('"').next().unwrap().to_owned();
    tap(&field, &act, &[]);
    tap(&field, &format!("language:{language}"), &[]);
    (device, field)
}

fn tree_of(field: &Field<Memory>, tag: &str) -> String {
    let screen = tap(field, "go:find", &[]);
    let at = screen.find(&format!("<strong>{tag}</strong>")).unwrap();
    screen[..at].rsplit_once("data-act=\"tree:").unwrap().1.split('"').next().unwrap().to_owned()
}

/// Looks at a tree, each of which leads to other stops and cautions.
const LOOKS: [&[(&str, &str)]; 7] = [
    &[],
    &[("canopy", "10"), ("bloom", "after"), ("food", "no"), ("soil", "moist"), ("air", "17")],
    &[("canopy", "35"), ("bloom", "before"), ("soil", "dry"), ("air", "3"), ("soil-temperature", "2")],
    &[("canopy", "60"), ("bloom", "in"), ("food", "yes"), ("soil", "saturated"), ("air", "41")],
    &[("water", "2"), ("felling", "2026-09-20"), ("metal", "clou, 1.2 m"), ("pest", "ANOLGL")],
    &[("felling", "2026-09-01"), ("water", "8"), ("food", "no")],
    &[("damage", "wound"), ("damage-from", "3"), ("damage-to", "9"), ("canopy", "5")],
];

#[test]
fn a_day_in_french_or_spanish_shows_no_english() {
    for language in ["fr", "es"] {
        let mut office = Office::found(Some(MORNING), SEVEN, 9);
        let url = office.serve(None);
        let (device, field) = joined(&office, &url, language);
        let own = own_words(&field);
        let found = RefCell::new(vec![]);
        let whole = |screen: &str, what: &str| {
            found
                .borrow_mut()
                .extend(english(screen, &own).map(|text| format!("{language}, {what}: {text}")));
        };
        let first = tree_of(&field, "P-1");
        whole(&tap(&field, &format!("plan:{first}:1"), &[]), "a plan without a fill");
        tap(&field, "fill", &[("lot", LOT), ("registration", REGISTRATION), ("amount", "800")]);
        for act in
            ["go:kit", "go:fill", "go:move", "go:label", "go:incident", "go:close", "go:today", "go:board"]
        {
            whole(&tap(&field, act, &[]), act);
        }
        for (number, look) in LOOKS.iter().enumerate() {
            let tree = tree_of(&field, &format!("P-{}", number + 1));
            whole(&tap(&field, &format!("seen:{tree}"), look), &format!("look {number}"));
            whole(&tap(&field, &format!("plan:{tree}:1"), &[]), &format!("plan {number}"));
            tap(&field, "units:us", &[]);
            whole(&tap(&field, &format!("plan:{tree}:1"), &[]), &format!("plan {number} in inches"));
            tap(&field, "units:metric", &[]);
        }
        // Readings that are none, or look like a mistake.
        let ninth = tree_of(&field, "P-9");
        for (reading, of) in [
            ("abc", "girth"),
            ("0", "girth"),
            ("9999", "diameter"),
            ("28 x 31", "girth"),
            ("10 x 31", "diameter"),
            ("94", "diameter"),
            ("30", "girth"),
        ] {
            let fields = [("reading", reading), ("of", of), ("unit", "cm")];
            whole(&tap(&field, &format!("measured:{ninth}:1"), &fields), reading);
            whole(&tap(&field, &format!("plan:{ninth}:1"), &[]), &format!("a plan after {reading}"));
        }
        // Treated, on the board while late, and then treated a second time.
        let second = tree_of(&field, "P-2");
        let plan = tap(&field, &format!("plan:{second}:1"), &[]);
        if let Some(read) = plan.split("data-act=\"read:").nth(1) {
            tap(&field, &format!("read:{}", read.split('"').next().unwrap()), &[]);
        }
        whole(&tap(&field, &format!("begin:{second}:1"), &[]), "begun");
        whole(&tap(&field, &format!("on:{second}:1"), &[]), "on");
        device.wait(500);
        whole(&tap(&field, "go:board", &[]), "late");
        whole(&tap(&field, &format!("finish:{second}:1"), &[]), "finishing");
        whole(&tap(&field, &format!("done:{second}:1:sealed"), &[]), "done");
        whole(&tap(&field, &format!("plan:{second}:1"), &[]), "a second treatment");
        // The gauge, a leak check and a calibration.
        whole(&tap(&field, "aired", &[]), "aired");
        device.wait(12);
        for (gauge, air) in
            [("4,5", "17"), ("x", "17"), ("4,5", "300"), ("3,1", "17"), ("4,4", "17"), ("9", "17")]
        {
            whole(&tap(&field, "gauge", &[("gauge", gauge), ("air", air)]), &format!("gauge {gauge}"));
            device.wait(12);
        }
        let calibrate = tap(&field, "calibrate", &[]);
        let container =
            calibrate.split("name=\"container\" value=\"").nth(1).unwrap().split('"').next().unwrap();
        for charges in ["9,8", "9,8 10,1 10,0", "9,8 10,1 10,0 10,0 9,9", "1 10 1 10 1", "-4 5", "4 4 4 4 4"]
        {
            let fields = [("container", container), ("charges", charges), ("gauge", "4,5")];
            whole(&tap(&field, "calibrated", &fields), charges);
        }
        let third = tree_of(&field, "P-3");
        whole(&tap(&field, &format!("plan:{third}:1"), &[]), "a plan after a failed calibration");
        device.signal.set(false);
        whole(&tap(&field, "exchange", &[]), "no signal");
        whole(&tap(&field, "nonsense", &[]), "a button of another version");
        let found = found.into_inner();
        assert!(found.is_empty(), "{}", found.join("\n"));
    }
}
