//! A small story without any server, as its user sees it: every command with its answer.

mod common;

use common::{Device, LABEL, MORNING, STAND, sealed};
use tempfile::TempDir;

struct Teller<'t> {
    device: &'t Device,
    base: &'t TempDir,
    text: String,
}

impl Teller<'_> {
    fn tell(&mut self, args: &[&str]) {
        let run = self.device.run(args);
        let quoted = args.iter().map(|a| if a.contains([' ', '(']) { format!("'{a}'") } else { (*a).into() });
        self.text.push_str(&format!("$ bolebook {}\n", quoted.collect::<Vec<String>>().join(" ")));
        self.text.push_str(&run.err);
        self.text.push_str(&run.out);
        if run.exit != 0 {
            self.text.push_str(&format!("(exit {})\n", run.exit));
        }
        self.text.push('\n');
    }

    fn shown(&self) -> String {
        sealed(&self.text, self.base.path())
    }
}

#[test]
fn a_day_from_the_founding_of_a_yard_to_its_sign_off() {
    let base = TempDir::new().unwrap();
    let mut device = Device::new(&base, "office");
    let mut teller = Teller { device: &device, base: &base, text: String::new() };
    teller.tell(&["yard", "new", "Invented Tree Care", "--person", "Ada Invented"]);
    teller.tell(&["person", "add", "Ben Invented", "--work", "crew-lead"]);
    teller.tell(&[
        "licence",
        "add",
        "Ben Invented",
        "--scheme",
        "invented scheme",
        "--category",
        "3a",
        "--number",
        "X-1",
        "--from",
        "2026-01-01",
        "--to",
        "2027-12-31",
    ]);
    teller.tell(&["crew", "add", "North", "--lead", "Ben Invented"]);
    let kit = device.run(&["kit", "template"]).ok().out;
    device.file("kit.json", kit);
    teller.tell(&["kit", "add", "kit.json", "--name", "Kit N", "--crew", "North"]);
    let label = device.run(&["label", "template", "--invented"]).ok().out;
    device.file("label.json", label);
    teller.tell(&["label", "check", "label.json"]);
    teller.tell(&["label", "add", "label.json"]);
    let again = device.run(&["label", "confirm-template", "--invented"]).ok().out;
    device.file("again.json", again);
    teller.tell(&["label", "confirm", LABEL, "again.json"]);
    teller.tell(&["label", "confirm", LABEL, "again.json", "--by", "Ben Invented"]);
    teller.tell(&["lot", "add", "L-1", "--expires", "2027-06-30"]);
    teller.tell(&["move", "received", "5000", "--lot", "L-1"]);
    teller.tell(&[
        "job",
        "new",
        "Ash Park",
        "--season",
        "2026",
        "--client",
        "Invented City",
        "--site",
        "Ash Park",
        "--zone",
        "America/Detroit",
    ]);
    teller.tell(&["authorise", "every listed tree, once"]);
    teller.tell(&["require", "--scheme", "us-40-cfr-171-303", "--cautions"]);
    teller.tell(&["block", "add", "East"]);
    device.file("stand.csv", STAND);
    teller.tell(&[
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
        "A-",
        "--species",
        "FRXAM",
        "--block",
        "East",
    ]);
    teller.tell(&["use", "--person", "Ben Invented", "--crew", "North"]);
    teller.tell(&["tree", "add", "B-1", "--species", "FRXPE", "--lat", "42.2801", "--lon", "-83.7401"]);
    teller.tell(&["diameter", "B-1", "94", "--girth"]);
    teller.tell(&["tree", "list"]);
    teller.tell(&["fill", "500", "--lot-read", "L-1", "--registration-read", "INVENTED-0001"]);
    teller.tell(&["acknowledge"]);
    teller.tell(&["dose", "A-1"]);
    for tree in ["A-1", "A-2"] {
        teller.tell(&[
            "condition",
            tree,
            "--canopy-loss",
            "10",
            "--bloom",
            "after",
            "--soil",
            "moist",
            "--air",
            "70F",
            "--soil-temperature",
            "16",
            "--food",
            "false",
            "--water",
            "40",
        ]);
    }
    teller.tell(&["dose", "A-1", "--record"]);
    teller.tell(&["treat", "A-1", "--charges", "7", "--each", "10", "--pressure", "100psi"]);
    teller.tell(&["treat", "A-2", "--charges", "12", "--each", "10"]);
    let holes: Vec<String> = (0..12).map(|i| format!("--hole={},{},20,10", i * 12, 10 + i)).collect();
    let mut over = vec!["treat", "A-2"];
    over.extend(holes.iter().map(String::as_str));
    teller.tell(&over);
    teller.tell(&["not-treated", "A-3", "too-small"]);
    teller.tell(&["not-treated", "B-1", "other"]);
    teller.tell(&["close-day", "--in-kit", "Kit N=310"]);
    let text = teller.text;
    device.at(MORNING + 10 * 3_600_000);
    let mut teller = Teller { device: &device, base: &base, text };
    teller.tell(&["check"]);
    teller.tell(&["sign-off", "today"]);
    let finding = device.run(&["--json", "check"]).json()["findings"][0]["id"].as_str().unwrap().to_owned();
    teller.tell(&["rule", &finding[..8], "accept", "--reason", "it was hot"]);
    teller.tell(&[
        "rule",
        &finding[..8],
        "confirm",
        "--reason",
        "miscounted",
        "--done",
        "crew instructed",
        "--reported",
        "invented authority, the same day",
    ]);
    // The holes of the charges too many stand closer than the label's spacing: a violation of its own.
    let others = device.run(&["--json", "check"]).json()["findings"].as_array().unwrap().clone();
    for other in others.iter().filter(|f| f["severity"] == "stop") {
        let id = &other["id"].as_str().unwrap()[..8];
        let decided = ["--done", "crew instructed", "--reported", "invented authority, the same day"];
        let mut rule = vec!["rule", id, "confirm", "--reason", "miscounted"];
        rule.extend(decided);
        teller.tell(&rule);
    }
    teller.tell(&["sign-off", "today", "--by", "Ada Invented"]);
    teller.tell(&["days"]);
    teller.tell(&["balance"]);
    teller.tell(&["tree", "show", "A-2"]);
    teller.tell(&["check", "--all"]);
    insta::assert_snapshot!(teller.shown());
    for args in [
        &["check", "--all"][..],
        &["tree", "show", "A-1"],
        &["balance"],
        &["job", "show"],
        &["device", "list"],
    ] {
        let mut all = vec!["--json"];
        all.extend(args);
        let run = device.run(&all);
        insta::assert_snapshot!(args.join("_"), sealed(&run.out, base.path()));
    }
}
