//! What a photo of 2 MB costs a server and its database: sent whole or in pieces as the field app sends it,
//! kept in a folder or in an object store, with either database; and what fetching it costs.
//!
//! `cargo xtask bench photos [PHOTOS [FILE]]`; with a file the raw figures go there. The object store is a
//! general-purpose one from PyPI on the same machine, whose own work is not counted. INVENTED: NOT FOR USE.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "it measures, and prints what it measured"
)]

#[allow(dead_code, reason = "the tests have more to do with it")]
#[path = "../tests/objects/store.rs"]
mod store;

use bolebook_core::ids::Sha256Hash;
use bolebook_tests::cluster::Cluster;
use bolebook_tests::scale::crews::morning;
use bolebook_tests::scale::server::{Server, Way};
use serde::Serialize;
use store::Store;

/// Bytes of a photo, and of a piece as the field app sends it.
const PHOTO_BYTES: usize = 2_000_000;
const PIECE_BYTES: usize = 256 * 1024;

/// Processor milliseconds for a photo.
#[derive(Clone, Debug, Serialize)]
struct Measured {
    place: &'static str,
    database: &'static str,
    sent: &'static str,
    photos: u32,
    server_ms: f64,
    /// Of PostgreSQL; nothing where the database is a file of the server's.
    database_ms: f64,
    fetched_server_ms: f64,
}

/// A JPEG by its first bytes, that no other is like; a server takes it in without looking at the rest.
fn photo(number: u32) -> Vec<u8> {
    let mut bytes = vec![0; PHOTO_BYTES];
    let mut state = number | 1 << 31;
    for byte in &mut bytes {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        *byte = (state >> 24) as u8;
    }
    bytes[..4].copy_from_slice(&[0xff, 0xd8, 0xff, 0xe0]);
    bytes
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let photos: u32 = words.first().and_then(|n| n.parse().ok()).unwrap_or(60);
    let world = morning(1);
    let (cluster, objects) = (Cluster::new(), Store::start());
    let mut all: Vec<Measured> = vec![];
    for database in ["SQLite", "PostgreSQL"] {
        for place in ["folder", "bucket"] {
            let data = tempfile::tempdir().expect("a folder");
            Server::init(data.path(), &world);
            let shared = (database == "PostgreSQL").then(|| cluster.database());
            let address = Store::address();
            let (options, variables) = match place {
                "bucket" => (vec!["--photos", &*address], store::variables(objects.port)),
                _ => (vec![], vec![]),
            };
            let server = Server::start_with(data.path(), shared.as_deref(), &options, &variables);
            let office = Way::office(&server.url);
            let mut first = 0;
            for sent in ["whole", "in pieces"] {
                let bytes: Vec<Vec<u8>> = (first..first + photos).map(photo).collect();
                first += photos;
                let worked = || (server.process.cpu_s(), cluster.processor_s());
                let before = worked();
                for bytes in &bytes {
                    match sent {
                        "whole" => office.photo(bytes),
                        _ => office.photo_in_pieces(bytes, PIECE_BYTES),
                    }
                }
                let kept = worked();
                for bytes in &bytes {
                    assert_eq!(&office.fetch_photo(Sha256Hash::of(bytes)), bytes);
                }
                let ms = |from: f64, to: f64| (to - from) * 1e3 / f64::from(photos);
                let measured = Measured {
                    place,
                    database,
                    sent,
                    photos,
                    server_ms: ms(before.0, kept.0),
                    database_ms: if shared.is_some() { ms(before.1, kept.1) } else { 0.0 },
                    fetched_server_ms: ms(kept.0, worked().0),
                };
                println!(
                    "{database}, {place}, {sent}: server {:.1} ms a photo, database {:.1} ms; fetched {:.1} ms",
                    measured.server_ms, measured.database_ms, measured.fetched_server_ms
                );
                all.push(measured);
            }
        }
    }
    if let Some(path) = words.get(1) {
        std::fs::write(path, serde_json::to_string_pretty(&all).expect("figures") + "\n").expect("written");
    }
}
