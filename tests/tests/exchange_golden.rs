//! Golden bytes of the exchange: every line type, the chain, a receipt, certificates, statements.
//!
//! `tests/data/golden/exchange-1.json` was written once and is never written again: DO NOT MODIFY.
//! If a test here fails, the code is wrong, or a dependency has changed what it computes; devices
//! in the field speak these bytes. Ed25519 signatures are deterministic (RFC 8032), so they stand
//! there too.

mod support;

use bolebook_core::authority::{Grant, accept, certify, enrol_statement};
use bolebook_core::exchange::{
    AnswerLine, AnswerStart, BookAnswer, BookRequest, CHAIN_START, Problem, RequestLine, RequestStart, Yours,
    chain_after, code,
};
use bolebook_core::ids::{ActorId, CommitHash, DeviceId, RecordId, Sha256Hash};
use bolebook_core::quantity::{Ms, UtcMs};
use bolebook_core::record::book_kinds::{ChainEnd, Receipt};
use bolebook_core::record::people::Role;
use bolebook_core::record::{Envelope, Record};
use bolebook_core::service::assertion;
use bolebook_core::signing::{HeadSignature, SecretKey};
use bolebook_tests::root as repository;
use serde_json::{Map, Value, json};
use support::{END, NOW, invitation, root, yard};

const CODE: &str = "2222 3333 4444 5555 6666";

fn text(value: &impl serde::Serialize) -> Value {
    serde_json::to_string(value).unwrap().into()
}

fn signature() -> HeadSignature {
    let key = SecretKey::from_seed([3; 32]);
    let actor = ActorId::new(key.device(), [4; 16]);
    HeadSignature::sign(&key, yard(), actor, 5, CommitHash([6; 32]))
}

fn computed() -> Map<String, Value> {
    let (server, device) = (SecretKey::from_seed([7; 32]).device(), SecretKey::from_seed([3; 32]));
    let chain = chain_after(CHAIN_START, Sha256Hash([1; 32]));
    let book = yard();
    let head =
        BookAnswer { book, from: 2, appended: 3, known: 1, end: 9, chain, more: true, findings_to: Some(8) };
    let key = device.public();
    let grant = Grant {
        key: key.clone(),
        role: Role::Crew,
        crew: None,
        name: "phone".into(),
        not_before: NOW,
        not_after: END,
    };
    let invited = invitation(Role::Crew, CODE);
    let receipt = Receipt {
        delivered_by: device.device(),
        arrived_at: NOW,
        clock_offset_ms: Ms(-86_400_000),
        through: vec![ChainEnd { actor: signature().actor, seq: 5 }],
    };
    let envelope =
        Envelope { id: RecordId::new(NOW.0, [8; 10]), at: NOW, device: server, by: None, replaces: vec![] };
    let receipt = Record { envelope, body: receipt.into() }.to_canonical().unwrap();
    let enrol = SecretKey::from_code(CODE).sign(&enrol_statement(&key).unwrap());
    let all = json!({
        "request_start": text(&RequestStart { exchange: 1, now: NOW }),
        "book_request": text(&BookRequest { book, server: Some(server), position: 2, chain }),
        "first_book_request": text(&BookRequest { book, server: None, position: 0, chain: CHAIN_START }),
        "answer_start": text(&AnswerStart { exchange: 1, server, now: NOW }),
        "book_answer": text(&head),
        "book_answer_without_findings": text(&BookAnswer { findings_to: None, ..head }),
        "yours": text(&Yours { yours: [0, 41] }),
        "head_signature": signature().line(),
        "head_signature_entry": Sha256Hash::of(signature().line().as_bytes()),
        "chain_of_two": chain_after(chain, Sha256Hash([2; 32])),
        "receipt": receipt,
        "code_key": SecretKey::from_code(CODE).public().key,
        "invitation": text(&invited),
        "certificate_by_root": text(&certify(&root(), grant).unwrap()),
        "certificate_by_invitation": text(&accept(&invited, CODE, key, UtcMs(NOW.0 + 1)).unwrap()),
        "enrol_signature": enrol.0,
        "assertion": assertion(&device, server, NOW, [9; 16]),
        "problem_codes": [code::CHAIN_MISMATCH, code::UNKNOWN_DEPENDENCY, code::OTHER_SERVER, code::TOKEN, code::RATE],
    });
    all.as_object().unwrap().clone()
}

fn golden() -> Map<String, Value> {
    let text = std::fs::read_to_string(repository().join("tests/data/golden/exchange-1.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

#[test]
fn golden_bytes_of_the_exchange_are_written_the_same() {
    let (golden, computed) = (golden(), computed());
    for (name, value) in &computed {
        assert_eq!(golden.get(name), Some(value), "{name} is now {value}");
    }
    assert_eq!(golden.len(), computed.len());
}

#[test]
fn golden_lines_are_read_for_what_they_are() {
    let golden = golden();
    let line = |name: &str| golden[name].as_str().unwrap();
    assert!(matches!(RequestLine::parse(line("request_start")), Ok(RequestLine::Start(_))));
    assert!(matches!(RequestLine::parse(line("book_request")), Ok(RequestLine::Book(b)) if b.position == 2));
    assert!(
        matches!(RequestLine::parse(line("first_book_request")), Ok(RequestLine::Book(b)) if b.server.is_none())
    );
    assert!(matches!(RequestLine::parse(line("head_signature")), Ok(RequestLine::Log(_))));
    assert!(matches!(AnswerLine::parse(line("answer_start")), Ok(AnswerLine::Start(_))));
    assert!(matches!(AnswerLine::parse(line("book_answer")), Ok(AnswerLine::Book(b)) if b.more));
    assert!(matches!(AnswerLine::parse(line("yours")), Ok(AnswerLine::Yours(Yours { yours: [0, 41] }))));
    assert!(Record::read(line("receipt")).is_ok());
    let refused: Problem = serde_json::from_value(json!({
        "type": "urn:bolebook:problem:chain-mismatch", "title": "Conflict", "status": 409, "detail": "d",
        "code": "chain-mismatch", "later_member": true,
    }))
    .unwrap();
    assert_eq!(refused.code, code::CHAIN_MISMATCH);
    assert_eq!(DeviceId([0; 16]).to_string().len(), 32);
}

/// Python's hashlib says the same of the chain, and its base64 and json read the assertion.
#[test]
fn python_computes_the_same_chain_and_reads_the_assertion() {
    let script = r#"
import base64, hashlib, json, sys
golden = json.load(open(sys.argv[1]))
chain = bytes(32)
for entry in (bytes([1]) * 32, bytes([2]) * 32):
    chain = hashlib.sha256(chain + entry).digest()
assert chain.hex() == golden["chain_of_two"], chain.hex()
assert hashlib.sha256(golden["head_signature"].encode()).hexdigest() == golden["head_signature_entry"]
part = lambda i: base64.urlsafe_b64decode(golden["assertion"].split(".")[i] + "==")
header, claims = json.loads(part(0)), json.loads(part(1))
assert header["alg"] == "EdDSA" and header["kid"] == claims["iss"] == claims["sub"], header
assert 0 < claims["exp"] - claims["nbf"] <= 600 and len(part(2)) == 64
"#;
    let path = repository().join("tests/data/golden/exchange-1.json");
    let done = std::process::Command::new("python3").args(["-c", script]).arg(path).output().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
}
