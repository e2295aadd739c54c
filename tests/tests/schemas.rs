//! Record schemas are generated from the types and up to date; accepted examples are accepted,
//! refused ones refused, by this reader and by readers that are not ours.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::process::Command;

use bolebook_core::record::people::{Certificate, CertificateProof};
use bolebook_core::record::{Body, Kind, Record, RecordError, record_schema};
use bolebook_core::signing::statement;
use bolebook_tests::{generated, root};

fn examples(folder: &str) -> Vec<(String, String)> {
    let folder = root().join("schemas/examples").join(folder);
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    paths.sort();
    let read = |path: PathBuf| {
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        let text = std::fs::read_to_string(&path).unwrap();
        (name, text.strip_suffix('\n').unwrap().to_owned())
    };
    paths.into_iter().map(read).collect()
}

fn fits_schema(kind: Kind, text: &str) -> bool {
    let validator = jsonschema::draft202012::new(&record_schema(kind)).unwrap();
    validator.is_valid(&serde_json::from_str(text).unwrap())
}

#[test]
fn generated_files_are_up_to_date() {
    let stale = generated::stale().unwrap();
    assert!(stale.is_empty(), "out of date: {stale:?}; run 'cargo xtask schemas'");
}

#[test]
fn every_kind_has_an_accepted_example() {
    let have: BTreeSet<&str> =
        examples("accepted").iter().map(|(_, text)| Record::read(text).unwrap().kind().name()).collect();
    let all: BTreeSet<&str> = Kind::ALL.iter().map(|k| k.name()).collect();
    assert_eq!(have, all);
}

#[test]
fn accepted_examples_are_read_and_written_back_to_the_same_bytes() {
    for (name, text) in examples("accepted") {
        let record = Record::read(&text).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(record.to_canonical().unwrap(), text, "{name}");
        assert!(name.split('-').next() == Some(record.kind().name()), "{name} is a {}", record.kind().name());
        assert!(fits_schema(record.kind(), &text), "{name} does not fit its schema");
    }
}

/// The prefix of a refused example's name says who refuses it: `canonical` the rules of canonical
/// JSON, `schema` schema and reader, `reader` the reader alone, `unknown` a reader too old for it.
#[test]
fn refused_examples_are_refused_as_their_names_say() {
    for (name, text) in examples("refused") {
        let error = Record::read(&text).expect_err(&name);
        let by = name.split('-').next().unwrap();
        let as_said = match by {
            "canonical" => matches!(error, RecordError::Canonical(_)),
            "schema" | "reader" => matches!(error, RecordError::Shape { .. }),
            "unknown" => matches!(error, RecordError::Unknown { .. }),
            _ => false,
        };
        assert!(as_said, "{name}: {error}");
        if matches!(by, "schema" | "reader") {
            let value: serde_json::Value = serde_json::from_str(&text).unwrap();
            let kind = Kind::ALL.iter().find(|k| k.name() == value["kind"]).unwrap();
            assert_eq!(fits_schema(*kind, &text), by == "reader", "{name}");
        }
    }
}

/// The examples' keys, codes and signatures were made with OpenSSL's Ed25519 (through Node's
/// `crypto`), not with this code.
#[test]
fn example_certificates_hold_by_signatures_made_elsewhere() {
    let records: Vec<Record> = examples("accepted").iter().map(|(_, t)| Record::read(t).unwrap()).collect();
    let root_key = records
        .iter()
        .find_map(|r| match &r.body {
            Body::Genesis(genesis) => Some(genesis.root.clone()),
            _ => None,
        })
        .unwrap();
    let certificates: Vec<&Certificate> = records
        .iter()
        .filter_map(|r| match &r.body {
            Body::Certificate(certificate) => Some(&**certificate),
            _ => None,
        })
        .collect();
    assert_eq!(certificates.len(), 2);
    for certificate in certificates {
        let said = statement("bolebook/certificate/1", certificate, "proof").unwrap();
        match &certificate.proof {
            CertificateProof::Root { signature } => root_key.verify(&said, signature).unwrap(),
            CertificateProof::Invitation { invitation, signature } => {
                invitation.code_key.verify(&said, signature).unwrap();
                let invited = statement("bolebook/invitation/1", invitation, "signature").unwrap();
                root_key.verify(&invited, &invitation.signature).unwrap();
            }
        }
    }
}

/// Python's `jsonschema` 4.26 (JSON Schema 2020-12) and `rfc8785` 0.1.4 (RFC 8785), two
/// implementations that share no code with ours, agree on schemas, examples and bytes.
#[test]
fn python_agrees_on_schemas_examples_and_canonical_bytes() {
    let python = xtask::setup::python().unwrap();
    let script = root().join("tests/reference/check_records.py");
    let output = Command::new(python).arg(script).arg(root().join("schemas")).output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
    let expected = format!(
        "{} schemas, {} accepted, {} refused\n",
        Kind::ALL.len(),
        examples("accepted").len(),
        examples("refused").iter().filter(|(name, _)| name.starts_with("schema-")).count()
    );
    assert_eq!(said, expected);
}
