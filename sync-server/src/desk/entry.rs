//! What forms of entry share: fields as typed, what is wrong with each beside it, and figures whose
//! unit is chosen, never assumed.

use std::collections::BTreeMap;

use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Redirect, Response};
use maud::{Markup, html};

use crate::desk::forms::Fields;
use crate::desk::page::{Desk, Page, clean, text, whole};
use crate::desk::web::Told;
use crate::error::ApiError;

/// Most rows of one list in a form.
pub const MOST_ROWS: usize = 60;

/// A form's fields by their paths, such as `rates.0.usual`.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Typed(BTreeMap<String, String>);

impl Typed {
    /// As they came.
    pub fn of(fields: &Fields) -> Self {
        let mut typed = Self::default();
        for (name, value) in fields.iter().filter(|(name, _)| !["token", "do"].contains(name)) {
            typed.0.entry(name.to_owned()).or_insert_with(|| value.trim().to_owned());
        }
        typed
    }

    /// A field's text; empty when it did not come.
    pub fn text(&self, path: &str) -> &str {
        self.0.get(path).map_or("", String::as_str)
    }

    /// A field's text when something is in it.
    pub fn some(&self, path: &str) -> Option<&str> {
        Some(self.text(path)).filter(|t| !t.is_empty())
    }

    /// Presets a field.
    pub fn put(&mut self, path: impl Into<String>, value: impl Into<String>) {
        self.0.insert(path.into(), value.into());
    }

    /// How many rows a list has: those that came, at least `least`.
    pub fn rows(&self, list: &str, least: usize) -> usize {
        let number = |path: &String| {
            let (number, _) = path.strip_prefix(list)?.strip_prefix('.')?.split_once('.')?;
            number.parse::<usize>().ok().filter(|n| *n < MOST_ROWS)
        };
        self.0.keys().filter_map(number).max().map_or(0, |n| n + 1).max(least)
    }

