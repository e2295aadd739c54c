//! Servers that share a database and an object store, and no disk: uploads that go from one to another,
//! and servers killed in their middle.

use std::io::Read as _;
use std::path::Path;

use bolebook_core::ids::Sha256Hash;
use bolebook_core::keeping::{Erasing, PHOTO, tombstone};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Role;
use bolebook_core::service::Register;
use bolebook_objects::Area;
use bolebook_server::PhotoStore;

use crate::process::{Process, init, soon};
use crate::store::{Store, everything, in_bucket, listed, place_at, variables};
use crate::support::tus::{self, TUS, begin, is_there, next, offset, patch, photo};
use crate::support::{Client, yard};
use bolebook_tests::cluster::Cluster;

/// A data folder of one's own with the identity that all servers share, and nothing else.
fn another(data: &Path) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::copy(data.join("identity.json"), folder.path().join("identity.json")).unwrap();
    folder
}

struct Site {
    store: Store,
    tables: String,
    address: String,
    first: tempfile::TempDir,
    _cluster: Cluster,
}

impl Site {
    fn new() -> Self {
        let (store, cluster, first) = (Store::start(), Cluster::new(), tempfile::tempdir().unwrap());
        init(first.path());
        Self { store, tables: cluster.database(), address: Store::address(), first, _cluster: cluster }
    }

    fn serve(&self, data: &Path) -> Process {
        Process::start_with(data, &self.tables, |command| {
            command.args(["--photos", &self.address]).envs(variables(self.store.port));
        })
    }

    fn photos(&self) -> PhotoStore {
        place_at(self.store.port, &self.address)
    }
}

/// Files that are photos, thumbnails or parts of them.
fn files(data: &Path) -> Vec<String> {
    let mut names = vec![];
    for entry in std::fs::read_dir(data).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        if ["photos", "thumbnails", "uploads", "papers"].contains(&name.as_str()) {
            names.push(name);
        }
    }
    names
}

fn office(url: &str) -> Client {
    let mut office = Client::certified(url, 1, Role::Office);
    office.open_yard();
    office.exchange(&[yard()]).unwrap();
    office
}

#[test]
fn i6_an_upload_begun_at_one_server_goes_on_at_another_after_it_was_killed_in_the_middle() {
    let site = Site::new();
    let second_data = another(site.first.path());
    let first = site.serve(site.first.path());
    let second = site.serve(second_data.path());
    let here = office(&first.url);
    let mut there = Client::certified(&second.url, 1, Role::Office);
    there.token.clone_from(&here.token);

    let bytes = photo(3_300_000, 3);
    let path = begin(&here, &bytes);
    // Two mebibytes and more are on their way when the first is killed; what counts is seen at the other.
    let line = tus::begun(&here, &path, 0, bytes.len(), &bytes[..2_400_000]);
    soon("bytes that count", || offset(&there, &path) >= 2 << 20);
    drop(first);
    drop(line);
    let at = offset(&there, &path);
    assert!((2 << 20..=2_400_000).contains(&at), "{at}");
    assert!(!everything(&site.photos()).is_empty(), "its pieces lie in the store");
    assert_eq!(patch(&there, &path, at, &bytes[at..at + 1_000]).status, 204);
    // Once more at one that was not there when it began, with the second alive.
    let third_data = another(site.first.path());
    let third = site.serve(third_data.path());
    let mut last = Client::certified(&third.url, 1, Role::Office);
    last.token.clone_from(&here.token);
    assert_eq!(offset(&last, &path), at + 1_000);
    assert_eq!(patch(&last, &path, at + 1_000, &bytes[at + 1_000..]).status, 204);
    is_there(&last, &bytes);
    is_there(&there, &bytes);
    assert_eq!(offset(&there, &path), bytes.len());
    for data in [site.first.path(), second_data.path(), third_data.path()] {
        assert_eq!(files(data), Vec::<String>::new(), "nothing of a photo lies in a data folder");
    }
    assert_eq!(listed(&in_bucket(&site.photos()), Area::Uploads), [], "its pieces are gone");
}

