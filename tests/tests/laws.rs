//! Laws of books, as properties: they converge in whatever order commits come (1), only grow (2),
//! merge whatever stands in them (5), hold integers (8), and outlive any bytes from outside (9).

use std::collections::BTreeSet;

use automerge::ReadDoc as _;
use bolebook_core::book::Book;
use bolebook_core::commit::{Commit, Draft};
use bolebook_core::exchange::{AnswerLine, RequestLine};
use bolebook_core::facts::{Fact, Facts, NoDays};
use bolebook_core::gate::Verdict;
use bolebook_core::ids::{ActorId, DeviceId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::{Kind, Record, canonical, record_schema};
use bolebook_tests::crowd::{Crowd, DEVICES, Step, Trusting, accepted_examples, empty_book, in_order, shown};
use proptest::prelude::*;
use serde_json::Value;

fn fold(book: &Book) -> Facts {
    Facts::fold(book, &Trusting, &NoDays)
}

/// Up to `most` random steps.
fn steps(most: usize) -> impl Strategy<Value = Vec<Step>> {
    let step = (0..DEVICES, 0u8..6, any::<u16>());
    proptest::collection::vec(step.prop_map(|(device, act, pick)| Step { device, act, pick }), 0..most)
}

/// Every (id, text) of a book.
fn texts(book: &Book) -> BTreeSet<(RecordId, String)> {
    let of = |c: &Commit| {
        let records = c.records().iter().cloned();
        c.record_ids().iter().copied().zip(records).collect::<Vec<_>>()
    };
    book.commits().iter().flat_map(of).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    #[test]
    fn i1_the_fold_is_the_same_in_whatever_order_commits_arrive(
        steps in steps(60),
        keys in proptest::collection::vec(any::<u32>(), 80),
        twice in any::<u8>(),
    ) {
        let crowd = Crowd::play(&steps);
        let first = crowd.all();
        let mut second = empty_book();
        for (index, commit) in in_order(first.commits(), &keys).into_iter().enumerate() {
            second.take(commit.clone()).unwrap();
            // What arrives again changes nothing.
            if index % 7 == usize::from(twice % 7) {
                prop_assert_eq!(second.take(commit).unwrap(), Verdict::Known);
            }
        }
        prop_assert_eq!(first.heads(), second.heads());
        prop_assert_eq!(shown(&first, &fold(&first)), shown(&second, &fold(&second)));
    }

    #[test]
    fn a_fact_looked_for_near_at_hand_is_the_one_the_whole_book_gives(steps in steps(60)) {
        let facts = fold(&Crowd::play(&steps).all());
        let all: Vec<usize> = (0..facts.facts.len()).collect();
        let number = |fact: Option<&Fact>| fact.map(|f| (f.id, f.kind, f.history.clone()));
        for version in &facts.versions {
            let direct = number(facts.fact_of(version.id()));
            // Among all, among its own only, and where it does not stand.
            for near in [&all[..], &[version.fact], &all[..version.fact], &all[version.fact + 1..]] {
                prop_assert_eq!(number(facts.fact_near(version.id(), near)), direct.clone());
            }
        }
    }

    #[test]
    fn i2_a_book_only_grows_and_its_document_holds_every_text(steps in steps(40)) {
        let mut before = BTreeSet::new();
        let crowd = Crowd::play_watched(&steps, |book| {
            let now = texts(book);
            assert!(now.is_superset(&before), "a text was lost");
            before = now;
        });
        let all = crowd.all();
        let document = all.document().unwrap();
        for (id, text) in texts(&all) {
            let values = document.get_all(automerge::ROOT, id.to_string()).unwrap();
            let held = values.iter().any(|(value, _)| value.as_str() == Some(&text));
            prop_assert!(held, "{} is not in the document", text);
        }
    }

    #[test]
    fn i5_a_merge_never_fails_on_what_a_record_says(
        fields in proptest::collection::vec(("[a-z]{1,8}", value()), 0..6),
        kind in prop_oneof![
            proptest::sample::select(Kind::ALL).prop_map(|k| k.name().to_owned()),
            "[a-z_]{0,12}",
        ],
        replaces in proptest::collection::vec(any::<u8>(), 0..3),
    ) {
        let mut book = Crowd::play(&[]).all();
        let id = RecordId::new(1_789_387_200_000, [9; 10]);
        let mut record: serde_json::Map<String, Value> = fields.into_iter().collect();
        record.insert("kind".into(), kind.into());
        let named = |n: &u8| Value::from(RecordId::new(i64::from(*n), [*n; 10]).to_string());
        record.insert("replaces".into(), replaces.iter().map(named).collect());
        record.insert("id".into(), id.to_string().into());
        let text = canonical::write(&record.into()).unwrap();
        let actor = ActorId::new(DeviceId([77; 16]), [1; 16]);
        book.write(actor, UtcMs(0), std::slice::from_ref(&text)).unwrap();
        let facts = fold(&book);
        let read = facts.versions.iter().any(|v| v.id() == id);
        let unread = facts.unreadable.iter().any(|u| u.id == id);
        prop_assert!(read != unread, "a record is read, or shown as unreadable: {}", text);
    }

    #[test]
    fn i9_no_bytes_from_outside_panic_or_change_a_book(
        noise in proptest::collection::vec(any::<u8>(), 0..200),
        at in any::<prop::sample::Index>(),
        cut in any::<prop::sample::Index>(),
    ) {
        let mut book = Crowd::play(&[]).all();
        let before = shown(&book, &fold(&book));
        let line = book.commits()[0].line();
        for example in accepted_examples().into_iter().chain([line, String::new()]) {
            let mut bytes = example.into_bytes();
            let place = at.index(bytes.len() + 1);
            let end = place + cut.index(bytes.len() - place + 1);
            bytes.splice(place..end, noise.iter().copied());
            let text = String::from_utf8_lossy(&bytes);
            let _ = Record::read(&text);
            let _ = RequestLine::parse(&text);
            let _ = AnswerLine::parse(&text);
            if let Ok(commit) = Commit::parse(&text) {
                let taken = book.take(commit.clone());
                prop_assert!(taken.is_err() || book.commits().contains(&commit));
            }
        }
        prop_assert_eq!(shown(&book, &fold(&book)), before);
    }
}

/// Any JSON of integers and text a few levels deep.
fn value() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        (-9_007_199_254_740_991i64..=9_007_199_254_740_991).prop_map(Value::from),
        any::<String>().prop_map(Value::from),
    ];
    leaf.prop_recursive(3, 12, 4, |inner| {
        prop_oneof![
            proptest::collection::vec(inner.clone(), 0..4).prop_map(Value::from),
            proptest::collection::btree_map("[a-z]{1,5}", inner, 0..4)
                .prop_map(|map| map.into_iter().collect::<serde_json::Map<_, _>>().into()),
        ]
    })
}

