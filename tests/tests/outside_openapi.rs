//! The served description of the service against the service itself, by an outside tester.

mod support;

use bolebook_core::ids::{RecordId, Sha256Hash};
use bolebook_core::keeping::{Erasing, PHOTO, tombstone};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Role;
use bolebook_core::service::Register;
use support::{Client, Server, yard};

/// What schemathesis checks of every answer.
const CHECKS: &str = "not_a_server_error,status_code_conformance,content_type_conformance,\
    response_headers_conformance,response_schema_conformance,unsupported_method,ignored_auth";

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
    config.requests_per_minute = 100_000;
    let server = Server::start_with(config);
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.open_yard();
    let job = office.open_job(1);
    office.exchange(&[yard(), job]).unwrap();
    let gone = Sha256Hash::of(b"gone");
    let what = Erasing { at: UtcMs(1), by: None, reason: "asked for".into(), photo: Some(gone) };
    let entries = vec![tombstone(RecordId::new(9, [9; 10]), PHOTO, &office.key, what).unwrap()];
    assert_eq!(office.json("PUT", "/v1/register", &Register { entries }).status, 204);
    let photo = b"\xff\xd8\xff\xe0invented";
    let kept = Sha256Hash::of(photo);
    let octets = [("content-type", "application/octet-stream")];
    assert_eq!(office.send("PUT", &format!("/v1/photos/{kept}"), &octets, photo).unwrap().status, 201);
    let token = format!("Authorization: Bearer {}", office.token.as_deref().unwrap());
    // Once with every id made up, once with ids that are there, so that the answers are reached too.
    let there = format!(
        "[parameters]\n\"path.id\" = \"{job}\"\n\"path.sha256\" = \"{kept}\"\n\"path.name\" = \"trees.csv\"\n"
    );
    // A photo that is there already is answered without its body being read, so wrong ones pass then.
    for (settings, checks) in [("", format!("{CHECKS},negative_data_rejection")), (&there, CHECKS.to_owned())]
    {
        let work = tempfile::tempdir().unwrap();
        std::fs::write(work.path().join("settings.toml"), settings).unwrap();
        let done = std::process::Command::new(xtask::setup::python().unwrap())
            .args(["-m", "schemathesis.cli", "--config-file", "settings.toml", "run"])
            .arg(format!("{}/openapi.json", server.url))
            .args(["--header", &token, "--phases", "examples,coverage,fuzzing"])
            // tus 1.0 answers in its own way (412, a part of its own media type): `tests/uploads.rs`.
            .args(["--exclude-path-regex", "^/v1/uploads"])
            .args(["--max-examples", "25", "--seed", "20260914", "--generation-database", "none"])
            .args(["--checks", &checks, "--workers", "1", "--no-color", "--request-timeout", "30"])
            .env("SCHEMATHESIS_HOOKS", "openapi_hooks")
            .env("PYTHONPATH", bolebook_tests::root().join("tests/reference"))
            .env("PYTHONDONTWRITEBYTECODE", "1")
            .env("BOLEBOOK_TEST_BOOK", job.to_string())
            .current_dir(work.path())
            .output()
            .unwrap();
        let told =
            format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
        assert!(done.status.success(), "{told}");
        // Every operation but the page itself, with hundreds of requests that all passed.
        let routes = bolebook_server::router::routes();
        let uploads = routes.iter().filter(|route| format!("{route:?}").contains("/v1/uploads")).count();
        let operations = routes.len() - 1 - uploads;
        assert!(told.contains(&format!("Tested: {operations}")), "{told}");
        let cases = told.lines().find_map(|line| line.trim().split_once(" generated, ")).unwrap();
        let (made, passed) = (cases.0, cases.1.split(' ').next().unwrap());
        assert!(made == passed && made.parse::<u32>().unwrap() >= 300, "{told}");
    }
    assert_eq!(office.get("/ready").status, 200);
}
