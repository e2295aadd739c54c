//! What every place of bytes must do.

use std::collections::BTreeSet;

use bolebook_core::ids::Sha256Hash;
use bolebook_objects::{Area, Head, Key, ObjectError, Objects};

use crate::Fresh;
use crate::store::listed;
use crate::support::tus::photo;

fn key_of(bytes: &[u8]) -> Key {
    Key::photo(Sha256Hash::of(bytes))
}

fn names(objects: &Objects, area: Area) -> BTreeSet<String> {
    listed(objects, area).into_iter().map(|l| l.key.path().to_owned()).collect()
}

pub fn what_was_put_is_read_whole_and_in_parts(fresh: Fresh<'_>) {
    let objects = fresh();
    let bytes = photo(300_000, 3);
    let key = key_of(&bytes);
    assert_eq!(objects.get(&key).unwrap(), None);
    assert_eq!(objects.range(&key, 0, 10).unwrap(), None);
    assert_eq!((objects.head(&key, 10).unwrap(), objects.has(&key).unwrap()), (None, false));
    objects.put(&key, &bytes).unwrap();
    assert!(objects.get(&key).unwrap().unwrap() == bytes && objects.has(&key).unwrap());
    for (offset, most) in [(0, 16), (1, 1), (100_000, 65_536), (299_990, 10), (299_990, 500), (0, 1 << 30)] {
        let end = bytes.len().min(offset + most);
        let part = objects.range(&key, offset as u64, most as u64).unwrap().unwrap();
        assert!(part == bytes[offset..end], "{offset} {most}: {}", part.len());
    }
    assert_eq!(objects.range(&key, 300_000, 1).unwrap(), Some(vec![]), "it ends there");
    assert_eq!(objects.range(&key, 1 << 40, 7).unwrap(), Some(vec![]));
    let head = Head { bytes: 300_000, start: bytes[..16].to_vec() };
    assert_eq!(objects.head(&key, 16).unwrap(), Some(head));
    // Nothing at all is something too.
    let empty = Key::thumbnail(Sha256Hash::of(b"x"));
    objects.put(&empty, b"").unwrap();
    assert_eq!(objects.get(&empty).unwrap(), Some(vec![]));
    assert_eq!(objects.head(&empty, 16).unwrap(), Some(Head { bytes: 0, start: vec![] }));
}

pub fn what_is_put_again_takes_its_place(fresh: Fresh<'_>) {
    let objects = fresh();
    let bytes = photo(5_000, 5);
    for _ in 0..2 {
        objects.put(&key_of(&bytes), &bytes).unwrap();
    }
    assert_eq!(names(&objects, Area::Photos), BTreeSet::from([key_of(&bytes).path().to_owned()]));
    assert!(objects.get(&key_of(&bytes)).unwrap().unwrap() == bytes);
    let small = Key::thumbnail(Sha256Hash::of(&bytes));
    for made in [&b"longer than the other"[..], b"shorter"] {
        objects.put(&small, made).unwrap();
        assert_eq!(objects.get(&small).unwrap().unwrap(), made);
    }
}

pub fn bytes_that_do_not_come_to_their_name_are_not_put(fresh: Fresh<'_>) {
    let (objects, folder) = (fresh(), tempfile::tempdir().unwrap());
    let bytes = photo(5_000, 7);
    let file = folder.path().join("draft");
    std::fs::write(&file, &bytes).unwrap();
    let other = Sha256Hash::of(b"other");
    for key in [Key::photo(other), Key::paper(other)] {
        let refused = objects.put(&key, &bytes).unwrap_err();
        assert!(matches!(refused, ObjectError::Address { .. }), "{refused}");
        let refused = objects.put_file(&key, &file, Sha256Hash::of(&bytes)).unwrap_err();
        assert!(refused.to_string().contains(key.path()), "{refused}");
        assert!(!objects.has(&key).unwrap());
    }
    assert!(file.is_file(), "and the draft is whoever's it was");
}

pub fn a_file_is_put_as_bytes_are(fresh: Fresh<'_>) {
    let objects = fresh();
    // On the same disk as a folder of objects, as drafts are.
    let folder = match &objects {
        Objects::Folder(folder) => {
            tempfile::tempdir_in(folder.place(&Key::paper(Sha256Hash([0; 32]))).ancestors().nth(2).unwrap())
        }
        Objects::Bucket(_) => tempfile::tempdir(),
    }
    .unwrap();
    let bytes = photo(3_000_000, 9);
    let file = folder.path().join("draft");
    std::fs::write(&file, &bytes).unwrap();
    objects.put_file(&key_of(&bytes), &file, Sha256Hash::of(&bytes)).unwrap();
    assert!(objects.get(&key_of(&bytes)).unwrap().unwrap() == bytes);
}

pub fn what_is_removed_is_gone_and_again_is_no_error(fresh: Fresh<'_>) {
    let objects = fresh();
    let (bytes, other) = (photo(500, 11), photo(500, 13));
    objects.put(&key_of(&bytes), &bytes).unwrap();
    objects.put(&key_of(&other), &other).unwrap();
    assert!(objects.remove(&key_of(&bytes)).unwrap());
    assert!(!objects.remove(&key_of(&bytes)).unwrap());
    objects.forget(&key_of(&bytes)).unwrap();
    assert_eq!(objects.get(&key_of(&bytes)).unwrap(), None);
    assert_eq!(names(&objects, Area::Photos), BTreeSet::from([key_of(&other).path().to_owned()]));
    objects.put(&key_of(&bytes), &bytes).unwrap();
    assert!(objects.has(&key_of(&bytes)).unwrap(), "it may come again");
}

