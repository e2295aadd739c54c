//! Every sentence the core can say on a crew's phone has a form in every language, none of them can
//! come out half in English, and what has no form stays English whole.

use std::collections::BTreeSet;
use std::path::Path;

use bolebook_core::record::Kind;
use bolebook_field_core::words::{CORE, Language, Words};

#[path = "support/literals.rs"]
mod source_text;
mod support;

use source_text::{literals, skeleton};
use support::{Form, choices, filled, forms, holes, parted};

/// The core's modules whose words reach a phone: advice with all it stands on, the findings about a
/// tree, what the gauge and a calibration come to.
const CORE_SAYS: [&str; 57] = [
    "dosing/advice.rs",
    "dosing/advice/limits.rs",
    "dosing/advice/past.rs",
    "dosing/advice/plan.rs",
    "dosing/advice/product.rs",
    "dosing/advice/tree.rs",
    "dosing/calibrated.rs",
    "dosing/calibration.rs",
    "dosing/caution.rs",
    "dosing/charges.rs",
    "dosing/conditions.rs",
    "dosing/dose.rs",
    "dosing/forecast/uptake.rs",
    "dosing/gas.rs",
    "dosing/kit.rs",
    "dosing/label.rs",
    "dosing/label/entry.rs",
    "dosing/layout.rs",
    "dosing/layout/circle.rs",
    "dosing/layout/scale.rs",
    "dosing/layout/text.rs",
    "dosing/mix.rs",
    "dosing/picture.rs",
    "dosing/pressurisation.rs",
    "dosing/stem.rs",
    "dosing/tree_dose.rs",
    "dosing/uncertainty.rs",
    "quantity.rs",
    "finding/codes.rs",
    "linkage/evidence.rs",
    "check/area.rs",
    "check/backdated.rs",
    "check/conditions.rs",
    "check/crew.rs",
    "check/day.rs",
    "check/diameter.rs",
    "check/dose.rs",
    "check/entry.rs",
    "check/fill.rs",
    "check/fill/content.rs",
    "check/holes.rs",
    "check/job.rs",
    "check/kit.rs",
    "check/law.rs",
    "check/licence.rs",
    "check/lot.rs",
    "check/photo.rs",
    "check/place.rs",
    "check/record.rs",
    "check/same_tree.rs",
    "check/season.rs",
    "check/suits.rs",
    "check/times.rs",
    "check/tree.rs",
    "check/uptake.rs",
    "check/volume.rs",
    "check/work.rs",
];

/// The app's own modules whose errors reach the screen.
const APP_SAYS: [&str; 11] = [
    "acts/mod.rs",
    "exchange.rs",
    "figures.rs",
    "http.rs",
    "join.rs",
    "log.rs",
    "opening.rs",
    "outside.rs",
    "state.rs",
    "sync.rs",
    "writer.rs",
];

/// What stands in these modules and does not reach a phone by itself.
const NOT_SHOWN: &[&str] = &[
    // Pieces of what has a form as a whole.
    "{text} Two readings agree.",
    "; {} would pass the label's maximum",
    "; one more of even {} mL would pass the label's maximum",
    "; {slow} of {of} {} far behind",
    "or",
    "and",
    "{} to {} {unit}",
    "{} to {}",
    "hole",
    "arc {unit}",
    "height {unit}",
    // Signs of units, of markup and of laws.
    "cm",
    "mm",
    "in",
    "mg",
    "ms",
    "ms UTC",
    "µm",
    "µL",
    "Pa",
    "Pa absolute",
    "µg/mL",
    "mm²",
    "µL/m",
    "m°C",
    "{} bar",
    "{} psi",
    "{} cm",
    "{} in",
    "{:.1} km",
    "{:.0} ft",
    "{metres:.0} m",
    "&amp;",
    "&lt;",
    "&gt;",
    "&quot;",
    "</svg>",
    "start",
    "middle",
    "end",
    "40 CFR 171.303(b)(7)(vi)",
    "EU 2023/564",
    "Bearer {token}",
    // Looked for in what the office wrote.
    "invented",
    // Said at a terminal, on paper, or to the office.
    "Numbers: holes. 0: {mark}; arcs clockwise seen from above, in {}.",
    "////: no hole there.",
    "Never above {}: {} sets the limit.",
    "The label names no pressure.",
    "STOP. {stop}",
    "{} mL of product, {} mL of head space (at least {} mL).",
    "{} mL cannot be filled in or be there already: correct it",
    "{} mL and {} mL pass the fill limit of {} mL: fill {} mL at most",
    "the air grows {:.3} to {:.3} times",
    "Air gets hot as it is put on and the gauge falls as it cools, by up to {}: not a leak. Wait {} minutes, top up, read the gauge, and read it again after {} more.",
    "standard uncertainty {:.4}",
    "with {degrees} degrees of freedom",
    "{} mL ({} to {} mL)",
    "{}: would close it",
    "{}: would leave {} mL",
    // About no tree, so that no phone shows it.
    "(none)",
    "none",
    "Record {} of device {} cannot be read: {}",
    // The server's own words, which stay English whole.
    "the server refused ({}): {}",
];

