//! A hub and a main server that keep photos in an object store, each under a prefix of its own.

use bolebook_core::ids::Sha256Hash;
use bolebook_objects::Area;
use bolebook_server::photos::remove;
use bolebook_server::relay::pass_on;
use bolebook_server::{Config, PhotoStore};

use crate::store::{Store, in_bucket, listed};
use crate::support::Server;
use crate::support::scene::{Scene, hub, visit};
use crate::support::tus::{photo, record_of};

/// The server again, its photos in a bucket from now on.
fn moved(data: &std::path::Path, photos: &PhotoStore) -> Server {
    Server::start_with(Config { photos: Some(photos.clone()), ..Config::new(data.to_owned()) })
}

fn photos_in(place: &PhotoStore) -> usize {
    listed(&in_bucket(place), Area::Photos).len()
}

#[test]
fn photos_go_from_a_hubs_bucket_to_the_main_servers_and_one_that_is_removed_does_not_come_back() {
    let store = Store::start();
    let (main_place, hub_place) = (store.place(), store.place());
    let mut scene = Scene::new();
    drop(std::mem::replace(&mut scene.server, moved(scene.data.path(), &main_place)));
    visit(&mut scene.office, &scene.server);
    let folder = tempfile::tempdir().unwrap();
    drop(hub(folder.path(), 36));
    let hub = moved(folder.path(), &hub_place);
    visit(&mut scene.crew, &hub);
    scene.crew.exchange(&scene.books()).unwrap();
    let both = [photo(300_000, 1), photo(5_000, 2)];
    for bytes in &both {
        let sha256 = Sha256Hash::of(bytes);
        scene.crew.write(scene.job, vec![record_of(bytes).into()]);
        scene.crew.exchange(&scene.books()).unwrap();
        assert_eq!(scene.crew.send("PUT", &format!("/v1/photos/{sha256}"), &[], bytes).unwrap().status, 201);
    }
    assert_eq!((photos_in(&hub_place), photos_in(&main_place)), (2, 0));
    assert_eq!(pass_on(&hub.app, &scene.server.url).unwrap().photos_given, 2);
    assert_eq!((photos_in(&hub_place), photos_in(&main_place)), (2, 2));
    let got = |bytes: &[u8]| scene.office.get(&format!("/v1/photos/{}", Sha256Hash::of(bytes)));
    for bytes in &both {
        assert_eq!(&got(bytes).bytes, bytes);
    }
    remove::remove(&scene.server.app, Sha256Hash::of(&both[1])).unwrap();
    let again = pass_on(&hub.app, &scene.server.url).unwrap();
    assert_eq!((again.photos_given, got(&both[1]).status, photos_in(&main_place)), (0, 410, 1), "{again:?}");
    // Neither server has anything of them in its folder.
    for data in [scene.data.path(), folder.path()] {
        for area in ["photos", "thumbnails", "uploads"] {
            let there = std::fs::read_dir(data.join(area)).map_or(0, Iterator::count);
            assert_eq!(there, 0, "{}/{area}", data.display());
        }
    }
}
