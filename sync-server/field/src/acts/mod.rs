//! What each button does: from the act's name and the screen's fields to records and the next screen.

mod amend;
mod choose;
mod gauge;
mod kits;
mod product;
mod talk;
mod treat;
mod trees;

use bolebook_core::ids::{BookId, RecordId, TreeId};
use bolebook_core::quantity::UtcMs;

use crate::field::{Field, Fields, OpenError};
use crate::figures::FigureError;
use crate::http::AskError;
use crate::join::JoinError;
use crate::outside::{Outside, Trouble};
use crate::sentences::Said;
use crate::state::{NoView, Screen, State};
use crate::summary::Summary;
use crate::sync::SyncError;
use crate::writer::WriteError;

/// What an act came to.
#[derive(Clone, Debug, Default)]
pub struct Done {
    /// The next screen; the same one when absent.
    pub screen: Option<Screen>,
    /// What to say.
    pub said: Option<Said>,
    /// The record that one tap takes back.
    pub undo: Option<RecordId>,
}

impl Done {
    fn to(screen: Screen) -> Self {
        Self { screen: Some(screen), ..Self::default() }
    }

    fn saying(self, said: impl Into<Said>) -> Self {
        Self { said: Some(said.into()), ..self }
    }

    fn undone_by(self, record: Option<RecordId>) -> Self {
        Self { undo: record, ..self }
    }
}