    /// Does what a button of the form says to a list: `add rates` or `remove rates 2` (from 1).
    /// Whether it was such a button.
    pub fn edited(&mut self, button: &str, lists: &[(&'static str, usize)]) -> bool {
        let mut words = button.split(' ');
        let (what, list) = (words.next().unwrap_or(""), words.next().unwrap_or(""));
        let Some((list, least)) = lists.iter().find(|(name, _)| *name == list).copied() else { return false };
        let rows = self.rows(list, least);
        match (what, words.next().and_then(|n| n.parse::<usize>().ok())) {
            ("add", None) if rows < MOST_ROWS => self.put(format!("{list}.{rows}.row"), "new"),
            ("remove", Some(number)) if (1..=rows).contains(&number) => self.remove(list, number - 1),
            _ => {}
        }
        matches!(what, "add" | "remove")
    }

    fn remove(&mut self, list: &str, row: usize) {
        let mut kept = BTreeMap::new();
        for (path, value) in std::mem::take(&mut self.0) {
            let place = path.strip_prefix(list).and_then(|rest| rest.strip_prefix('.')?.split_once('.'));
            let numbered = place.and_then(|(n, rest)| Some((n.parse::<usize>().ok()?, rest)));
            match numbered {
                Some((n, _)) if n == row => {}
                Some((n, rest)) if n > row => drop(kept.insert(format!("{list}.{}.{rest}", n - 1), value)),
                _ => drop(kept.insert(path, value)),
            }
        }
        self.0 = kept;
    }

    /// A digest of everything typed, but for what a check itself adds.
    pub fn digest(&self) -> String {
        let told = self.0.iter().filter(|(path, value)| {
            !value.is_empty() && !["checked", "looked"].contains(&path.as_str()) && !path.ends_with(".row")
        });
        let text: String = told.map(|(path, value)| format!("{path}\0{value}\0")).collect();
        bolebook_core::ids::Sha256Hash::of(text.as_bytes()).to_string()
    }
}

/// What is wrong or worth knowing, by field; an empty path is the form as a whole.
#[derive(Clone, Debug, Default)]
pub struct Problems {
    wrong: Vec<(String, String)>,
    notes: Vec<(String, String)>,
}

impl Problems {
    /// Something that keeps the form from being entered.
    pub fn wrong(&mut self, path: impl Into<String>, why: impl Into<String>) {
        self.wrong.push((path.into(), why.into()));
    }

    /// Something worth knowing.
    pub fn note(&mut self, path: impl Into<String>, what: impl Into<String>) {
        self.notes.push((path.into(), what.into()));
    }

    /// Whether the form may be entered.
    pub fn none(&self) -> bool {
        self.wrong.is_empty()
    }

    /// What is worth knowing, each once.
    pub fn notes(&self) -> Vec<&str> {
        let mut notes: Vec<&str> = self.notes.iter().map(|(_, n)| n.as_str()).collect();
        notes.dedup();
        notes
    }

    fn of<'a>(list: &'a [(String, String)], path: &'a str) -> impl Iterator<Item = &'a str> {
        list.iter().filter(move |(p, _)| p == path).map(|(_, why)| why.as_str())
    }

    /// All that is wrong, at the top, each with a link to its field. `at` says which fields the form
    /// shows, by path.
    pub fn summary(&self) -> Markup {
        let mut said: Vec<&str> = vec![];
        let mut listed = vec![];
        for (path, why) in &self.wrong {
            if !said.contains(&why.as_str()) || path.is_empty() {
                said.push(why);
                listed.push((path, why));
            }
        }
        html! {
            @if !listed.is_empty() {
                section.wrong role="alert" aria-labelledby="to-correct" {
                    h2 id="to-correct" { @if listed.len() == 1 { "One thing to correct" } @else { (listed.len()) " things to correct" } }
                    ul { @for (path, why) in listed { li {
                        @if path.is_empty() { (text(why)) } @else { a href=(format!("#{}", dom(path))) { (text(why)) } }
                    } } }
                }
            }
        }
    }
}

/// The id of a field in a page.
pub fn dom(path: &str) -> String {
    let plain: String = path.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect();
    format!("f-{plain}")
}

/// A form being shown.
#[derive(Clone, Copy)]
pub struct Form<'a> {
    /// What was typed.
    pub typed: &'a Typed,
    /// What is wrong with it.
    pub problems: &'a Problems,
}

impl Form<'_> {
    fn invalid(&self, path: &str) -> Option<&'static str> {
        Problems::of(&self.problems.wrong, path).next().map(|_| "true")
    }

    fn described(&self, path: &str, hint: &str) -> Option<String> {
        let id = dom(path);
        let told = Problems::of(&self.problems.wrong, path).chain(Problems::of(&self.problems.notes, path));
        let ids =
            [(!hint.is_empty()).then(|| format!("{id}-h")), told.count().gt(&0).then(|| format!("{id}-e"))];
        let ids: Vec<String> = ids.into_iter().flatten().collect();
        (!ids.is_empty()).then(|| ids.join(" "))
    }

    fn told(&self, path: &str, hint: &str) -> Markup {
        let id = dom(path);
        let wrong: Vec<&str> = Problems::of(&self.problems.wrong, path).collect();
        let notes: Vec<&str> = Problems::of(&self.problems.notes, path).collect();
        html! {
            @if !hint.is_empty() { p.hint id=(format!("{id}-h")) { (hint) } }
            @if !wrong.is_empty() || !notes.is_empty() {
                div id=(format!("{id}-e")) {
                    @for why in wrong { p.fault { (text(why)) } }
                    @for note in notes { p.notice { (text(note)) } }
                }
            }
        }
    }

    fn around(&self, path: &str, label: &str, hint: &str, needed: bool, field: &Markup) -> Markup {
        html! {
            div.entry {
                label for=(dom(path)) { (label) @if needed { " " span.needed { "needed" } } }
                (field)
                (self.told(path, hint))
            }
        }
    }

    /// A text of one line; `kind` is the input's type.
    pub fn text(&self, path: &str, label: &str, hint: &str, needed: bool, kind: &str) -> Markup {
        let field = html! { input id=(dom(path)) name=(path) type=(kind) value=(clean(self.typed.text(path))) maxlength="4000"
        inputmode=[(kind == "text" && hint.contains("whole number")).then_some("numeric")]
        aria-invalid=[self.invalid(path)] aria-describedby=[self.described(path, hint)]; };
        self.around(path, label, hint, needed, &field)
    }

    /// A text of one line that offers words to choose from.
    pub fn offered(&self, path: &str, label: &str, hint: &str, words: &str) -> Markup {
        let field = html! { input id=(dom(path)) name=(path) value=(clean(self.typed.text(path))) maxlength="4000" list=(words)
        aria-invalid=[self.invalid(path)] aria-describedby=[self.described(path, hint)]; };
        self.around(path, label, hint, true, &field)
    }

    /// A text of several lines.
    pub fn lines(&self, path: &str, label: &str, hint: &str, needed: bool) -> Markup {
        let field = html! { textarea id=(dom(path)) name=(path) rows="3" maxlength="16000"
        aria-invalid=[self.invalid(path)] aria-describedby=[self.described(path, hint)] { (clean(self.typed.text(path))) } };
        self.around(path, label, hint, needed, &field)
    }

    /// A figure with the unit it is given in.
    pub fn figure(&self, path: &str, label: &str, hint: &str, needed: bool, units: &[&str]) -> Markup {
        let unit = format!("{path}.unit");
        let chosen = self.typed.text(&unit);
        let field = html! {
            div.figure {
                input id=(dom(path)) name=(path) value=(clean(self.typed.text(path))) inputmode="decimal" maxlength="60" autocomplete="off"
                    aria-invalid=[self.invalid(path)] aria-describedby=[self.described(path, hint)];
                select name=(unit) aria-label=(format!("Unit: {label}")) {
                    option value="" { "unit" }
                    @for one in units { option value=(one) selected[chosen == *one] { (one) } }
                }
            }
        };
        self.around(path, label, hint, needed, &field)
    }

    /// One of several words: what is sent, and what is shown.
    pub fn choice(
        &self,
        path: &str,
        label: &str,
        hint: &str,
        needed: bool,
        words: &[(String, String)],
    ) -> Markup {
        let chosen = self.typed.text(path);
        let field = html! {
            select id=(dom(path)) name=(path) aria-invalid=[self.invalid(path)] aria-describedby=[self.described(path, hint)] {
                option value="" { @if needed { "choose" } @else { "not said" } }
                @for (value, shown) in words { option value=(value) selected[chosen == value] { (clean(shown)) } }
            }
        };
        self.around(path, label, hint, needed, &field)
    }

    /// Something that is said or not.
    pub fn tick(&self, path: &str, label: &str) -> Markup {
        html! {
            div.entry.ticked {
                input type="checkbox" id=(dom(path)) name=(path) value="yes" checked[self.typed.some(path).is_some()]
                    aria-invalid=[self.invalid(path)] aria-describedby=[self.described(path, "")];
                label for=(dom(path)) { (label) }
                (self.told(path, ""))
            }
        }
    }

    /// Buttons that add a row to a list, or take one away.
    pub fn add(&self, list: &str, what: &str) -> Markup {
        html! { button name="do" value=(format!("add {list}")) { "Add " (what) } }
    }

    /// The button that takes a row away.
    pub fn remove(&self, list: &str, row: usize, what: &str) -> Markup {
        html! {
            input type="hidden" name=(format!("{list}.{row}.row")) value="shown";
            button name="do" value=(format!("remove {list} {}", row + 1)) { "Remove " (what) " " (row + 1) }
        }
    }
}

