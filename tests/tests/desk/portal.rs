//! The client's link: what it shows, what it does not, and when it ends.

use std::sync::atomic::Ordering;

use bolebook_core::book::Book;
use bolebook_core::ids::{ActorId, BookId, RecordId, Sha256Hash};
use bolebook_core::quantity::PerMille;
use bolebook_core::record::book_kinds::{BookContent, Genesis};
use bolebook_core::record::stand::{Condition, Tree};
use bolebook_core::record::{Body, Envelope, Record};
use bolebook_core::signing::HeadSignature;
use bolebook_tests::world::{Who, World};

use crate::site::{Answer, Browser, Site, root};

/// Crew 0's day of one tree, to be signed off; crew 1's of another, which is not.
pub fn days() -> World {
    let mut world = World::new();
    let (one, two) = (world.tree(Who::Office, "SIGNED-1"), world.tree(Who::Office, "OPEN-2"));
    for (crew, tree) in [(0, one), (1, two)] {
        world.diameter(Who::Crew(crew), tree, 3_000);
        let seen = Condition { canopy_loss: Some(PerMille(200)), ..Condition::about(tree) };
        world.write(Who::Crew(crew), seen);
        world.fill(crew, 100_000);
        world.treat(crew, tree, 7);
        world.close_day(crew, 30_000);
    }
    world
}

pub fn sign_off(browser: &mut Browser, world: &World) {
    let sheet = format!("/jobs/{}/days/{}/2026-06-01", world.job.id(), world.crews[0]);
    let page = browser.page(&sheet);
    let signed = browser.submit(&page, &format!("{sheet}/sign-off"), &[]);
    browser.follow(&signed);
}

fn links(world: &World) -> String {
    format!("/jobs/{}/links", world.job.id())
}

/// Makes a link and gives its path.
pub fn link(browser: &mut Browser, world: &World, days: &str) -> String {
    let page = browser.page(&links(world));
    let made =
        browser.submit(&page, &links(world), &[("note", "park manager"), ("days", days), ("language", "en")]);
    assert_eq!(made.status, 201, "{}", made.text);
    let url = made
        .text
        .split("value=\"https://trees.example.org")
        .nth(1)
        .unwrap()
        .split('"')
        .next()
        .unwrap()
        .to_owned();
    assert_eq!(url.len(), "/p/".len() + 64);
    url
}

pub fn visible(answer: &Answer) -> String {
    answer.text.replace(['\u{2068}', '\u{2069}'], "")
}

#[test]
fn a_link_shows_signed_days_alone_and_marks_the_rest_provisional() {
    let mut world = days();
    let site = Site::new(&mut world, true);
    let mut desk = site.browser();
    let link = link(&mut desk, &world, "30");
    let mut client = Browser::new(&site.portal);
    let before = visible(&client.page(&link));
    assert!(before.contains("No day has been signed off yet") && before.contains("Provisional"));
    assert!(!before.contains("SIGNED-1") && !before.contains("OPEN-2"));
    sign_off(&mut desk, &world);
    let page = client.page(&link);
    let text = visible(&page);
    assert!(
        text.contains("SIGNED-1") && text.contains("Ann Invented") && text.contains("Licence INV-1"),
        "{text}"
    );
    assert!(
        text.contains("70.0 mL")
            && text.contains("Invented One")
            && text.contains("INV-0001")
            && text.contains("30.0 cm")
    );
    assert!(text.contains("1 tree treated") && text.contains("For Client Invented"));
    assert!(!text.contains("OPEN-2"), "what is not signed off is not shown");
    // One canopy was seen on the signed day; the other crew's day is not signed.
    assert!(text.contains("Canopies, then and now") && text.contains("1 looked at"), "{text}");
    assert!(text.contains("Provisional") && text.contains("wash with much water"), "but a doctor's need is");
    assert!(text.contains("hospital emergency") && text.contains("INVENTED: NOT FOR USE"));
    // Nobody's browser or search engine keeps or embeds it, and nothing runs in it.
    assert!(page.header("x-robots-tag").contains("noindex") && text.contains("content=\"noindex"));
    assert_eq!(page.header("referrer-policy"), "no-referrer");
    assert!(page.header("content-security-policy").contains("default-src 'none'"));
    assert!(!page.header("content-security-policy").contains("script-src"));
    assert!(page.header("cache-control").contains("no-store") && page.header("set-cookie").is_empty());
    assert!(!text.contains("<script") && !text.contains("<form"));
}

