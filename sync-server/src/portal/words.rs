//! The portal's words: Fluent files, shared with the printed report ([`bolebook_report::words`]).

pub use bolebook_report::words::{LANGUAGES, Words};
