//! The served description of the service against the service itself, by an outside tester.

mod support;

use bolebook_core::ids::{RecordId, Sha256Hash};
use bolebook_core::keeping::{Erasing, PHOTO, tombstone};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Role;
use bolebook_core::service::Register;
use support::{Client, Server, yard};

/// schemathesis (PyPI) makes requests from the served OpenAPI page, right ones and wrong ones, and
/// checks every answer: no 5xx, no status, header, media type or body that the page does not describe,
/// no right request refused as malformed, no token ignored. Bounded, and the same from its seed.
#[test]
fn every_answer_to_an_outside_testers_requests_is_one_that_the_openapi_page_describes() {
    let data = tempfile::tempdir().unwrap();
    Server::init(data.path());
    let mut config = bolebook_server::Config::new(data.path().to_owned());
    // The tester comes from one address: limits on rate have their own test.
    (config.enrolments_per_minute, config.tokens_per_minute) = (100_000, 100_000);
    let server = Server::start_with(config);
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.open_yard();
    let job = office.open_job(1);
    office.exchange(&[yard(), job]).unwrap();
    let gone = Sha256Hash::of(b"gone");
    let what = Erasing { at: UtcMs(1), by: None, reason: "asked for".into(), photo: Some(gone) };
    let entries = vec![tombstone(RecordId::new(9, [9; 10]), PHOTO, &office.key, what).unwrap()];
    assert_eq!(office.json("PUT", "/v1/register", &Register { entries }).status, 204);
    let work = tempfile::tempdir().unwrap();
    let python = xtask::setup::python().unwrap();
    let done = std::process::Command::new(python)
        .args(["-m", "schemathesis.cli", "run"])
        .arg(format!("{}/openapi.json", server.url))
        .args(["--header", &format!("Authorization: Bearer {}", office.token.as_deref().unwrap())])
        .args(["--phases", "examples,coverage,fuzzing", "--max-examples", "25", "--seed", "20260914"])
        .args(["--checks", "not_a_server_error,status_code_conformance,content_type_conformance"])
        .args(["--checks", "response_headers_conformance,response_schema_conformance"])
        .args(["--checks", "unsupported_method,ignored_auth,negative_data_rejection"])
        .args(["--workers", "1", "--no-color", "--continue-on-failure", "--request-timeout", "30"])
        .env("SCHEMATHESIS_HOOKS", "openapi_hooks")
        .env("PYTHONPATH", bolebook_tests::root().join("tests/reference"))
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .env("BOLEBOOK_TEST_BOOK", job.to_string())
        .current_dir(work.path())
        .output()
        .unwrap();
    let told = format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    assert!(done.status.success(), "{told}");
    assert!(told.contains("No issues found"), "{told}");
    // It worked on every operation, and the service still stands.
    assert_eq!(office.get("/ready").status, 200);
}
