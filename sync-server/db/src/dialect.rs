//! What PostgreSQL gets of a statement in the common dialect. Pure: text in, text out.

/// A statement with PostgreSQL's parameters: `?12` becomes `$12`. Texts in quotes stay.
pub fn statement(sql: &str) -> String {
    let mut quoted = false;
    let mut out = String::with_capacity(sql.len());
    let mut rest = sql.chars().peekable();
    while let Some(c) = rest.next() {
        quoted ^= c == '\'';
        let parameter = c == '?' && !quoted && rest.peek().is_some_and(char::is_ascii_digit);
        out.push(if parameter { '$' } else { c });
    }
    out
}

/// A statement that lays tables out, with PostgreSQL's types. Text sorts by its bytes, as in SQLite,
/// whatever language the database was made with.
pub fn layout(sql: &str) -> String {
    let mut out = String::with_capacity(sql.len() * 2);
    let mut word = String::new();
    for c in sql.chars().chain(std::iter::once('\n')) {
        if c.is_ascii_alphanumeric() || c == '_' {
            word.push(c);
            continue;
        }
        out.push_str(match word.as_str() {
            "BLOB" => "BYTEA",
            "INTEGER" => "BIGINT",
            "TEXT" => "TEXT COLLATE \"C\"",
            other => other,
        });
        word.clear();
        out.push(c);
    }
    // A table without row ids is how PostgreSQL keeps every one.
    out.replace(" WITHOUT ROWID", "")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parameters_are_numbered_alike_and_quoted_question_marks_stay() {
        let sql = "SELECT '?1' FROM t WHERE a = ?1 AND b > ?12 AND c = '''?2'";
        assert_eq!(statement(sql), "SELECT '?1' FROM t WHERE a = $1 AND b > $12 AND c = '''?2'");
    }

    #[test]
    fn a_table_is_laid_out_with_the_other_engines_types() {
        let sql = "CREATE TABLE t (id BLOB, n INTEGER NOT NULL, s TEXT, PRIMARY KEY (id)) WITHOUT ROWID;";
        assert_eq!(
            layout(sql).trim_end(),
            "CREATE TABLE t (id BYTEA, n BIGINT NOT NULL, s TEXT COLLATE \"C\", PRIMARY KEY (id));"
        );
    }
}
