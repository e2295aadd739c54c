//! Joining and exchanging with a real server on a free port, each device a process of its own.

mod common;

use std::io::{Read as _, Write as _};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use common::Device;
use common::server::{Server, fill_and_treat, join, with_server};
use tempfile::TempDir;

#[test]
fn two_crews_and_the_office_meet_at_the_server_and_say_the_same() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let (first, second) = (join(&base, &office, &server, "first"), join(&base, &office, &server, "second"));
    fill_and_treat(&first, "A-1");
    fill_and_treat(&second, "A-1");
    let photo = first.file("p.jpg", b"\xff\xd8\xff\xe0invented");
    let digest =
        first.json(&["photo", "add", &photo, "--about", "A-1"])["sha256"].as_str().unwrap().to_owned();
    for device in [&first, &second, &office, &first] {
        device.json(&["exchange", "--photos"]);
    }
    let trees = office.json(&["tree", "list"]);
    assert_eq!(trees["counts"]["treated"], 1);
    for device in [&first, &second] {
        device.json(&["exchange"]);
        assert_eq!(device.json(&["tree", "list"]), trees);
    }
    let codes: Vec<String> = office.run(&["--json", "check"]).json()["findings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| f["code"].as_str().unwrap().to_owned())
        .collect();
    assert!(codes.contains(&"tree.treated_twice".to_owned()), "{codes:?}");
    assert!(office.path("store/photos").join(&digest[..2]).join(&digest).is_file());
    let quiet = office.json(&["exchange"]);
    let moved: u64 = quiet["books"].as_object().unwrap().values().map(|b| b["sent"].as_u64().unwrap()).sum();
    assert_eq!(moved, 0);
}

#[test]
fn a_code_is_good_for_one_device_and_a_wrong_one_leaves_nothing_behind() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let invited = office.json(&["device", "invite", "phone", "--role", "crew", "--crew", "North"]);
    office.json(&["exchange"]);
    let code = invited["code"].as_str().unwrap().to_owned();
    let wrong = Device::new(&base, "wrong").with_real_clock();
    let error = wrong.refused(7, &["join", &server.url, "00000-00000-00000-00000"]);
    assert!(error["message"].as_str().unwrap().contains("code-unknown"), "{error}");
    assert!(!wrong.path("store").exists());
    Device::new(&base, "right").with_real_clock().json(&["join", &server.url, &code]);
    let late = Device::new(&base, "late").with_real_clock();
    let error = late.refused(7, &["join", &server.url, &code]);
    assert!(error["message"].as_str().unwrap().contains("code-used"), "{error}");
}

#[test]
fn work_goes_on_without_the_server_and_is_given_to_it_when_it_is_back() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    drop(server);
    fill_and_treat(&phone, "A-1");
    let error = phone.refused(7, &["exchange"]);
    assert_eq!(error["kind"], "network");
    let again = Server::start(&base, "");
    phone.json(&["exchange", &again.url]);
    office.json(&["exchange", &again.url]);
    assert_eq!(office.json(&["tree", "list"])["counts"]["treated"], 1);
}

#[test]
fn a_revoked_device_is_turned_away_and_keeps_what_it_has() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    office.json(&["exchange"]);
    office.json(&["device", "revoke", "phone", "--reason", "lost"]);
    office.json(&["exchange"]);
    phone.json(&["note", "still here"]);
    let error = phone.refused(7, &["exchange"]);
    assert!(error["message"].as_str().unwrap().contains("device-revoked"), "{error}");
    assert_eq!(phone.json(&["list", "note"])["records"].as_array().unwrap().len(), 1);
}

