//! The limit: the same lines posted, inserted in one durable SQLite transaction an exchange, and sent
//! back. No identity, no order to prove, no checks; the frames are packed as Bolebook's are.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::Command;
use std::time::Instant;

use bolebook_tests::scale::crews::Crew;
use bolebook_tests::scale::process::Process;
use rusqlite::{Connection, params};

use super::{Evening, Measured};

fn send(to: &mut TcpStream, bytes: &[u8]) {
    to.write_all(&(bytes.len() as u64).to_be_bytes()).and_then(|()| to.write_all(bytes)).expect("sent");
}

fn receive(from: &mut TcpStream) -> Option<Vec<u8>> {
    let mut length = [0; 8];
    from.read_exact(&mut length).ok()?;
    let mut bytes = vec![0; usize::try_from(u64::from_be_bytes(length)).ok()?];
    from.read_exact(&mut bytes).ok()?;
    Some(bytes)
}

/// The server, in a process of its own.
pub fn serve(folder: &str) {
    let db = Connection::open(Path::new(folder).join("limit.sqlite")).expect("a database");
    // As the log is kept.
    db.execute_batch(
        "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; CREATE TABLE line (position INTEGER PRIMARY KEY, text TEXT NOT NULL)",
    )
    .expect("a table");
    let db = std::sync::Arc::new(std::sync::Mutex::new(db));
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    println!("{}", listener.local_addr().expect("an address").port());
    for stream in listener.incoming() {
        let (db, mut stream) = (db.clone(), stream.expect("a connection"));
        std::thread::spawn(move || {
            while let Some(packed) = receive(&mut stream) {
                let text = zstd::decode_all(packed.as_slice()).expect("packed");
                let text = String::from_utf8(text).expect("text");
                let (known, lines) = text.split_once('\n').expect("a position");
                let known: i64 = known.parse().expect("a position");
                let mut db = db.lock().expect("a lock");
                let tx = db.transaction().expect("a transaction");
                let mut answer = String::new();
                {
                    let mut news =
                        tx.prepare_cached("SELECT text FROM line WHERE position > ?1").expect("sql");
                    let mut rows = news.query(params![known]).expect("rows");
                    while let Some(row) = rows.next().expect("a row") {
                        answer.push_str(row.get_ref(0).expect("text").as_str().expect("text"));
                        answer.push('\n');
                    }
                    let mut put = tx.prepare_cached("INSERT INTO line (text) VALUES (?1)").expect("sql");
                    for line in lines.lines() {
                        put.execute(params![line]).expect("inserted");
                    }
                }
                let end = tx.last_insert_rowid();
                tx.commit().expect("kept");
                drop(db);
                let answer = zstd::encode_all(format!("{end}\n{answer}").as_bytes(), 3).expect("packed");
                send(&mut stream, &answer);
            }
        });
    }
}

fn exchange(stream: &mut TcpStream, known: i64, lines: &str, used: &mut [u64; 3]) -> i64 {
    let packed = zstd::encode_all(format!("{known}\n{lines}").as_bytes(), 9).expect("packed");
    send(stream, &packed);
    let answer = receive(stream).expect("an answer");
    let text = zstd::decode_all(answer.as_slice()).expect("packed");
    let end = String::from_utf8(text).expect("text");
    used.iter_mut().zip([1, packed.len() as u64, answer.len() as u64]).for_each(|(sum, n)| *sum += n);
    end.split_once('\n').and_then(|(end, _)| end.parse().ok()).expect("a position")
}

/// The evening at the limit.
pub fn evening(crews: &[Crew], how: Evening) -> Measured {
    let data = tempfile::tempdir().expect("a folder");
    let program = std::env::current_exe().expect("this program");
    let server = Process::start(Command::new(program).arg("--limit").arg(data.path()));
    let address = format!("127.0.0.1:{}", server.said);
    let text = |crew: &Crew| crew.lines.iter().map(|l| format!("{}\n", l.text())).collect();
    let days: Vec<String> = crews.iter().map(text).collect();
    let (cpu, begun, mut used) = (server.cpu_s(), Instant::now(), [0; 3]);
    let connect = || TcpStream::connect(&address).expect("a connection");
    match how {
        Evening::InTurns | Evening::Apart => days.iter().for_each(|day| {
            exchange(&mut connect(), 0, day, &mut used);
            how.pause();
        }),
        Evening::AtOnce => {
            let ends: Vec<([u64; 3], i64)> = std::thread::scope(|scope| {
                let one = |day| {
                    let mut used = [0; 3];
                    let end = exchange(&mut connect(), 0, day, &mut used);
                    (used, end)
                };
                let running: Vec<_> = days.iter().map(|day| scope.spawn(move || one(day))).collect();
                running.into_iter().map(|r| r.join().expect("a crew")).collect()
            });
            for (part, end) in ends {
                used.iter_mut().zip(part).for_each(|(sum, n)| *sum += n);
                exchange(&mut connect(), end, "", &mut used);
            }
        }
    }
    let wall_s = begun.elapsed().as_secs_f64();
    let [round_trips, up, down] = used;
    Measured { cpu_s: server.cpu_s() - cpu, peak_mb: server.peak_mb(), wall_s, round_trips, up, down }
}
