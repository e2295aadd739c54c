//! The last look at a tree. A job has thousands, and a screen shows what one or two of them say: the others
//! stay as they are kept.

use std::sync::Arc;

use bolebook_core::quantity::UtcMs;
use bolebook_core::record::stand::Condition;
use bolebook_core::record::{Body, Record};

use crate::pack::{form, formed};

/// A look at a tree.
#[derive(Clone, Debug)]
pub struct Seen {
    /// When.
    pub at: UtcMs,
    form: Form,
}

#[derive(Clone, Debug)]
enum Form {
    Record(Arc<Record>),
    Kept(String),
}

impl Seen {
    /// As the book has it.
    pub(super) fn read(record: &Arc<Record>) -> Self {
        Self { at: record.envelope.at, form: Form::Record(Arc::clone(record)) }
    }

    /// As it was kept beside the books.
    pub(super) fn kept(at: UtcMs, text: String) -> Self {
        Self { at, form: Form::Kept(text) }
    }

    /// Its form, to be kept.
    pub(super) fn text(&self) -> String {
        match &self.form {
            Form::Record(record) => match &record.body {
                Body::Condition(condition) => form(&**condition),
                _ => String::new(),
            },
            Form::Kept(text) => text.clone(),
        }
    }

    /// What was seen.
    pub fn condition(&self) -> Option<Condition> {
        match &self.form {
            Form::Record(record) => match &record.body {
                Body::Condition(condition) => Some((**condition).clone()),
                _ => None,
            },
            Form::Kept(text) => formed(text),
        }
    }
}