/// Holes that hold people's words: names, tags, numbers, notes, and what somebody typed or a
/// browser said. Each was looked at: none of them is ever filled with words of the core's.
const PEOPLES: &[&str] = &[
    "asked",
    "block",
    "button",
    "category",
    "code",
    "codes",
    "crew",
    "first",
    "ingredient",
    "kit",
    "label",
    "law",
    "lot",
    "mark",
    "metal",
    "name",
    "note",
    "number",
    "other",
    "pest",
    "purpose",
    "read",
    "reason",
    "rivals",
    "said",
    "same",
    "scheme",
    "second",
    "species",
    "tag",
    "tags",
    "text",
    "unit",
    "value",
];

fn source(root: &str, module: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(root).join(module);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

#[test]
fn every_sentence_of_the_core_has_a_form() {
    let all = forms(CORE);
    let mut known: BTreeSet<String> = all.iter().map(|f| skeleton(&f.english)).collect();
    known.extend(all.iter().flat_map(|f| choices(&f.english)).flat_map(|c| [c[1].into(), c[2].into()]));
    let core = CORE_SAYS.iter().map(|module| ("../../core/src", *module));
    let app = APP_SAYS.iter().map(|module| ("src", *module));
    let mut missing = vec![];
    let mut asked = 0;
    for (root, module) in core.chain(app) {
        for literal in literals(&source(root, module)) {
            let text = literal.trim();
            if NOT_SHOWN.contains(&text) || root == "src" && !text.contains(' ') {
                continue;
            }
            asked += 1;
            if !known.contains(&skeleton(text)) {
                missing.push(format!("{module}: {text}"));
            }
        }
    }
    assert!(
        missing.is_empty(),
        "{} sentences are not in locales/core.txt (how to add one: DEVELOPERS.md):\n{}",
        missing.len(),
        missing.join("\n")
    );
    assert!(asked > 500, "only {asked} literals were found: is the list of modules still right?");
}

/// The other languages.
const OTHERS: [Language; 2] = [Language::Fr, Language::Es];

#[test]
fn every_form_stands_in_every_language_with_the_same_holes() {
    let forms = forms(CORE);
    assert!(forms.len() > 900);
    let mut seen = BTreeSet::new();
    for form in &forms {
        let english = &form.english;
        assert!(seen.insert((form.mark.clone(), english.clone())), "'{english}' stands twice");
        assert!(
            !english.contains("}{") && !english.contains("}["),
            "'{english}': nothing tells two holes apart"
        );
        for form in form.own.values().chain([english]) {
            for [of, ..] in choices(form) {
                assert!(
                    holes(english).contains(&&*format!("#{of}")),
                    "'{form}': no figure '{of}' to choose by"
                );
            }
        }
        let wanted: BTreeSet<&str> = holes(english).into_iter().filter(|h| *h != "~same").collect();
        assert!(wanted.len() + 1 >= holes(english).len(), "'{english}': a hole has its name twice");
        assert_eq!(form.own.len(), OTHERS.len(), "'{english}'");
        for language in OTHERS {
            let own =
                form.own.get(language.tag()).unwrap_or_else(|| panic!("'{english}' in {}", language.tag()));
            let there: BTreeSet<&str> = holes(own).into_iter().collect();
            assert_eq!(there, wanted, "'{english}': '{own}'");
            assert!(!own.trim().is_empty());
        }
    }
}

/// What somebody typed can stand where people's words do, and nothing of the core's: a hole for
/// people's words at the end of a part would take whatever English follows.
#[test]
fn no_hole_for_peoples_words_takes_the_cores() {
    for form in forms(CORE) {
        let free: Vec<&str> = holes(&form.english).into_iter().filter(|h| parted(h).0.is_none()).collect();
        for hole in &free {
            assert!(PEOPLES.contains(hole), "'{}': is {{{hole}}} never filled by the core?", form.english);
        }
        let begins = free.iter().any(|h| form.english.starts_with(&format!("{{{h}}}")));
        let ends = free.iter().any(|h| form.english.ends_with(&format!("{{{h}}}")));
        assert!(form.mark != "~" || !(begins || ends), "'{}' needs the name of its only hole", form.english);
        let words = skeleton(&form.english).replace("{}", "").len();
        let named = form.mark.len() > 1;
        assert!(!ends || named || words >= 8, "'{}' fits too much", form.english);
    }
}

fn plain(form: &Form) -> bool {
    holes(&form.english).iter().all(|h| matches!(parted(h).0, None | Some('#')))
}

#[test]
fn every_form_is_found_by_its_own_sentence() {
    let all = forms(CORE);
    for language in OTHERS {
        let words = Words::new(language);
        for (form, number) in all.iter().filter(|f| plain(f)).flat_map(|f| [0, 1, 2, 7].map(|n| (f, n))) {
            let own = filled(&form.own[language.tag()], language, number);
            let english = filled(&form.english, Language::En, number);
            let (asked, wanted) = match form.mark.as_str() {
                "=" => (english, own),
                // A part stands in a sentence, such as this one of the core's.
                "~" => {
                    let of = |language: Language| match language {
                        Language::Fr => "Pas de dose : ",
                        _ => "Sin dosis: ",
                    };
                    (format!("No dose: {english}."), format!("{}{own}.", of(language)))
                }
                _ => continue,
            };
            let said = words.core(&asked);
            assert_eq!((said.text.as_str(), said.english), (wanted.as_str(), false), "'{asked}'");
        }
    }
}

#[test]
fn what_has_no_form_stays_english_whole_and_is_marked() {
    let known = "Last treated on 2026-05-04, 12 days ago; the label asks for 300 between.";
    for language in OTHERS {
        let words = Words::new(language);
        assert!(!words.core(known).english);
        for unknown in [
            "Nobody has written this sentence down yet.".to_owned(),
            // A known sentence, then one that is not: nothing of it is translated.
            format!("{known} Nobody has written this sentence down yet."),
            // Words where a figure stands.
            known.replace("12", "twelve"),
            // Words of the core's where others of it stand.
            "Not judged: bloom, the colour of the leaves.".to_owned(),
            "No dose: somebody has forgotten to translate this.".to_owned(),
        ] {
            let said = words.core(&unknown);
            assert_eq!((said.text, said.english), (unknown, true));
        }
    }
    let english = Words::new(Language::En).core(known);
    assert_eq!((english.text.as_str(), english.english), (known, false));
    // Without a table the app goes on in the core's English.
    let without = Words::read(Language::Fr, Language::Fr.source().to_owned());
    assert!(without.core(known).english);
    assert_eq!(without.say("back"), Words::new(Language::Fr).say("back"));
}

#[test]
fn names_and_notes_stay_as_they_are_whatever_stands_in_them() {
    let words = Words::new(Language::Fr);
    let note = "owner, back on Monday; the dog bites. Ring first";
    let said = words.core(&format!(
        "Crew Alder decided not to treat tree A-1, because the owner said no ({note}). Have that struck first if it no longer holds."
    ));
    assert_eq!(
        said.text,
        format!(
            "L'équipe Alder a décidé de ne pas traiter l'arbre A-1 : le propriétaire a refusé ({note}). Faites-le d'abord rayer si cela ne vaut plus."
        )
    );
    // However long and whatever its signs, a note neither holds the screen up nor breaks it.
    for hostile in
        [". ".repeat(2_000), ", ".repeat(2_000), "; and 7 more".repeat(300), "{~x} (a) ".repeat(400)]
    {
        let text = format!("Tree A-1: {hostile}.");
        let said = words.core(&text);
        assert!(!said.english || said.text == text);
    }
}

#[test]
fn every_kind_of_record_has_a_name() {
    for kind in Kind::ALL {
        let name = kind.name().replace('_', " ");
        for language in OTHERS {
            let said = Words::new(language)
                .core(&format!("The {name} of tree A-1 cannot be so: it lasts longer than a day."));
            assert!(!said.english, "{name}");
        }
    }
}
