//! What the core says, asked for in the other languages of the field app.

use std::collections::BTreeSet;

use bolebook_core::dosing::advice::Advice;
use bolebook_core::dosing::layout::scale::Scale;
use bolebook_field_core::words::{Language, Words};

thread_local! {
    // Read once: a property asks for thousands of advices.
    static WORDS: [Words; 2] = [Language::Fr, Language::Es].map(Words::new);
}

/// Words that would show a sentence half in English; no name or note of the invented worlds has them.
const ENGLISH: [&str; 9] =
    [" the ", " is ", " which ", " asks ", " have ", " should ", " was ", " were ", " between "];

/// Each of these is said in French and in Spanish, with nothing left in English.
pub fn in_each_language(said: impl IntoIterator<Item = String>) {
    let said: BTreeSet<String> = said.into_iter().collect();
    let whole = |words: &Words, english: &str| {
        let own = words.core(english);
        assert!(!own.english, "not in {}, see DEVELOPERS.md: {english}", words.language().tag());
        for word in ENGLISH {
            assert!(!own.text.contains(word), "half in English: {}\n{english}", own.text);
        }
    };
    WORDS.with(|all| all.iter().for_each(|words| said.iter().for_each(|english| whole(words, english))));
}

/// All that an advice says of itself; a label's own words stay as they are.
#[allow(dead_code, reason = "not every test program has an advice")]
pub fn advice(advice: &Advice) -> Vec<String> {
    let cautions = advice.stops.iter().chain(&advice.cautions);
    let mut said: Vec<String> = cautions.flat_map(|c| [c.text.clone(), c.source.clone()]).collect();
    said.extend(advice.reading.clone());
    said.extend(advice.handling.iter().map(|line| (*line).to_owned()));
    if let Some(plan) = &advice.plan {
        said.push(plan.charges.note.clone());
        for scale in [Scale::Cm, Scale::In] {
            said.push(format!("{}.", plan.layout.instruction_in(scale)));
            said.extend(plan.layout.depth_and_table(scale, &[], "").lines().map(str::to_owned));
        }
    }
    said
}