#[test]
fn i6_servers_killed_at_any_byte_lose_nothing_of_what_they_acknowledged() {
    let site = Site::new();
    let data = [another(site.first.path()), another(site.first.path())];
    let begun = site.serve(site.first.path());
    let mut client = office(&begun.url);
    let (bytes, mut state) = (photo(2_600_000, 5), 0x5eed_u64);
    let path = begin(&client, &bytes);
    drop(begun);
    let (mut stood, mut sent, mut kills) = (0, 0, 0);
    let mut server = site.serve(data[0].path());
    while stood < bytes.len() {
        client.url.clone_from(&server.url);
        let at = offset(&client, &path);
        assert!(at >= stood, "{stood} were acknowledged, {at} are there");
        assert!(at <= sent.max(stood), "{at}: never more than was sent");
        stood = at;
        if kills < 6 {
            // Killed while it takes bytes in, writes them, notes them or says so.
            let given = 1 + next(&mut state) as usize % 700_000;
            let end = (at + given).min(bytes.len() - 1);
            sent = sent.max(end);
            let line = tus::begun(&client, &path, at, bytes.len() - at, &bytes[at..end]);
            std::thread::sleep(std::time::Duration::from_millis(next(&mut state) % 60));
            drop(server);
            drop(line);
            kills += 1;
            server = site.serve(data[kills % 2].path());
        } else {
            let end = (at + 600_000).min(bytes.len());
            sent = sent.max(end);
            assert_eq!(patch(&client, &path, at, &bytes[at..end]).status, 204);
            stood = end;
        }
    }
    is_there(&client, &bytes);
    // Killed between the last byte and the answer: whoever asks next finds it finished.
    let (small, url) = (photo(400_000, 7), server.url.clone());
    client.url = url;
    let path = begin(&client, &small);
    let mut line = tus::begun(&client, &path, 0, small.len(), &small);
    std::thread::sleep(std::time::Duration::from_millis(20));
    drop(server);
    let _ = line.read_to_end(&mut vec![]);
    let server = site.serve(data[0].path());
    client.url.clone_from(&server.url);
    let at = offset(&client, &path);
    if at < small.len() {
        assert_eq!(patch(&client, &path, at, &small[at..]).status, 204);
    }
    is_there(&client, &small);
}

#[test]
fn a_photo_erased_at_one_server_is_in_the_store_no_more_and_no_server_hands_it_out() {
    let site = Site::new();
    let second_data = another(site.first.path());
    let (first, second) = (site.serve(site.first.path()), site.serve(second_data.path()));
    let here = office(&first.url);
    let mut there = Client::certified(&second.url, 1, Role::Office);
    there.token.clone_from(&here.token);
    let folder = tempfile::tempdir().unwrap();
    let bytes = crate::support::camera::picture(folder.path(), 1, "JPEG");
    let (hash, other) = (Sha256Hash::of(&bytes), photo(50_000, 11));
    let at = format!("/v1/photos/{hash}");
    assert_eq!(here.send("PUT", &at, &[], &bytes).unwrap().status, 201);
    assert_eq!(there.get(&format!("{at}/thumbnail")).status, 200);
    assert_eq!(
        here.send("PUT", &format!("/v1/photos/{}", Sha256Hash::of(&other)), &[], &other).unwrap().status,
        201
    );
    // On its way once more, from another device, in another form of which a part has come.
    let longer = [&bytes[..], b"more"].concat();
    let crew = Client::certified(&second.url, 3, Role::Office);
    let under_way = begin(&crew, &longer);
    assert_eq!(patch(&crew, &under_way, 0, &longer[..500]).status, 204);
    assert_eq!(everything(&site.photos()).len(), 4, "two photos, a thumbnail, a piece");

    let id = |n: u8| bolebook_core::ids::RecordId::new(5, [n; 10]);
    let erase = |n: u8, photo: Sha256Hash| {
        let what = Erasing { at: UtcMs(50), by: None, reason: "asked for".into(), photo: Some(photo) };
        let entries = vec![tombstone(id(n), PHOTO, &here.key, what).unwrap()];
        here.json("PUT", "/v1/register", &Register { entries }).status
    };
    assert_eq!((erase(1, hash), erase(2, Sha256Hash::of(&longer))), (204, 204));
    for client in [&here, &there] {
        for below in ["", "/clean", "/thumbnail"] {
            assert_eq!(client.get(&format!("{at}{below}")).problem().code, "photo-removed", "{below}");
        }
        assert_eq!(client.send("PUT", &at, &[], &bytes).unwrap().problem().code, "photo-removed");
    }
    assert_eq!(crew.send("HEAD", &under_way, &[TUS], &[]).unwrap().status, 404);
    let left: Vec<_> = everything(&site.photos()).into_iter().map(|key| key.photo_digest()).collect();
    assert_eq!(left, [Some(Sha256Hash::of(&other))], "the other photo alone");
    is_there(&there, &other);
}
