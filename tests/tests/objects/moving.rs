//! Moving photos and papers between a folder and a store, there and back, cut off at every file.

use std::path::Path;
use std::process::Command;

use bolebook_core::ids::Sha256Hash;
use bolebook_objects::{Area, Folder, Key, Objects};
use bolebook_server::migrate_photos::{Moved, PhotosError, migrate};

use crate::process::{binary, init};
use crate::store::{SECRET, Store, everything, in_bucket, listed, variables};
use crate::support::tus::photo;

fn folder(data: &Path) -> Objects {
    Objects::Folder(Folder::new(data.to_owned()))
}

fn filled(objects: &Objects) -> Vec<(Key, Vec<u8>)> {
    let mut all = vec![];
    for seed in 0..5 {
        let bytes = photo(30_000 + seed as usize, 3 + 2 * seed);
        all.push((Key::photo(Sha256Hash::of(&bytes)), bytes));
    }
    let paper = b"%PDF-1.7 INVENTED".to_vec();
    all.push((Key::paper(Sha256Hash::of(&paper)), paper));
    for (key, bytes) in &all {
        objects.put(key, bytes).unwrap();
    }
    // A copy that can be made anew stays where it is.
    objects.put(&Key::thumbnail(Sha256Hash::of(b"x")), b"small").unwrap();
    all.sort();
    all
}

fn all_of(objects: &Objects) -> Vec<(Key, Vec<u8>)> {
    let keys = [Area::Photos, Area::Papers].into_iter().flat_map(|area| listed(objects, area));
    let mut all: Vec<_> = keys.map(|l| (l.key.clone(), objects.get(&l.key).unwrap().unwrap())).collect();
    all.sort();
    all
}

#[test]
fn photos_move_to_a_store_and_back_and_a_run_that_was_cut_off_goes_on() {
    let store = Store::start();
    let (here, back) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let (here, there, back) = (folder(here.path()), in_bucket(&store.place()), folder(back.path()));
    let all = filled(&here);
    let total: u64 = all.iter().map(|(_, bytes)| bytes.len() as u64).sum();
    for cut in 0..3 {
        let error = migrate(&here, &there, Some(cut)).unwrap_err();
        assert!(matches!(error, PhotosError::NotThere { .. }), "{error}");
    }
    let done = migrate(&here, &there, None).unwrap();
    assert_eq!(done, Moved { photos: 5, papers: 1, bytes: total, brought: 3 }, "three came before");
    assert_eq!(all_of(&there), all);
    assert_eq!(migrate(&here, &there, None).unwrap().brought, 0);
    assert_eq!(
        migrate(&there, &back, None).unwrap(),
        Moved { photos: 5, papers: 1, bytes: total, brought: 6 }
    );
    assert_eq!((all_of(&back), all_of(&here)), (all.clone(), all.clone()), "and nothing is gone");

    // What is damaged there is put again; what is damaged here is said, and everything else moves.
    let Objects::Folder(files) = &back else { unreachable!() };
    std::fs::write(files.place(&all[0].0), photo(all[0].1.len(), 99)).unwrap();
    assert_eq!(migrate(&there, &back, None).unwrap().brought, 1);
    assert_eq!(all_of(&back), all);
    let fresh = in_bucket(&store.place());
    std::fs::write(files.place(&all[1].0), b"cut off").unwrap();
    let error = migrate(&back, &fresh, None).unwrap_err();
    assert!(matches!(&error, PhotosError::Damaged { damaged, all: 6 } if damaged.len() == 1), "{error}");
    assert!(error.to_string().contains(all[1].0.path()), "{error}");
    assert_eq!(all_of(&fresh).len(), 5);
}

#[test]
fn the_command_moves_photos_both_ways_and_looks_at_them_with_verify() {
    let store = Store::start();
    let data = tempfile::tempdir().unwrap();
    init(data.path());
    let (address, place) = (Store::address(), store.place());
    let run = |arguments: &[&str], with: bool| {
        let mut command = Command::new(binary());
        command.args(arguments).arg("--data").arg(data.path());
        if with {
            command.args(["--photos", &address]).envs(variables(store.port));
        }
        let done = command.output().unwrap();
        let said = String::from_utf8([done.stdout, done.stderr].concat()).unwrap();
        assert!(!said.contains(SECRET), "{said}");
        (done.status.success(), said)
    };
    let all = filled(&folder(data.path()));
    let without = run(&["migrate", "--to", "bucket"], false);
    assert!(!without.0 && without.1.contains("--photos"), "{}", without.1);
    let there = run(&["migrate", "--to", "bucket"], true);
    assert!(there.0 && there.1.contains(r#""photos":5"#) && there.1.contains(r#""papers":1"#), "{}", there.1);
    std::fs::remove_dir_all(data.path().join("photos")).unwrap();
    std::fs::remove_dir_all(data.path().join("papers")).unwrap();
    // The tables of the data folder, which a server would have made.
    drop(bolebook_server::database::Place::of(data.path(), None).lay_out().unwrap());
    let looked = run(&["verify"], true);
    assert!(
        looked.0 && looked.1.contains(r#""photos":5"#) && looked.1.contains(r#""damaged":0"#),
        "{}",
        looked.1
    );
    let back = run(&["migrate", "--to", "folder"], true);
    assert!(back.0 && back.1.contains(r#""brought":6"#), "{}", back.1);
    assert_eq!(all_of(&folder(data.path())), all);
    assert_eq!(everything(&place), [], "another prefix of the same bucket has nothing of it");
    // What is not set is named.
    let mut command = Command::new(binary());
    command.args(["verify", "--photos", &address, "--data"]).arg(data.path()).env_remove("AWS_REGION");
    let done = command.env("AWS_ENDPOINT_URL", "http://127.0.0.1:9").output().unwrap();
    let said = String::from_utf8(done.stderr).unwrap();
    assert!(!done.status.success() && said.contains("set AWS_REGION"), "{said}");
}
