//! One face for the two engines a log may lie in: SQLite, which every device and a single server
//! uses, and PostgreSQL, which lets several servers share one database.
//!
//! It is shaped like `rusqlite`, so that code written for it reads the same. Statements are written
//! once, in a dialect both engines understand: parameters as `?1`, types `BLOB`, `INTEGER` and
//! `TEXT`, conflicts as `ON CONFLICT`. SQLite gets them as they stand; [`dialect`] says what
//! PostgreSQL gets. What only one engine has is asked for by name ([`Connection::sqlite`]), never met
//! by surprise.
//!
//! PostgreSQL comes with the feature `postgres`; without it nothing of it is compiled.
//!
//! ```
//! use bolebook_db::{Connection, OptionalExtension as _, params};
//! let db = Connection::open_in_memory()?;
//! db.execute_batch("CREATE TABLE trees (tag TEXT PRIMARY KEY, girth_mm INTEGER NOT NULL)")?;
//! db.execute("INSERT INTO trees (tag, girth_mm) VALUES (?1, ?2)", params!["A-17", 1_240])?;
//! let girth: Option<i64> =
//!     db.query_row("SELECT girth_mm FROM trees WHERE tag = ?1", ["A-17"], |row| row.get(0)).optional()?;
//! assert_eq!(girth, Some(1_240));
//! # Ok::<(), bolebook_db::Error>(())
//! ```

mod connection;
#[cfg(feature = "postgres")]
pub mod dialect;
mod error;
mod params;
#[cfg(feature = "postgres")]
mod session;
mod statement;

pub use connection::{Connection, Transaction};
pub use error::{Error, OptionalExtension, Result, Trouble};
pub use params::Params;
pub use rusqlite::types::{FromSql, ToSql};
pub use rusqlite::{TransactionBehavior, params};
pub use statement::{Column, MappedRows, Row, Rows, Statement};
