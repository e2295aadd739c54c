//! The way to the store, on which things go wrong when a test says so.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU8, AtomicUsize, Ordering};
use std::time::Duration;

/// What happens to a request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Trouble {
    /// It passes, and its answer.
    None,
    /// The line is cut at once.
    Cut,
    /// Nothing is said, ever.
    Silent,
    /// The store says that it is busy.
    Busy,
    /// The store does it, and its answer is lost.
    AnswerLost,
    /// A bit of the answer's body is another.
    Bit,
    /// The answer breaks off in its middle.
    Half,
    /// The answer stops in its middle, and its line stays.
    Stalled,
    /// The store refuses the credentials.
    Denied,
    /// There is no such bucket.
    NoBucket,
    /// The store has no room.
    Full,
    /// The store has no room for what is put, and gives and removes what is there.
    PutsFull,
    /// It is no object store at all.
    Page,
    /// The store does not know the condition `If-None-Match`, and says so with 501.
    NoCondition,
    /// The same with 400.
    BadCondition,
    /// A condition meets another's that is being put under the same name.
    Conflict,
    /// Nine in ten pass, the others are cut, or their answer is lost.
    Bad,
}

const ALL: [Trouble; 17] = [
    Trouble::None,
    Trouble::Cut,
    Trouble::Silent,
    Trouble::Busy,
    Trouble::AnswerLost,
    Trouble::Bit,
    Trouble::Half,
    Trouble::Stalled,
    Trouble::Denied,
    Trouble::NoBucket,
    Trouble::Full,
    Trouble::PutsFull,
    Trouble::Page,
    Trouble::NoCondition,
    Trouble::BadCondition,
    Trouble::Conflict,
    Trouble::Bad,
];

/// A port in front of a store.
pub struct Way {
    pub port: u16,
    trouble: Arc<AtomicU8>,
    /// Requests that came.
    pub asked: Arc<AtomicUsize>,
    stopped: Arc<AtomicBool>,
}

impl Way {
    pub fn to(store: u16) -> Self {
        let listener = TcpListener::bind(("127.0.0.1", 0)).unwrap();
        let way = Self {
            port: listener.local_addr().unwrap().port(),
            trouble: Arc::default(),
            asked: Arc::default(),
            stopped: Arc::default(),
        };
        let (trouble, asked, stopped) = (way.trouble.clone(), way.asked.clone(), way.stopped.clone());
        std::thread::spawn(move || {
            for line in listener.incoming() {
                let Ok(line) = line else { break };
                if stopped.load(Ordering::SeqCst) {
                    break;
                }
                let (trouble, asked, stopped) = (trouble.clone(), asked.clone(), stopped.clone());
                std::thread::spawn(move || {
                    let number = asked.fetch_add(1, Ordering::SeqCst);
                    let now = ALL[usize::from(trouble.load(Ordering::SeqCst))];
                    // Either end may go at any time.
                    let _ = one(line, store, now, number, &stopped);
                });
            }
        });
        way
    }

    pub fn set(&self, trouble: Trouble) {
        self.trouble.store(trouble as u8, Ordering::SeqCst);
    }
}

impl Drop for Way {
    fn drop(&mut self) {
        self.stopped.store(true, Ordering::SeqCst);
        drop(TcpStream::connect(("127.0.0.1", self.port)));
    }
}

/// One request, its head and its body.
fn request(line: &mut TcpStream) -> std::io::Result<Vec<u8>> {
    let mut bytes = vec![];
    let mut part = [0; 65_536];
    loop {
        let read = line.read(&mut part)?;
        if read == 0 {
            return Err(std::io::ErrorKind::UnexpectedEof.into());
        }
        bytes.extend_from_slice(&part[..read]);
        let Some(end) = bytes.windows(4).position(|w| w == b"\r\n\r\n") else { continue };
        let head = String::from_utf8_lossy(&bytes[..end]).to_lowercase();
        let length = head.split("content-length:").nth(1).and_then(|rest| rest.lines().next());
        let length: usize = length.and_then(|text| text.trim().parse().ok()).unwrap_or(0);
        if bytes.len() >= end + 4 + length {
            return Ok(bytes);
        }
    }
}

fn keep_silent(stopped: &AtomicBool) -> std::io::Result<()> {
    while !stopped.load(Ordering::SeqCst) {
        std::thread::sleep(Duration::from_millis(20));
    }
    Ok(())
}

fn one(
    mut line: TcpStream,
    store: u16,
    trouble: Trouble,
    number: usize,
    stopped: &AtomicBool,
) -> std::io::Result<()> {
    let trouble = match (trouble, number % 20) {
        (Trouble::Bad, 3) => Trouble::Cut,
        (Trouble::Bad, 13) => Trouble::AnswerLost,
        (Trouble::Bad, _) => Trouble::None,
        (other, _) => other,
    };
    let asked = request(&mut line)?;
    let said = |status: &str, code: &str| {
        let body = format!("<?xml version=\"1.0\"?><Error><Code>{code}</Code></Error>");
        format!("HTTP/1.1 {status}\r\ncontent-length: {}\r\nconnection: close\r\n\r\n{body}", body.len())
    };
    let head = asked.split(|byte| *byte == b'\r').take_while(|line| *line != b"\n");
    let conditional = head.into_iter().any(|line| line.to_ascii_lowercase().starts_with(b"\nif-none-match:"));
    match trouble {
        Trouble::NoCondition if conditional => {
            return line.write_all(said("501 Not Implemented", "NotImplemented").as_bytes());
        }
        Trouble::BadCondition if conditional => {
            return line.write_all(said("400 Bad Request", "InvalidArgument").as_bytes());
        }
        Trouble::Conflict if conditional => {
            return line.write_all(said("409 Conflict", "ConditionalRequestConflict").as_bytes());
        }
        Trouble::Cut => return Ok(()),
        Trouble::Silent => return keep_silent(stopped),
        Trouble::Busy => return line.write_all(said("503 Slow Down", "SlowDown").as_bytes()),
        Trouble::Denied => return line.write_all(said("403 Forbidden", "AccessDenied").as_bytes()),
        Trouble::NoBucket => return line.write_all(said("404 Not Found", "NoSuchBucket").as_bytes()),
        Trouble::PutsFull if asked.starts_with(b"PUT ") => {
            return line.write_all(said("507 Full", "QuotaExceeded").as_bytes());
        }
        Trouble::Full => return line.write_all(said("507 Full", "QuotaExceeded").as_bytes()),
        Trouble::Page => {
            let page = "HTTP/1.1 404 Not Found\r\ncontent-length: 6\r\nconnection: close\r\n\r\n<html>";
            return line.write_all(page.as_bytes());
        }
        _ => {}
    }
    let mut there = TcpStream::connect(("127.0.0.1", store))?;
    there.write_all(&asked)?;
    let mut answer = vec![];
    // It closes the line after its answer.
    there.read_to_end(&mut answer)?;
    match trouble {
        Trouble::AnswerLost => return Ok(()),
        Trouble::Bit => {
            if let Some(last) = answer.last_mut() {
                *last ^= 1;
            }
        }
        Trouble::Half => answer.truncate(answer.len() - 30),
        Trouble::Stalled => {
            line.write_all(&answer[..answer.len() - 30])?;
            return keep_silent(stopped);
        }
        _ => {}
    }
    line.write_all(&answer)
}
