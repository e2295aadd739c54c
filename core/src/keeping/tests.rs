//! Order of states, limits, and the years of each scheme.

use super::*;

fn id(n: u8) -> RecordId {
    RecordId::new(i64::from(n), [n; 10])
}

fn entry(name: &str, at: i64) -> RegisterEntry {
    let fields = std::iter::once(("name".to_owned(), name.into())).collect();
    RegisterEntry { fields, ..RegisterEntry::new(id(1), "person", UtcMs(at)) }
}

fn gone(at: i64) -> RegisterEntry {
    let what = Erasing { at: UtcMs(at), by: None, reason: "left the company".into(), photo: None };
    tombstone(id(1), "person", &SecretKey::from_seed([3; 32]), what).unwrap()
}

#[test]
fn whatever_comes_first_every_store_ends_with_the_same_state_and_an_erasure_is_final() {
    let held = RegisterEntry {
        hold: Some(LegalHold { until: "2030-01-01".parse().unwrap(), reason: "a claim".into() }),
        ..entry("B", 9)
    };
    let states = [entry("A", 1), entry("B", 9), entry("C", 9), held, gone(5), gone(7), entry("D", 100)];
    for mask in 1..1u32 << states.len() {
        let chosen: Vec<&RegisterEntry> =
            (0..states.len()).filter(|i| mask >> i & 1 == 1).map(|i| &states[i]).collect();
        let last = |order: &mut dyn Iterator<Item = &RegisterEntry>| {
            order.cloned().reduce(|old, new| if new.replaces(&old) { new } else { old })
        };
        let forth = last(&mut chosen.iter().copied());
        let back = last(&mut chosen.iter().rev().copied());
        assert_eq!(forth, back);
        let erased = chosen.iter().any(|e| e.erased.is_some());
        assert_eq!(forth.unwrap().erased.is_some(), erased);
    }
    assert!(!gone(5).replaces(&gone(5)));
}

#[test]
fn an_erased_entry_says_that_it_was_erased_and_holds_no_field() {
    let entry = gone(5);
    let text = serde_json::to_string(&entry).unwrap();
    assert!(entry.fields.is_empty() && text.contains("left the company"));
    assert!(entry.called().unwrap().starts_with("erased person "), "{:?}", entry.called());
    assert_eq!(serde_json::from_str::<RegisterEntry>(&text).unwrap(), entry);
    let named = RegisterEntry { fields: self::entry("A", 1).fields, ..entry.clone() };
    assert!(matches!(named.check(), Err(KeepingError::Form { .. })));
    let photo = RegisterEntry { kind: PHOTO.into(), ..entry };
    assert!(photo.check().is_err(), "a photo's erasure names its bytes");
}

#[test]
fn entries_have_limits_on_kind_fields_and_reasons() {
    assert!(entry("A", 1).check().is_ok());
    assert!(RegisterEntry::new(id(1), "", UtcMs(1)).check().is_err());
    assert!(RegisterEntry::new(id(1), &"k".repeat(MAX_KIND_BYTES + 1), UtcMs(1)).check().is_err());
    assert!(entry(&"n".repeat(MAX_FIELD_BYTES), 1).check().is_err());
    for reason in [String::new(), " ".into(), "r".repeat(MAX_REASON_BYTES + 1)] {
        let what = Erasing { at: UtcMs(1), by: None, reason, photo: None };
        assert!(tombstone(id(1), "person", &SecretKey::from_seed([3; 32]), what).is_err());
    }
}

/// 40 CFR 171.303(b)(7): 'at least 2 years'; Regulation (EC) 1107/2009 art. 67: 'at least 3 years'
/// (from memory). Both count from the application; the day after the anniversary is surely beyond.
#[test]
fn the_years_of_each_scheme_are_counted_from_the_last_application() {
    let day = |text: &str| text.parse::<Day>().unwrap();
    assert_eq!(Scheme::Us.free_from(day("2026-09-14")), Some(day("2028-09-15")));
    assert_eq!(Scheme::Eu.free_from(day("2026-09-14")), Some(day("2029-09-15")));
    assert_eq!(Scheme::Us.free_from(day("2028-02-29")), Some(day("2030-03-02")));
    assert_eq!(Scheme::Eu.free_from(day("2026-12-31")), Some(day("2030-01-01")));
    assert_eq!(Scheme::Eu.free_from(day("9998-01-01")), None);
    assert_eq!(Scheme::longest(), Scheme::Eu);
    for scheme in Scheme::ALL {
        assert_eq!(Scheme::named(scheme.name()), Some(scheme));
    }
}