#[test]
fn a_phone_goes_on_with_the_jobs_open_to_it_and_keeps_what_it_has_of_the_others() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    office.json(&["exchange"]);
    let jobs = office.json(&["job", "list"]);
    let (first, title) = (&jobs["jobs"][0]["id"], jobs["jobs"][0]["title"].as_str().unwrap().to_owned());
    let more =
        ["--season", "2026", "--client", "Client Invented", "--site", "Other Grove", "--zone", "Etc/UTC"];
    office.json(&[&["job", "new", "Other Job"][..], &more[..]].concat());
    office.json(&["exchange"]);
    phone.json(&["exchange"]);
    phone.json(&["note", "waits here", "--job", "Other Job"]);
    let unknown = office.refused(5, &["device", "access", "nobody", "--books", &title]);
    assert!(unknown["message"].as_str().unwrap().contains("there is no device 'nobody'"), "{unknown}");
    let unknown = office.refused(5, &["device", "access", "phone", "--books", "01a09056-not-an-id"]);
    assert!(
        unknown["message"].as_str().unwrap().contains("there is no job '01a09056-not-an-id'"),
        "{unknown}"
    );
    let refused = phone.refused(8, &["device", "access", "phone", "--all"]);
    assert_eq!(refused["kind"], "not_allowed");
    office.json(&["device", "access", "phone", "--books", &title]);
    let listed = office.json(&["device", "list"]);
    let of = |name: &str| {
        let all = listed["devices"].as_array().unwrap();
        all.iter().find(|d| d["certificate"]["name"] == name).unwrap()["books"].clone()
    };
    assert_eq!((of("phone"), of("hub")), (serde_json::json!([first]), serde_json::Value::Null));
    office.json(&["exchange"]);
    phone.json(&["note", "goes", "--job", &title]);
    let done = phone.json(&["exchange"]);
    assert_eq!(done["books_refused"].as_array().unwrap().len(), 1, "{done}");
    assert!(done["warnings"].to_string().contains("Other Job"), "{done}");
    let there = office.json(&["exchange"]);
    assert!(there["books"][first.as_str().unwrap()]["received"].as_u64().unwrap() > 0, "{there}");
    let notes = |device: &Device, job: &str| {
        device.json(&["list", "note", "--job", job])["records"].as_array().unwrap().len()
    };
    assert_eq!((notes(&office, &title), notes(&office, "Other Job"), notes(&phone, "Other Job")), (1, 0, 1));
    // Opened again, what waited goes.
    office.json(&["device", "access", "phone", "--all"]);
    for device in [&office, &phone, &office] {
        device.json(&["exchange"]);
    }
    assert_eq!(notes(&office, "Other Job"), 1);
}

#[test]
fn what_the_office_erases_is_gone_at_the_server_and_on_a_phone_after_their_next_exchange() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    office.json(&["person", "add", "Quillon Invented", "--work", "crew-member"]);
    let photo = phone.file("p.jpg", b"\xff\xd8\xff\xe0 an invented face");
    let added = phone.json(&["photo", "add", &photo, "--about", "A-1"]);
    let digest = added["sha256"].as_str().unwrap().to_owned();
    for device in [&phone, &office, &phone] {
        device.json(&["exchange", "--photos"]);
    }
    let copies = [phone.path("store"), office.path("store"), base.path().join("server")];
    let photos =
        || copies.iter().filter(|c| c.join("photos").join(&digest[..2]).join(&digest).is_file()).count();
    assert_eq!((photos(), named_in(&copies, "Quillon Invented")), (3, 3));
    office.json(&["person", "erase", "Quillon Invented", "--reason", "asked for"]);
    office.json(&["photo", "erase", &digest, "--reason", "a face"]);
    assert_eq!((photos(), named_in(&copies, "Quillon Invented")), (2, 2));
    assert_eq!(office.json(&["exchange", "--photos"])["register"]["sent"], 2);
    assert_eq!((photos(), named_in(&copies, "Quillon Invented")), (1, 1));
    assert_eq!(phone.json(&["exchange", "--photos"])["erased"], 2);
    assert_eq!((photos(), named_in(&copies, "Quillon Invented")), (0, 0));
    for device in [&office, &phone] {
        let quiet = device.json(&["exchange", "--photos"]);
        assert_eq!((&quiet["erased"], &quiet["register"]["sent"]), (&0.into(), &0.into()));
        device.json(&["verify"]);
    }
}

/// How many of these folders hold a text in any file.
fn named_in(folders: &[std::path::PathBuf], text: &str) -> usize {
    folders.iter().filter(|folder| !common::holding(folder, text).is_empty()).count()
}

