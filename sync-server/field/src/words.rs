//! What the app says, in the crew's language (Fluent). English, French and Spanish stand in
//! `locales`; what the core says of a dose is English in all of them, until it has words of its own.

use fluent_bundle::{FluentArgs, FluentBundle, FluentResource, FluentValue};
use serde::{Deserialize, Serialize};
use unic_langid::{LanguageIdentifier, langid};

/// The languages there are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Language {
    /// English.
    #[default]
    En,
    /// French.
    Fr,
    /// Spanish.
    Es,
}

impl Language {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::En, Self::Fr, Self::Es];

    /// Its BCP 47 tag.
    pub const fn tag(self) -> &'static str {
        match self {
            Self::En => "en",
            Self::Fr => "fr",
            Self::Es => "es",
        }
    }

    /// Its name in itself.
    pub const fn name(self) -> &'static str {
        match self {
            Self::En => "English",
            Self::Fr => "Français",
            Self::Es => "Español",
        }
    }

    /// The language of a BCP 47 tag, by its first part.
    pub fn of_tag(tag: &str) -> Option<Self> {
        let first = tag.split('-').next().unwrap_or_default();
        Self::ALL.into_iter().find(|l| l.tag().eq_ignore_ascii_case(first))
    }

    /// Its messages. The page has them as files beside the program, for a phone needs one language.
    pub const fn source(self) -> &'static str {
        match self {
            Self::En => include_str!("../locales/en.ftl"),
            Self::Fr => include_str!("../locales/fr.ftl"),
            Self::Es => include_str!("../locales/es.ftl"),
        }
    }

    fn id(self) -> LanguageIdentifier {
        match self {
            Self::En => langid!("en"),
            Self::Fr => langid!("fr"),
            Self::Es => langid!("es"),
        }
    }
}

/// The messages of one language.
pub struct Words {
    language: Language,
    bundle: FluentBundle<FluentResource>,
}

impl Words {
    /// Loads a language from its own source.
    pub fn new(language: Language) -> Self {
        Self::read(language, language.source().to_owned())
    }

    /// Loads a language from messages kept elsewhere.
    pub fn read(language: Language, messages: String) -> Self {
        let mut bundle = FluentBundle::new(vec![language.id()]);
        // No right-to-left language is here, and the marks would stand in what tests compare.
        bundle.set_use_isolating(false);
        // What cannot be parsed is left out, and shows as its name; a test reads every file.
        let resource = match FluentResource::try_new(messages) {
            Ok(resource) | Err((resource, _)) => resource,
        };
        let _ = bundle.add_resource(resource);
        Self { language, bundle }
    }

    /// The language.
    pub fn language(&self) -> Language {
        self.language
    }

    /// A message without arguments.
    pub fn say(&self, id: &str) -> String {
        self.with(id, &[])
    }

    /// A message with texts put in.
    pub fn with(&self, id: &str, texts: &[(&str, &str)]) -> String {
        let mut args = FluentArgs::new();
        for (name, text) in texts {
            args.set(*name, FluentValue::from(*text));
        }
        self.format(id, &args)
    }

    /// A message with a count, which may choose its form, and texts.
    pub fn count(&self, id: &str, count: usize, texts: &[(&str, &str)]) -> String {
        let mut args = FluentArgs::new();
        args.set("count", FluentValue::from(count));
        for (name, text) in texts {
            args.set(*name, FluentValue::from(*text));
        }
        self.format(id, &args)
    }

    fn format(&self, id: &str, args: &FluentArgs<'_>) -> String {
        let Some(pattern) = self.bundle.get_message(id).and_then(|m| m.value()) else {
            return id.to_owned();
        };
        self.bundle.format_pattern(pattern, Some(args), &mut vec![]).into_owned()
    }
}
