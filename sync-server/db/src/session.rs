//! A session with PostgreSQL.

use std::cell::{Cell, RefCell};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use postgres::config::SslMode;
use postgres::error::Severity;
use postgres::types::{FromSql, IsNull, Type, to_sql_checked};
use postgres::{Client, Config, NoTls};
use rusqlite::types::{ToSql, ToSqlOutput, ValueRef};

use crate::dialect;
use crate::error::{Error, Result};

/// Settings of every session. A commit is on the disk (and on the standby that is waited for) when it
/// is acknowledged, whatever the database's default; nothing cancels that wait; rows are found by their
/// keys, so that transactions on different books do not stand in each other's way, and since a scan that is
/// needed all the same is planned as if it cost a fortune, nothing is compiled for it. A server that is gone
/// without a word, its machine or its network, is noticed by the database within a minute, and nobody
/// waits for the rows it held for longer than that.
const SETTINGS: &str = "
    SET synchronous_commit = on;
    SET statement_timeout = 0;
    SET enable_seqscan = off;
    SET jit = off;
    SET lock_timeout = '20s';
    SET tcp_keepalives_idle = 20;
    SET tcp_keepalives_interval = 10;
    SET tcp_keepalives_count = 3;
    SET tcp_user_timeout = '50s';
";
const ENCODING: &str = "SHOW server_encoding";
/// Serialisable, as SQLite's transactions are.
/// A server that was stopped in the middle of writing holds its rows for no longer than a minute. Readers
/// compute for a long time within theirs, and hold no rows.
const BEGIN_WRITE: &str = "
    BEGIN ISOLATION LEVEL SERIALIZABLE;
    SET LOCAL idle_in_transaction_session_timeout = '60s'";
/// Each statement sees what was committed before it. Only for what is guarded by a row that it takes first,
/// and reads after that. An engine that knows only stricter ones may take it for such a one.
const BEGIN_GUARDED: &str = "
    BEGIN ISOLATION LEVEL READ COMMITTED;
    SET LOCAL idle_in_transaction_session_timeout = '60s'";
const BEGIN_READ: &str = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY";
/// For the running transaction: whoever comes to a table after it waits behind it for as long as it waits.
const WAIT_BRIEFLY: &str = "SET LOCAL lock_timeout = '2s'";
const COLUMN: &str = "
    SELECT 1 FROM pg_attribute
    WHERE attrelid = to_regclass(CAST($1 AS TEXT)) AND attname = CAST($2 AS TEXT) AND NOT attisdropped";
const COMMIT: &str = "COMMIT";
const ROLLBACK: &str = "ROLLBACK";

/// What a transaction is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Begin {
    /// To write.
    Write,
    /// To write what a row guards that is taken first.
    Guarded,
    /// To read one state.
    Read,
}

/// One session. Not shared between threads, like SQLite's connections.
pub struct Session {
    client: RefCell<Option<Client>>,
    statements: RefCell<BTreeMap<String, postgres::Statement>>,
    /// Columns that are known to be there.
    columns: RefCell<BTreeSet<(&'static str, &'static str)>>,
    /// Whether a warning came since it was last asked.
    warned: Arc<AtomicBool>,
    /// Whether a statement of the running transaction failed: PostgreSQL then takes a COMMIT without a
    /// word and rolls back.
    failed: Cell<bool>,
}

impl std::fmt::Debug for Session {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Session").field("closed", &self.is_closed()).finish_non_exhaustive()
    }
}

