//! Photos of the app go to the real server piece by piece, over lines that drop and servers that stop.

use bolebook_core::ids::Sha256Hash;
use bolebook_field_core::field::Field;
use bolebook_field_core::photos::{PIECE, Waits};
use bolebook_field_tests::memory::{Memory, block_on, tap};
use bolebook_field_tests::office::Office;
use bolebook_field_tests::play::{MORNING, SEVEN, good, joined, tree_of};

/// Bytes that begin as a JPEG does (ISO/IEC 10918-1: FF D8 FF) and go on without repeating themselves.
fn picture(seed: u64, length: usize) -> Vec<u8> {
    let mut bytes = vec![0xff, 0xd8, 0xff, 0xe0];
    let mut word = seed;
    while bytes.len() < length {
        word = word.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        bytes.extend(word.to_le_bytes());
    }
    bytes.truncate(length);
    bytes
}

/// Logs a photo of a tree, as the page does.
fn take(device: &Memory, field: &Field<Memory>, tree: &str, bytes: Vec<u8>) -> Sha256Hash {
    let length = bytes.len().to_string();
    let digest = device.keep_photo(bytes);
    let fields = [("photo-sha256", digest.to_string()), ("photo-bytes", length)];
    let fields: Vec<(&str, &str)> = fields.iter().map(|(k, v)| (*k, v.as_str())).collect();
    good(&tap(field, &format!("photo:{tree}"), &fields));
    digest
}

/// How many pieces were sent since the last look, those that dropped among them.
fn pieces(device: &Memory) -> usize {
    device.asked.take().iter().filter(|(method, _)| *method == "PATCH").count()
}

#[test]
fn a_photo_goes_on_where_the_line_dropped_whatever_restarts_in_between() {
    let mut office = Office::found(Some(MORNING), SEVEN, 2);
    let url = office.serve(None);
    let (device, field) = joined(&office, &url, 51, 0);
    let tree = tree_of(&field, "P-1");
    let length = 5 * usize::try_from(PIECE).unwrap() + 1_234;
    let bytes = picture(1, length);
    let digest = take(&device, &field, &tree, bytes.clone());

    // Of a book that is not open to the device no photo is taken in, and it stays.
    device.answers.borrow_mut().push(("POST", 403));
    block_on(field.send_photos());
    assert_eq!((field.state().photos, field.state().photos_wait), (1, Some(Waits::Closed)));
    let waits = tap(&field, "go:unsent", &[]);
    assert!(waits.contains("One photo waits.") && waits.contains("does not take one yet"), "{waits}");

    // Books go without the photos, and photos without being waited for.
    assert!(tap(&field, "exchange", &[]).contains("Exchanged"));
    assert_eq!(office.photo(digest), None);
    // The line drops at the first byte, in the middle and before the last byte of a piece: each costs that piece.
    let piece = usize::try_from(PIECE).unwrap();
    pieces(&device);
    device.drops_after.set(Some(0));
    block_on(field.send_photos());
    assert_eq!(office.photo(digest).as_deref(), Some(&bytes[..]));
    assert_eq!((field.state().photos, field.state().photos_wait), (0, None));
    // Six pieces, and the one that dropped.
    assert_eq!(pieces(&device), 7);

    for (seed, drop) in [(2, 1), (3, piece / 2), (4, piece - 1)] {
        let bytes = picture(seed, length);
        let digest = take(&device, &field, &tree, bytes.clone());
        tap(&field, "exchange", &[]);
        pieces(&device);
        device.drops_after.set(Some(drop));
        block_on(field.send_photos());
        assert_eq!(office.photo(digest).as_deref(), Some(&bytes[..]), "{drop}");
        assert_eq!(pieces(&device), 7, "{drop}");
    }

    // The server stops after the second piece, the app is closed, and both start again.
    let bytes = picture(5, length);
    let digest = take(&device, &field, &tree, bytes.clone());
    tap(&field, "exchange", &[]);
    pieces(&device);
    device.dies_after.set(Some(2));
    block_on(field.send_photos());
    assert_eq!((field.state().photos, field.state().photos_wait), (1, Some(Waits::Line)));
    assert_eq!(pieces(&device), 2);
    drop(field);
    office.stop();
    office.serve(None);
    device.signal.set(true);
    let field = device.open(&url);
    assert_eq!(field.state().photos, 1);
    block_on(field.send_photos());
    assert_eq!(office.photo(digest).as_deref(), Some(&bytes[..]));
    // Only what was lacking went.
    assert_eq!(pieces(&device), 4);
}

#[test]
fn an_upload_the_server_no_longer_knows_is_begun_anew() {
    let mut office = Office::found(Some(MORNING), SEVEN, 1);
    let url = office.serve(None);
    let (device, field) = joined(&office, &url, 52, 0);
    let tree = tree_of(&field, "P-1");
    let bytes = picture(6, 3 * usize::try_from(PIECE).unwrap());
    let digest = take(&device, &field, &tree, bytes.clone());
    tap(&field, "exchange", &[]);
    for status in [404, 410] {
        device.answers.borrow_mut().push(("PATCH", status));
    }
    device.asked.take();
    block_on(field.send_photos());
    assert_eq!(office.photo(digest).as_deref(), Some(&bytes[..]));
    let begun = device.asked.take().iter().filter(|(method, _)| *method == "POST").count();
    assert_eq!(begun, 3);
}

#[test]
fn what_the_server_will_not_have_is_said_and_keeps_no_other_from_going() {
    let mut office = Office::found(Some(MORNING), SEVEN, 1);
    let url = office.serve(None);
    let (device, field) = joined(&office, &url, 53, 0);
    let tree = tree_of(&field, "P-1");
    let none = take(&device, &field, &tree, b"not a picture at all, whatever its record calls it".to_vec());
    let some = take(&device, &field, &tree, picture(7, 40_000));
    tap(&field, "exchange", &[]);
    block_on(field.send_photos());
    assert_eq!((office.photo(none), office.photo(some).map(|b| b.len())), (None, Some(40_000)));
    assert_eq!((field.state().photos, field.state().photos_wait), (1, Some(Waits::NoPicture)));
    let waits = tap(&field, "go:unsent", &[]);
    assert!(waits.contains("does not take one for a picture"), "{waits}");

    for (status, why, said) in [
        (413, Waits::TooLarge, "larger than the server takes"),
        (429, Waits::Quota, "no more from this device today"),
        (503, Waits::Refused(503), "could not take them now"),
    ] {
        device.answers.borrow_mut().push(("POST", status));
        block_on(field.send_photos());
        assert_eq!((field.state().photos, field.state().photos_wait), (1, Some(why)));
        let waits = tap(&field, "go:unsent", &[]);
        assert!(waits.contains(said), "{waits}");
    }
    device.signal.set(false);
    block_on(field.send_photos());
    assert_eq!((field.state().photos, field.state().photos_wait), (1, Some(Waits::Line)));
}
