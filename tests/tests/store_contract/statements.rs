//! Which words statements may have: what PostgreSQL alone knows, and what makes servers hang on one
//! another or a database keep state beside its rows, is refused. Source text is looked through.

use std::path::Path;

use bolebook_tests::root;

/// Never in a statement. A sequence's numbers become visible out of order; the rest ties the program
/// to one engine, or to one session of it.
const REFUSED: &[&str] = &[
    "LISTEN ",
    "NOTIFY ",
    "pg_advisory",
    "SERIAL",
    "NEXTVAL",
    "CREATE SEQUENCE",
    "AUTOINCREMENT",
    "GENERATED ",
    "CREATE TRIGGER",
    "CREATE FUNCTION",
    "TEMPORARY TABLE",
    "TEMP TABLE",
    "RETURNS TRIGGER",
    "LOCK TABLE",
    "COPY ",
    "INSERT OR ",
    "last_insert_rowid",
];
/// Where statements of PostgreSQL alone, and words of a session, may stand.
const SESSION: &str = "sync-server/db/src/session.rs";
/// The first words of a statement.
const BEGINS: &[&str] =
    &["SELECT ", "INSERT INTO ", "UPDATE ", "DELETE FROM ", "CREATE TABLE ", "CREATE INDEX "];

fn sources(folder: &Path, found: &mut Vec<(String, String)>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            let text = std::fs::read_to_string(&path).unwrap();
            // What is shipped: without comments and without unit tests.
            let shipped = text.split("#[cfg(test)]").next().unwrap().lines();
            let code: Vec<&str> = shipped.filter(|l| !l.trim_start().starts_with("//")).collect();
            let name = path.strip_prefix(root()).unwrap().to_string_lossy().into_owned();
            found.push((name, code.join("\n")));
        }
    }
}

fn server() -> Vec<(String, String)> {
    let mut found = vec![];
    for folder in ["sync-server/db/src", "sync-server/log/src", "sync-server/src"] {
        sources(&root().join(folder), &mut found);
    }
    assert!(found.len() > 60, "the sources were not found");
    found
}

/// Text in quotes that begins as a statement does, in capitals.
fn statements(code: &str) -> Vec<&str> {
    code.split('"').filter(|text| BEGINS.iter().any(|word| text.trim_start().starts_with(word))).collect()
}

#[test]
fn no_statement_has_a_word_that_only_one_engine_or_one_session_knows() {
    let mut seen = 0;
    for (name, code) in server() {
        for word in REFUSED.iter().filter(|_| name != SESSION) {
            let at = code.split('"').enumerate().filter(|(i, _)| i % 2 == 1);
            let with = at.map(|(_, text)| text).find(|text| text.contains(word) && text.contains(' '));
            assert!(with.is_none(), "{name}: {word:?} in {with:?}");
        }
        seen += statements(&code).len();
    }
    assert!(seen > 90, "{seen} statements were found");
}

/// A file has statements if it is one of these; a new one is put here on purpose.
#[test]
fn statements_stand_in_named_places() {
    let named = [
        "sync-server/db/src/session.rs",
        "sync-server/log/src/sql.rs",
        "sync-server/log/src/wipe.rs",
        "sync-server/src/desk/accounts.rs",
        "sync-server/src/desk/billing.rs",
        "sync-server/src/desk/copies.rs",
        "sync-server/src/desk/waiting.rs",
        "sync-server/src/migrate.rs",
        "sync-server/src/photos/held.rs",
        "sync-server/src/photos/place.rs",
        "sync-server/src/photos/remove.rs",
        "sync-server/src/portal/links.rs",
        "sync-server/src/relay/photos.rs",
        "sync-server/src/store.rs",
        "sync-server/src/token_keys.rs",
        "sync-server/src/uploads/table.rs",
    ];
    let found: Vec<String> =
        server().into_iter().filter(|(_, code)| !statements(code).is_empty()).map(|(name, _)| name).collect();
    let strange: Vec<&String> = found.iter().filter(|name| !named.contains(&name.as_str())).collect();
    assert!(strange.is_empty(), "{strange:?}");
}

#[test]
fn every_table_of_the_log_is_keyed_by_its_book_first() {
    let (_, sql) = server().into_iter().find(|(name, _)| name == "sync-server/log/src/sql.rs").unwrap();
    let mut tables = 0;
    for table in sql.split("CREATE TABLE ").skip(1).filter(|t| !t.contains("log_layout (")) {
        let first = table.lines().find(|line| line.contains("book_id")).unwrap_or_default();
        assert!(first.trim().starts_with("book_id BLOB"), "{table}");
        let keyed = table.contains("PRIMARY KEY (book_id") || first.contains("PRIMARY KEY");
        assert!(keyed, "{table}");
        tables += 1;
    }
    assert!(tables >= 10, "{tables}");
}
