//! Numbers that may be one, or nought, read right in every language.

use bolebook_field_core::words::{CORE, Language, Words};

mod support;

use support::{filled, forms, like_one};

/// Forms in which a figure is never one of these, and why.
const NEVER: &[(&str, &[u32], &str)] = &[
    ("application to be continued was made", &[0, 1], "two days or more ago, or ahead"),
    ("how a tree with {#n} stems is dosed", &[0, 1], "a forked tree"),
    ("{#n} charges or more", &[0, 1], "the most that any trunk takes"),
    ("{#n} charges ({~each})", &[0, 1], "of several containers"),
    ("{#n} holes cannot be laid out", &[1], "one can"),
    ("Only {#n} of {#m} holes", &[0, 1], "two or more were wanted"),
    ("{#n} holes, one every", &[0, 1], "one hole has a sentence of its own"),
    ("{#n} holes, {#s} {unit} or more apart", &[0, 1], "one hole has a sentence of its own"),
    (
        "{#n} to {#m} charges",
        &[1],
        "a range, which English and Spanish say like several (CLDR, plural ranges)",
    ),
    ("let the kit stand {#n} minutes", &[0, 1], "always ten"),
    ("{#n} charges: mean", &[0, 1], "two or more were measured"),
    ("measure at least {#n} charges", &[0, 1], "always five"),
    ("began {#n} stems within an hour", &[0, 1], "more than a crew can treat"),
    ("{#n} stems in a row", &[0, 1], "several"),
    ("{#n} people wrote with one device", &[0, 1], "two or more, many times"),
    ("{#n} trees in a row", &[0, 1], "several"),
    ("{#n} holes in one stem", &[0, 1], "more than the most"),
    ("{#n} characters; at most", &[0, 1], "more than the most"),
    ("{#n} holes; the label allows", &[0, 1], "more than are allowed, and more than one"),
    ("at all of {#n} treatments", &[0, 1], "several"),
    ("{#n} hours later no server", &[0, 1], "always twelve"),
    ("{#n} different texts", &[0, 1], "two or more"),
    ("from {#n} products", &[0, 1], "two or more"),
    ("it has {#n} stems from below", &[0, 1], "a forked tree"),
    ("stands on {#n} trees", &[0, 1], "two or more"),
    ("{#peers} peers' median", &[0, 1], "several, and the minutes before them choose"),
    ("a code has {#n} digits or more", &[0, 1], "always as many"),
    ("has at least {#n} digits", &[0, 1], "always as many"),
];

/// Words after a figure that end like a plural and are none.
const NO_PLURALS: &[&str] =
    &["más", "menos", "antes", "dosis", "mais", "has", "was", "less", "names", "belongs", "its"];

#[test]
fn every_sentence_reads_right_with_none_one_and_two() {
    let mut wrong = vec![];
    for form in forms(CORE) {
        let never = NEVER.iter().filter(|(of, ..)| form.english.contains(of)).flat_map(|(_, n, _)| *n);
        let never: Vec<u32> = never.copied().collect();
        for number in [0, 1, 2].into_iter().filter(|n| !never.contains(n)) {
            let of = |l: Language| if l == Language::En { &form.english } else { &form.own[l.tag()] };
            for language in Language::ALL {
                let text = filled(of(language), language, number);
                let words: Vec<&str> = text.split_whitespace().collect();
                let number = number.to_string();
                for pair in words.windows(2).filter(|_| like_one(language, number.parse().unwrap())) {
                    let after = pair[1].trim_end_matches(|c: char| !c.is_alphanumeric());
                    let many = after.len() > 2 && after.ends_with(['s', 'x']) && !NO_PLURALS.contains(&after);
                    if pair[0] == number && many {
                        wrong.push(format!("{} {}: {text}", form.mark, language.tag()));
                    }
                }
            }
        }
    }
    wrong.dedup();
    let english: Vec<String> = forms(CORE).into_iter().map(|f| f.english).collect();
    for (of, _, why) in NEVER {
        assert!(english.iter().any(|e| e.contains(of)), "no sentence has '{of}' ({why}) any more");
    }
    assert!(wrong.is_empty(), "{} read wrong:\n{}", wrong.len(), wrong.join("\n"));
}

/// The rule that chooses, against CLDR's own examples (CLDR 48.2, supplemental plurals: en one `@integer 1`, fr one
/// `@integer 0, 1 @decimal 0.0~1.5`, es one `@integer 1 @decimal 1.0, 1.00`).
#[test]
fn outside_the_language_chooses_as_cldr_says() {
    let table = "~ {#n} [n|day|days]\nfr {#n} [n|jour|jours]\nes {#n} [n|día|días]\n\
                 = Wait {~long}.\nfr Attendez {~long}.\nes Espere {~long}.\n";
    let say = |language: Language, english: &str| {
        let messages = format!("{}\u{c}{table}", language.source());
        Words::read(language, messages).core(english).text
    };
    for number in ["0", "1", "0.5", "1.5"] {
        let english = format!("Wait {number} day{}.", if number == "1" { "" } else { "s" });
        assert_eq!(say(Language::Fr, &english), format!("Attendez {number} jour."));
    }
    for number in ["2", "17", "100", "2.0", "1234"] {
        let english = format!("Wait {number} days.");
        assert_eq!(say(Language::Fr, &english), format!("Attendez {number} jours."));
        assert_eq!(say(Language::Es, &english), format!("Espere {number} días."));
    }
    for (english, own) in
        [("1 day", "1 día"), ("0 days", "0 días"), ("1.5 days", "1.5 días"), ("1.0 days", "1.0 día")]
    {
        assert_eq!(say(Language::Es, &format!("Wait {english}.")), format!("Espere {own}."));
    }
    for language in Language::ALL {
        let said = Words::new(language).numbers("exchanged", &[("sent", 1), ("received", 0)], &[]);
        assert!(
            !said.contains("1 lines") && !said.contains("1 lignes") && !said.contains("1 líneas"),
            "{said}"
        );
    }
}
