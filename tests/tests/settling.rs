//! How a day is settled: the balance and its likely causes, exports before and after the sign-off,
//! and where the elements of the law are held.

use bolebook_core::balance::causes::{CauseKind, causes};
use bolebook_core::check::blocking;
use bolebook_core::check::law::ELEMENTS;
use bolebook_core::export::{
    NoNames, application_records_csv, applications_csv, day_sheet, findings_json, summary_json, trees_csv,
    trees_geojson,
};
use bolebook_core::finding::Ruled;
use bolebook_core::ids::RecordId;
use bolebook_core::quantity::Ul;
use bolebook_core::record::label::{Label, Mix};
use bolebook_core::record::office::{Decision, Reopening, Ruling, Scheme, SignOff};
use bolebook_core::record::product::Lot;
use bolebook_core::record::work::Dose;
use bolebook_tests::world::{Who, World, label};

const A: Who = Who::Crew(0);

fn sign(w: &mut World) {
    let (crew, day) = w.look(|view, _, _| {
        let day = view.crew_days.first().copied().expect("a day was worked");
        (day.crew, day.day)
    });
    let (job_heads, yard_heads) = (w.job.heads(), w.yard.heads());
    w.write(Who::Office, SignOff { crew, day, job_heads, yard_heads });
}

#[test]
fn a_dose_planned_and_not_logged_closes_the_books_as_a_bookkeeper_would() {
    let mut w = World::new();
    let (one, two) = (w.tree(A, "T1"), w.tree(A, "T2"));
    w.diameter(A, one, 3_000);
    let diameter = w.diameter(A, two, 3_000);
    w.fill(0, 100_000);
    w.treat(0, one, 7);
    let dose = Dose {
        tree: two,
        stem: 1,
        label: w.label,
        purpose: "preventive".into(),
        diameter,
        target_ul: Ul(30_000),
        max_ul: Ul(70_000),
        charges_ul: vec![Ul(10_000); 3],
    };
    let planned = w.write(A, dose);
    w.close_day(0, 0);
    w.look(|view, balance, findings| {
        // In the kit before            0.0 mL
        // + filled in                100.0 mL
        // - into T1, 7 charges of 10  70.0 mL
        // - in the kit at the end      0.0 mL
        // = not accounted for         30.0 mL
        let row = &balance.crew_days[0];
        assert_eq!(row.unexplained_ul.map(|u| (u.low, u.high)), Some((30_000, 30_000)));
        // Of T2 30.0 mL were planned and none logged: 30.0 - 30.0 = 0.0 mL would be left. The fill of
        // 100.0 mL does not come near: |30.0 - 100.0| = 70.0 mL would be left, more than now.
        let found = causes(row, balance, &view.yard, &[view]);
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!(
            (found[0].kind, found[0].left_ul, found[0].closes),
            (CauseKind::TreatmentWithoutHoles, Ul(0), true)
        );
        assert_eq!(found[0].records, [planned]);
        let finding = findings.iter().find(|f| f.code.name() == "balance.day_unexplained").unwrap();
        assert!(finding.evidence[0].contains("tree T2"), "{:?}", finding.evidence);
    });
}

#[test]
fn a_fill_nobody_logged_is_named_before_what_would_close_less() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    w.diameter(A, tree, 3_000);
    w.fill(0, 30_000);
    w.fill(0, 30_000);
    w.treat(0, tree, 7);
    w.close_day(0, 20_000);
    w.look(|view, balance, _| {
        // 0.0 before + 30.0 + 30.0 filled - 70.0 into T1 - 20.0 at the end = -30.0 mL: more was used
        // than was ever filled. One more of the usual 30.0 mL leaves 0.0 mL.
        let found = causes(&balance.crew_days[0], balance, &view.yard, &[view]);
        let first = found.first().unwrap();
        assert_eq!((first.kind, first.amount_ul, first.closes), (CauseKind::UnloggedFill, Ul(30_000), true));
        assert!(found.windows(2).all(|pair| pair[0].left_ul <= pair[1].left_ul));
    });
}

