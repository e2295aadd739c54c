//! Large files on their way out: the bytes are those the core makes, and a client that stops reading is waited
//! for by nobody.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::time::Duration;

use bolebook_report::files::{IN_PARTS, PACKAGE, Sources, write_text};
use bolebook_report::geopackage;
use bolebook_server::snapshot;
use bolebook_tests::world::{Who, World};

use crate::pages::busy;
use crate::site::{Site, THREADS};

/// A job whose files are larger than what the system keeps for a connection whose end does not read.
fn large() -> World {
    let mut world = World::new();
    for n in 0..600 {
        world.tree(Who::Office, &format!("{n}-{}", "long ".repeat(3_600)));
    }
    world
}

/// A client that has read the head of an answer and a little more: the connection, the head, the beginning.
struct Begun {
    stream: TcpStream,
    head: String,
    read: Vec<u8>,
}

impl Begun {
    fn of(site: &Site, cookie: &str, path: &str) -> Self {
        let address = site.desk.strip_prefix("http://").unwrap();
        let mut stream = TcpStream::connect(address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
        write!(stream, "GET {path} HTTP/1.1\r\nhost: {address}\r\ncookie: {cookie}\r\n\r\n").unwrap();
        let mut all = vec![];
        loop {
            let mut some = [0; 512];
            let read = stream.read(&mut some).unwrap();
            assert!(read > 0, "{path}: the answer broke off");
            all.extend(&some[..read]);
            if let Some(end) = all.windows(4).position(|w| w == b"\r\n\r\n") {
                let head = String::from_utf8(all[..end].to_vec()).unwrap().to_lowercase();
                assert!(head.starts_with("http/1.1 200"), "{path}: {head}");
                return Self { stream, head, read: all[end + 4..].to_vec() };
            }
        }
    }

    fn length(&self) -> usize {
        let line = self.head.lines().find_map(|l| l.strip_prefix("content-length: ")).unwrap();
        line.parse().unwrap()
    }

    fn into_whole(mut self) -> Vec<u8> {
        let (mut all, at) = (vec![0; self.length()], self.read.len());
        all[..at].copy_from_slice(&self.read);
        self.stream.read_exact(&mut all[at..]).unwrap();
        all
    }
}

/// How many files without a name this process holds open of a site's drafts.
fn held(site: &Site) -> usize {
    let drafts = site.data.path().canonicalize().unwrap().join("tmp");
    let open = std::fs::read_dir("/proc/self/fd").unwrap();
    let links = open.filter_map(|entry| std::fs::read_link(entry.unwrap().path()).ok());
    let links: Vec<String> = links.map(|to| to.display().to_string()).collect();
    links.iter().filter(|to| to.starts_with(&*drafts.to_string_lossy()) && to.ends_with("(deleted)")).count()
}

fn drafts(site: &Site) -> usize {
    std::fs::read_dir(site.data.path().join("tmp")).unwrap().count()
}

#[test]
fn a_client_that_stops_reading_holds_a_file_without_a_name_and_nobody_waits_for_it() {
    let mut world = large();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let job = format!("/jobs/{}", world.job.id());
    let path = |name: &str| format!("{job}/exports/{name}");
    let names = ["trees.csv", "trees.geojson", PACKAGE];
    let before: Vec<Vec<u8>> = names.iter().map(|name| browser.page(&path(name)).bytes).collect();
    assert_eq!((held(&site), drafts(&site)), (0, 0), "nothing is kept of what was sent");
    assert!(before.iter().all(|bytes| bytes.len() > 8 << 20), "larger than a connection's buffers");
    // More of them than there are threads: were one held by each, nothing below would be answered.
    let mut slow: Vec<Begun> = (0..THREADS * 3 / 2)
        .map(|n| Begun::of(&site, browser.cookie(), &path(names[n % names.len()])))
        .collect();
    assert_eq!(held(&site), names.len(), "those who ask for the same share it");
    assert_eq!(drafts(&site), 0, "no name is left behind, whatever happens now");
    // The desk is read, written and exported at its new state meanwhile.
    assert!(browser.page(&format!("{job}/trees")).text.contains("0-long"));
    world.tree(Who::Office, "NEW-1");
    site.take(&world);
    assert!(browser.page(&format!("{job}/trees?words=new-1")).text.contains("NEW-1"));
    let links = format!("{job}/links");
    let page = browser.page(&links);
    let made = browser.submit(&page, &links, &[("note", "x"), ("days", "30"), ("language", "en")]);
    assert_eq!(made.status, 201, "{}", made.text);
    for (name, old) in names.iter().zip(&before) {
        let fresh = browser.page(&path(name));
        assert!(fresh.bytes != *old && fresh.bytes.windows(5).any(|w| w == b"NEW-1"), "{name}");
        assert_eq!(fresh.header("content-length"), fresh.bytes.len().to_string(), "{name}");
    }
    // Those who read on get the state they asked for, whole.
    for old in &before {
        assert!(slow.remove(0).into_whole() == *old);
    }
    drop(slow);
    for _ in 0..600 {
        if held(&site) == 0 {
            return;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    panic!("{} files are held for clients that are gone", held(&site));
}

#[test]
fn what_the_server_sends_in_parts_is_what_the_core_makes_whole() {
    let mut world = busy();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    let sent = |browser: &mut crate::site::Browser, name: &str| {
        browser.page(&format!("/jobs/{}/exports/{name}", world.job.id())).bytes
    };
    let snapshot = snapshot::now(&site.app).unwrap();
    let job = snapshot.job(world.job.id()).unwrap();
    let findings = snapshot.findings(job);
    let from = Sources { view: &job.view, findings: &findings, names: &snapshot.names, rates: None };
    for name in IN_PARTS {
        let mut text = String::new();
        assert!(write_text(&mut text, name, &from).unwrap() && text.len() > 300, "{name}: {text}");
        assert_eq!(String::from_utf8(sent(&mut browser, name)).unwrap(), text, "{name}");
    }
    assert!(!write_text(&mut String::new(), "other.csv", &from).unwrap());
    let package = sent(&mut browser, PACKAGE);
    assert!(package == geopackage(&job.view, &findings).unwrap(), "a file on the disk, and one in memory");
}

#[test]
fn a_disk_that_takes_no_more_is_said_and_leaves_nothing() {
    let mut world = busy();
    let site = Site::new(&mut world, true);
    let mut browser = site.browser();
    // Not a folder any more: as if nothing could be created there.
    let tmp = site.data.path().join("tmp");
    std::fs::remove_dir(&tmp).unwrap();
    std::fs::write(&tmp, b"").unwrap();
    for name in ["trees.csv", PACKAGE] {
        let failed = browser.get(&format!("/jobs/{}/exports/{name}", world.job.id()));
        assert_eq!(failed.status, 500, "{name}: {}", failed.text);
        assert!(!failed.text.contains(&*tmp.to_string_lossy()), "{name}: {}", failed.text);
    }
    std::fs::remove_file(&tmp).unwrap();
    std::fs::create_dir(&tmp).unwrap();
    for name in ["trees.csv", PACKAGE] {
        assert!(!browser.page(&format!("/jobs/{}/exports/{name}", world.job.id())).bytes.is_empty());
    }
}