#[test]
fn a_downloaded_file_is_the_one_whose_digest_and_heads_the_page_names() {
    let mut world = days();
    let site = Site::new(&mut world, true);
    let mut desk = site.browser();
    sign_off(&mut desk, &world);
    let link = link(&mut desk, &world, "30");
    let mut client = Browser::new(&site.portal);
    let page = visible(&client.page(&link));
    for (name, holds) in
        [("application-records.csv", "SIGNED-1"), ("trees.geojson", "SIGNED-1"), ("map.svg", "SIGNED-1")]
    {
        let file = client.page(&format!("{link}/{name}"));
        assert!(page.contains(&Sha256Hash::of(&file.bytes).to_string()), "{name}");
        assert!(file.text.contains(holds), "{name}: {}", file.text);
        assert_eq!(
            client.page(&format!("{link}/{name}")).bytes,
            file.bytes,
            "{name}: the same state, the same bytes"
        );
        assert!(name == "map.svg" || !file.text.contains("OPEN-2"), "{name}");
    }
    let packed = client.page(&format!("{link}/data-package.zip")).bytes;
    assert!(packed.starts_with(b"PK") && page.contains(&Sha256Hash::of(&packed).to_string()));
    let snapshot = bolebook_server::snapshot::now(&site.app).unwrap();
    for head in &snapshot.job(world.job.id()).unwrap().view.heads {
        assert!(page.contains(&head.to_string()));
    }
}

#[test]
fn a_withdrawn_or_expired_link_says_so_and_nothing_else() {
    let mut world = days();
    let site = Site::new(&mut world, true);
    let mut desk = site.browser();
    sign_off(&mut desk, &world);
    let (first, second) = (link(&mut desk, &world, "30"), link(&mut desk, &world, "92"));
    let mut client = Browser::new(&site.portal);
    client.page(&first);
    let page = desk.page(&links(&world));
    let action = page
        .text
        .split("action=\"")
        .find(|t| t.contains("/withdraw\""))
        .unwrap()
        .split('"')
        .next()
        .unwrap()
        .to_owned();
    let gone = desk.submit(&page, &action, &[]);
    assert!(desk.follow(&gone).text.contains("withdrawn"));
    // The newest stands first in the list.
    for path in [second.clone(), format!("{second}/trees.geojson"), format!("{second}?lang=fr")] {
        let over = client.get(&path);
        assert_eq!(over.status, 410, "{path}");
        let text = visible(&over);
        assert!(
            !text.contains("SIGNED-1") && !text.contains("Invented Wood") && !text.contains("Client"),
            "{text}"
        );
    }
    assert!(client.get(&format!("{second}?lang=fr")).text.contains("retiré"));
    let twice = desk.submit(&page, &action, &[]);
    assert_eq!(twice.status, 422);
    client.page(&first);
    site.clock.fetch_add(31 * 86_400_000, Ordering::Relaxed);
    assert_eq!(client.get(&first).status, 410, "over");
}

/// Every address below a link.
fn below_a_link() -> Vec<String> {
    let photo = Sha256Hash([7; 32]);
    let all = [
        "",
        "/map.svg",
        "/photos",
        &format!("/photos/{photo}"),
        &format!("/photos/{photo}/thumbnail"),
        "/application-records.csv",
        "/application-records-eu.csv",
        "/report.pdf",
        "/trees.geojson",
        "/data-package.zip",
    ];
    all.map(str::to_owned).to_vec()
}

#[test]
fn a_link_that_is_over_withdrawn_or_made_up_gives_nothing_at_any_address_in_any_language() {
    let mut world = days();
    let site = Site::new(&mut world, true);
    let mut desk = site.browser();
    sign_off(&mut desk, &world);
    let (over, withdrawn) = (link(&mut desk, &world, "30"), link(&mut desk, &world, "92"));
    let mut client = Browser::new(&site.portal);
    for path in below_a_link().iter().filter(|path| !path.contains("/photos/")) {
        client.page(&format!("{over}{path}"));
    }
    let page = desk.page(&links(&world));
    let action = page.text.split("action=\"").find(|t| t.contains("/withdraw\"")).unwrap();
    desk.submit(&page, action.split('"').next().unwrap(), &[]);
    site.clock.fetch_add(31 * 86_400_000, Ordering::Relaxed);
    let one_off = format!("{}{}", &over[..over.len() - 1], if over.ends_with('0') { "1" } else { "0" });
    for path in below_a_link() {
        for language in ["en", "fr", "es", "%3Cscript%3E"] {
            for (link, status) in [(&over, 410), (&withdrawn, 410)] {
                let gone = client.get(&format!("{link}{path}?lang={language}"));
                assert_eq!(gone.status, status, "{path} in {language}");
                let text = visible(&gone);
                for leak in
                    ["SIGNED-1", "OPEN-2", "Invented Wood", "Client Invented", "park manager", "<script>"]
                {
                    assert!(!text.contains(leak), "{path} in {language}: {leak}");
                }
                assert!(gone.header("content-security-policy").contains("default-src 'none'"), "{path}");
            }
        }
        let none = client.get(&format!("{one_off}{path}"));
        assert_eq!(none.status, 404, "{path}");
        assert!(!none.text.contains("SIGNED-1") && !none.text.contains("Invented Wood"), "{path}");
    }
}