pub fn pieces_of_one_upload_are_removed_and_no_others(fresh: Fresh<'_>) {
    let objects = fresh();
    let piece = |upload: &str, name: &str| Key::piece(upload, name).unwrap();
    for key in [piece("ab", "01"), piece("ab", "02"), piece("abc", "01"), piece("a", "01")] {
        objects.put(&key, b"piece").unwrap();
    }
    objects.remove_pieces("ab").unwrap();
    objects.remove_pieces("ab").unwrap();
    let left = ["uploads/a/01", "uploads/abc/01"].map(str::to_owned);
    assert_eq!(names(&objects, Area::Uploads), BTreeSet::from(left));
    assert!(objects.remove_pieces("../photos").is_err());
}

pub fn every_object_of_an_area_is_listed_once(fresh: Fresh<'_>) {
    // More than a page of a store's listing, which has at most 1,000.
    const MANY: u32 = 1_050;
    const AT_ONCE: u32 = 4;
    let objects = fresh();
    assert_eq!(names(&objects, Area::Photos), BTreeSet::new());
    std::thread::scope(|scope| {
        for worker in 0..AT_ONCE {
            let objects = &objects;
            scope.spawn(move || {
                for number in (worker..MANY).step_by(AT_ONCE as usize) {
                    let text = number.to_string();
                    objects.put(&Key::paper(Sha256Hash::of(text.as_bytes())), text.as_bytes()).unwrap();
                }
            });
        }
    });
    let bytes = photo(70, 15);
    objects.put(&key_of(&bytes), &bytes).unwrap();
    objects.put(&Key::thumbnail(Sha256Hash::of(&bytes)), b"small").unwrap();
    let papers = listed(&objects, Area::Papers);
    let total: u64 = papers.iter().map(|l| l.bytes).sum();
    let expected: usize = (0..MANY).map(|n| n.to_string().len()).sum();
    assert_eq!((papers.len(), total), (MANY as usize, expected as u64));
    assert_eq!(names(&objects, Area::Papers).len(), MANY as usize, "each once");
    let photos = listed(&objects, Area::Photos);
    assert_eq!(
        (photos.len(), photos[0].bytes, photos[0].key.address()),
        (1, 70, Some(Sha256Hash::of(&bytes)))
    );
    assert!(photos[0].age_s.is_none_or(|age| age < 3_600), "put just now: {:?}", photos[0].age_s);
    let small = listed(&objects, Area::Thumbnails);
    assert_eq!((small.len(), small[0].key.photo_digest()), (1, Some(Sha256Hash::of(&bytes))));
}

pub fn puts_at_the_same_time_leave_whole_objects(fresh: Fresh<'_>) {
    let objects = fresh();
    let same = photo(400_000, 17);
    let others: Vec<Vec<u8>> = (0..4).map(|n| photo(100_000, 19 + 2 * n)).collect();
    std::thread::scope(|scope| {
        for other in &others {
            let (objects, same) = (&objects, &same);
            scope.spawn(move || {
                for _ in 0..3 {
                    objects.put(&key_of(same), same).unwrap();
                    objects.put(&key_of(other), other).unwrap();
                    // Whatever others do, it is whole at every moment.
                    assert!(objects.get(&key_of(same)).unwrap().unwrap() == *same);
                }
            });
        }
    });
    for bytes in others.iter().chain([&same]) {
        assert!(objects.get(&key_of(bytes)).unwrap().unwrap() == *bytes);
    }
    assert_eq!(names(&objects, Area::Photos).len(), 5);
}

pub fn no_name_leads_anywhere_else(_: Fresh<'_>) {
    let digits = "ab".repeat(33);
    for wrong in ["", "..", "../x", "a/b", "A", "a b", "a%2f", "é", "\0", ".", &digits] {
        assert!(Key::piece(wrong, "ab").is_err() && Key::piece("ab", wrong).is_err(), "{wrong:?}");
    }
    let digest = Sha256Hash::of(b"x").to_string();
    let two = &digest[..2];
    let good = [
        format!("photos/{two}/{digest}"),
        format!("thumbnails/{two}/{digest}.jpg"),
        format!("papers/{digest}"),
        "uploads/0a/ff".to_owned(),
    ];
    for path in &good {
        assert_eq!(Key::read(path).unwrap().path(), path);
    }
    for wrong in [
        format!("photos/zz/{digest}"),
        format!("photos/{two}/../{digest}"),
        format!("photos/{two}/{digest}.jpg"),
        format!("photos/{two}/{}", digest.to_uppercase()),
        format!("/photos/{two}/{digest}"),
        format!("papers/{two}/{digest}"),
        format!("papers/../{digest}"),
        format!("thumbnails/{two}/{digest}"),
        "uploads/0a".into(),
        "uploads/0a/../ff".into(),
        "uploads/../ff".into(),
        "owner".into(),
        String::new(),
    ] {
        assert_eq!(Key::read(&wrong), None, "{wrong}");
    }
}