/// Pairs of a word and what it is called, for [`Form::choice`].
pub fn words(pairs: &[(&str, &str)]) -> Vec<(String, String)> {
    pairs.iter().map(|(value, shown)| ((*value).to_owned(), (*shown).to_owned())).collect()
}

/// What a form of entry answers with.
pub enum Answer {
    /// The form again, as asked.
    Page(Page),
    /// The form again, for what is wrong with it.
    Refused(Page),
    /// Written: another page.
    Went(String),
}

/// Answers a form away from the threads that answer, for checks of a large file take their time.
///
/// # Errors
/// The work's own.
pub async fn answered(
    desk: Desk,
    work: impl FnOnce(&Desk) -> Result<Answer, ApiError> + Send + 'static,
) -> Result<Response, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |_| {
        Ok(match work(&desk)? {
            Answer::Page(page) => whole(&desk, &page)?.into_response(),
            Answer::Refused(page) => {
                let mut response = (StatusCode::UNPROCESSABLE_ENTITY, whole(&desk, &page)?).into_response();
                response.extensions_mut().insert(Told);
                response
            }
            Answer::Went(to) => Redirect::to(&to).into_response(),
        })
    })
    .await
}

#[cfg(test)]
mod tests {
    use super::*;

    fn typed(text: &str) -> Typed {
        Typed::of(&Fields::read(text.as_bytes()))
    }

    #[test]
    fn rows_are_added_and_taken_away_by_buttons() {
        let lists = [("rates", 1)];
        let mut form = typed("rates.0.usual=1&rates.1.usual=2&rates.2.usual=3&name=x");
        assert_eq!(form.rows("rates", 1), 3);
        assert!(form.edited("remove rates 2", &lists));
        assert_eq!((form.rows("rates", 1), form.text("rates.1.usual"), form.text("name")), (2, "3", "x"));
        assert!(form.edited("add rates", &lists));
        assert_eq!(form.rows("rates", 1), 3);
        for odd in ["check", "add other", "remove rates 9", "remove rates -1", ""] {
            let before = form.clone();
            form.edited(odd, &lists);
            assert_eq!(form, before, "{odd}");
        }
    }

    #[test]
    fn what_was_checked_is_known_again_and_nothing_else_is() {
        let one = typed("a=1&b=&checked=x&looked=yes&rates.0.row=shown");
        assert_eq!(one.digest(), typed("a=1").digest());
        assert_ne!(one.digest(), typed("a=2").digest());
        assert_ne!(one.digest(), typed("a=1&b=2").digest());
    }
}
