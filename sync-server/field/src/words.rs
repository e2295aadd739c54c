//! What the app says, in the crew's language (Fluent), and what the core says, by its table of
//! [`crate::sentences`]. English, French and Spanish stand in `locales`.

use fluent_bundle::{FluentArgs, FluentBundle, FluentResource, FluentValue};
use serde::{Deserialize, Serialize};
use unic_langid::{LanguageIdentifier, langid};

use crate::sentences::{Said, Sentences};

/// Between a language's messages and the table of the core's sentences (form feed).
const TABLE: char = '\u{c}';

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

    /// Its messages, and behind them the table of the core's sentences, as the page hands them over.
    pub fn messages(self) -> String {
        format!("{}{TABLE}{}", self.source(), CORE)
    }

    fn id(self) -> LanguageIdentifier {
        match self {
            Self::En => langid!("en"),
            Self::Fr => langid!("fr"),
            Self::Es => langid!("es"),
        }
    }
}

/// The core's sentences in every language but its own.
pub const CORE: &str = include_str!("../locales/core.txt");

/// The messages of one language.
pub struct Words {
    language: Language,
    bundle: FluentBundle<FluentResource>,
    sentences: Sentences,
}

impl Words {
    /// Loads a language from its own source.
    pub fn new(language: Language) -> Self {
        Self::read(language, language.messages())
    }

    /// Loads a language from messages kept elsewhere ([`Language::messages`]). Without a table the
    /// core's sentences stay English.
    pub fn read(language: Language, mut messages: String) -> Self {
        let mut sentences = Sentences::default();
        if let Some(at) = messages.find(TABLE) {
            sentences = Sentences::read(&messages[at + 1..], language.tag());
            messages.truncate(at);
        }
        let mut bundle = FluentBundle::new(vec![language.id()]);
        // No right-to-left language is here, and the marks would stand in what tests compare.
        bundle.set_use_isolating(false);
        // What cannot be parsed is left out, and shows as its name; a test reads every file.
        let resource = match FluentResource::try_new(messages) {
            Ok(resource) | Err((resource, _)) => resource,
        };
        let _ = bundle.add_resource(resource);
        Self { language, bundle, sentences }
    }

    /// What the core says, in this language; in English, and marked so, where it has no words for it.
    pub fn core(&self, english: &str) -> Said {
        match self.sentences.say(english) {
            Some(text) => text.into(),
            None => Said { text: english.to_owned(), english: self.language != Language::En },
        }
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
        self.numbers(id, &[("count", count as u64)], texts)
    }

    /// A message with numbers, which may choose its form, and texts.
    pub fn numbers(&self, id: &str, numbers: &[(&str, u64)], texts: &[(&str, &str)]) -> String {
        let mut args = FluentArgs::new();
        for (name, number) in numbers {
            args.set(*name, FluentValue::from(*number));
        }
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