/// Answers every request with this status and blanks without end; gives the bytes that were taken.
fn endless(status: &'static str) -> (String, Arc<AtomicUsize>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    let sent = Arc::new(AtomicUsize::new(0));
    let counter = sent.clone();
    std::thread::spawn(move || {
        for mut line in listener.incoming().map_while(Result::ok) {
            let counter = counter.clone();
            std::thread::spawn(move || {
                let _ = line.read(&mut [0; 4_096]);
                let head = format!("HTTP/1.1 {status}\r\ncontent-type: application/json\r\n\r\n");
                let mut blanks = line.write_all(head.as_bytes());
                while blanks.is_ok() {
                    blanks = line.write_all(&[b' '; 64 << 10]);
                    counter.fetch_add(64 << 10, Ordering::SeqCst);
                }
            });
        }
    });
    (url, sent)
}

/// The limits are 16 MiB of an answer and 64 KiB of an error; what else was taken lies in the system's
/// buffers, here at most 16 MiB more.
#[test]
fn an_answer_or_an_error_without_end_is_not_read_to_its_end() {
    let base = TempDir::new().unwrap();
    let (office, _server) = with_server(&base);
    for (status, most) in [("200 OK", 16 << 20), ("400 Bad Request", 64 << 10)] {
        let (url, taken) = endless(status);
        office.refused(7, &["exchange", &url]);
        assert!(taken.load(Ordering::SeqCst) < most + (16 << 20), "{status}: {taken:?}");
    }
}

/// Passes bytes on to the server, and drops the first `cuts` lines after `most` bytes each.
fn thin_line(server: &str, cuts: usize, most: usize) -> (String, Arc<AtomicUsize>) {
    let server = server.strip_prefix("http://").unwrap().to_owned();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    let dropped = Arc::new(AtomicUsize::new(0));
    let counter = dropped.clone();
    std::thread::spawn(move || {
        for line in listener.incoming().map_while(Result::ok) {
            let (server, counter) = (server.clone(), counter.clone());
            std::thread::spawn(move || {
                let mut up = TcpStream::connect(server).unwrap();
                let (mut from, mut back) = (line.try_clone().unwrap(), up.try_clone().unwrap());
                let mut to = line.try_clone().unwrap();
                std::thread::spawn(move || {
                    let _ = std::io::copy(&mut back, &mut to);
                    let _ = to.shutdown(Shutdown::Both);
                });
                let (mut passed, mut buffer) = (0, vec![0; 8_192]);
                while let Ok(read @ 1..) = from.read(&mut buffer) {
                    passed += read;
                    let cut = passed > most && counter.load(Ordering::SeqCst) < cuts;
                    if cut || up.write_all(&buffer[..read]).is_err() {
                        counter.fetch_add(usize::from(cut), Ordering::SeqCst);
                        break;
                    }
                }
                let _ = (line.shutdown(Shutdown::Both), up.shutdown(Shutdown::Both));
            });
        }
    });
    (url, dropped)
}

#[test]
fn a_photo_goes_up_over_a_line_that_drops_and_goes_on_where_the_server_says() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    let mut bytes = vec![0xff, 0xd8, 0xff, 0xe0];
    bytes.extend((0..1_500_000_u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 11) as u8));
    let photo = phone.file("p.jpg", &bytes);
    let added = phone.json(&["photo", "add", &photo, "--about", "A-1"]);
    let (url, dropped) = thin_line(&server.url, 3, 300_000);
    let done = phone.json(&["exchange", &url]);
    assert_eq!((done["photos"]["sent"].as_u64(), dropped.load(Ordering::SeqCst)), (Some(1), 3));
    let fetched = office.json(&["exchange", "--photos"]);
    assert_eq!(fetched["photos"]["received"], 1);
    let digest = added["sha256"].as_str().unwrap();
    let kept = office.path("store/photos").join(&digest[..2]).join(digest);
    assert!(std::fs::read(kept).unwrap() == bytes);
    // The server's word that it holds the bytes came with the exchange.
    let again = phone.json(&["exchange"]);
    assert_eq!(again["photos"]["sent"], 0);
}
