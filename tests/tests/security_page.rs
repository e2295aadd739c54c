//! The security page names tests: each must exist.

use std::path::Path;

use bolebook_tests::root;

/// Every Rust source of the product.
fn sources(folder: &Path, text: &mut String) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() && path.file_name().is_some_and(|n| n != "target" && n != ".git") {
            sources(&path, text);
        } else if path.extension().is_some_and(|e| e == "rs") {
            text.push_str(&std::fs::read_to_string(&path).unwrap());
        }
    }
}

#[test]
fn every_test_that_the_security_page_names_exists() {
    let page = std::fs::read_to_string(root().join("docs/security.md")).unwrap();
    let mut text = String::new();
    for folder in ["core", "sync-server", "cli-client", "tests"] {
        sources(&root().join(folder), &mut text);
    }
    let quoted = page.split('`').skip(1).step_by(2);
    let tests = |name: &&str| name.matches('_').count() >= 4 && !name.contains(['/', '.', ' ']);
    let named: Vec<&str> = quoted.filter(tests).collect();
    assert!(named.len() > 40, "{}", named.len());
    let missing: Vec<&&str> = named.iter().filter(|name| !text.contains(&format!("fn {name}("))).collect();
    assert!(missing.is_empty(), "{missing:?}");
}

/// A statement that is written as a literal cannot hold input: what `format!` puts into one is a constant.
#[test]
fn no_statement_of_the_databases_is_put_together_from_input() {
    let mut text = String::new();
    for folder in ["sync-server/src", "sync-server/db/src", "sync-server/log/src", "cli-client/src"] {
        sources(&root().join(folder), &mut text);
    }
    let made: Vec<&str> = text
        .split("format!(")
        .skip(1)
        .filter(|rest| {
            let literal = rest.trim_start().trim_start_matches('"').trim_start();
            let statement = ["SELECT ", "INSERT ", "UPDATE ", "DELETE ", "CREATE ", "DROP ", "ALTER "]
                .iter()
                .any(|word| literal.starts_with(word));
            let literal = literal.split('"').next().unwrap_or_default();
            let put_in = literal.split('{').skip(1).filter_map(|rest| rest.split('}').next());
            let constant =
                |name: &str| !name.is_empty() && name.chars().all(|c| c.is_ascii_uppercase() || c == '_');
            statement && !put_in.clone().all(constant)
        })
        .map(|rest| rest.lines().next().unwrap_or_default())
        .collect();
    assert_eq!(made, Vec::<&str>::new());
}
