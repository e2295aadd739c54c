//! Every statement of the log, on one page, in the dialect that `bolebook-db` gives both engines.
//! Tables are keyed by book first, so that books can be spread over servers.

/// Settings of every connection: readers never wait, a commit is on the disk when it returns, and
/// what is deleted or overwritten is zeroed.
pub const PRAGMAS: &str = "
    PRAGMA journal_mode = WAL;
    PRAGMA synchronous = FULL;
    PRAGMA foreign_keys = ON;
    PRAGMA busy_timeout = 10000;
    PRAGMA secure_delete = ON;
";

/// The tables of layout 1. `lines` is the truth; the others are found again from it.
pub const CREATE: &str = "
    CREATE TABLE books (
        book_id BLOB PRIMARY KEY,
        kind TEXT NOT NULL,
        end_position INTEGER NOT NULL,
        chain BLOB NOT NULL,
        heads BLOB NOT NULL,
        last_op INTEGER NOT NULL
    );
    CREATE TABLE lines (
        book_id BLOB NOT NULL,
        position INTEGER NOT NULL,
        kind TEXT NOT NULL,
        hash BLOB NOT NULL,
        line TEXT NOT NULL,
        chain BLOB NOT NULL,
        PRIMARY KEY (book_id, position)
    );
    CREATE TABLE commits (
        book_id BLOB NOT NULL,
        hash BLOB NOT NULL,
        actor BLOB NOT NULL,
        seq INTEGER NOT NULL,
        last_op INTEGER NOT NULL,
        position INTEGER NOT NULL,
        PRIMARY KEY (book_id, hash)
    ) WITHOUT ROWID;
    CREATE TABLE actors (
        book_id BLOB NOT NULL,
        actor BLOB NOT NULL,
        seq INTEGER NOT NULL,
        hash BLOB NOT NULL,
        PRIMARY KEY (book_id, actor)
    ) WITHOUT ROWID;
    CREATE TABLE record_index (
        book_id BLOB NOT NULL,
        record_id BLOB NOT NULL,
        position INTEGER NOT NULL,
        PRIMARY KEY (book_id, record_id, position)
    ) WITHOUT ROWID;
    CREATE TABLE signatures (
        book_id BLOB NOT NULL,
        hash BLOB NOT NULL,
        actor BLOB NOT NULL,
        seq INTEGER NOT NULL,
        position INTEGER NOT NULL,
        PRIMARY KEY (book_id, hash)
    ) WITHOUT ROWID;
    CREATE TABLE peers (
        book_id BLOB NOT NULL,
        server BLOB NOT NULL,
        position INTEGER NOT NULL,
        chain BLOB NOT NULL,
        sent_to INTEGER NOT NULL,
        PRIMARY KEY (book_id, server)
    ) WITHOUT ROWID;
";

/// What layout 2 adds: commits put back, lines set aside, and whose log a book follows.
pub const TO_2: &str = "
    CREATE TABLE rescued (
        book_id BLOB NOT NULL,
        hash BLOB NOT NULL,
        actor BLOB NOT NULL,
        seq INTEGER NOT NULL,
        last_op INTEGER NOT NULL,
        signed INTEGER NOT NULL,
        PRIMARY KEY (book_id, hash)
    ) WITHOUT ROWID;
    CREATE TABLE set_aside (
        book_id BLOB NOT NULL,
        number INTEGER NOT NULL,
        hash BLOB NOT NULL,
        line TEXT NOT NULL,
        code TEXT NOT NULL,
        why TEXT NOT NULL,
        state TEXT NOT NULL,
        server BLOB NOT NULL,
        set_aside_at INTEGER NOT NULL,
        PRIMARY KEY (book_id, number)
    );
    CREATE TABLE homes (
        book_id BLOB PRIMARY KEY,
        server BLOB NOT NULL
    ) WITHOUT ROWID;
    CREATE INDEX signatures_by_actor ON signatures (book_id, actor, seq);
";

