//! What the core says, in the crew's language. The core's sentences are English, and stay so in
//! the record; a table beside the app has the form of each, with holes, and the same in another
//! language. A sentence is shown in that language whole, or in English whole: what stands in a hole
//! is people's words, a figure, or the core's own words that the table has too. What goes with a
//! figure, `[n|tree|trees]`, is chosen by the language's own rule for numbers.

use std::cell::{Cell, RefCell};
use std::collections::BTreeMap;

use intl_pluralrules::{PluralCategory, PluralRuleType, PluralRules};
use unic_langid::LanguageIdentifier;

/// Most places tried for one text. A note full of commas must not hold up a screen; the text is
/// then shown in English.
const MOST_STEPS: u32 = 200_000;
/// How deep forms may lie in one another: a phone's stack is small.
const DEEPEST: u8 = 24;

/// A text in the crew's language, or in English for want of it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Said {
    /// The text.
    pub text: String,
    /// Whether it is English although the crew's language is another, so that it is marked so.
    pub english: bool,
}

impl Said {
    /// Followed by another.
    pub fn and(mut self, next: &Self) -> Self {
        self.text.push(' ');
        self.text.push_str(&next.text);
        self.english |= next.english;
        self
    }
}

impl From<String> for Said {
    fn from(text: String) -> Self {
        Self { text, english: false }
    }
}

/// A piece of a form: what kind of hole (`' '` people's words, else its sign), `'"'` for words, or
/// `'['` for a choice.
type Piece = (char, String);

/// A form of the core's and the same in another language.
struct Form {
    /// `=` a sentence, `~` a part of one, `+` joined parts, `&` sentences one after another.
    kind: char,
    /// The only hole that takes this part; empty for any.
    only: String,
    english: Vec<Piece>,
    own: Vec<Piece>,
}

/// Where a text stands, which says what forms it can have.
#[derive(Clone, Copy)]
struct Place<'a> {
    part: bool,
    joins: bool,
    hole: &'a str,
    deep: u8,
}

/// A stretch of the text at hand and the place it stands in: both lie still while a text is looked up,
/// so that where they begin and how long they are names them.
type Stretch = ([usize; 4], bool, bool);

/// The core's sentences in one language.
#[derive(Default)]
pub struct Sentences {
    forms: Vec<Form>,
    rules: Option<PluralRules>,
    steps: Cell<u32>,
    /// What was found of stretches of the text at hand: each is looked at once, in however many ways the
    /// text around it can be cut.
    found: RefCell<BTreeMap<Stretch, Option<(usize, String)>>>,
}

/// A form's words, holes and choices.
fn pieces(form: &str) -> Vec<Piece> {
    let mut found = vec![];
    for (index, part) in form.split(['{', '}', '[', ']']).enumerate() {
        if index % 2 == 0 {
            if !part.is_empty() {
                found.push(('"', part.to_owned()));
            }
        } else if part.contains('|') {
            found.push(('[', part.to_owned()));
        } else {
            let name = part.trim_start_matches(['#', '~', '-', '.', '!']);
            let sign = part.chars().next().filter(|_| name.len() < part.len()).unwrap_or(' ');
            found.push((sign, name.to_owned()));
        }
    }
    found
}

/// Figures, days, times and ids: the same in every language.
fn figure(text: &str) -> bool {
    let id = |b: u8| b.is_ascii_hexdigit() || b == b'-';
    !text.is_empty() && (!text.contains(char::is_lowercase) || text.len() > 31 && text.bytes().all(id))
}

impl Sentences {
    /// Reads the table of every language for one of them, by its tag. What is no form is left out.
    pub fn read(table: &str, tag: &str) -> Self {
        let language = tag.parse::<LanguageIdentifier>().ok();
        let rules = language.and_then(|of| PluralRules::create(of, PluralRuleType::CARDINAL).ok());
        let mut sentences = Self { rules, ..Self::default() };
        let mut english = None;
        for line in table.lines() {
            let Some((mark, form)) = line.split_once(' ') else { continue };
            match mark.chars().next() {
                Some(kind @ ('=' | '~' | '+' | '&')) => english = Some((kind, &mark[1..], form)),
                _ if mark == tag => {
                    if let Some((kind, only, english)) = english {
                        let (english, own) = (pieces(english), pieces(form));
                        sentences.forms.push(Form { kind, only: only.to_owned(), english, own });
                    }
                }
                _ => {}
            }
        }
        // What leaves the least open comes first: nothing can fit better than what has no hole.
        sentences.forms.sort_by_key(|form| form.english.len());
        sentences
    }

    /// A text of the core's in this language; `None` when the table has no form for all of it.
    pub fn say(&self, english: &str) -> Option<String> {
        // A row of figures is nobody's language.
        if !english.contains(char::is_alphabetic) {
            return Some(english.to_owned());
        }
        self.steps.set(MOST_STEPS);
        let whole = Place { part: false, joins: true, hole: "", deep: 0 };
        let found = self.best(english, whole);
        self.found.borrow_mut().clear();
        found.filter(|_| self.steps.get() > 0).map(|(_, text)| text)
    }

