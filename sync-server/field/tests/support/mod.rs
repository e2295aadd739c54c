//! The table of sentences, read for the tests.

use std::collections::BTreeMap;

use bolebook_field_core::words::Language;

/// A form of the core's and the same in each language.
pub struct Form {
    /// Its mark: `=`, `~`, `~hole`, `+` or `&`.
    pub mark: String,
    /// The English form.
    pub english: String,
    /// The form in each language, by tag.
    pub own: BTreeMap<String, String>,
}

/// The table's forms, in its order.
pub fn forms(table: &str) -> Vec<Form> {
    let mut found: Vec<Form> = vec![];
    for line in table.lines().filter(|l| !l.is_empty() && !l.starts_with('#')) {
        let (mark, form) = line.split_once(' ').unwrap_or_else(|| panic!("no form: '{line}'"));
        if mark.starts_with(['=', '~', '+', '&']) {
            found.push(Form { mark: mark.into(), english: form.into(), own: BTreeMap::new() });
        } else {
            let last = found.last_mut().unwrap_or_else(|| panic!("of nothing: '{line}'"));
            let before = last.own.insert(mark.into(), form.into());
            assert!(before.is_none(), "'{}' stands twice in {mark}", last.english);
        }
    }
    found
}

/// A form's choices: of which hole, and what goes with one and with other numbers.
pub fn choices(form: &str) -> Vec<[&str; 3]> {
    let inside = form.split('[').skip(1).map(|rest| rest.split(']').next().unwrap());
    let parts = inside.map(|choice| choice.split('|').collect::<Vec<_>>());
    parts.map(|parts| parts.try_into().unwrap_or_else(|_| panic!("one|other: '{form}'"))).collect()
}

/// A form's holes, with their signs.
pub fn holes(form: &str) -> Vec<&str> {
    form.split('{').skip(1).map(|rest| rest.split('}').next().unwrap()).collect()
}

/// A hole's sign, if it has one, and its name.
pub fn parted(hole: &str) -> (Option<char>, &str) {
    let name = hole.trim_start_matches(['#', '~', '-', '.', '!']);
    (hole.chars().next().filter(|_| name.len() < hole.len()), name)
}

/// Whether a language says a whole number like one thing. Source: CLDR 48.2, supplemental plurals, cardinal
/// rules: en `one: i = 1 and v = 0`; fr `one: i = 0,1`; es `one: n = 1`.
pub fn like_one(language: Language, number: u32) -> bool {
    match language {
        Language::En | Language::Es => number == 1,
        Language::Fr => number <= 1,
    }
}

/// A form of a language with all its holes filled, each figure with the same number.
pub fn filled(form: &str, language: Language, number: u32) -> String {
    let mut text = form.to_owned();
    for hole in holes(form) {
        let value = if parted(hole).0 == Some('#') { number.to_string() } else { "Qw-1".to_owned() };
        text = text.replace(&format!("{{{hole}}}"), &value);
    }
    for [of, one, other] in choices(form) {
        let goes = if like_one(language, number) { one } else { other };
        text = text.replace(&format!("[{of}|{one}|{other}]"), goes);
    }
    text
}
