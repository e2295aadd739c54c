//! After a name was erased: desk and portal say so, nothing keeps it, and what was done stands.

use bolebook_core::ids::{RecordId, Sha256Hash};
use bolebook_core::keeping::{Erasing, tombstone};
use bolebook_core::quantity::UtcMs;
use bolebook_core::service::RegisterEntry;
use bolebook_core::signing::SecretKey;
use bolebook_server::erasing;
use bolebook_server::portal::links;
use bolebook_tests::files;
use bolebook_tests::world::World;

use crate::portal::{days, link, sign_off, visible};
use crate::site::{Browser, PASSWORD, Site};

const CLIENT: &str = "Client Invented";
const APPLICATOR: &str = "Ann Invented";

fn gone(id: RecordId, kind: &str, at: UtcMs) -> RegisterEntry {
    let what = Erasing { at, by: None, reason: "time is over".into(), photo: None };
    tombstone(id, kind, &SecretKey::from_seed([200; 32]), what).unwrap()
}

fn short(id: RecordId) -> String {
    id.to_string()[28..].to_owned()
}

fn holding(site: &Site, text: &str) -> Vec<String> {
    files::holding(site.data.path(), text)
}

fn totals(desk: &mut Browser, world: &World) -> [Sha256Hash; 2] {
    ["trees.csv", "balance.json"].map(|name| {
        let answer = desk.page(&format!("/jobs/{}/exports/{name}", world.job.id()));
        assert!(answer.text.len() > 100);
        Sha256Hash::of(answer.text.as_bytes())
    })
}

#[test]
fn after_erasing_desk_and_portal_say_so_and_checks_sums_and_heads_stand() {
    let mut world = days();
    let site = Site::new(&mut world, true);
    let mut desk = site.browser();
    sign_off(&mut desk, &world);
    let link = link(&mut desk, &world, "30");
    let mut reader = Browser::new(&site.portal);
    let people = desk.page("/people").text;
    assert!(people.contains(APPLICATOR) && visible(&reader.page(&link)).contains(CLIENT));
    for name in [APPLICATOR, CLIENT] {
        assert!(!holding(&site, name).is_empty(), "the search finds what is there");
    }
    let book = site.job_book(world.job.id());
    let (heads, sums) = (book.heads(), totals(&mut desk, &world));
    let findings = desk.page(&format!("/jobs/{}/findings", world.job.id())).text.matches("<li").count();

    let (client, applicator) = (RecordId::new(0, [0; 10]), world.leads[0]);
    let at = world.now;
    erasing::put(&site.app, &[gone(client, "client", at), gone(applicator, "person", at)]).unwrap();

    for name in [APPLICATOR, CLIENT] {
        assert_eq!(holding(&site, name), Vec::<String>::new(), "{name}");
    }
    let people = desk.page("/people").text;
    assert!(!people.contains(APPLICATOR) && people.contains(&format!("erased person {}", short(applicator))));
    assert!(people.contains("Name and details erased on 2026-06-01: <bdi>time is over</bdi>"), "{people}");
    let job = desk.page(&format!("/jobs/{}", world.job.id())).text;
    assert!(
        job.contains(&format!("erased client {}", short(client))) && job.contains("erased on 2026-06-01")
    );
    // The client's link still opens, and says it in the reader's language.
    let text = visible(&reader.page(&link));
    assert!(!text.contains(APPLICATOR) && !text.contains(CLIENT) && !text.contains("INV-1"));
    assert!(text.contains(&format!("For name erased (…{})", short(client))), "{text}");
    assert!(text.contains(&format!("name erased (…{})", short(applicator))) && text.contains("SIGNED-1"));
    let text = visible(&reader.page(&format!("{link}?lang=fr")));
    assert!(text.contains(&format!("nom effacé (…{})", short(applicator))));
    // For whom the link was made is a name too.
    let note = site.app.read(|db| links::of_job(db, world.job.id())).unwrap()[0].note.clone();
    assert_eq!(note, "erased");

    assert_eq!(site.job_book(world.job.id()).heads(), heads);
    assert_eq!(totals(&mut desk, &world), sums);
    let after = desk.page(&format!("/jobs/{}/findings", world.job.id())).text.matches("<li").count();
    assert_eq!(after, findings);
}

#[test]
fn an_erased_persons_account_is_gone_with_its_sessions_and_what_it_made_names_nobody() {
    let mut world = days();
    let site = Site::new(&mut world, true);
    let mut desk = site.browser();
    link(&mut desk, &world, "30");
    assert_eq!(desk.get("/people").status, 200);
    erasing::put(&site.app, &[gone(site.olive, "person", world.now)]).unwrap();
    assert_eq!(desk.get("/people").status, 303, "the session is over");
    let again = Browser::new(&site.desk).post("/sign-in", &[("name", "olive"), ("password", PASSWORD)]);
    assert_ne!(again.status, 303);
    let link = site.app.read(|db| links::of_job(db, world.job.id())).unwrap()[0].clone();
    assert_eq!((link.made_by.as_str(), link.note.as_str()), ("erased", "park manager"));
}
