//! The evening at Bolebook's own server: the shipped program, the shipped client side.

use std::time::Instant;

use bolebook_db::Connection;
use bolebook_tests::scale::crews::{Crew, log_of, put};
use bolebook_tests::scale::server::{Server, Way};
use bolebook_tests::world::World;

use super::{Evening, Measured};

/// The evening of these crews.
pub fn evening(world: &World, crews: &[Crew], how: Evening) -> Measured {
    let data = tempfile::tempdir().expect("a folder");
    Server::init(data.path(), world);
    let Server { process: server, url, .. } = Server::start(data.path(), None);
    let job = world.job.id();
    let office = Way::office(&url);
    // The morning stands on the server, and on every device, before the clock starts.
    let books = [world.yard.id(), job];
    office.exchange(&mut log_of(&[&world.yard, &world.job]), &books, &mut [0; 3]);
    let mut devices: Vec<(Way, Connection)> = vec![];
    for (n, crew) in crews.iter().enumerate() {
        let way = Way::crew(&url, world, n);
        let mut db = bolebook_log::open_in_memory().expect("a log");
        way.exchange(&mut db, &books, &mut [0; 3]);
        put(&mut db, job, &crew.lines);
        devices.push((way, db));
    }
    office.findings(job);
    let (cpu, begun) = (server.cpu_s(), Instant::now());
    let mut used = [0; 3];
    match how {
        Evening::InTurns | Evening::Apart => devices.iter_mut().for_each(|(way, db)| {
            way.exchange(db, &books, &mut used);
            how.pause();
        }),
        Evening::AtOnce => {
            // Twice: what came after a crew's own exchange reaches it with the second.
            for _ in 0..2 {
                let parts = std::thread::scope(|scope| {
                    let running: Vec<_> = devices
                        .iter_mut()
                        .map(|(way, db)| {
                            scope.spawn(move || {
                                let mut used = [0; 3];
                                way.exchange(db, &books, &mut used);
                                used
                            })
                        })
                        .collect();
                    running.into_iter().map(|r| r.join().expect("a crew")).collect::<Vec<_>>()
                });
                parts.iter().for_each(|part| used.iter_mut().zip(part).for_each(|(sum, n)| *sum += n));
            }
        }
    }
    office.findings(job);
    let wall_s = begun.elapsed().as_secs_f64();
    Measured {
        cpu_s: server.cpu_s() - cpu,
        peak_mb: server.peak_mb(),
        wall_s,
        round_trips: used[0],
        up: used[1],
        down: used[2],
    }
}
