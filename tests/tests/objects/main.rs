//! Photos in a folder and in an S3-compatible object store: one contract on both; servers that share
//! nothing but a database and a store, killed in the middle of uploads; a store that is away, slow or
//! wrong. The store is a general-purpose one from PyPI, the database PostgreSQL 15: both are started
//! here. Photos are INVENTED bytes.

#[path = "../support/mod.rs"]
mod support;

mod contract;
mod faults;
mod hubs;
mod moving;
#[allow(dead_code, reason = "the other program has more to do with it")]
#[path = "../store_contract/process.rs"]
mod process;
mod servers;
mod signature;
mod standing;
mod store;
mod way;
mod whose;

use std::time::Duration;

use bolebook_objects::{Folder, Objects};
use bolebook_server::PhotoStore;
use store::{Store, in_bucket};

/// Makes a place that has nothing yet, as often as it is asked.
pub type Fresh<'a> = &'a dyn Fn() -> Objects;

/// The same way to the store with less patience, where it is tested.
pub fn impatient(photos: PhotoStore) -> PhotoStore {
    PhotoStore { patience: Duration::from_millis(1_500), ..photos }
}

fn all_of_it(fresh: Fresh<'_>) {
    contract::what_was_put_is_read_whole_and_in_parts(fresh);
    contract::what_is_put_again_takes_its_place(fresh);
    contract::bytes_that_do_not_come_to_their_name_are_not_put(fresh);
    contract::a_file_is_put_as_bytes_are(fresh);
    contract::what_is_removed_is_gone_and_again_is_no_error(fresh);
    contract::pieces_of_one_upload_are_removed_and_no_others(fresh);
    contract::every_object_of_an_area_is_listed_once(fresh);
    contract::puts_at_the_same_time_leave_whole_objects(fresh);
    contract::no_name_leads_anywhere_else(fresh);
}

#[test]
fn the_contract_holds_in_a_folder() {
    let folder = tempfile::tempdir().unwrap();
    let number = std::cell::Cell::new(0);
    all_of_it(&|| {
        number.set(number.get() + 1);
        let data = folder.path().join(number.get().to_string());
        std::fs::create_dir(&data).unwrap();
        Objects::Folder(Folder::new(data))
    });
}

#[test]
fn the_contract_holds_in_an_object_store() {
    let store = Store::start();
    all_of_it(&|| in_bucket(&store.place()));
}
