//! Labels entered at the desk from an invented paper, and confirmed by a second person.

use bolebook_core::quantity::UtcMs;
use bolebook_core::record::Body;
use bolebook_core::record::label::Label;
use bolebook_server::desk::accounts;
use bolebook_tests::world::World;

use crate::settle::see;
use crate::site::{Answer, Browser, PASSWORD, Site};

/// An invented paper in inches: 6 mL per inch, holes 5 in apart. INVENTED: NOT FOR USE.
pub const PAPER: [(&str, &str); 52] = [
    ("name", "Invented elm injection"),
    ("registration", "INVENTED-0009"),
    ("invented", "INVENTED: NOT FOR USE"),
    ("expires", "2027-12-31"),
    ("species", "ulmam, 1ULMG"),
    ("pests", "CERAUL"),
    ("active_ingredients.0.name", "invented ingredient"),
    ("active_ingredients.0.strength", "20"),
    ("active_ingredients.0.strength.unit", "g/L"),
    ("rates.0.purpose", "preventive"),
    ("rates.0.from", "4"),
    ("rates.0.from.unit", "in"),
    ("rates.0.min", "4"),
    ("rates.0.min.unit", "mL/in"),
    ("rates.0.usual", "6"),
    ("rates.0.usual.unit", "mL/in"),
    ("rates.0.max", "6.5"),
    ("rates.0.max.unit", "mL/in"),
    ("smallest_diameter", "4"),
    ("smallest_diameter.unit", "in"),
    ("forked", "each_stem"),
    ("interval_days", "300"),
    ("pressure_max", "100"),
    ("pressure_max.unit", "psi"),
    ("holes.bit", "15"),
    ("holes.bit.unit", "64ths in"),
    ("holes.depth_min", "1/2"),
    ("holes.depth_min.unit", "in"),
    ("holes.depth_max", "1"),
    ("holes.depth_max.unit", "in"),
    ("holes.spacing", "5"),
    ("holes.spacing.unit", "in"),
    ("holes.band_low", "4"),
    ("holes.band_low.unit", "in"),
    ("holes.band_high", "12"),
    ("holes.band_high.unit", "in"),
    ("holes.sealing", "optional"),
    ("charges.most_per_hole", "10.5"),
    ("charges.most_per_hole.unit", "mL"),
    ("charges.per_hole", "1"),
    ("charges.part_charge", "yes"),
    ("charges.least_part", "1"),
    ("charges.least_part.unit", "mL"),
    ("charges.uptake_limit_s", "30"),
    ("charges.uptake_limit_s.unit", "min"),
    ("conditions.air_min", "41"),
    ("conditions.air_min.unit", "°F"),
    ("conditions.soil.moist", "yes"),
    ("conditions.not_in_bloom", "yes"),
    ("cautions", "INVENTED: wear goggles\nINVENTED: let pressure out first"),
    ("first_aid", "INVENTED: wash with much water"),
    ("conditions.canopy_loss_max", "30"),
];

/// What the second person finds on the same paper: 8, 10 and 20 in at 6 mL per inch are 48, 60 and
/// 120 mL (arithmetic).
pub const AGAIN: [(&str, &str); 24] = [
    ("rates.0.purpose", "preventive"),
    ("rates.0.from", "4 in"),
    ("rates.0.min", "4"),
    ("rates.0.min.unit", "mL/in"),
    ("rates.0.usual", "6"),
    ("rates.0.usual.unit", "mL/in"),
    ("rates.0.max", "6.5"),
    ("rates.0.max.unit", "mL/in"),
    ("do", "confirm"),
    ("worked.0.purpose", "preventive"),
    ("worked.0.diameter", "8"),
    ("worked.0.diameter.unit", "in"),
    ("worked.0.dose", "48"),
    ("worked.0.dose.unit", "mL"),
    ("worked.1.purpose", "preventive"),
    ("worked.1.diameter", "10"),
    ("worked.1.diameter.unit", "in"),
    ("worked.1.dose", "60"),
    ("worked.1.dose.unit", "mL"),
    ("worked.2.purpose", "preventive"),
    ("worked.2.diameter", "20"),
    ("worked.2.diameter.unit", "in"),
    ("worked.2.dose", "120"),
    ("worked.2.dose.unit", "mL"),
];

