//! Which signatures go up.

use bolebook_core::commit::{Commit, Draft};
use bolebook_core::ids::{CommitHash, RecordId};
use bolebook_core::signing::{HeadSignature, SecretKey};

use super::*;

/// Chains of three and two commits by two actors of one device, signed at every commit.
fn offers(book: BookId, key: &SecretKey) -> Vec<(Sha256Hash, String)> {
    let mut offers = vec![];
    for (actor, length) in [(1, 3), (2, 2)] {
        let actor = ActorId::new(key.device(), [actor; 16]);
        let mut deps: Vec<CommitHash> = vec![];
        for seq in 1..=length {
            let id = RecordId::new(seq as i64, [actor.0[20]; 10]);
            let records = vec![format!(r#"{{"id":"{id}"}}"#)];
            let draft = Draft { actor, seq, start_op: seq, time: UtcMs(0), deps, records };
            let commit = Commit::author(draft).unwrap();
            deps = vec![commit.hash()];
            let signed = HeadSignature::sign(key, book, actor, seq, commit.hash());
            for line in [LogLine::from(commit), LogLine::from(signed)] {
                offers.push((line.hash(), line.text().to_owned()));
            }
        }
    }
    offers
}

fn left_out(book: BookId, offers: &[(Sha256Hash, String)], key: &PublicKey) -> Vec<usize> {
    let over = superseded(book, offers, key);
    (0..offers.len()).filter(|i| over.contains(&offers[*i].0)).collect()
}

#[test]
fn of_each_chain_of_ones_own_only_the_last_signature_goes_up() {
    let (book, key) = (BookId::new(1, [3; 10]), SecretKey::from_seed([7; 32]));
    assert_eq!(left_out(book, &offers(book, &key), &key.public()), [1, 3, 7]);
}

#[test]
fn a_last_signature_that_does_not_hold_takes_no_others_place() {
    let (book, key) = (BookId::new(1, [3; 10]), SecretKey::from_seed([7; 32]));
    let mut offers = offers(book, &key);
    // Well spelled and wrong, as a damaged store may have it: the one before it counts instead.
    let (text, digits) = (offers[5].1.clone(), "ab".repeat(64));
    let at = text.len() - 2 - digits.len();
    offers[5].1 = format!("{}{digits}\"}}", &text[..at]);
    assert!(LogLine::parse(&offers[5].1).is_ok());
    assert_eq!(left_out(book, &offers, &key.public()), [1, 7]);
}

#[test]
fn signatures_of_other_devices_and_of_other_books_all_go_up() {
    let (book, key) = (BookId::new(1, [3; 10]), SecretKey::from_seed([7; 32]));
    let stranger = SecretKey::from_seed([8; 32]).public();
    assert!(left_out(book, &offers(book, &key), &stranger).is_empty());
    assert!(left_out(BookId::new(1, [4; 10]), &offers(book, &key), &key.public()).is_empty());
}
