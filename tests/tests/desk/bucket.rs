//! Photos and papers in an object store: desk and portal show them as out of a folder, and nothing of
//! them lies on this machine.

use bolebook_objects::Key;
use bolebook_server::{Config, PhotoStore};

use crate::photos::a_client_sees_photos;
use crate::setup::a_paper_is_kept_and_deleted;
use crate::store::{Store, everything};

fn in_it(photos: &PhotoStore) -> impl FnOnce(&mut Config) {
    let photos = Some(photos.clone());
    move |config| config.photos = photos
}

/// The areas of what lies there, by name.
fn areas(photos: &PhotoStore) -> Vec<String> {
    let area = |key: &Key| key.path().split('/').next().unwrap_or("").to_owned();
    everything(photos).iter().map(area).collect()
}

#[test]
fn outside_desk_and_clients_see_photos_of_an_object_store_as_those_of_a_folder() {
    let store = Store::start();
    let photos = store.place();
    a_client_sees_photos(in_it(&photos));
    // Of two photos one was removed, with its thumbnail.
    assert_eq!(areas(&photos), ["photos"]);
}

#[test]
fn a_paper_in_an_object_store_is_kept_for_the_office_alone_and_deleted_when_it_is_asked_for() {
    let store = Store::start();
    let photos = store.place();
    a_paper_is_kept_and_deleted(in_it(&photos));
    assert!(areas(&photos).is_empty(), "the paper is gone from the store");
}
