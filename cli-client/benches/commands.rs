//! How long each command takes, process start to end, on a job of 5,000 trees of which half are
//! treated; and the import of 10,000 trees. The stand is invented and the same on every run.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use tempfile::TempDir;

const TREES: usize = 5_000;

/// Trees on a jittered grid five metres wide, with diameters of 12 to 70 cm (Knuth's MMIX generator).
fn stand(trees: usize) -> String {
    let mut state: u64 = 20_260_914;
    let mut draw = |most: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % most
    };
    let mut text = String::from("x_m,y_m,dbh_cm\n");
    for i in 0..trees as u64 {
        let (x, y) = (i % 100 * 50 + draw(25), i / 100 * 50 + draw(25));
        let dbh = 120 + draw(580);
        text += &format!("{}.{},{}.{},{}.{}\n", x / 10, x % 10, y / 10, y % 10, dbh / 10, dbh % 10);
    }
    text
}

/// Every second tree treated with four holes.
fn work(trees: usize) -> String {
    let mut text = String::from(
        "{\"do\":\"fill\",\"amount\":900,\"lot_read\":\"L-1\",\"registration_read\":\"INVENTED-0001\",\"crew\":\"North\"}\n",
    );
    for i in (1..=trees).step_by(2) {
        text += &format!(
            "{{\"do\":\"treat\",\"tree\":\"T{i}\",\"hole\":[[0,10,20,10],[12,13,20,10],[24,16,20,10],[36,19,20,10]],\"applicator\":\"Ben Invented\"}}\n"
        );
    }
    text
}

fn command(folder: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_bolebook"));
    command
        .env_clear()
        .env("BOLEBOOK_STORE", folder.join("store"))
        .current_dir(folder)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .args(args);
    command
}

fn run(folder: &Path, args: &[&str]) {
    let status = command(folder, args).status().expect("the command starts");
    // 3: open findings, which the invented work has on purpose.
    assert!(matches!(status.code(), Some(0 | 3)), "{args:?}: {status}");
}

/// A yard and an empty job.
fn found(folder: &Path) {
    let printed = |args: &[&str], name: &str| {
        let output = command(folder, args).stdout(Stdio::piped()).output().expect("the command starts");
        std::fs::write(folder.join(name), output.stdout).expect("the folder can be written");
    };
    printed(&["kit", "template"], "kit.json");
    printed(&["label", "template", "--invented"], "label.json");
    for args in [
        &["yard", "new", "Invented Tree Care", "--person", "Ada Invented"][..],
        &["person", "add", "Ben Invented", "--work", "crew-lead"],
        &["crew", "add", "North", "--lead", "Ben Invented"],
        &["kit", "add", "kit.json", "--name", "Kit N", "--crew", "North"],
        &["label", "add", "label.json"],
        &["lot", "add", "L-1", "--expires", "2030-06-30"],
        &["move", "received", "1000000", "--lot", "L-1"],
        &[
            "job",
            "new",
            "Big",
            "--season",
            "2026",
            "--client",
            "C",
            "--site",
            "S",
            "--zone",
            "America/Detroit",
        ],
    ] {
        run(folder, args);
    }
}

fn import(folder: &Path) {
    run(
        folder,
        &[
            "stand",
            "import",
            "stand.csv",
            "--x",
            "x_m",
            "--y",
            "y_m",
            "--dbh",
            "dbh_cm",
            "--origin",
            "42.28,-83.74",
            "--prefix",
            "T",
            "--species",
            "FRXAM",
        ],
    );
}

fn commands(c: &mut Criterion) {
    let folder = TempDir::new().expect("a temporary folder");
    let folder = folder.path();
    found(folder);
    std::fs::write(folder.join("stand.csv"), stand(TREES)).expect("the folder can be written");
    std::fs::write(folder.join("work.ndjson"), work(TREES)).expect("the folder can be written");
    import(folder);
    run(folder, &["log", "work.ndjson"]);
    let mut group = c.benchmark_group("5000_trees");
    group.sample_size(10).measurement_time(Duration::from_secs(4));
    for args in [
        &["yard", "show"][..],
        &["job", "show"],
        &["tree", "list"],
        &["tree", "show", "T17"],
        &["list", "application"],
        &["check"],
        &["balance"],
        &["days"],
        &["export", "out"],
        &["verify"],
        &["diameter", "T18", "33"],
    ] {
        group.bench_function(args.join("_"), |b| b.iter(|| run(folder, args)));
    }
    group.finish();

    let mut group = c.benchmark_group("import");
    group.sample_size(10).measurement_time(Duration::from_secs(10));
    let empty = || {
        let folder = TempDir::new().expect("a temporary folder");
        found(folder.path());
        std::fs::write(folder.path().join("stand.csv"), stand(10_000)).expect("the folder can be written");
        folder
    };
    group.bench_function("10000_trees", |b| {
        b.iter_batched(empty, |folder| import(folder.path()), BatchSize::PerIteration);
    });
    group.finish();
}

criterion_group!(benches, commands);
criterion_main!(benches);
