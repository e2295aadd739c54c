//! The way to a server.

/// The server could not be reached, or did not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum TransportError {
    /// No answer.
    #[error("{0}")]
    Unreachable(String),
}

impl TransportError {
    /// What to do.
    pub fn hint(&self) -> String {
        "go on working: everything is kept here and goes with the next exchange".into()
    }
}
