//! Every message stands in every language, with the same texts put in, and every message the code
//! asks for is there.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use bolebook_field_core::words::{Language, Words};

/// A file's messages with the names put into them.
fn messages(source: &str) -> BTreeMap<String, BTreeSet<String>> {
    let mut found: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    let mut last = String::new();
    for line in source.lines().filter(|l| !l.starts_with('#')) {
        if let Some((id, _)) =
            line.split_once(" = ").filter(|_| line.starts_with(|c: char| c.is_ascii_lowercase()))
        {
            last = id.to_owned();
            assert!(found.insert(last.clone(), BTreeSet::new()).is_none(), "{last} twice");
        }
        let names = line.split("{ $").skip(1).filter_map(|rest| rest.split([' ', '}']).next());
        found.entry(last.clone()).or_default().extend(names.map(str::to_owned));
    }
    found.remove("");
    found
}

#[test]
fn every_language_says_the_same_things() {
    let english = messages(Language::En.source());
    assert!(english.len() > 300);
    for language in [Language::Fr, Language::Es] {
        let other = messages(language.source());
        for (id, names) in &english {
            assert_eq!(other.get(id), Some(names), "{id} in {}", language.name());
        }
        assert_eq!(other.len(), english.len(), "{}", language.name());
    }
}

#[test]
fn every_message_can_be_said_and_none_is_left_unresolved() {
    for language in Language::ALL {
        let words = Words::new(language);
        for (id, names) in messages(language.source()) {
            let texts: Vec<(&str, &str)> = names.iter().map(|n| (n.as_str(), "7")).collect();
            let said = words.count(&id, 3, &texts);
            assert!(!said.contains('{') && !said.contains('$') && !said.is_empty(), "{id}: {said}");
        }
    }
}

fn sources(folder: &Path, found: &mut String) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else {
            found.push_str(&std::fs::read_to_string(&path).unwrap());
        }
    }
}

#[test]
fn every_message_the_code_asks_for_is_there() {
    let mut code = String::new();
    sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"), &mut code);
    let there = messages(Language::En.source());
    let mut asked = 0;
    for call in [".say(\"", ".with(\"", ".count(\"", ".numbers(\"", "pair(\"", "row(\"", "text(\""] {
        for rest in code.split(call).skip(1) {
            let id = rest.split('"').next().unwrap();
            if id.is_empty() || !id.starts_with(|c: char| c.is_ascii_lowercase()) || CLASSES.contains(&id) {
                continue;
            }
            assert!(there.contains_key(id), "'{id}' is not in en.ftl");
            asked += 1;
        }
    }
    assert!(asked > 200, "{asked}");
}

/// Classes of paragraphs (`page.say("hint", …)`), which are no messages.
const CLASSES: [&str; 8] = ["lead", "hint", "where", "stopped", "alert", "invented", "mind", "dose"];
