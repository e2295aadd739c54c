//! The app: opened from what the device stored, changed by acts, shown as screens.

use std::cell::{Ref, RefCell, RefMut};
use std::collections::BTreeMap;

use bolebook_core::quantity::UtcMs;

use crate::acts;
use crate::outside::{Outside, Trouble, setting};
use crate::place::Fixes;
use crate::screens;
use crate::state::{Damaged, Message, Screen, State};
use crate::turns::Turns;
use crate::words::{Language, Words};

/// The app could not be opened.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum OpenError {
    /// The device failed.
    #[error(transparent)]
    Trouble(#[from] Trouble),
    /// What it stored cannot be read.
    #[error(transparent)]
    Damaged(#[from] Damaged),
}

/// What stood in the screen's fields, by name.
pub type Fields = BTreeMap<String, String>;

/// The app on a device.
pub struct Field<D> {
    pub(crate) outside: D,
    pub(crate) turns: Turns,
    /// Whose turn it is to open the books.
    pub(crate) opening: Turns,
    /// Where the app is served from, and so where it joins.
    pub(crate) origin: String,
    state: RefCell<State>,
    words: RefCell<Words>,
    fixes: RefCell<Fixes>,
}

impl<D: Outside> Field<D> {
    /// Opens the app on what the device stored: with its ready-made view, if it has one of the lines
    /// it holds, and else with the books. `language` is the browser's, used until one is chosen.
    ///
    /// # Errors
    /// [`OpenError`].
    pub async fn open(outside: D, origin: &str, language: &str) -> Result<Self, OpenError> {
        let kept = outside.settings().await?;
        let mut state = State::read(&kept.settings)?;
        if !kept.settings.iter().any(|(name, _)| name == setting::CHOICES) {
            state.choices.language = Language::of_tag(language).unwrap_or_default();
        }
        state.screen = match (&state.member, state.choices.person) {
            (None, _) => Screen::Join,
            (Some(_), None) => Screen::Who,
            (Some(_), Some(_)) => Screen::Today,
        };
        state.photos = outside.photos().await?.len();
        let words = RefCell::new(words(&outside, state.choices.language));
        let ready = state.take_ready(&kept);
        let field = Self {
            outside,
            turns: Turns::default(),
            opening: Turns::default(),
            origin: origin.trim_end_matches('/').to_owned(),
            state: RefCell::new(state),
            words,
            fixes: RefCell::default(),
        };
        if !ready {
            field.open_books().await?;
        }
        Ok(field)
    }

    /// The state, to look at. Never held while something is waited for.
    pub fn state(&self) -> Ref<'_, State> {
        self.state.borrow()
    }

    pub(crate) fn state_mut(&self) -> RefMut<'_, State> {
        self.state.borrow_mut()
    }

    /// A message in the crew's language.
    pub(crate) fn words(&self) -> Ref<'_, Words> {
        self.words.borrow()
    }

    /// The device it runs on.
    pub fn outside(&self) -> &D {
        &self.outside
    }

    /// The device's clock.
    pub fn now(&self) -> UtcMs {
        self.outside.now()
    }

    /// Does what a button asks, with what stands in the screen's fields. Whatever it writes is
    /// durable before this returns; what went wrong is said on the screen.
    pub async fn act(&self, act: &str, fields: &Fields) {
        self.state_mut().message = None;
        let outcome = acts::perform(self, act, fields).await;
        let language = self.state().choices.language;
        if self.words().language() != language {
            *self.words.borrow_mut() = words(&self.outside, language);
        }
        let mut state = self.state_mut();
        match outcome {
            Ok(done) => {
                if let Some(screen) = done.screen {
                    state.screen = screen;
                }
                if let Some(said) = done.said {
                    state.message = Some(Message { said, bad: false, undo: done.undo });
                }
            }
            Err(error) => {
                let said = match error {
                    acts::ActError::Say(text) => text.into(),
                    error if error.no_signal() => self.words().say("no-signal").into(),
                    error => self.words().core(&error.to_string()),
                };
                state.message = Some(Message { said, bad: true, undo: None });
            }
        }
    }

    /// Takes a position in; gives whether the screen shows positions.
    pub fn fix(&self, lat: f64, lon: f64, accuracy_m: f64) -> bool {
        let mut fixes = self.fixes.borrow_mut();
        fixes.take(lat, lon, accuracy_m, self.outside.now());
        let mut state = self.state_mut();
        state.fix = fixes.mean();
        matches!(state.screen, Screen::Find { .. } | Screen::NewTree)
    }

    /// The whole screen.
    pub fn screen(&self) -> String {
        screens::whole(&mut self.state_mut(), &self.words.borrow(), self.outside.now())
    }

    /// A part of the screen that changes while something is typed.
    pub fn part(&self, name: &str, fields: &Fields) -> String {
        screens::part(&mut self.state_mut(), &self.words.borrow(), self.outside.now(), name, fields)
    }

    /// The bundle file, for a device that gets no signal.
    pub fn bundle(&self) -> Option<Vec<u8>> {
        crate::bundle::bundle(&self.state())
    }
}

fn words<D: Outside>(outside: &D, language: Language) -> Words {
    Words::read(language, outside.messages(language))
}

/// A length of time as clocks show it: `4:05`, `1:04:05`.
pub fn clock(ms: i64) -> String {
    let seconds = ms.max(0) / 1_000;
    let (hours, minutes, seconds) = (seconds / 3_600, seconds / 60 % 60, seconds % 60);
    if hours > 0 { format!("{hours}:{minutes:02}:{seconds:02}") } else { format!("{minutes}:{seconds:02}") }
}

#[cfg(test)]
mod tests {
    #[test]
    fn a_length_of_time_is_shown_as_clocks_do() {
        assert_eq!(super::clock(-5), "0:00");
        assert_eq!(super::clock(245_999), "4:05");
        assert_eq!(super::clock(3_845_000), "1:04:05");
    }
}
