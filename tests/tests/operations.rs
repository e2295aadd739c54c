//! Running a server: what it says of itself, and that the page about it is true.

mod support;

use std::collections::BTreeSet;
use std::process::Command;

use bolebook_core::ids::Sha256Hash;
use bolebook_server::metrics;
use support::scene::Scene;

fn page() -> String {
    std::fs::read_to_string(bolebook_tests::root().join("docs/operations.md")).unwrap()
}

/// A figure's value, summed over its labels.
fn value(text: &str, name: &str) -> f64 {
    let of = text.lines().filter(|l| l.strip_prefix(name).is_some_and(|rest| rest.starts_with([' ', '{'])));
    of.map(|l| l.rsplit(' ').next().unwrap().parse::<f64>().unwrap()).sum()
}

#[test]
fn the_figures_rise_with_the_work_and_name_nobody() {
    let mut scene = Scene::new();
    let before = metrics::text(&scene.server.app);
    scene.crew.note(scene.job, "a note nobody may read there");
    let books = scene.books();
    scene.crew.exchange(&books).unwrap();
    assert_eq!(scene.crew.get("/v1/nothing/of/the/kind").status, 404);
    let after = metrics::text(&scene.server.app);
    let rose = |name: &str| value(&after, name) - value(&before, name);
    // The note's commit and its signature.
    assert_eq!(rose("bolebook_lines_taken_total"), 2.0, "{after}");
    assert!(rose("bolebook_requests_total") >= 2.0, "{after}");
    assert_eq!(rose("bolebook_requests_total"), rose("bolebook_request_duration_seconds_count"));
    assert!(after.contains(r#"route="/v1/exchange""#) && after.contains(r#"route="none""#), "{after}");
    assert!(after.ends_with("# EOF\n"), "as OpenMetrics 1.0 asks");
    for secret in [scene.job.to_string(), scene.crew.key.device().to_string(), "a note".into(), "kind".into()]
    {
        assert!(!after.contains(&secret), "{secret}");
    }
}

#[test]
fn every_figure_stands_on_the_page_and_no_other() {
    let scene = Scene::new();
    let text = metrics::text(&scene.server.app);
    let served: BTreeSet<String> = text
        .lines()
        .filter_map(|l| l.strip_prefix("# TYPE "))
        .map(|l| {
            let (name, kind) = l.split_once(' ').unwrap();
            if kind == "counter" { format!("{name}_total") } else { name.to_owned() }
        })
        .collect();
    let page = page();
    let told: BTreeSet<String> = page
        .lines()
        .filter_map(|l| l.strip_prefix("| `")?.split_once('`'))
        .filter(|(name, _)| name.starts_with("bolebook_"))
        .map(|(name, _)| name.to_owned())
        .collect();
    assert!(served.len() >= 6);
    assert_eq!(served, told);
}

/// Whoever copies a line of the page gets a command that is there, with options that it has.
#[test]
fn every_command_of_the_page_and_of_the_service_is_one() {
    let program = xtask::process::programs().unwrap().join("bolebook-server");
    let unit =
        std::fs::read_to_string(bolebook_tests::root().join("deploy/bolebook-server.service")).unwrap();
    let mut seen = 0;
    for line in
        page().lines().chain(unit.lines()).filter_map(|l| l.split_once("bolebook-server ").map(|p| p.1))
    {
        let words: Vec<&str> = line.split(['`', '\'']).next().unwrap().split_whitespace().collect();
        let Some(name) = words.first().filter(|w| w.chars().all(|c| c.is_ascii_lowercase() || c == '-'))
        else {
            continue;
        };
        let said = Command::new(&program).args([name, "--help"]).output().unwrap();
        assert!(said.status.success(), "{line}");
        let help = String::from_utf8(said.stdout).unwrap();
        for option in words.iter().filter_map(|w| w.split('=').next()).filter(|w| w.starts_with("--")) {
            assert!(help.contains(option), "{name} has no {option}: {line}");
        }
        seen += 1;
    }
    assert!(seen >= 5, "{seen}");
}

/// While a crew goes on exchanging. The copy is whole by itself, is brought up by a second one, and a server
/// on it knows the devices: what they brought since, they bring again.
#[test]
fn a_copy_made_while_a_server_runs_can_be_served_in_its_place() {
    let mut scene = Scene::new();
    let data = scene.server.app.config.data.clone();
    let photo = b"\xff\xd8\xff\xe0 INVENTED picture";
    let path = format!("/v1/photos/{}", Sha256Hash::of(photo));
    assert_eq!(scene.crew.send("PUT", &path, &[], photo).unwrap().status, 201);
    let elsewhere = tempfile::tempdir().unwrap();
    let to = elsewhere.path().join("copy");
    let books = scene.books();
    let copies = std::thread::scope(|scope| {
        let mut rounds = 0;
        let copying =
            scope.spawn(|| [(); 3].map(|()| bolebook_server::backup::backup(&data, true, &to).unwrap()));
        while !copying.is_finished() || rounds < 5 {
            scene.crew.note(scene.job, &format!("round {rounds}"));
            scene.crew.exchange(&books).unwrap();
            rounds += 1;
        }
        copying.join().unwrap()
    });
    let files = |n: usize| copies[n].files.clone().unwrap();
    assert_eq!((files(0).photos, files(0).brought, files(2).brought), (1, 1, 0));
    assert!(copies[0].lines <= copies[2].lines && copies[0].books == books.len() as u64, "{copies:?}");
    let key = std::fs::metadata(to.join("identity.json")).unwrap();
    assert_eq!(std::os::unix::fs::PermissionsExt::mode(&key.permissions()) & 0o77, 0);

    let program = xtask::process::programs().unwrap().join("bolebook-server");
    let run = |words: &[&str], folder: &std::path::Path| {
        let done = Command::new(&program).args(words).arg("--data").arg(folder).output().unwrap();
        (done.status.success(), String::from_utf8_lossy(&[done.stdout, done.stderr].concat()).into_owned())
    };
    let (whole, said) = run(&["verify"], &to);
    assert!(whole && said.contains(r#""photos":1"#), "{said}");
    let inside = data.join("copy");
    let (done, said) = run(&["backup", "--to", inside.to_str().unwrap()], &data);
    assert!(!done && said.contains("lies in it") && !inside.exists(), "{said}");

    let copy = support::Server::start_with(bolebook_server::Config::new(to.clone()));
    let (done, said) = run(&["backup", "--to", to.to_str().unwrap()], &data);
    assert!(!done && said.contains("somebody serves that folder"), "{said}");
    support::scene::visit(&mut scene.crew, &copy);
    scene.crew.note(scene.job, "after the old disk died");
    scene.crew.exchange_and_settle(&books).unwrap();
    let there = copy.app.read(|db| Ok(support::sorted_lines(db, scene.job))).unwrap();
    let mine = support::sorted_lines(&scene.crew.db, scene.job);
    assert!(mine.iter().all(|line| there.contains(line)), "all of it came again");
}
