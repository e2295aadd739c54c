//! What is wrong with a line of a file.

/// What is wrong with one line of a file.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Fault {
    /// The line, from 1, as an editor counts them.
    pub line: u64,
    /// The column's name, when it is one column's fault.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub column: Option<String>,
    /// What is wrong and what to do.
    pub why: String,
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "line {}", self.line)?;
        if let Some(column) = &self.column {
            write!(f, ", column '{column}'")?;
        }
        write!(f, ": {}", self.why)
    }
}