#[test]
fn i2_one_id_with_two_texts_keeps_both_and_none_wins() {
    let mut book = Crowd::play(&[Step { device: 1, act: 0, pick: 0 }]).all();
    let (id, text) = texts(&book).into_iter().find(|(_, text)| text.contains("note 0")).unwrap();
    let other = text.replace("note 0", "note overwritten");
    assert_ne!(text, other);
    let actor = ActorId::new(DeviceId([1; 16]), [2; 16]);
    book.write(actor, UtcMs(0), std::slice::from_ref(&other)).unwrap();
    let document = book.document().unwrap();
    let values = document.get_all(automerge::ROOT, id.to_string()).unwrap();
    assert_eq!(values.len(), 2);
    let facts = fold(&book);
    assert_eq!(facts.conflicting, [id]);
    assert_eq!(facts.fact_of(id).unwrap().current.len(), 2);
}

#[test]
fn i8_every_number_of_a_record_is_an_integer() {
    fn types(schema: &Value, found: &mut BTreeSet<String>) {
        match schema {
            Value::Object(fields) => {
                match fields.get("type") {
                    Some(Value::String(name)) => drop(found.insert(name.clone())),
                    Some(Value::Array(names)) => {
                        found.extend(names.iter().filter_map(Value::as_str).map(str::to_owned));
                    }
                    _ => {}
                }
                fields.values().for_each(|v| types(v, found));
            }
            Value::Array(items) => items.iter().for_each(|v| types(v, found)),
            _ => {}
        }
    }
    let mut found = BTreeSet::new();
    Kind::ALL.iter().for_each(|kind| types(&record_schema(*kind), &mut found));
    let known = ["array", "boolean", "integer", "object", "string"];
    assert_eq!(found.iter().map(String::as_str).collect::<Vec<_>>(), known);
}

#[test]
fn i9_a_refused_commit_leaves_the_book_as_it_was() {
    let mut book = Crowd::play(&[Step { device: 1, act: 0, pick: 0 }]).all();
    let (before, heads) = (shown(&book, &fold(&book)), book.heads());
    let draft =
        book.draft(ActorId::new(DeviceId([1; 16]), [9; 16]), UtcMs(0), accepted_examples()[..1].to_vec());
    let wrong = [
        Draft { seq: 2, ..draft.clone() },
        Draft { start_op: draft.start_op + 1, ..draft.clone() },
        Draft { deps: vec![bolebook_core::ids::CommitHash([7; 32])], ..draft.clone() },
        Draft { deps: vec![], seq: 1, start_op: 1, ..draft.clone() },
    ];
    for draft in wrong {
        let commit = Commit::author(draft).unwrap();
        assert!(book.take(commit).is_err());
    }
    assert_eq!((shown(&book, &fold(&book)), book.heads()), (before, heads));
    assert_eq!(book.take(Commit::author(draft).unwrap()), Ok(Verdict::New));
}