pub const RESCUED: &str = "SELECT actor, seq, last_op, signed FROM rescued WHERE book_id = ?1 AND hash = ?2";
pub const PUT_RESCUED: &str = "
    INSERT INTO rescued (book_id, hash, actor, seq, last_op, signed) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
    ON CONFLICT (book_id, hash) DO UPDATE SET 
        signed = CASE WHEN excluded.signed > rescued.signed THEN excluded.signed ELSE rescued.signed END";
pub const SIGNATURES_OF: &str = "
    SELECT lines.line FROM signatures JOIN lines
        ON lines.book_id = signatures.book_id AND lines.position = signatures.position
    WHERE signatures.book_id = ?1 AND signatures.actor = ?2 AND signatures.seq = ?3";
pub const SIGNATURES_OF_SHARED: &str = "
    SELECT lines.line, lines.packed FROM signatures JOIN lines
        ON lines.book_id = signatures.book_id AND lines.position = signatures.position
    WHERE signatures.book_id = ?1 AND signatures.actor = ?2 AND signatures.seq = ?3";

/// Empties a book's log, so that it can be laid out anew.
pub const CLEAR_BOOK: [&str; 6] = [
    "DELETE FROM lines WHERE book_id = ?1",
    "DELETE FROM commits WHERE book_id = ?1",
    "DELETE FROM actors WHERE book_id = ?1",
    "DELETE FROM record_index WHERE book_id = ?1",
    "DELETE FROM signatures WHERE book_id = ?1",
    "DELETE FROM books WHERE book_id = ?1",
];
/// The same for what stands beside a long line.
pub const CLEAR_REST: &str = "DELETE FROM line_rest WHERE book_id = ?1";
pub const PEERS_AGAIN: &str = "UPDATE peers SET sent_to = 0 WHERE book_id = ?1";
pub const HOME: &str = "SELECT server FROM homes WHERE book_id = ?1";
pub const PUT_HOME: &str = "INSERT INTO homes (book_id, server) VALUES (?1, ?2) ON CONFLICT DO NOTHING";
pub const SET_ASIDE: &str = "
    SELECT book_id, number, hash, line, code, why, state, server, set_aside_at
    FROM set_aside ORDER BY book_id, number";
pub const IS_SET_ASIDE: &str = "SELECT 1 FROM set_aside WHERE book_id = ?1 AND hash = ?2 AND line = ?3";
pub const ADD_SET_ASIDE: &str = "
    INSERT INTO set_aside (book_id, number, hash, line, code, why, state, server, set_aside_at)
    VALUES (?1, (SELECT coalesce(max(number), 0) + 1 FROM set_aside WHERE book_id = ?1), ?2, ?3, ?4, ?5, ?6, ?7, ?8)";
pub const BACK_NO_MORE: &str =
    "UPDATE set_aside SET state = 'to_rescue' WHERE book_id = ?1 AND state = 'rescued'";
pub const CLEAR_RESCUED: &str = "DELETE FROM rescued WHERE book_id = ?1";
pub const SET_ASIDE_AGAIN: &str = "
    UPDATE set_aside SET code = ?4, why = ?5, state = ?6, server = ?7, set_aside_at = ?8
    WHERE book_id = ?1 AND hash = ?2 AND line = ?3";
pub const MARK_SET_ASIDE: &str = "UPDATE set_aside SET state = ?3 WHERE book_id = ?1 AND number = ?2";

/// Lines saved from a damaged store that wait for commits before them. Made when it is needed: a
/// table beside the log's own, like a client's.
pub const WAITING: &str = "
    CREATE TABLE IF NOT EXISTS salvaged (
        book_id BLOB NOT NULL,
        hash BLOB NOT NULL,
        line TEXT NOT NULL,
        PRIMARY KEY (book_id, hash)
    ) WITHOUT ROWID;
";
pub const ADD_WAITING: &str =
    "INSERT INTO salvaged (book_id, hash, line) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING";
pub const ALL_WAITING: &str = "SELECT book_id, line FROM salvaged";
pub const COUNT_WAITING: &str = "SELECT count(*) FROM salvaged";
pub const DROP_WAITING: &str = "DELETE FROM salvaged WHERE book_id = ?1 AND hash = ?2";

