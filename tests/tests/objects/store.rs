//! A general-purpose object store of one's own, from PyPI: on a free port of loopback, in memory, and
//! gone with the test.

use std::io::Read as _;
use std::net::TcpListener;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use bolebook_core::ids::Sha256Hash;
use bolebook_objects::{Area, Key, Listed, Objects, Signed, signed};
use bolebook_server::PhotoStore;
use bolebook_server::state::objects;

/// So often, every 50 ms, a store that starts is asked.
const PATIENCE: u32 = 1_200;
const SERVE: &str = "import sys
from moto.server import main
main(['-H', '127.0.0.1', '-p', sys.argv[1]])";
/// What must be in no log and no answer.
pub const SECRET: &str = "INVENTED-SECRET-4711";
const BUCKET: &str = "bole-photos";

pub struct Store {
    child: Child,
    pub port: u16,
}

/// A port that was free a moment ago.
pub fn free_port() -> u16 {
    TcpListener::bind(("127.0.0.1", 0)).unwrap().local_addr().unwrap().port()
}

/// The variables that lead to a store.
pub fn variables(port: u16) -> Vec<(&'static str, String)> {
    vec![
        ("AWS_ENDPOINT_URL", format!("http://127.0.0.1:{port}")),
        ("AWS_REGION", "eu-central-1".into()),
        ("AWS_ACCESS_KEY_ID", "INVENTEDKEY".into()),
        ("AWS_SECRET_ACCESS_KEY", SECRET.into()),
    ]
}

/// A place in a store at a port.
pub fn place_at(port: u16, address: &str) -> PhotoStore {
    let variables = variables(port);
    PhotoStore::new(address, |name| variables.iter().find(|v| v.0 == name).map(|v| v.1.clone())).unwrap()
}

impl Store {
    /// Started, with an empty bucket.
    pub fn start() -> Self {
        let python = xtask::setup::python().unwrap();
        let port = free_port();
        let mut command = Command::new(python);
        command.args(["-c", SERVE, &port.to_string()]).stdin(Stdio::null());
        let child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        let mut store = Self { child, port };
        for _ in 0..PATIENCE {
            if store.bucket_made() {
                return store;
            }
            assert!(store.child.try_wait().unwrap().is_none(), "the object store ended: {SERVE}");
            std::thread::sleep(Duration::from_millis(50));
        }
        panic!("the object store did not start");
    }

    fn bucket_made(&self) -> bool {
        let made = ureq::put(format!("http://127.0.0.1:{}/{BUCKET}", self.port)).send_empty();
        made.is_ok_and(|mut answer| answer.body_mut().as_reader().read_to_end(&mut vec![]).is_ok())
    }

    /// A prefix of its own.
    pub fn address() -> String {
        static NUMBER: AtomicU32 = AtomicU32::new(1);
        format!("s3://{BUCKET}/yard{}", NUMBER.fetch_add(1, Ordering::Relaxed))
    }

    /// A place in it that has nothing yet.
    pub fn place(&self) -> PhotoStore {
        place_at(self.port, &Self::address())
    }

    /// The same place by another port, in front of it.
    pub fn place_by(&self, port: u16) -> (PhotoStore, PhotoStore) {
        let address = Self::address();
        (place_at(self.port, &address), place_at(port, &address))
    }
}

impl Drop for Store {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// The objects of a bucket.
pub fn in_bucket(photos: &PhotoStore) -> Objects {
    objects(std::path::Path::new("none"), Some(photos)).unwrap()
}

/// What lies in an area.
pub fn listed(objects: &Objects, area: Area) -> Vec<Listed> {
    let mut found = vec![];
    let mut note = |listed| {
        found.push(listed);
        Ok(())
    };
    objects.list(area, &mut note).unwrap();
    found
}

/// The keys of everything in a place.
pub fn everything(photos: &PhotoStore) -> Vec<Key> {
    let objects = in_bucket(photos);
    let areas = [Area::Photos, Area::Thumbnails, Area::Papers, Area::Uploads];
    areas.into_iter().flat_map(|area| listed(&objects, area)).map(|listed| listed.key).collect()
}

/// Writes bytes under a name that is not theirs, as a fault of the store would.
pub fn put_behind_the_back(photos: &PhotoStore, key: &Key, bytes: &[u8]) {
    let path = format!("/{}/{}{}", photos.place.bucket, photos.place.prefix, key.path());
    let host = photos.access.endpoint.authority().unwrap().as_str();
    let payload = Sha256Hash::of(bytes);
    let request = Signed { method: "PUT", host, path: &path, query: "", payload };
    let mut put = ureq::put(format!("http://{host}{path}")).content_type("application/octet-stream");
    for (name, value) in signed(&photos.access, &request, "2026-06-01T12:00:00Z".parse().unwrap()) {
        put = put.header(name, value);
    }
    put.send(bytes).unwrap();
}
