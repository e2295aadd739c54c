//! What can go wrong, and what is the matter when it does.

/// What is the matter with the store, when the database fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trouble {
    /// No room: the disk is full, or a quota or size limit is reached.
    Full,
    /// What is stored is no database any more, or not a whole one.
    Damaged,
    /// Another process kept it too long.
    Busy,
    /// It may not be written.
    ReadOnly,
    /// Another transaction came between: nothing was written, and the same may be tried again.
    Again,
    /// The database could not be reached, or the line to it broke before anything was committed.
    Away,
    /// Whether the commit holds is not known: the line broke, or it may stand on one machine only.
    Unsure,
    /// A text has a character that the database cannot keep: NUL.
    Unfit,
    /// Anything else.
    Other,
}

/// The database could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// SQLite failed; or a row of either engine does not hold what was asked of it.
    #[error("{0}")]
    Sqlite(#[from] rusqlite::Error),
    /// PostgreSQL failed.
    #[cfg(feature = "postgres")]
    #[error("{}", said(.0))]
    Postgres(Box<postgres::Error>),
    /// The outcome of a commit is not known.
    #[error("whether the commit holds is not known: {0}")]
    Unsure(String),
    /// What was asked is not to be had of this engine or in this state.
    #[error("{0}")]
    Refused(String),
}

/// What a call gives.
pub type Result<T, E = Error> = std::result::Result<T, E>;

impl Error {
    /// A column whose value is not what the reader needs.
    pub fn column(column: usize, name: &str) -> Self {
        let any = rusqlite::types::Type::Null;
        rusqlite::Error::InvalidColumnType(column, name.to_owned(), any).into()
    }

    /// What is the matter. SQLite gives a plain write error for a used-up quota, so every failed write
    /// counts as no room.
    pub fn trouble(&self) -> Trouble {
        match self {
            Self::Sqlite(error) => of_sqlite(error),
            #[cfg(feature = "postgres")]
            Self::Postgres(error) => of_postgres(error),
            Self::Unsure(_) => Trouble::Unsure,
            Self::Refused(_) => Trouble::Other,
        }
    }
}

fn of_sqlite(error: &rusqlite::Error) -> Trouble {
    use rusqlite::ErrorCode as E;
    use rusqlite::ffi;
    let rusqlite::Error::SqliteFailure(failure, _) = error else { return Trouble::Other };
    match (failure.code, failure.extended_code) {
        (E::DiskFull, _) => Trouble::Full,
        (
            E::SystemIoFailure,
            ffi::SQLITE_IOERR_WRITE
            | ffi::SQLITE_IOERR_FSYNC
            | ffi::SQLITE_IOERR_DIR_FSYNC
            | ffi::SQLITE_IOERR_TRUNCATE
            | ffi::SQLITE_IOERR_SHMSIZE
            | ffi::SQLITE_IOERR_SHMOPEN,
        ) => Trouble::Full,
        (E::DatabaseCorrupt | E::NotADatabase, _) => Trouble::Damaged,
        // A page that the file should have and does not: it was cut short.
        (E::SystemIoFailure, ffi::SQLITE_IOERR_SHORT_READ | ffi::SQLITE_IOERR_CORRUPTFS) => Trouble::Damaged,
        (E::DatabaseBusy | E::DatabaseLocked, _) => Trouble::Busy,
        (E::ReadOnly, _) => Trouble::ReadOnly,
        _ => Trouble::Other,
    }
}

/// By SQLSTATE; the codes and classes are those of PostgreSQL 15's appendix A.
#[cfg(feature = "postgres")]
fn of_postgres(error: &postgres::Error) -> Trouble {
    // Without a code the server said nothing: the line is broken, or there was none.
    let Some(code) = error.code() else {
        let lost = error.is_closed() || source_is_io(error);
        return if lost { Trouble::Away } else { Trouble::Other };
    };
    match code.code() {
        // Serialisation failure, deadlock; and a row or a table that another transaction put there
        // first, which the next try sees.
        "40001" | "40P01" | "55P03" | "23505" | "42P07" | "42710" => Trouble::Again,
        "22021" => Trouble::Unfit,
        "53100" => Trouble::Full,
        "53200" | "57014" => Trouble::Busy,
        "25006" => Trouble::ReadOnly,
        "25P03" | "53300" | "57P01" | "57P02" | "57P03" => Trouble::Away,
        code if code.starts_with("08") => Trouble::Away,
        "XX001" | "XX002" => Trouble::Damaged,
        _ => Trouble::Other,
    }
}

#[cfg(feature = "postgres")]
fn source_is_io(error: &postgres::Error) -> bool {
    std::error::Error::source(error).is_some_and(|source| source.is::<std::io::Error>())
}

/// The server's own words; the library's `Display` says only 'db error'.
#[cfg(feature = "postgres")]
fn said(error: &postgres::Error) -> String {
    match (error.as_db_error(), std::error::Error::source(error)) {
        (Some(db), _) => {
            let detail = db.detail().map(|d| format!(" ({d})")).unwrap_or_default();
            format!("PostgreSQL: {}{detail} [{}]", db.message(), db.code().code())
        }
        (None, Some(source)) => format!("PostgreSQL: {error}: {source}"),
        (None, None) => format!("PostgreSQL: {error}"),
    }
}

#[cfg(feature = "postgres")]
impl From<postgres::Error> for Error {
    fn from(error: postgres::Error) -> Self {
        Self::Postgres(Box::new(error))
    }
}

/// Takes 'no such row' as an answer.
pub trait OptionalExtension<T> {
    /// Nothing where there was no row.
    ///
    /// # Errors
    /// Every other one.
    fn optional(self) -> Result<Option<T>>;
}

impl<T> OptionalExtension<T> for Result<T> {
    fn optional(self) -> Result<Option<T>> {
        match self {
            Ok(value) => Ok(Some(value)),
            Err(Error::Sqlite(rusqlite::Error::QueryReturnedNoRows)) => Ok(None),
            Err(error) => Err(error),
        }
    }
}