pub const USER_VERSION: &str = "PRAGMA user_version";
pub const SET_VERSION_2: &str = "PRAGMA user_version = 2";
pub const SET_VERSION_3: &str = "PRAGMA user_version = 3";
pub const SET_VERSION_4: &str = "PRAGMA user_version = 4";

/// PostgreSQL keeps the layout's version in a table, made with the others in one transaction.
pub const CREATE_LAYOUT: &str =
    "CREATE TABLE IF NOT EXISTS log_layout (id INTEGER PRIMARY KEY, version INTEGER NOT NULL)";
pub const LAYOUT_THERE: &str = "SELECT version FROM log_layout WHERE id = 1";
pub const LAYOUT_TAKEN: &str = "SELECT version FROM log_layout WHERE id = 1 FOR UPDATE";
pub const ADD_LAYOUT: &str = "INSERT INTO log_layout (id, version) VALUES (1, ?1)";
pub const SET_LAYOUT: &str = "UPDATE log_layout SET version = ?1 WHERE id = 1";
/// What was added that a program of layout 2 does not mind is a row of its own there: it reads the first.
pub const PACKED_COLUMN_THERE: &str = "SELECT version FROM log_layout WHERE id = 2";
pub const NOTE_PACKED_COLUMN: &str = "INSERT INTO log_layout (id, version) VALUES (2, 1)";
/// A packed line has no text there: an older program that reads it all the same fails, and passes over none.
pub const ADD_PACKED_COLUMN: &str =
    "ALTER TABLE lines ADD COLUMN packed BLOB; ALTER TABLE lines ALTER COLUMN line DROP NOT NULL";
/// What follows the first piece of a line too long for one row there.
pub const CREATE_REST: &str = "
    CREATE TABLE line_rest (
        book_id BLOB NOT NULL,
        position INTEGER NOT NULL,
        part INTEGER NOT NULL,
        line TEXT NOT NULL,
        PRIMARY KEY (book_id, position, part)
    );
";
pub const ADD_REST: &str = "INSERT INTO line_rest (book_id, position, part, line) VALUES (?1, ?2, ?3, ?4)";
pub const REST: &str = "SELECT line FROM line_rest WHERE book_id = ?1 AND position = ?2 ORDER BY part";
/// The book's row, taken for this transaction alone until it ends: what positions come from. SQLite has
/// one writer at a time, and no such words.
pub const BOOK_TAKEN: &str =
    "SELECT book_id, kind, end_position, chain, heads, last_op FROM books WHERE book_id = ?1 FOR UPDATE";
/// Changes nothing, and makes the commit wait like one that does: what was acknowledged as known must be
/// where everything acknowledged is.
pub const TOUCH_BOOK: &str = "UPDATE books SET end_position = end_position WHERE book_id = ?1";

pub const BOOKS: &str =
    "SELECT book_id, kind, end_position, chain, heads, last_op FROM books ORDER BY book_id";
pub const BOOK: &str =
    "SELECT book_id, kind, end_position, chain, heads, last_op FROM books WHERE book_id = ?1";
pub const PUT_BOOK: &str = "
    INSERT INTO books (book_id, kind, end_position, chain, heads, last_op) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
    ON CONFLICT (book_id) DO UPDATE SET
        end_position = excluded.end_position, chain = excluded.chain,
        heads = excluded.heads, last_op = excluded.last_op";

pub const ADD_LINE: &str =
    "INSERT INTO lines (book_id, position, kind, hash, line, chain) VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
pub const LINES: &str = "
    SELECT position, hash, chain, line FROM lines
    WHERE book_id = ?1 AND position > ?2 ORDER BY position LIMIT ?3";
/// With the bytes of those that are packed, which have a column of their own in a shared database.
pub const LINES_SHARED: &str = "
    SELECT position, hash, chain, line, packed FROM lines
    WHERE book_id = ?1 AND position > ?2 ORDER BY position LIMIT ?3";
/// The same where no server of this version has laid out yet, for whoever only looks.
pub const LINES_SHARED_BEFORE: &str = "
    SELECT position, hash, chain, line, NULL AS packed FROM lines
    WHERE book_id = ?1 AND position > ?2 ORDER BY position LIMIT ?3";
