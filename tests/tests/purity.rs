//! Invariant 7: the core is pure. No clock, randomness, environment or I/O; compiled to
//! WebAssembly it asks its host for nothing and gives the same bytes as here.

use std::collections::BTreeSet;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use bolebook_core::book::Book;
use bolebook_core::commit::{Commit, Draft};
use bolebook_core::ids::{ActorId, DeviceId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::canonical;
use bolebook_probe::Question;
use bolebook_tests::root;
use bolebook_tests::stand::{job, longleaf, yard};
use serde_json::{Map, Value, json};

/// What the core may use directly. Each computes and does nothing else; a new one belongs here
/// only if that holds for it too.
const ALLOWED: &[&str] = &[
    "automerge",
    "base64",
    "csv",
    "ed25519-dalek",
    "hex",
    "libm",
    "p256",
    "schemars",
    "serde",
    "serde_json",
    "serde_json_canonicalizer",
    "sha2",
    "thiserror",
    "uuid",
];

/// What would bring a clock, a socket, a file or a database along, at any depth.
const NEVER: &[&str] = &[
    "bolebook-cli",
    "bolebook-log",
    "bolebook-server",
    "axum",
    "chrono",
    "jiff",
    "mio",
    "rusqlite",
    "socket2",
    "tokio",
    "ureq",
];

/// The names of the packages the core is built from, `depth` steps down, tests' own left out.
fn built_from(depth: &str) -> BTreeSet<String> {
    let arguments = ["tree", "--package", "bolebook-core", "--edges", "normal", "--prefix", "none"];
    let mut cargo = Command::new(env!("CARGO"));
    cargo.args(arguments).args(["--depth", depth, "--offline", "--locked"]).current_dir(root());
    let output = cargo.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let names = text.lines().filter_map(|line| line.split(' ').next()).filter(|name| !name.is_empty());
    names.filter(|name| *name != "bolebook-core").map(str::to_owned).collect()
}

#[test]
fn i7_the_core_depends_on_nothing_that_touches_the_world() {
    let direct = built_from("1");
    assert!(direct.contains("automerge"), "{direct:?}");
    let unlisted: Vec<_> = direct.iter().filter(|name| !ALLOWED.contains(&name.as_str())).collect();
    assert!(unlisted.is_empty(), "the core depends on {unlisted:?}: pure? Then list them here");

    let all = built_from("1000");
    assert!(all.len() > direct.len(), "{all:?}");
    let touching: Vec<_> = all.iter().filter(|name| NEVER.contains(&name.as_str())).collect();
    assert!(touching.is_empty(), "through its dependencies the core reaches {touching:?}");
}

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

#[test]
fn i7_the_core_names_no_clock_file_socket_thread_or_hash_map() {
    let forbidden = [
        "std::fs",
        "std::net",
        "std::env",
        "std::process",
        "std::thread",
        "std::io",
        "std::time",
        "SystemTime",
        "Instant::now",
        "HashMap",
        "HashSet",
        "println!",
        "getrandom",
        "allow(clippy::disallowed",
        "expect(clippy::disallowed",
    ];
    let mut paths = vec![];
    sources(&root().join("core/src"), &mut paths);
    assert!(paths.len() > 20, "the core's sources were not found");
    for path in paths {
        let text = std::fs::read_to_string(&path).unwrap();
        let shipped = text.split("#[cfg(test)]").next().unwrap();
        for (number, line) in shipped.lines().enumerate() {
            let code = line.split("//").next().unwrap();
            for word in forbidden {
                assert!(!code.contains(word), "{}:{}: names {word}", path.display(), number + 1);
            }
        }
    }
}

#[test]
fn i7_the_lint_that_keeps_the_core_pure_is_in_force() {
    let lint = std::fs::read_to_string(root().join("clippy.toml")).unwrap();
    for path in [
        "std::time::SystemTime::now",
        "std::time::Instant::now",
        "std::env::var",
        "f64::sin",
        "f64::cos",
        "f64::tan",
        "f64::asin",
        "f64::acos",
        "f64::atan",
        "f64::atan2",
        "f64::exp",
        "f64::ln",
        "f64::log10",
        "f64::log2",
        "f64::powf",
        "f64::hypot",
        "f64::tanh",
    ] {
        assert!(lint.contains(&format!("path = \"{path}\"")), "clippy.toml has lost {path}");
    }
}

/// A record with each of its values, one at a time, made another, left out, or joined by one that nobody
/// knows. Here records are read out of their text, and there out of values: both must say the same of each.
fn spoilt(text: &str) -> Vec<String> {
    let record: Value = serde_json::from_str(text).unwrap();
    let mut paths = vec![];
    places(&record, String::new(), &mut paths);
    let mut all = vec![];
    for path in paths {
        let was = record.pointer(&path).unwrap().clone();
        let mut others =
            vec![json!(""), json!(0), json!(-1), json!(9_007_199_254_740_991_i64), json!(true), json!([])];
        match &was {
            Value::String(said) => others.extend([json!(said.to_uppercase()), json!(format!("{said} "))]),
            Value::Array(items) => others.push(items.iter().chain(items).cloned().collect()),
            Value::Object(fields) => {
                let more = fields.iter().map(|(key, value)| (key.clone(), value.clone()));
                others.push(more.chain([("unheard_of".to_owned(), json!(1))]).collect::<Map<_, _>>().into());
                // Derived readers take a list of values as well.
                others.push(fields.values().cloned().collect());
                for left_out in fields.keys() {
                    let rest = fields.iter().filter(|(key, _)| *key != left_out);
                    others.push(rest.map(|(k, v)| (k.clone(), v.clone())).collect::<Map<_, _>>().into());
                }
            }
            _ => others.push(json!(was.to_string())),
        }
        for other in others.into_iter().filter(|other| *other != was) {
            let mut spoilt = record.clone();
            *spoilt.pointer_mut(&path).unwrap() = other;
            all.push(canonical::write(&spoilt).unwrap());
        }
    }
    all
}

fn places(of: &Value, path: String, all: &mut Vec<String>) {
    match of {
        Value::Object(fields) => fields.iter().for_each(|(key, v)| places(v, format!("{path}/{key}"), all)),
        Value::Array(items) => {
            items.iter().enumerate().for_each(|(i, v)| places(v, format!("{path}/{i}"), all))
        }
        _ => {}
    }
    all.push(path);
}

/// Questions over every example record, accepted, spoilt or refused, in commits and out of them.
fn questions() -> String {
    let mut questions = vec![Question::Schemas];
    let mut accepted = vec![];
    for folder in ["accepted", "refused"] {
        let folder_path = root().join("schemas/examples").join(folder);
        let mut paths: Vec<PathBuf> =
            std::fs::read_dir(folder_path).unwrap().map(|e| e.unwrap().path()).collect();
        paths.sort();
        for path in paths {
            let text = std::fs::read_to_string(path).unwrap().trim_end().to_owned();
            if folder == "accepted" {
                accepted.push(text.clone());
                questions.extend(spoilt(&text).into_iter().map(|text| Question::Record { text }));
            }
            questions.push(Question::Record { text });
        }
    }
    for (i, records) in accepted.chunks(3).enumerate() {
        questions.push(Question::Commit {
            seed: i as u8 + 1,
            seq: i as u64 * 7 + 1,
            records: records.to_vec(),
        });
    }
    let line = Commit::author(Draft {
        actor: ActorId::new(DeviceId([5; 16]), [6; 16]),
        seq: 1,
        start_op: 2,
        time: UtcMs(1_789_387_200_000),
        deps: vec![],
        records: accepted,
    })
    .unwrap()
    .line();
    for cut in [0, 1, 5, 40] {
        let text = line[..line.len() - cut].to_owned();
        questions.push(Question::Line { text });
    }
    questions.push(Question::Line { text: line.replacen("\"seq\":1", "\"seq\":2", 1) });
    let example = |kind: &str| {
        let path = root().join(format!("schemas/examples/accepted/{kind}.json"));
        std::fs::read_to_string(path).unwrap().trim_end().to_owned()
    };
    for diameter_um in (0..80).map(|n| n * 9_973) {
        questions.push(Question::Dose { label: example("label"), kit: example("kit"), diameter_um });
    }
    let lines = |book: &Book| book.commits().iter().map(Commit::line).collect();
    let job = job(&longleaf()[..200], 3, |n| format!("L-{n:03}"));
    questions.push(Question::Books { yard: lines(&yard()), job: lines(&job) });
    questions.iter().map(|q| serde_json::to_string(q).unwrap() + "\n").collect()
}

/// Whole lines, as many at a time as the module has room for.
fn in_parts(mut questions: &str) -> impl Iterator<Item = &str> {
    const ROOM: usize = 1 << 20;
    std::iter::from_fn(move || {
        let room = questions.len().min(ROOM);
        let end = questions.as_bytes()[..room].iter().rposition(|byte| *byte == b'\n')? + 1;
        let (part, rest) = questions.split_at(end);
        questions = rest;
        Some(part)
    })
}

fn asked_there(module: &Path, questions: &str) -> String {
    let mut node = Command::new("node")
        .arg(root().join("tests/reference/run_probe.mjs"))
        .arg(module)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("node runs the module: 'cargo xtask setup' installs it");
    node.stdin.take().unwrap().write_all(questions.as_bytes()).unwrap();
    let output = node.wait_with_output().unwrap();
    assert!(output.status.success(), "the module did not run to its end");
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn i7_the_core_in_web_assembly_asks_for_nothing_and_gives_the_same_bytes() {
    let module = xtask::wasm::build_probe().unwrap();
    let questions = questions();
    let there: String = in_parts(&questions).map(|part| asked_there(&module, part)).collect();
    let here = bolebook_probe::answers(&questions);
    for part in ["holds true again true", "ChargePlan", "\n200 trees, "] {
        assert!(here.contains(part), "no '{part}' in {here}");
    }
    for (question, (here, there)) in questions.lines().zip(here.lines().zip(there.lines())) {
        assert_eq!(here, there, "to {question}");
    }
    assert_eq!(here, there);
}