    /// Of all forms of a text the one that leaves the fewest bytes to people's words.
    fn best(&self, text: &str, place: Place<'_>) -> Option<(usize, String)> {
        let Place { part, joins, hole, .. } = place;
        let at = [text.as_ptr() as usize, text.len(), hole.as_ptr() as usize, hole.len()];
        if let Some(known) = self.found.borrow().get(&(at, part, joins)) {
            return known.clone();
        }
        let best = self.looked_up(text, place);
        self.found.borrow_mut().insert((at, part, joins), best.clone());
        best
    }

    fn looked_up(&self, text: &str, place: Place<'_>) -> Option<(usize, String)> {
        let mut best = None;
        for form in &self.forms {
            if matches!(best, Some((0, _))) {
                break;
            }
            let fits = match form.kind {
                '=' => true,
                '~' => place.part,
                '+' => place.part && place.joins,
                _ => place.joins,
            };
            let begins = !matches!(form.english.first(), Some(('"', w)) if !text.starts_with(w.as_str()));
            let ends = !matches!(form.english.last(), Some(('"', w)) if !text.ends_with(w.as_str()));
            if fits && begins && ends && (form.only.is_empty() || form.only == place.hole) {
                self.fit(form, place, text, 0, &mut vec![], &mut best);
            }
        }
        best
    }

    /// Fits the form's pieces from `at` on to the rest of a text, in every way there is.
    fn fit(
        &self,
        form: &Form,
        place: Place<'_>,
        text: &str,
        cost: usize,
        held: &mut Vec<String>,
        best: &mut Option<(usize, String)>,
    ) {
        let at = held.len();
        let better = |best: &Option<(usize, String)>| best.as_ref().is_none_or(|(least, _)| cost < *least);
        let left = self.steps.get();
        if left == 0 || !better(best) {
            return;
        }
        self.steps.set(left - 1);
        let Some((sign, words)) = form.english.get(at) else {
            if text.is_empty() {
                *best = Some((cost, form.filled(held, self.rules.as_ref())));
            }
            return;
        };
        if matches!(sign, '"' | '[') {
            // Of a choice each; what it is of stands before the first.
            for words in words.split('|').skip(usize::from(*sign == '[')) {
                if let Some(rest) = text.strip_prefix(words) {
                    held.push(String::new());
                    self.fit(form, place, rest, cost, held, best);
                    held.pop();
                }
            }
            return;
        }
        // A hole reaches to where the next words begin; the last one to the end.
        let next = form.english.get(at + 1).map(|(_, words)| words.as_str());
        let mut from = 0;
        loop {
            let end = match next {
                None => text.len(),
                Some(words) => match text.get(from..).and_then(|rest| rest.find(words)) {
                    Some(index) => from + index,
                    None => return,
                },
            };
            let (inside, rest) = text.split_at(end);
            // Joined parts stand where the whole of them stands.
            let hole = if form.kind == '+' { place.hole } else { words };
            if let Some((more, value)) = self.inside(*sign, Place { hole, ..place }, inside) {
                held.push(value);
                self.fit(form, place, rest, cost + more, held, best);
                held.pop();
            }
            let Some(words) = next else { return };
            from = end + words.len();
        }
    }

    /// What a hole holds, in this language.
    fn inside(&self, sign: char, place: Place<'_>, text: &str) -> Option<(usize, String)> {
        match sign {
            ' ' => (!text.is_empty()).then(|| (text.len(), text.to_owned())),
            '#' => figure(text).then(|| (0, text.to_owned())),
            '.' if !text.ends_with(['.', '?', '!']) => None,
            _ if text.is_empty() || place.deep >= DEEPEST => None,
            _ => {
                let (part, joins) = (matches!(sign, '~' | '-'), matches!(sign, '~' | '!'));
                self.best(text, Place { part, joins, deep: place.deep + 1, ..place })
            }
        }
    }
}

impl Form {
    /// The form in the other language, its holes filled by their names and its choices made.
    fn filled(&self, held: &[String], rules: Option<&PluralRules>) -> String {
        let holds = |name: &str| {
            let same = |(piece, _): &(&Piece, &String)| piece.0 != '"' && piece.1 == name;
            self.english.iter().zip(held).find(same).map_or("", |(_, value)| value.as_str())
        };
        let mut text = String::new();
        for (sign, words) in &self.own {
            text.push_str(match sign {
                '"' => words.as_str(),
                '[' => {
                    let mut of = words.split('|');
                    let number = holds(of.next().unwrap_or_default());
                    let one = rules.is_some_and(|r| r.select(number) == Ok(PluralCategory::ONE));
                    of.nth(usize::from(!one)).unwrap_or_default()
                }
                _ => holds(words),
            });
        }
        text
    }
}