/// The same lines without their texts: how many bytes each lies in, and how a packed one begins, which says how
/// long its text is. A text begins with no bytes.
pub const SIZES: &str = "
    SELECT position, hash, chain, octet_length(line), substr(line, 1, 18) FROM lines
    WHERE book_id = ?1 AND position > ?2 ORDER BY position LIMIT ?3";
pub const SIZES_SHARED: &str = "
    SELECT position, hash, chain, CAST(coalesce(octet_length(packed), octet_length(line)) AS BIGINT), substr(packed, 1, 18)
    FROM lines
    WHERE book_id = ?1 AND position > ?2 ORDER BY position LIMIT ?3";
pub const SIZES_SHARED_BEFORE: &str = "
    SELECT position, hash, chain, CAST(octet_length(line) AS BIGINT), NULL AS packed FROM lines
    WHERE book_id = ?1 AND position > ?2 ORDER BY position LIMIT ?3";
pub const ADD_PACKED_SHARED: &str = "
    INSERT INTO lines (book_id, position, kind, hash, line, packed, chain) VALUES (?1, ?2, ?3, ?4, NULL, ?5, ?6)";
/// A line in its other form, in its place.
pub const SET_LINE: &str = "UPDATE lines SET line = ?3 WHERE book_id = ?1 AND position = ?2";
pub const SET_PACKED_SHARED: &str =
    "UPDATE lines SET line = NULL, packed = ?3 WHERE book_id = ?1 AND position = ?2";
pub const SET_TEXT_SHARED: &str =
    "UPDATE lines SET line = ?3, packed = NULL WHERE book_id = ?1 AND position = ?2";
pub const DROP_REST: &str = "DELETE FROM line_rest WHERE book_id = ?1 AND position = ?2";
pub const PACKED_LEFT: &str = "
    SELECT book_id, position FROM lines WHERE typeof(line) = 'blob' ORDER BY book_id, position LIMIT 1";
pub const PACKED_LEFT_SHARED: &str = "
    SELECT book_id, position FROM lines WHERE packed IS NOT NULL ORDER BY book_id, position LIMIT 1";
pub const CHAIN_AT: &str = "SELECT chain FROM lines WHERE book_id = ?1 AND position = ?2";

pub const ADD_COMMIT: &str = "
    INSERT INTO commits (book_id, hash, actor, seq, last_op, position) VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
pub const COMMIT: &str = "SELECT actor, seq, last_op, position FROM commits WHERE book_id = ?1 AND hash = ?2";

pub const PUT_ACTOR: &str = "
    INSERT INTO actors (book_id, actor, seq, hash) VALUES (?1, ?2, ?3, ?4)
    ON CONFLICT (book_id, actor) DO UPDATE SET seq = excluded.seq, hash = excluded.hash";
pub const ACTOR: &str = "SELECT seq, hash FROM actors WHERE book_id = ?1 AND actor = ?2";

pub const ADD_RECORD: &str =
    "INSERT INTO record_index (book_id, record_id, position) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING";
pub const RECORD: &str =
    "SELECT position FROM record_index WHERE book_id = ?1 AND record_id = ?2 ORDER BY position";

pub const ADD_SIGNATURE: &str =
    "INSERT INTO signatures (book_id, hash, actor, seq, position) VALUES (?1, ?2, ?3, ?4, ?5)";
pub const SIGNATURE: &str = "SELECT position FROM signatures WHERE book_id = ?1 AND hash = ?2";

pub const PEER: &str = "SELECT position, chain, sent_to FROM peers WHERE book_id = ?1 AND server = ?2";
pub const PUT_PEER: &str = "
    INSERT INTO peers (book_id, server, position, chain, sent_to) VALUES (?1, ?2, ?3, ?4, ?5)
    ON CONFLICT (book_id, server) DO UPDATE SET
        position = excluded.position, chain = excluded.chain, sent_to = excluded.sent_to";

pub const COUNTS: &str = "
    SELECT (SELECT count(*) FROM commits WHERE book_id = ?1), (SELECT count(*) FROM signatures WHERE book_id = ?1)";
