//! The short form comes out as the long one, and nothing else passes.

use super::*;
use crate::exchange::{BookRequest, EXCHANGE_VERSION};
use crate::ids::{BookId, RecordId};
use crate::signing::SecretKey;

fn body() -> (String, Vec<LogLine>) {
    let (key, book) = (SecretKey::from_seed([7; 32]), BookId::new(1, [3; 10]));
    let mut lines: Vec<LogLine> = vec![];
    let mut heads = vec![CommitHash([1; 32]), CommitHash([2; 32])];
    let mut op = 7;
    for (n, actor) in [1, 1, 1, 2, 3, 1].into_iter().enumerate() {
        let actor = ActorId::new(key.device(), [actor; 16]);
        let seq =
            1 + lines.iter().filter(|l| matches!(l.entry(), Entry::Commit(c) if c.actor() == actor)).count();
        let ids = (0..=n % 2).map(|k| RecordId::new(n as i64, [k as u8; 10]));
        let records: Vec<String> = ids.map(|id| format!(r#"{{"id":"{id}","n":{n}}}"#)).collect();
        let (seq, next) = (seq as u64, op + records.len() as u64);
        let draft = Draft { actor, seq, start_op: op, time: UtcMs(n as i64), deps: heads, records };
        let commit = Commit::author(draft).unwrap();
        (heads, op) = (vec![commit.hash()], next);
        let signed = HeadSignature::sign(&key, book, actor, seq, commit.hash());
        lines.push(commit.into());
        if n != 1 {
            lines.push(signed.into());
        }
    }
    let start = serde_json::to_string(&RequestStart { exchange: EXCHANGE_VERSION, now: UtcMs(5) }).unwrap();
    let open = BookRequest { book, server: None, position: 0, chain: CHAIN_START };
    let mut text = format!("{start}\n{}\n", serde_json::to_string(&open).unwrap());
    lines.iter().for_each(|l| text.push_str(&format!("{}\n", l.text())));
    (text, lines)
}

fn read(short: &str) -> Result<(Vec<LogLine>, Option<bool>), LineError> {
    let (mut reader, mut lines, mut checked) = (ShortReader::default(), vec![], None);
    for line in short.lines().skip(2) {
        match reader.read(line)? {
            ShortLine::Log(line) => lines.push(line),
            ShortLine::Checked(right) => checked = Some(right),
        }
    }
    Ok((lines, checked))
}

#[test]
fn what_is_left_out_comes_out_the_same() {
    let (long, lines) = body();
    let short = shorten(&long).unwrap();
    assert!(short.starts_with(r#"{"exchange":2,"#), "{short}");
    assert!(short.len() * 3 < long.len() * 2, "{} of {}", short.len(), long.len());
    assert!(
        lines.iter().all(|l| !matches!(l.entry(), Entry::Commit(c) if short.contains(&c.hash().to_string())))
    );
    assert_eq!(read(&short), Ok((lines, Some(true))));
}

/// The check, and a short commit and signature, as they were on the day the form was frozen.
#[test]
fn the_short_form_is_frozen() {
    let short = shorten(&body().0).unwrap();
    let hash = Sha256Hash::of(short.as_bytes()).to_string();
    assert_eq!(hash, "d16ee6b2cac72c2241e6c95eb32a0a659cda7be3abe791eb78661ea76de402ff", "{short}");
}

#[test]
fn a_byte_changed_on_the_way_is_refused_or_fails_the_check() {
    let (long, lines) = body();
    let short = shorten(&long).unwrap();
    let begin = short.match_indices('\n').nth(1).unwrap().0 + 1;
    for at in begin..short.len() {
        let mut bytes = short.clone().into_bytes();
        bytes[at] = if bytes[at] == b'1' { b'2' } else { b'1' };
        let changed = String::from_utf8(bytes).unwrap();
        match read(&changed) {
            Err(_) | Ok((_, None | Some(false))) => {}
            // Another spelling of the same, if there is one.
            Ok((read, Some(true))) => assert_eq!(read, lines, "{at}"),
        }
    }
}

#[test]
fn a_line_damaged_in_the_store_goes_as_it_is_and_is_named() {
    let (long, lines) = body();
    let Entry::Commit(second) = lines[2].entry() else { panic!("a commit") };
    let damaged = long.replacen(r#""n":1"#, r#""n":8"#, 1);
    let short = shorten(&damaged).unwrap();
    assert!(short.contains(&second.hash().to_string()));
    assert_eq!(read(&short).unwrap_err().code(), "hash-mismatch");
}

#[test]
fn a_short_line_with_nothing_to_go_on_from_is_refused() {
    for bad in [
        r#"{"commit":{"records":[{"id":"x"}],"time":1}}"#,
        r#"{"signature":"00"}"#,
        r#"{"commit":{}}"#,
        r#"{"check":"00"}"#,
        r#"{"commit":"#,
    ] {
        assert!(ShortReader::default().read(bad).is_err(), "{bad}");
    }
    let (long, _) = body();
    assert!(shorten(long.lines().next().unwrap()).is_none(), "nothing is offered");
}
