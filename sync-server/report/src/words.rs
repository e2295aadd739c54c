//! The words of the portal and the report, in Fluent files that a translator can add to
//! (<https://projectfluent.org>). The report says what the portal says where both say it.

use std::sync::OnceLock;

use fluent_bundle::concurrent::FluentBundle;
use fluent_bundle::{FluentArgs, FluentResource};
use unic_langid::LanguageIdentifier;

/// Languages there are: their code and their own name. English stands in for what one lacks.
pub const LANGUAGES: [(&str, &str); 3] = [("en", "English"), ("fr", "Français"), ("es", "Español")];
/// Of each language the portal's messages and the report's own.
const TEXTS: [[&str; 2]; 3] = [
    [include_str!("../../src/portal/locales/en.ftl"), include_str!("../locales/en.ftl")],
    [include_str!("../../src/portal/locales/fr.ftl"), include_str!("../locales/fr.ftl")],
    [include_str!("../../src/portal/locales/es.ftl"), include_str!("../locales/es.ftl")],
];

type Bundle = FluentBundle<FluentResource>;

fn bundle(index: usize) -> Bundle {
    let language: LanguageIdentifier = LANGUAGES[index].0.parse().unwrap_or_default();
    let mut bundle = Bundle::new_concurrent(vec![language]);
    // A test reads every file whole; what cannot be read here is left out and falls back.
    for text in TEXTS[index] {
        let resource = FluentResource::try_new(text.to_owned()).unwrap_or_else(|(part, _)| part);
        let _ = bundle.add_resource(resource);
    }
    bundle
}

fn bundles() -> &'static [Bundle; 3] {
    static BUNDLES: OnceLock<[Bundle; 3]> = OnceLock::new();
    BUNDLES.get_or_init(|| [bundle(0), bundle(1), bundle(2)])
}

/// The words of one language.
#[derive(Clone, Copy, Debug)]
pub struct Words(usize);

impl Words {
    /// Of a language's code, if there is one.
    pub fn of(code: &str) -> Option<Self> {
        LANGUAGES.iter().position(|(c, _)| *c == code).map(Self)
    }

    /// English, which stands in for every other.
    pub fn english() -> Self {
        Self(0)
    }

    /// Its code.
    pub fn code(self) -> &'static str {
        LANGUAGES[self.0].0
    }

    /// A message with values, without the marks that set a value apart: for a page that is drawn sign by sign.
    pub fn plain(self, id: &str, values: &[(&str, String)]) -> String {
        self.with(id, values).replace(['\u{2068}', '\u{2069}'], "")
    }

    /// A message.
    pub fn say(self, id: &str) -> String {
        self.with(id, &[])
    }

    /// A message with values.
    pub fn with(self, id: &str, values: &[(&str, String)]) -> String {
        let mut args = FluentArgs::new();
        for (name, value) in values {
            // Numbers choose plural forms, so they go in as numbers.
            match value.parse::<i64>() {
                Ok(number) if number.to_string() == *value => args.set((*name).to_owned(), number),
                _ => args.set((*name).to_owned(), crate::clean(value)),
            }
        }
        for bundle in [&bundles()[self.0], &bundles()[0]] {
            if let Some(pattern) = bundle.get_message(id).and_then(|m| m.value()) {
                return bundle.format_pattern(pattern, Some(&args), &mut vec![]).into_owned();
            }
        }
        id.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    fn ids(text: &str) -> BTreeSet<&str> {
        text.lines()
            .filter(|l| !l.starts_with(['#', ' ']) && l.contains(" ="))
            .filter_map(|l| l.split(" =").next())
            .collect()
    }

    fn variables(text: &str) -> BTreeSet<String> {
        text.split('$')
            .skip(1)
            .map(|v| v.chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '-').collect())
            .collect()
    }

    #[test]
    fn every_language_is_whole_and_has_the_same_messages_and_values() {
        for (language, part) in TEXTS.iter().flat_map(|texts| texts.iter().enumerate().map(|(i, t)| (*t, i)))
        {
            assert!(FluentResource::try_new(language.to_owned()).is_ok());
            assert_eq!(ids(language), ids(TEXTS[0][part]));
            assert_eq!(variables(language), variables(TEXTS[0][part]));
        }
    }

    #[test]
    fn the_report_has_no_message_that_the_portal_has_too() {
        assert!(ids(TEXTS[0][0]).is_disjoint(&ids(TEXTS[0][1])));
    }

    #[test]
    fn plural_forms_follow_the_number() {
        let say = |code, n: i64| Words::of(code).unwrap().with("trees-treated", &[("count", n.to_string())]);
        assert!(say("en", 1).contains("tree") && !say("en", 1).contains("trees"));
        assert!(say("en", 2).contains("trees"));
        assert!(say("fr", 2).contains("arbres") && !say("fr", 1).contains("arbres"));
        assert!(say("es", 2).contains("árboles"));
    }
}