/// An act could not be done; nothing was written.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ActError {
    /// Something to be filled in or chosen, in the crew's language.
    #[error("{0}")]
    Say(String),
    /// What the core says against it, in English.
    #[error("{0}")]
    Core(String),
    /// A figure that is none.
    #[error(transparent)]
    Figure(#[from] FigureError),
    /// The books give no view.
    #[error(transparent)]
    NoView(#[from] NoView),
    /// Not joined.
    #[error(transparent)]
    Join(#[from] JoinError),
    /// Not written.
    #[error(transparent)]
    Write(#[from] WriteError),
    /// The device failed.
    #[error(transparent)]
    Trouble(#[from] Trouble),
    /// The books could not be opened.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// Not exchanged.
    #[error(transparent)]
    Sync(#[from] SyncError),
    /// A button of an older version of the app.
    #[error("this button does nothing: '{0}'")]
    Unknown(String),
}

impl ActError {
    /// Whether nothing but a signal was missing.
    pub fn no_signal(&self) -> bool {
        let asked = match self {
            Self::Sync(SyncError::Ask(asked)) | Self::Join(JoinError::Ask(asked)) => asked,
            Self::Sync(SyncError::Trouble(Trouble::NoSignal(_))) => return true,
            _ => return false,
        };
        matches!(asked, AskError::Trouble(Trouble::NoSignal(_)))
    }
}

/// An act with its arguments.
pub(crate) struct Asked<'a> {
    /// All of it, for messages.
    whole: &'a str,
    parts: Vec<&'a str>,
    fields: &'a Fields,
}

impl<'a> Asked<'a> {
    fn unknown(&self) -> ActError {
        ActError::Unknown(self.whole.chars().take(60).collect())
    }

    fn word(&self, index: usize) -> Result<&'a str, ActError> {
        self.parts.get(index).copied().ok_or_else(|| self.unknown())
    }

    fn id(&self, index: usize) -> Result<RecordId, ActError> {
        self.word(index)?.parse().map_err(|_| self.unknown())
    }

    fn book(&self, index: usize) -> Result<BookId, ActError> {
        self.word(index)?.parse().map_err(|_| self.unknown())
    }

    fn number(&self, index: usize) -> Result<i64, ActError> {
        self.word(index)?.parse().map_err(|_| self.unknown())
    }

    /// The stem named by the first two arguments: tree and number.
    fn stem(&self) -> Result<(TreeId, i64), ActError> {
        Ok((self.id(1)?, self.number(2)?))
    }

    /// What stands in a field, without the spaces around it; empty when there is none.
    fn field(&self, name: &str) -> &'a str {
        self.fields.get(name).map_or("", |text| text.trim())
    }

    /// What stands in a field, or nothing.
    fn filled(&self, name: &str) -> Option<&'a str> {
        Some(self.field(name)).filter(|text| !text.is_empty())
    }
}

/// Does an act.
///
/// # Errors
/// [`ActError`].
pub async fn perform<D: Outside>(field: &Field<D>, act: &str, fields: &Fields) -> Result<Done, ActError> {
    let parts: Vec<&str> = act.split(':').collect();
    let asked = Asked { whole: act, parts, fields };
    let word = asked.word(0)?;
    let beside = beside_the_books(word) && !(stands_on_content(word) && field.state().behind());
    let early = on_the_view(word) && field.state().may_write_early();
    if !beside && !early {
        field.open_books().await?;
    }
    match asked.word(0)? {
        "go" | "back" | "tree" | "person" | "supervisor" | "kit" | "also" | "job" | "purpose"
        | "language" | "units" | "look" | "speak" | "read" | "tick" | "join" | "dismiss" => {
            choose::perform(field, &asked).await
        }
        "list" | "measure" | "measured" | "see" | "seen" | "not" | "nottreated" => {
            trees::perform(field, &asked).await
        }
        "plan" | "begin" | "on" | "off" | "cancel" | "finish" | "done" | "hole" | "differs" | "same"
        | "undo" | "strike" => treat::perform(field, &asked).await,
        "kits" | "from" => kits::perform(field, &asked).await,
        "amend" | "amended" => amend::perform(field, &asked).await,
        "aired" | "gauge" | "calibrate" | "calibrated" => gauge::perform(field, &asked).await,
        "fill" | "moved" | "close" => product::perform(field, &asked).await,
        "answer" | "incident" | "note" | "photo" | "exchange" => talk::perform(field, &asked).await,
        _ => Err(asked.unknown()),
    }
}

/// What can be done on the ready-made view, while the books are being opened: going about, looking,
/// and what is kept beside them.
fn beside_the_books(act: &str) -> bool {
    matches!(
        act,
        "go" | "back"
            | "tree"
            | "dismiss"
            | "measure"
            | "see"
            | "not"
            | "finish"
            | "hole"
            | "on"
            | "off"
            | "differs"
            | "same"
            | "cancel"
            | "person"
            | "supervisor"
            | "kit"
            | "also"
            | "purpose"
            | "language"
            | "units"
            | "look"
            | "speak"
            | "read"
            | "tick"
            | "aired"
            | "gauge"
            | "calibrate"
    )
}

/// What is worked out from a kit's content, which the ready-made view does not know after something was
/// logged on it: more liquid means less air, and fewer charges.
fn stands_on_content(act: &str) -> bool {
    act == "gauge"
}

/// What stands on the ready-made view alone, and so can be logged on it: what was seen, measured, done or
/// read off. Not here: what asks whether it may be done (a plan, beginning a stem), what looks at records
/// (amending, striking, taking back), what adds up a day, and a tree that the next screen would not know.
fn on_the_view(act: &str) -> bool {
    matches!(
        act,
        "measured"
            | "seen"
            | "nottreated"
            | "done"
            | "fill"
            | "moved"
            | "calibrated"
            | "answer"
            | "incident"
            | "note"
            | "photo"
    )
}

/// What most acts stand on: the job, its summary and the time.
pub(crate) struct Ground {
    pub job: BookId,
    pub yard: BookId,
    pub summary: std::rc::Rc<Summary>,
    pub now: UtcMs,
}

impl<D: Outside> Field<D> {
    pub(crate) fn ground(&self) -> Result<Ground, ActError> {
        let mut state = self.state_mut();
        let summary = state.summary()?;
        let job = state.job().ok_or(NoView::NoJob)?;
        let yard = state.member.as_ref().ok_or(NoView::NotJoined)?.yard;
        Ok(Ground { job, yard, summary, now: self.now() })
    }

    pub(crate) fn say(&self, id: &str) -> ActError {
        ActError::Say(self.words().say(id))
    }
}

/// The crew of the device, or what to do.
pub(crate) fn crew_of<D: Outside>(
    field: &Field<D>,
    state: &State,
    summary: &Summary,
) -> Result<RecordId, ActError> {
    crate::plan::crew(state, summary).ok_or_else(|| field.say("missing-crew"))
}