impl Session {
    /// Connects.
    pub fn open(url: &str) -> Result<Self> {
        let mut config: Config = url.parse()?;
        if config.get_ssl_mode() == SslMode::Require {
            let why = "this build speaks to PostgreSQL without TLS: reach it by its socket, on loopback, or through a tunnel, and leave sslmode=require out";
            return Err(Error::Refused(why.into()));
        }
        let warned = Arc::new(AtomicBool::new(false));
        let seen = warned.clone();
        config
            .application_name("bolebook-server")
            .keepalives_idle(Duration::from_secs(30))
            .tcp_user_timeout(Duration::from_secs(60))
            .notice_callback(move |notice| {
                // Not by its words, which come in the database's language.
                if notice.parsed_severity() == Some(Severity::Warning) {
                    seen.store(true, Ordering::SeqCst);
                }
            });
        if config.get_connect_timeout().is_none() {
            config.connect_timeout(Duration::from_secs(10));
        }
        let mut client = config.connect(NoTls)?;
        client.batch_execute(SETTINGS)?;
        let encoding: String = client.query_one(ENCODING, &[])?.try_get(0)?;
        if encoding != "UTF8" {
            let why = format!("the database keeps text as {encoding}: make one with ENCODING 'UTF8'");
            return Err(Error::Refused(why));
        }
        warned.store(false, Ordering::SeqCst);
        let (statements, columns) = (RefCell::default(), RefCell::default());
        let client = RefCell::new(Some(client));
        Ok(Self { client, statements, columns, warned, failed: Cell::new(false) })
    }

    pub fn is_closed(&self) -> bool {
        self.client.try_borrow().map_or(true, |c| c.as_ref().is_none_or(Client::is_closed))
    }

    fn with<T>(&self, work: impl FnOnce(&mut Client) -> Result<T, postgres::Error>) -> Result<T> {
        let mut client = self.client.borrow_mut();
        let client = client.as_mut().ok_or_else(|| Error::Refused("the session has ended".into()))?;
        work(client).map_err(|e| {
            self.failed.set(true);
            e.into()
        })
    }

    pub fn batch(&self, sql: &str) -> Result<()> {
        self.with(|c| c.batch_execute(&dialect::layout(sql)))
    }

    pub fn prepare(&self, sql: &str) -> Result<postgres::Statement> {
        if let Some(known) = self.statements.borrow().get(sql) {
            return Ok(known.clone());
        }
        let made = self.with(|c| c.prepare(&dialect::statement(sql)))?;
        self.statements.borrow_mut().insert(sql.to_owned(), made.clone());
        Ok(made)
    }

    pub fn execute(&self, statement: &postgres::Statement, params: &[&dyn ToSql]) -> Result<usize> {
        let done = bind(params, |p| self.with(|c| c.execute(statement, p)))??;
        Ok(usize::try_from(done).unwrap_or(usize::MAX))
    }

    pub fn query(
        &self,
        statement: &postgres::Statement,
        params: &[&dyn ToSql],
    ) -> Result<Vec<postgres::Row>> {
        bind(params, |p| self.with(|c| c.query(statement, p)))?
    }

    pub fn has_column(&self, table: &'static str, column: &'static str) -> Result<bool> {
        if self.columns.borrow().contains(&(table, column)) {
            return Ok(true);
        }
        let there = !self.query(&self.prepare(COLUMN)?, &[&table, &column])?.is_empty();
        if there {
            self.columns.borrow_mut().insert((table, column));
        }
        Ok(there)
    }

    pub fn wait_briefly(&self) -> Result<()> {
        self.with(|c| c.batch_execute(WAIT_BRIEFLY))
    }

    pub fn begin(&self, what: Begin) -> Result<()> {
        match what {
            Begin::Read => self.with(|c| c.batch_execute(BEGIN_READ))?,
            Begin::Write => self.with(|c| c.batch_execute(BEGIN_WRITE))?,
            Begin::Guarded => self.with(|c| c.batch_execute(BEGIN_GUARDED))?,
        }
        self.failed.set(false);
        Ok(())
    }

    pub fn commit(&self) -> Result<()> {
        if self.failed.get() {
            self.rollback();
            return Err(Error::Refused("a statement of this transaction failed: nothing of it holds".into()));
        }
        self.warned.store(false, Ordering::SeqCst);
        match self.with(|c| c.batch_execute(COMMIT)) {
            // Committed here, and perhaps on no other machine: no acknowledgement.
            Ok(()) if self.warned.swap(false, Ordering::SeqCst) => {
                Err(Error::Unsure("the database warned that it may stand on one machine only".into()))
            }
            Ok(()) => Ok(()),
            Err(error) if refused(&error) => Err(error),
            Err(error) => Err(Error::Unsure(error.to_string())),
        }
    }