/// 1 part of product in 4 of mix. 100 mL logged as filled were of the mix: 25 mL of product, all used.
/// The other way round, 25 mL of product were typed as if of the mix and logged as 6.25.
#[test]
fn mix_taken_for_product_is_named_for_a_lot_that_is_mixed() {
    let day = |filled: i64, used: i64| {
        let mut w = World::new();
        let mix = Some(Mix { diluent: "water".into(), product_parts: 1, diluent_parts: 3 });
        w.label = w.confirmed(Label { mix, ..label() });
        let (id, expires) = (w.label, bolebook_tests::world::day("2027-12-31"));
        w.lot = w.yard_write(Who::Office, Lot { label: id, number: "L-79".into(), expires, recalled: None });
        let tree = w.tree(A, "T1");
        let fill = w.fill(0, filled);
        let mut body = w.application(0, tree, 10);
        body.holes.iter_mut().for_each(|hole| hole.put_in_ul = Ul(used / 10));
        w.write(A, body);
        w.close_day(0, 0);
        (w, fill)
    };
    let (w, fill) = day(100_000, 25_000);
    w.look(|view, balance, _| {
        let found = causes(&balance.crew_days[0], balance, &view.yard, &[view]);
        let first = found.first().unwrap();
        assert_eq!((first.kind, first.amount_ul, first.closes), (CauseKind::MixForProduct, Ul(75_000), true));
        assert_eq!(first.records, [fill]);
        assert!(first.text.contains("25.0 mL of product, not 100.0"), "{}", first.text);
    });
    let (w, _) = day(25_000, 100_000);
    w.look(|view, balance, _| {
        let found = causes(&balance.crew_days[0], balance, &view.yard, &[view]);
        let named: Vec<_> = found.iter().filter(|c| c.kind == CauseKind::MixForProduct && c.closes).collect();
        assert_eq!(named.len(), 2, "the fill, or what went into trees: {found:?}");
    });
}

#[test]
fn what_the_tolerance_explains_has_no_causes() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    w.fill(0, 100_000);
    w.treat(0, tree, 7);
    // 0.5 mL short, where seven charges explain 0.877 mL.
    w.close_day(0, 29_500);
    w.look(|view, balance, _| {
        assert_eq!(causes(&balance.crew_days[0], balance, &view.yard, &[view]), []);
    });
}

#[test]
fn an_export_is_provisional_until_the_day_is_signed_and_keeps_what_was_struck() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    w.diameter(A, tree, 3_000);
    let kept = w.treat(0, tree, 7);
    let struck = w.treat(0, tree, 1);
    w.strike(A, struck);
    let line = |w: &World, id: RecordId| {
        let text = w.look(|view, _, findings| applications_csv(view, findings, &NoNames).unwrap());
        text.lines().find(|l| l.starts_with(&id.to_string())).unwrap().to_owned()
    };
    assert!(line(&w, kept).contains(",provisional,"));
    assert!(line(&w, struck).contains(",struck,"));
    sign(&mut w);
    assert!(line(&w, kept).contains(",signed off,"));
    assert!(line(&w, struck).contains(",struck,"));
    w.look(|view, _, findings| {
        let day = *view.crew_days.first().unwrap();
        let sheet = day_sheet(view, findings, day, &NoNames);
        assert!(!sheet.provisional);
        let marks: Vec<_> = sheet.rows.iter().map(|r| (r.application, r.standing)).collect();
        assert_eq!(marks, [(kept, "in force"), (struck, "struck")]);
    });
}

#[test]
fn a_confirmed_violation_stays_with_its_application_in_the_exports() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    w.diameter(A, tree, 3_000);
    w.treat(0, tree, 20);
    let (finding, facts) = w.look(|_, _, findings| {
        let f = findings.iter().find(|f| f.code.ruled() == Ruled::Confirmed && f.blocks()).unwrap();
        (f.id, f.facts)
    });
    let ruling = |decision| Ruling { finding, facts, decision, reason: "miscounted".into() };
    w.write(Who::Office, ruling(Decision::Accept));
    let open = |w: &World| w.look(|_, _, all| all.iter().find(|f| f.id == finding).unwrap().open());
    assert!(open(&w), "a violation was accepted");
    let (done, reported) = ("crew instructed".to_owned(), "invented authority".to_owned());
    w.write(Who::Office, ruling(Decision::ConfirmViolation { done, reported }));
    assert!(!open(&w));
    // Ruled on, it no longer keeps the day from being signed, and the sign-off takes nothing away.
    w.look(|view, _, all| {
        let day = *view.crew_days.first().unwrap();
        assert!(blocking(all, day).all(|f| f.id != finding));
    });
    sign(&mut w);
    w.look(|view, balance, findings| {
        let day = *view.crew_days.first().unwrap();
        let texts = [
            applications_csv(view, findings, &NoNames).unwrap(),
            application_records_csv(view, findings, &NoNames, |_, _| true).unwrap(),
            trees_csv(view, findings).unwrap(),
            trees_geojson(view, findings).unwrap(),
            findings_json(view, findings).unwrap(),
            summary_json(view, findings, balance).unwrap(),
            serde_json::to_string(&day_sheet(view, findings, day, &NoNames)).unwrap(),
        ];
        for text in texts {
            assert!(text.contains("crew instructed") && text.contains("invented authority"), "{text}");
        }
    });
}

