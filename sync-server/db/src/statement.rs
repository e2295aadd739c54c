//! Prepared statements and the rows they give.

use rusqlite::types::{FromSql, ValueRef};

use crate::error::{Error, Result};
use crate::params::Params;
#[cfg(feature = "postgres")]
use crate::session::{Session, cell};

/// A prepared statement.
pub enum Statement<'c> {
    /// SQLite's.
    Sqlite(rusqlite::CachedStatement<'c>),
    /// PostgreSQL's.
    #[cfg(feature = "postgres")]
    #[doc(hidden)]
    Postgres(&'c Session, postgres::Statement),
}

impl Statement<'_> {
    /// Runs it; says how many rows it changed.
    ///
    /// # Errors
    /// The database's, as everywhere here.
    pub fn execute(&mut self, params: impl Params) -> Result<usize> {
        match self {
            Self::Sqlite(statement) => Ok(params.with(|p| statement.execute(p))?),
            #[cfg(feature = "postgres")]
            Self::Postgres(session, statement) => params.with(|p| session.execute(statement, p)),
        }
    }

    /// Asks for rows.
    ///
    /// # Errors
    /// The database's.
    pub fn query(&mut self, params: impl Params) -> Result<Rows<'_>> {
        match self {
            Self::Sqlite(statement) => Ok(Rows::Sqlite(params.with(|p| statement.query(p))?)),
            #[cfg(feature = "postgres")]
            Self::Postgres(session, statement) => {
                Ok(Rows::Postgres(params.with(|p| session.query(statement, p))?.into_iter(), None))
            }
        }
    }

    /// Asks for rows, each read by `read`.
    ///
    /// # Errors
    /// The database's.
    pub fn query_map<T, F: FnMut(&Row<'_>) -> Result<T>>(
        &mut self,
        params: impl Params,
        read: F,
    ) -> Result<MappedRows<'_, F>> {
        Ok(MappedRows { rows: self.query(params)?, read })
    }

    /// Asks for one row.
    ///
    /// # Errors
    /// The database's, 'no row', the reader's.
    pub fn query_row<T>(
        &mut self,
        params: impl Params,
        read: impl FnOnce(&Row<'_>) -> Result<T>,
    ) -> Result<T> {
        let mut rows = self.query(params)?;
        match rows.next()? {
            Some(row) => read(&row),
            None => Err(rusqlite::Error::QueryReturnedNoRows.into()),
        }
    }

    /// Whether it gives a row.
    ///
    /// # Errors
    /// The database's.
    pub fn exists(&mut self, params: impl Params) -> Result<bool> {
        Ok(self.query(params)?.next()?.is_some())
    }
}

/// The rows of an answer.
pub enum Rows<'s> {
    /// SQLite's, read as they are asked for.
    Sqlite(rusqlite::Rows<'s>),
    /// PostgreSQL's, which came all at once.
    #[cfg(feature = "postgres")]
    #[doc(hidden)]
    Postgres(std::vec::IntoIter<postgres::Row>, Option<postgres::Row>),
}

impl Rows<'_> {
    /// The next one.
    ///
    /// # Errors
    /// The database's.
    #[expect(clippy::should_implement_trait, reason = "a row borrows from the rows, as rusqlite's does")]
    pub fn next(&mut self) -> Result<Option<Row<'_>>> {
        match self {
            Self::Sqlite(rows) => Ok(rows.next()?.map(Row::Sqlite)),
            #[cfg(feature = "postgres")]
            Self::Postgres(rest, now) => {
                *now = rest.next();
                Ok(now.as_ref().map(Row::Postgres))
            }
        }
    }
}

/// Rows as something else.
pub struct MappedRows<'s, F> {
    rows: Rows<'s>,
    read: F,
}

impl<T, F: FnMut(&Row<'_>) -> Result<T>> Iterator for MappedRows<'_, F> {
    type Item = Result<T>;

    fn next(&mut self) -> Option<Result<T>> {
        let row = self.rows.next().transpose()?;
        Some(row.and_then(|row| (self.read)(&row)))
    }
}

/// Where a column stands in a row.
pub trait Column {
    /// Counted from 0.
    fn index(self) -> usize;
}

impl Column for usize {
    fn index(self) -> usize {
        self
    }
}

/// A row.
pub enum Row<'r> {
    /// SQLite's.
    Sqlite(&'r rusqlite::Row<'r>),
    /// PostgreSQL's.
    #[cfg(feature = "postgres")]
    #[doc(hidden)]
    Postgres(&'r postgres::Row),
}

impl Row<'_> {
    /// A column's value, counted from 0.
    ///
    /// # Errors
    /// When there is no such column, or it holds another type.
    pub fn get<I: Column, T: FromSql>(&self, column: I) -> Result<T> {
        let column = column.index();
        match self {
            Self::Sqlite(row) => Ok(row.get(column)?),
            #[cfg(feature = "postgres")]
            Self::Postgres(_) => {
                let value = self.value(column)?;
                T::column_result(value).map_err(|e| {
                    rusqlite::Error::FromSqlConversionFailure(column, value.data_type(), Box::new(e)).into()
                })
            }
        }
    }

    /// A column's text, not copied.
    ///
    /// # Errors
    /// When it is none.
    pub fn text(&self, column: usize) -> Result<&str> {
        self.value(column)?.as_str().map_err(|_| Error::column(column, "text"))
    }

    /// A column's bytes, not copied; nothing where it holds a text or nothing.
    ///
    /// # Errors
    /// When there is no such column.
    pub fn bytes(&self, column: usize) -> Result<Option<&[u8]>> {
        Ok(match self.value(column)? {
            ValueRef::Blob(bytes) => Some(bytes),
            _ => None,
        })
    }

    fn value(&self, column: usize) -> Result<ValueRef<'_>> {
        match self {
            Self::Sqlite(row) => Ok(row.get_ref(column)?),
            #[cfg(feature = "postgres")]
            Self::Postgres(row) => cell(row, column),
        }
    }
}