/// Fields with some put in place of others, or added.
pub fn with<'a>(fields: &[(&'a str, &'a str)], more: &[(&'a str, &'a str)]) -> Vec<(&'a str, &'a str)> {
    let mut all: Vec<(&str, &str)> =
        fields.iter().filter(|(name, _)| !more.iter().any(|(n, _)| n == name)).copied().collect();
    all.extend(more);
    all
}

/// Sends a form of a page with its session's token and these fields alone.
pub fn send(browser: &mut Browser, page: &str, action: &str, fields: &[(&str, &str)]) -> Answer {
    let token = browser.page(page).form(action).into_iter().find(|(n, _)| n == "token").unwrap().1;
    browser.post(action, &with(fields, &[("token", &token)]))
}

fn label_form(browser: &mut Browser, fields: &[(&str, &str)]) -> Answer {
    send(browser, "/labels/new", "/labels/new", fields)
}

/// What stands beside a field.
fn beside<'a>(page: &'a str, path: &str) -> &'a str {
    let id = format!("id=\"f-{}-e\"", path.replace(['.', '_'], "-"));
    page.split(&id).nth(1).map_or("", |rest| rest.split("</div>").next().unwrap())
}

fn checked(page: &str) -> String {
    page.split("name=\"checked\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned()
}

/// Ann, who leads crew 0 and is licensed, signed in.
pub fn ann(site: &Site, world: &World) -> Browser {
    let lead = world.leads[0];
    site.app.write(|tx| accounts::add(tx, "ann", lead, PASSWORD, UtcMs(1))).unwrap();
    let mut ann = Browser::new(&site.desk);
    assert_eq!(ann.post("/sign-in", &[("name", "ann"), ("password", PASSWORD)]).status, 303);
    ann
}

fn entered(site: &Site, world: &World, id: &str) -> Label {
    see(site, world, |view| {
        let fact = view.yard.facts.fact_of(id.parse().unwrap()).unwrap();
        match &view.yard.facts.shown(fact).record.body {
            Body::Label(label) => (**label).clone(),
            other => panic!("{other:?}"),
        }
    })
}

/// Checks and enters the invented paper; the new label's address.
fn enter(browser: &mut Browser, fields: &[(&str, &str)]) -> String {
    let page = label_form(browser, &with(fields, &[("do", "check")]));
    assert_eq!(page.status, 200, "{}", page.text);
    let digest = checked(&page.text);
    let sent =
        label_form(browser, &with(fields, &[("do", "enter"), ("checked", &digest), ("looked", "yes")]));
    assert_eq!(sent.status, 303, "{}", sent.text);
    sent.header("location").split('?').next().unwrap().to_owned()
}

#[test]
fn a_label_is_entered_figure_by_figure_in_the_papers_units_once_it_closes() {
    let mut world = World::new();
    let site = Site::new(&mut world, true);
    let mut olive = site.browser();
    let page = label_form(&mut olive, &with(&PAPER, &[("do", "check")]));
    assert_eq!(page.status, 200, "{}", page.text);
    for part in [
        "2.362 / ",
        " = 4.000 / 6.000 / 6.500 mL per inch, as printed",
        "taken for mL/cm it doses 2.54 times too much",
        "Taken as NOT STATED",
        "Most product per tree and season",
        "Lowest soil temperature",
        "12 in",
        "72.0 mL",
    ] {
        assert!(page.text.contains(part), "{part}: {}", page.text);
    }
    // Not looked, changed after the check, or never checked: not entered.
    let digest = checked(&page.text);
    for more in [
        vec![("do", "enter"), ("checked", digest.as_str())],
        vec![("do", "enter"), ("checked", digest.as_str()), ("looked", "yes"), ("rates.0.max", "7")],
        vec![("do", "enter"), ("looked", "yes")],
    ] {
        assert_eq!(label_form(&mut olive, &with(&PAPER, &more)).status, 422, "{more:?}");
    }
    assert!(!olive.page("/labels").text.contains("Invented elm injection"), "nothing was written");
    let address = enter(&mut olive, &PAPER);
    let label = entered(&site, &world, address.rsplit('/').next().unwrap());
    // 15/64 in are 5.953 125 mm, 100 psi 689.476 kPa, 41 °F 5 °C (NIST SP 811, appendix B).
    assert_eq!((label.holes.bit_um.0, label.holes.depth_min_um.0), (5_953, 12_700));
    assert_eq!(label.conditions.air_min_mc.unwrap().0, 5_000);
    assert_eq!(label.pressure_max_pa.unwrap().0, 689_475);
    assert_eq!(label.rates[0].per_inch.unwrap().usual_ul.0, 6_000);
    assert_eq!((label.charges.uptake_limit_s, label.species.len()), (Some(1_800), 2));
    assert!(olive.page(&address).text.contains("waits for a second person"));
}

#[test]
fn what_does_not_close_stands_beside_its_field_and_rows_come_and_go_by_buttons() {
    let mut world = World::new();
    let site = Site::new(&mut world, true);
    let mut olive = site.browser();
    let page = label_form(&mut olive, &with(&PAPER, &[("do", "add rates")]));
    assert!(page.status == 200 && page.text.contains("name=\"rates.1.usual\""), "{}", page.text);
    assert!(page.text.contains("value=\"10.5\""), "what was typed stays");
    let second = with(
        &PAPER,
        &[
            ("rates.0.below", "20 in"),
            ("rates.1.purpose", "preventive"),
            ("rates.1.from", "18 in"),
            ("rates.1.min", "4 mL/in"),
            ("rates.1.usual", "5 mL/in"),
            ("rates.1.max", "6 mL/in"),
            ("do", "check"),
        ],
    );
    let page = label_form(&mut olive, &second);
    assert_eq!(page.status, 422);
    assert!(beside(&page.text, "rates.1.from").contains("two rates for"), "{}", page.text);
    let gone = label_form(&mut olive, &with(&second, &[("do", "remove rates 2")]));
    assert!(!gone.text.contains("name=\"rates.1.usual\""));
    for (field, typed, said) in [
        ("rates.0.usual.unit", "", "has no unit"),
        ("rates.0.usual.unit", "mL/cm", "in mL/in and in mL/cm"),
        ("rates.0.usual", "60", "must not be more than"),
        ("holes.spacing", "", "enter what the label says"),
        ("charges.per_hole", "1.5", "is not a whole number"),
        ("species", "elm", "not in the form of an EPPO code"),
        ("conditions.canopy_loss_max", "300", "between 0 and 100"),
    ] {
        let page = label_form(&mut olive, &with(&PAPER, &[(field, typed), ("do", "check")]));
        let path = field.trim_end_matches(".unit");
        let path = if said.starts_with("in mL") { "rates.0.usual" } else { path };
        assert_eq!(page.status, 422, "{field}={typed}");
        assert!(beside(&page.text, path).contains(said), "{field}={typed}: {}", beside(&page.text, path));
        assert!(page.text.contains(&format!("href=\"#f-{}\"", path.replace(['.', '_'], "-"))), "{field}");
    }
    let both =
        label_form(&mut olive, &with(&PAPER, &[("holes.spacing", ""), ("species", "elm"), ("do", "check")]));
    assert!(beside(&both.text, "species").contains("EPPO code"), "all that is wrong is said at once");
    let small = label_form(&mut olive, &with(&PAPER, &[("charges.most_per_hole", "5"), ("do", "check")]));
    assert!(beside(&small.text, "charges.most_per_hole").contains("each hole must hold"), "geometry is said");
}

#[test]
fn only_another_licensed_person_confirms_and_only_what_the_paper_says() {
    let mut world = World::new();
    let site = Site::new(&mut world, true);
    let mut olive = site.browser();
    let address = enter(&mut olive, &PAPER);
    let confirm = format!("{address}/confirm");
    assert!(olive.page(&confirm).text.contains("The person who entered a label cannot confirm it."));
    let mut ann = ann(&site, &world);
    let page = ann.page(&confirm);
    assert!(!page.text.contains("mL per inch") && !page.text.contains("6.5"), "the entry is not shown");
    for (more, said) in [
        (vec![("rates.0.usual", "5")], "a rate of the entry for 'preventive' was not found in yours"),
        (vec![("worked.1.dose", "61")], "61.000 mL by hand is not what the entry gives"),
        (vec![("worked.1.diameter", "8"), ("worked.1.dose", "48")], "three are needed"),
        (
            vec![("mix.diluent", "water"), ("mix.product_parts", "1"), ("mix.diluent_parts", "1")],
            "and the entry says otherwise",
        ),
        (vec![("worked.2.dose", "")], "work the dose by hand"),
    ] {
        let sent = send(&mut ann, &confirm, &confirm, &with(&AGAIN, &more));
        assert_eq!(sent.status, 422, "{more:?}");
        assert!(sent.text.contains(said), "{said}: {}", sent.text);
        // Of the entry nothing is said: 6 mL/in are 2.362 mL/cm, and 60.000 mL at 10 in.
        for figure in ["2.362", "60.000", "not mixed", "by the entry"] {
            assert!(!sent.text.contains(figure), "{more:?}: {figure}: {}", sent.text);
        }
    }
    // Olive's own post is refused though she has no form.
    let token =
        olive.page("/labels/new").form("/labels/new").into_iter().find(|(n, _)| n == "token").unwrap().1;
    let own = olive.post(&confirm, &with(&AGAIN, &[("token", &token)]));
    assert!(own.status == 422 && own.text.contains("the person who entered a label cannot confirm it"));
    let sent = send(&mut ann, &confirm, &confirm, &AGAIN);
    assert_eq!(sent.status, 303, "{}", sent.text);
    assert!(olive.page(&address).text.contains(">confirmed<"));
}

#[test]
fn a_new_version_waits_for_its_own_confirmation_and_a_mix_is_not_amended() {
    let mut world = World::new();
    let site = Site::new(&mut world, true);
    let mut olive = site.browser();
    let address = enter(&mut olive, &PAPER);
    let id = address.rsplit('/').next().unwrap();
    let page = olive.page(&format!("/labels/new?from={id}"));
    assert!(page.text.contains("value=\"6.5\"") && page.text.contains("selected>mL/in</option>"));
    let amends = with(&PAPER, &[("amends", id)]);
    let same = label_form(&mut olive, &with(&amends, &[("do", "check")]));
    assert!(same.status == 422 && same.text.contains("nothing is changed"), "{}", same.text);
    let mixed =
        [("mix.diluent", "water"), ("mix.product_parts", "1"), ("mix.diluent_parts", "3"), ("do", "check")];
    let mixed = label_form(&mut olive, &with(&amends, &mixed));
    assert!(mixed.status == 422 && mixed.text.contains("how a product is mixed is not amended"));
    let newer = enter(&mut olive, &with(&amends, &[("interval_days", "365")]));
    assert_ne!(newer, address);
    assert!(olive.page(&newer).text.contains("waits for a second person"));
    assert_eq!(
        olive.page("/labels").text.matches("Invented elm injection").count(),
        1,
        "one label, two versions"
    );
}
