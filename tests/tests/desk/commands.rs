//! The server's commands for the desk, run beside a server that is up.

use std::io::Write as _;
use std::path::PathBuf;
use std::process::{Command, Output, Stdio};

use bolebook_core::authority::{Offer, invite};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Role;
use bolebook_core::service::InvitationFile;
use bolebook_tests::world::World;

use crate::site::{Browser, Site, root};

fn program() -> PathBuf {
    xtask::process::programs().unwrap().join("bolebook-server")
}

fn run(site: &Site, arguments: &[&str], input: &str) -> Output {
    let mut command = Command::new(program());
    command.args(arguments).arg("--data").arg(site.data.path()).env("BOLEBOOK_NOW", "2026-06-01T14:00:00Z");
    let mut child =
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(input.as_bytes()).unwrap();
    child.wait_with_output().unwrap()
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

#[test]
fn an_account_is_added_listed_and_removed_while_the_server_is_up() {
    let site = Site::new(&mut World::new(), false);
    let password = "ann has six words to say";
    let refused = [
        (["user", "add", "ann", "--person", "Nobody"], password, "there are: "),
        (["user", "add", "lead", "--person", "Ann Invented"], "short", "12 to 128"),
        (["user", "add", " lead", "--person", "Ann Invented"], password, "without space"),
        (["user", "add", "olive", "--person", "Ann Invented"], password, "already"),
    ];
    for (arguments, input, why) in refused {
        let output = run(&site, &arguments, input);
        assert!(!output.status.success() && said(&output).contains(why), "{}", said(&output));
    }
    let added = run(&site, &["user", "add", "lead", "--person", "Ann Invented"], &format!("{password}\n"));
    assert!(added.status.success(), "{}", said(&added));
    assert!(!said(&added).contains(password));
    let mut browser = Browser::new(&site.desk);
    assert_eq!(browser.post("/sign-in", &[("name", "lead"), ("password", password)]).status, 303);
    let listed = said(&run(&site, &["user", "list"], ""));
    assert!(
        listed.contains("\"lead\"") && listed.contains("Ann Invented") && listed.contains("\"olive\""),
        "{listed}"
    );
    assert!(!listed.contains("argon2"), "{listed}");
    assert!(run(&site, &["user", "remove", "lead"], "").status.success());
    assert_eq!(browser.get("/").status, 303, "its session is over");
    assert!(!run(&site, &["user", "remove", "lead"], "").status.success());
}

#[test]
fn the_desk_takes_an_office_invitation_of_its_own_yard_once() {
    let mut world = World::new();
    let site = Site::new(&mut world, false);
    let file = |role, yard| {
        let code = "31415926535897932384";
        let use_by = UtcMs(1_900_000_000_000);
        let offer = Offer { yard, role, crew: None, name: "office desk".into(), use_by, not_after: use_by };
        let invitation = invite(&root(), code, offer).unwrap();
        let path = site.data.path().join("given.json");
        let text =
            serde_json::to_string(&InvitationFile { code: code.into(), root: root().public(), invitation });
        std::fs::write(&path, text.unwrap()).unwrap();
        path.display().to_string()
    };
    let (job, yard) = (world.job.id(), world.yard.id());
    for (role, book, why) in [(Role::Crew, yard, "role 'office'"), (Role::Office, job, "another yard")] {
        let output = run(&site, &["desk", "--invitation", &file(role, book)], "");
        assert!(!output.status.success() && said(&output).contains(why), "{}", said(&output));
    }
    let path = file(Role::Office, yard);
    let given = run(&site, &["desk", "--invitation", &path], "");
    assert!(given.status.success(), "{}", said(&given));
    let again = run(&site, &["desk", "--invitation", &path], "");
    assert!(!again.status.success() && said(&again).contains("there already"));
    let page = site.browser().page("/");
    assert!(!page.text.contains("can be read, not written"));
}