#[test]
fn the_regulators_table_is_there_the_same_day_and_keeps_what_was_struck() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    w.diameter(A, tree, 3_000);
    let kept = w.treat(0, tree, 7);
    let struck = w.treat(0, tree, 1);
    w.strike(A, struck);
    let marks = |w: &World| -> Vec<(String, String, String)> {
        let text = w.look(|view, _, findings| {
            application_records_csv(view, findings, &NoNames, |_, _| true).unwrap()
        });
        let mut table = csv::Reader::from_reader(text.as_bytes());
        let head = table.headers().unwrap().clone();
        let cell = |row: &csv::StringRecord, name: &str| {
            row[head.iter().position(|h| h == name).unwrap()].to_owned()
        };
        let rows = table.records().map(|row| row.unwrap());
        rows.map(|r| (cell(&r, "application"), cell(&r, "standing"), cell(&r, "day_state"))).collect()
    };
    let row = |id: RecordId, standing: &str, day: &str| (id.to_string(), standing.to_owned(), day.to_owned());
    assert_eq!(marks(&w), [row(kept, "in force", "provisional"), row(struck, "struck", "provisional")]);
    sign(&mut w);
    assert_eq!(marks(&w), [row(kept, "in force", "signed off"), row(struck, "struck", "signed off")]);
}

#[test]
fn what_comes_after_the_sign_off_says_so_and_the_day_opens_again_with_its_reason() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    w.diameter(A, tree, 3_000);
    let known = w.treat(0, tree, 7);
    let mut phone = w.apart();
    let late = phone.treat(0, tree, 1);
    sign(&mut w);
    w.merge(&phone);
    let states = |w: &World| {
        w.look(|view, _, findings| {
            let day = *view.crew_days.first().unwrap();
            let sheet = day_sheet(view, findings, day, &NoNames);
            let rows: Vec<_> = sheet.rows.iter().map(|r| (r.application, r.day_state)).collect();
            let why: Vec<_> = sheet.reopened.into_iter().map(|(_, why)| why).collect();
            (rows, sheet.provisional, why)
        })
    };
    assert_eq!(states(&w), (vec![(known, "signed off"), (late, "arrived after sign-off")], false, vec![]));
    let sign_off = w.look(|view, _, _| *view.signed_off.values().next().unwrap());
    let reason = "a second phone came in".to_owned();
    w.write(Who::Office, Reopening { sign_off, reason: reason.clone() });
    assert_eq!(states(&w), (vec![(known, "provisional"), (late, "provisional")], true, vec![reason.clone()]));
    // Signed again on a state that has it, nothing is late, and the reason stays on the sheet.
    sign(&mut w);
    assert_eq!(states(&w), (vec![(known, "signed off"), (late, "signed off")], false, vec![reason]));
}

#[test]
fn the_page_of_legal_elements_says_what_the_code_and_the_exports_hold() {
    let page = std::fs::read_to_string(bolebook_tests::root().join("docs/legal-elements.md")).unwrap();
    let rows: Vec<Vec<&str>> = page
        .lines()
        .filter(|l| l.starts_with("| 40 CFR") || l.starts_with("| EU"))
        .map(|l| l.trim_matches('|').split('|').map(str::trim).collect())
        .collect();
    let scheme = |s| if s == Scheme::Us171303 { "40 CFR 171.303" } else { "EU 2023/564" };
    let code: Vec<_> = ELEMENTS.iter().map(|e| [scheme(e.scheme), e.name, e.held_in]).collect();
    assert_eq!(rows.iter().map(|r| [r[0], r[1], r[2]]).collect::<Vec<_>>(), code);
    let (applications, trees, records) = World::new().look(|view, _, findings| {
        let records = application_records_csv(view, findings, &NoNames, |_, _| true).unwrap();
        let applications = applications_csv(view, findings, &NoNames).unwrap();
        (applications, trees_csv(view, findings).unwrap(), records)
    });
    for shown in rows.iter().flat_map(|r| r[3].split(", ")) {
        let (table, column) = match shown.split_once(' ') {
            Some(("trees.csv", column)) => (&trees, column),
            Some(("records", column)) => (&records, column),
            _ if shown == "record" => continue,
            _ => (&applications, shown),
        };
        let head = table.lines().next().unwrap();
        assert!(head.split(',').any(|c| c == column), "{column} is no column of {head}");
    }
}