    pub fn rollback(&self) {
        // On a broken line the database does it by itself.
        drop(self.with(|c| c.batch_execute(ROLLBACK)));
    }
}

/// Whether a failed commit surely holds nothing: classes 40 (rolled back; but for 40003, whose outcome is
/// not known) and 23 (a constraint).
fn refused(error: &Error) -> bool {
    let Error::Postgres(error) = error else { return false };
    error.code().is_some_and(|code| {
        code.code() != "40003" && (code.code().starts_with("40") || code.code().starts_with("23"))
    })
}

impl Drop for Session {
    fn drop(&mut self) {
        let Some(client) = self.client.get_mut().take() else { return };
        // The client ends by running its line to the end, which a thread of an async runtime may not do.
        if tokio::runtime::Handle::try_current().is_ok() {
            // An error says that it panicked there: the line is gone either way.
            drop(std::thread::spawn(move || drop(client)).join());
        }
    }
}

/// A parameter on its way.
#[derive(Debug)]
struct Bound<'a>(ToSqlOutput<'a>);

impl postgres::types::ToSql for Bound<'_> {
    fn to_sql(
        &self,
        ty: &Type,
        out: &mut postgres::types::private::BytesMut,
    ) -> Result<IsNull, Box<dyn std::error::Error + Sync + Send>> {
        let value = match &self.0 {
            ToSqlOutput::Borrowed(value) => *value,
            ToSqlOutput::Owned(value) => value.into(),
            _ => return Err("a kind of parameter that is not sent".into()),
        };
        match (value, ty) {
            (ValueRef::Null, _) => return Ok(IsNull::Yes),
            (ValueRef::Integer(n), &Type::INT8) => return postgres::types::ToSql::to_sql(&n, ty, out),
            (ValueRef::Integer(n), &Type::INT4) => {
                return postgres::types::ToSql::to_sql(&i32::try_from(n)?, ty, out);
            }
            (ValueRef::Text(text), &Type::TEXT | &Type::VARCHAR) => out.extend_from_slice(text),
            (ValueRef::Blob(bytes), &Type::BYTEA) => out.extend_from_slice(bytes),
            (value, ty) => return Err(format!("{:?} where a {ty} stands", value.data_type()).into()),
        }
        Ok(IsNull::No)
    }

    fn accepts(_: &Type) -> bool {
        true
    }

    to_sql_checked!();
}

fn bind<R>(
    params: &[&dyn ToSql],
    work: impl FnOnce(&[&(dyn postgres::types::ToSql + Sync)]) -> R,
) -> Result<R> {
    let bound = params.iter().map(|p| Ok(Bound(p.to_sql()?))).collect::<Result<Vec<_>>>()?;
    let refs: Vec<&(dyn postgres::types::ToSql + Sync)> = bound.iter().map(|b| b as _).collect();
    Ok(work(&refs))
}

/// A value as it came.
struct Raw<'a>(ValueRef<'a>);

impl<'a> FromSql<'a> for Raw<'a> {
    fn from_sql(ty: &Type, raw: &'a [u8]) -> Result<Self, Box<dyn std::error::Error + Sync + Send>> {
        Ok(Self(match *ty {
            Type::BYTEA => ValueRef::Blob(raw),
            Type::TEXT | Type::VARCHAR | Type::NAME => ValueRef::Text(raw),
            Type::INT8 => ValueRef::Integer(i64::from_sql(ty, raw)?),
            Type::INT4 => ValueRef::Integer(i32::from_sql(ty, raw)?.into()),
            Type::BOOL => ValueRef::Integer(bool::from_sql(ty, raw)?.into()),
            ref other => return Err(format!("a column of type {other} is not read").into()),
        }))
    }

    fn from_sql_null(_: &Type) -> Result<Self, Box<dyn std::error::Error + Sync + Send>> {
        Ok(Self(ValueRef::Null))
    }

    fn accepts(_: &Type) -> bool {
        true
    }
}

/// A column of a row.
pub fn cell(row: &postgres::Row, column: usize) -> Result<ValueRef<'_>> {
    Ok(row.try_get::<_, Raw<'_>>(column)?.0)
}
