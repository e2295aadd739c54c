//! Limits of connections, of time, and of what is worked on at once, at the real server.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::sync::Mutex;
use std::time::Duration;

use bolebook_core::record::people::Role;
use bolebook_server::Config;

use crate::support::{Client, Server, yard};

/// A raw connection that has sent these bytes.
fn connected(server: &Server, bytes: &[u8]) -> TcpStream {
    let mut stream = TcpStream::connect(server.url.trim_start_matches("http://")).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    stream.write_all(bytes).unwrap();
    stream
}

/// What comes until the server ends the connection.
fn until_its_end(mut stream: TcpStream) -> String {
    let mut bytes = vec![];
    // A reset says the same as an end.
    let _ = stream.read_to_end(&mut bytes);
    String::from_utf8_lossy(&bytes).into_owned()
}

fn started(change: impl FnOnce(&mut Config)) -> (tempfile::TempDir, Server) {
    let data = tempfile::tempdir().unwrap();
    Server::init(data.path());
    let mut config = Config::new(data.path().to_owned());
    change(&mut config);
    let server = Server::start_with(config);
    (data, server)
}

#[test]
fn a_head_that_is_too_large_or_too_slow_ends_its_connection_and_nobody_elses() {
    let (_data, server) = started(|config| config.head_timeout_ms = 300);
    let head = |more: &str| format!("GET /health HTTP/1.1\r\nhost: x\r\nconnection: close\r\n{more}\r\n");
    assert!(until_its_end(connected(&server, head("").as_bytes())).starts_with("HTTP/1.1 200"));
    let many: String = (0..101).map(|n| format!("x-{n}: 1\r\n")).collect();
    let long = format!("x: {}\r\n", "a".repeat(33 << 10));
    for more in [many, long] {
        let answer = until_its_end(connected(&server, head(&more).as_bytes()));
        assert!(answer.starts_with("HTTP/1.1 431"), "{answer}");
    }
    // Half a head, and nothing more; nothing at all; a whole request, and then silence.
    let whole = "GET /health HTTP/1.1\r\nhost: x\r\n\r\n";
    let slow = ["GET /hea", "", whole].map(|text| connected(&server, text.as_bytes()));
    assert_eq!(Client::new(&server.url, 3).get("/health").status, 200);
    let [half, silent, after] = slow.map(until_its_end);
    assert_eq!((half.as_str(), silent.as_str()), ("", ""));
    assert!(after.starts_with("HTTP/1.1 200") && after.matches("HTTP/1.1").count() == 1, "{after}");
}

#[test]
fn above_the_most_connections_new_ones_wait_and_are_served_in_their_turn() {
    let (_data, server) = started(|config| config.connections_at_once = 2);
    let request = b"GET /health HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n";
    // Both are being served, for both have had an answer.
    let mut held = [(); 2].map(|()| connected(&server, b"GET /health HTTP/1.1\r\nhost: x\r\n\r\n"));
    for stream in &mut held {
        assert!(stream.read(&mut [0; 1_024]).unwrap() > 0);
    }
    let mut third = connected(&server, request);
    third.set_read_timeout(Some(Duration::from_millis(100))).unwrap();
    third.read(&mut [0; 1]).expect_err("the third waits");
    third.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    drop(held);
    assert!(until_its_end(third).starts_with("HTTP/1.1 200"));
}

#[test]
fn an_exchange_above_the_most_at_once_waits_and_one_that_waits_too_long_is_given_up_whole() {
    let (_data, server) = started(|config| {
        config.exchanges_at_once = 1;
        config.request_timeout_ms = 400;
    });
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.open_yard();
    let held = server.app.room.clone().try_acquire_owned().unwrap();
    let zero = "0".repeat(64);
    let opening = format!(
        "{{\"exchange\":1,\"now\":1}}\n{{\"book\":\"{}\",\"server\":null,\"position\":0,\"chain\":\"{zero}\"}}\n",
        yard()
    );
    let answer = office.post_exchange(opening.as_bytes(), None).unwrap();
    assert_eq!((answer.status, answer.problem().code.as_str()), (408, "timeout"));
    drop(held);
    office.exchange(&[yard()]).unwrap();
}

#[test]
fn an_address_that_asks_for_tokens_without_end_waits() {
    let (_data, server) = started(|config| config.tokens_per_minute = 3);
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.sign_in().unwrap();
    office.sign_in().unwrap();
    let refused = office.sign_in().unwrap_err();
    assert_eq!((refused.status, refused.code.as_str()), (429, "too-many-requests"));
    server.clock.fetch_add(60_000, std::sync::atomic::Ordering::Relaxed);
    office.sign_in().unwrap();
}

#[test]
fn no_answer_of_the_service_may_be_taken_for_another_type() {
    let (_data, server) = started(|_| ());
    let client = Client::new(&server.url, 3);
    for path in ["/health", "/openapi.json", "/nothing", "/v1/books", "/v1/photos/x"] {
        let answer = client.get(path);
        let header = answer.headers.get("x-content-type-options").map(|v| v.to_str().unwrap());
        assert_eq!(header, Some("nosniff"), "{path}: {}", answer.status);
    }
}

static LOG: Mutex<Vec<u8>> = Mutex::new(vec![]);

/// Where the log of this test program goes.
struct Sink;

impl std::io::Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        LOG.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

#[test]
fn a_refusal_stands_in_the_log_with_its_code_and_request_and_no_token() {
    let _ = tracing_subscriber::fmt().with_ansi(false).with_writer(|| Sink).try_init();
    let (_data, server) = started(|_| ());
    let mut client = Client::new(&server.url, 3);
    client.token = Some("a-token-that-is-none".into());
    let problem = client.get("/v1/books").problem();
    let log = String::from_utf8(LOG.lock().unwrap().clone()).unwrap();
    let id = problem.request_id.unwrap();
    let line = log.lines().find(|line| line.contains(&id)).unwrap_or_else(|| panic!("{id}: {log}"));
    assert!(line.contains("status=401") && line.contains(&problem.code), "{line}");
    assert!(!log.contains("a-token-that-is-none"), "{log}");
}