#[test]
fn a_link_that_is_none_leads_nowhere_and_trying_many_is_slowed() {
    let mut world = days();
    let site = Site::new(&mut world, true);
    let mut desk = site.browser();
    let real = link(&mut desk, &world, "30");
    let mut client = Browser::new(&site.portal);
    let stored: Vec<u8> =
        site.app.read(|db| Ok(db.query_row("SELECT token FROM portal_links", [], |r| r.get(0))?)).unwrap();
    let stored: String = stored.iter().map(|b| format!("{b:02x}")).collect();
    // What is stored opens nothing: it is a digest.
    for wrong in [stored.as_str(), "x", "..%2f..", &"0".repeat(64), &"A".repeat(64)] {
        assert_eq!(client.get(&format!("/p/{wrong}")).status, 404, "{wrong}");
    }
    for path in ["/", "/p/", "/jobs", "/sign-in", "/desk.css", "/v1/books"] {
        assert_eq!(client.get(path).status, 404, "{path}");
    }
    assert_eq!(client.post(&real, &[]).status, 405);
    let statuses: Vec<u16> = (0..40).map(|i| client.get(&format!("/p/{i:064x}")).status).collect();
    assert!(statuses.contains(&429));
    client.page(&real);
}

/// A second job of the same company with a tree of its own.
fn other_job(world: &World) -> Book {
    let (key, id) = (root(), BookId::new(9, [9; 10]));
    let Some(BookContent::Job(job)) = world.job.genesis().map(|g| g.content.clone()) else { panic!() };
    let content = BookContent::Job(job);
    let genesis = Genesis { format: 1, book: id, root: key.public(), title: "Secret Garden".into(), content };
    let mut book = Book::new(id);
    let tree =
        Tree { tag: "ROSE-1".into(), species: None, block: None, position: None, stems: 1, mark: None };
    let bodies: [Body; 2] = [genesis.into(), tree.into()];
    for (i, body) in bodies.into_iter().enumerate() {
        let actor = ActorId::new(key.device(), [9; 16]);
        let record = RecordId::new(10 + i as i64, [9; 10]);
        let envelope =
            Envelope { id: record, at: world.now, device: key.device(), by: None, replaces: vec![] };
        let text = Record { envelope, body }.to_canonical().unwrap();
        for commit in book.write(actor, world.now, &[text]).unwrap() {
            book.take_signature(HeadSignature::sign(&key, id, actor, commit.seq(), commit.hash()));
        }
    }
    book
}

#[test]
fn a_link_opens_its_own_job_and_no_other() {
    let mut world = days();
    let site = Site::new(&mut world, true);
    site.take_book(&other_job(&world));
    let mut desk = site.browser();
    assert!(desk.page("/").text.contains("Secret Garden"));
    let link = link(&mut desk, &world, "30");
    let mut client = Browser::new(&site.portal);
    for below in ["", "?page=2", "/map.svg", "/trees.geojson", "/application-records.csv", "?book=x"] {
        let text = client.page(&format!("{link}{below}")).text;
        assert!(!text.contains("Secret Garden") && !text.contains("ROSE-1"), "{below}");
    }
    // A link of one job is not withdrawn through another.
    let page = desk.page(&links(&world));
    let token = page.form("/sign-out").remove(0).1;
    let id = page.text.split("/links/").nth(1).unwrap().split('/').next().unwrap().to_owned();
    let crossed =
        desk.post(&format!("/jobs/{}/links/{id}/withdraw", BookId::new(9, [9; 10])), &[("token", &token)]);
    assert_eq!(crossed.status, 422);
    client.page(&link);
}

#[test]
fn the_portal_speaks_the_clients_language() {
    let mut world = days();
    let site = Site::new(&mut world, true);
    let mut desk = site.browser();
    sign_off(&mut desk, &world);
    let link = link(&mut desk, &world, "30");
    let mut client = Browser::new(&site.portal);
    for (code, words) in [
        ("en", "What was done"),
        ("fr", "Ce qui a été fait"),
        ("es", "Lo que se hizo"),
        ("xx", "What was done"),
    ] {
        let page = client.page(&format!("{link}?lang={code}"));
        assert!(page.text.contains(words), "{code}");
        assert!(
            page.text.contains("lang=\"en\"") && page.text.contains("lang=\"fr\""),
            "links to the others"
        );
    }
    let page = client.page(&format!("{link}?lang=es"));
    assert!(
        page.text.contains("<html lang=\"es\">") && page.text.contains("&amp;lang=es")
            || page.text.contains("?lang=es")
    );
}
