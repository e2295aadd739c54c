//! An invented office: its store made by the real `bolebook`, its server the real `bolebook-server`.
//! Everything in it is INVENTED: NOT FOR USE.

use std::io::{BufRead as _, BufReader, Write as _};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};

use bolebook_core::day::Day;
use bolebook_core::ids::Sha256Hash;
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::book_kinds::{Zone, ZoneOffset};
use serde_json::{Value, json};
use tempfile::TempDir;

/// The job's title.
pub const JOB: &str = "Imaginary Park (INVENTED)";
/// The lot in use.
pub const LOT: &str = "L-2601";
/// The registration number of its label.
pub const REGISTRATION: &str = "INVENTED-0001";
/// The crews.
pub const CREWS: [&str; 2] = ["Alder", "Birch"];
/// The lead of each crew.
pub const LEADS: [&str; 2] = ["Ann Invented", "Ben Invented"];
/// Latitude and longitude of the first tree: a place of no meaning.
pub const ORIGIN: (f64, f64) = (42.7325, -84.5555);
const MS_PER_DAY: i64 = 86_400_000;

/// The programs, built once for all tests of this process.
pub fn programs() -> PathBuf {
    xtask::process::programs().unwrap()
}

/// A port below those that systems hand out by themselves: a server that is stopped and started again
/// finds it free, whatever the browsers beside it connect from.
fn free_port() -> u16 {
    static NEXT: AtomicU32 = AtomicU32::new(0);
    let own = std::process::id().wrapping_mul(40);
    for _ in 0..10_000 {
        let number = own.wrapping_add(NEXT.fetch_add(1, Ordering::Relaxed)) % 10_000;
        let port = 20_000 + u16::try_from(number).unwrap();
        if TcpListener::bind(("127.0.0.1", port)).is_ok() {
            return port;
        }
    }
    panic!("no port is free")
}

/// The office.
pub struct Office {
    folder: TempDir,
    /// What time it is for the office, when it is not the machine's.
    told: Option<String>,
    today: Day,
    port: u16,
    server: Option<Child>,
}

impl Drop for Office {
    fn drop(&mut self) {
        self.stop();
    }
}

impl Office {
    /// Founds a yard with two crews, their kits, a confirmed label, a lot, and a job of so many
    /// trees, every one measured. `told` is the time of the story; without it, the machine's.
    pub fn found(told: Option<&str>, now: UtcMs, trees: usize) -> Self {
        Self::found_with(told, now, trees, None)
    }

    /// As [`Self::found`], under a label that has the product mixed with water: parts of product, of water.
    pub fn found_mixed(told: Option<&str>, now: UtcMs, trees: usize, parts: [i64; 2]) -> Self {
        Self::found_with(told, now, trees, Some(parts))
    }

    fn found_with(told: Option<&str>, now: UtcMs, trees: usize, mix: Option<[i64; 2]>) -> Self {
        let zone = Zone { name: "UTC".into(), offsets: vec![ZoneOffset { from: UtcMs(0), offset_s: 0 }] };
        let folder = tempfile::tempdir().unwrap();
        let today = Day::of(now, &zone);
        let mut office = Self { folder, told: told.map(str::to_owned), today, port: 0, server: None };
        office.yard(mix);
        office.job(trees);
        office
    }

    fn day(&self, after: i64) -> String {
        let zone = Zone { name: "UTC".into(), offsets: vec![] };
        Day::of(UtcMs((i64::from(self.today.number()) + after) * MS_PER_DAY), &zone).to_string()
    }

    fn write(&self, name: &str, text: &str) -> String {
        let path = self.folder.path().join(name);
        std::fs::File::create(&path).unwrap().write_all(text.as_bytes()).unwrap();
        path.display().to_string()
    }

    /// Runs a command of the office, which must succeed, and gives its answer.
    pub fn run(&self, arguments: &[&str]) -> Value {
        let mut command = Command::new(programs().join("bolebook"));
        command.arg("--json").arg("--store").arg(self.folder.path().join("office")).args(arguments);
        if let Some(told) = &self.told {
            command.env("BOLEBOOK_NOW", told);
        }
        let output = command.output().unwrap();
        let said = String::from_utf8_lossy(&output.stdout);
        // A check that finds a stop says so by its exit code.
        let found = arguments == ["check"] && said.contains("\"findings\"");
        assert!(
            output.status.success() || found,
            "bolebook {}: {said}{}",
            arguments.join(" "),
            String::from_utf8_lossy(&output.stderr)
        );
        serde_json::from_str(&said).unwrap()
    }

    /// Logs entries, all or none.
    pub fn log(&self, entries: &[Value]) {
        let lines: Vec<String> = entries.iter().map(Value::to_string).collect();
        let file = self.write("entries.ndjson", &lines.join("\n"));
        self.run(&["log", &file]);
    }

    /// What time it is from now on, in a story with a time of its own.
    pub fn tell(&mut self, time: &str) {
        self.told = Some(time.to_owned());
    }

    fn yard(&mut self, mix: Option<[i64; 2]>) {
        self.run(&["yard", "new", "Imaginary Tree Care (INVENTED)", "--person", "Olive Invented"]);
        let (from, to) = (self.day(-300), self.day(300));
        let licence = |person: &str, number: &str| {
            let fixed =
                ["--scheme", "invented scheme", "--category", "ornamental", "--from", &from, "--to", &to];
            let mut arguments = vec!["licence", "add", person, "--number", number];
            arguments.extend(fixed);
            self.run(&arguments);
        };
        licence("Olive Invented", "INV-0");
        self.run(&["person", "add", "Sam Invented", "--work", "office"]);
        licence("Sam Invented", "INV-9");
        for ((crew, lead), number) in CREWS.iter().zip(LEADS).zip(1..) {
            self.run(&["person", "add", lead, "--work", "crew-lead"]);
            licence(lead, &format!("INV-{number}"));
            self.run(&["crew", "add", crew, "--lead", lead]);
            self.add_kit(&format!("Kit {number}"), crew);
        }
        self.add_label(["Stemguard Imaginary (INVENTED)", REGISTRATION, LOT], mix);
    }

    /// Gives a crew a further kit, of the usual make.
    pub fn add_kit(&self, name: &str, crew: &str) {
        let mut kit = self.run(&["kit", "template"]);
        let (before, due) = (self.day(-60), self.day(300));
        (kit["inspected"], kit["inspection_due"]) = (json!(before), json!(due));
        kit["gauge"]["checked"] = json!(before);
        kit["reservoir"]["relief_inspected"] = json!(before);
        kit["reservoir"]["relief_due"] = json!(due);
        let kit = self.write("kit.json", &kit.to_string());
        self.run(&["kit", "add", &kit, "--name", name, "--crew", crew]);
    }

    /// Takes in a lot of a label.
    pub fn add_lot(&self, number: &str, label: &str) {
        self.run(&["lot", "add", number, "--label", label, "--expires", &self.day(400)]);
        self.run(&["move", "received", "40000", "--lot", number]);
    }

    /// Enters and confirms a label with a lot of it: its name, registration number and lot.
    pub fn add_label(&self, [name, registration, lot]: [&str; 3], mix: Option<[i64; 2]>) {
        let (mut label, rates) = label(&self.day(900));
        (label["name"], label["registration"]) = (json!(name), json!(registration));
        let mut confirmation = json!({ "rates": rates });
        if let Some([product, water]) = mix {
            let mix = json!({ "diluent": "water", "product_parts": product, "diluent_parts": water });
            (label["mix"], confirmation["mix"]) = (mix.clone(), mix);
        }
        let worked = [(150_000, 36_000), (300_000, 72_000), (605_000, 145_200)].map(
            |(diameter, dose)| json!({ "purpose": "preventive", "diameter_um": diameter, "dose_ul": dose }),
        );
        let label = self.write("label.json", &label.to_string());
        confirmation["worked"] = json!(worked);
        let confirmation = self.write("confirmation.json", &confirmation.to_string());
        self.run(&["label", "add", &label]);
        self.run(&["label", "confirm", name, &confirmation, "--by", "Sam Invented"]);
        self.add_lot(lot, name);
    }

    fn job(&mut self, trees: usize) {
        let season = self.today.to_string().chars().take(4).collect::<String>();
        let arguments = ["job", "new", JOB, "--season", &season, "--client", "Client Invented"];
        let more = ["--address", "1 Nowhere Road", "--site", "Imaginary Park", "--zone", "UTC"];
        self.run(&[&arguments[..], &more[..]].concat());
        self.run(&["authorise", "every listed tree, once"]);
        if trees > 0 {
            let mut csv = String::from("x_m,y_m,dbh_cm\n");
            for tree in 0..trees {
                // Ten metres apart, 25 to 44 cm thick.
                csv.push_str(&format!("{},{},{}.0\n", (tree % 50) * 10, (tree / 50) * 10, 25 + tree % 20));
            }
            let csv = self.write("stand.csv", &csv);
            let origin = format!("{},{}", ORIGIN.0, ORIGIN.1);
            let columns = ["--x", "x_m", "--y", "y_m", "--dbh", "dbh_cm", "--prefix", "P-"];
            let rest = ["--species", "FRXAM", "--origin", &origin];
            self.run(&[&["stand", "import", &csv][..], &columns[..], &rest[..]].concat());
        }
        let invitation = self.folder.path().join("server.json").display().to_string();
        self.run(&["device", "invite", "server", "--role", "server", "--out", &invitation]);
        let mut init = Command::new(programs().join("bolebook-server"));
        init.args(["init", "--invitation", &invitation, "--data"]).arg(self.folder.path().join("server"));
        if let Some(told) = &self.told {
            init.env("BOLEBOOK_NOW", told);
        }
        assert!(init.output().unwrap().status.success());
    }

    /// Starts the server, on the same port each time, and gives its address.
    pub fn serve(&mut self, web: Option<&Path>) -> String {
        assert!(self.server.is_none(), "one server at a time");
        let mut command = Command::new(programs().join("bolebook-server"));
        if self.port == 0 {
            self.port = free_port();
        }
        let listen = format!("127.0.0.1:{}", self.port);
        command.args(["serve", "--listen", &listen, "--data"]).arg(self.folder.path().join("server"));
        // Neither is asked here, and each would take a port more.
        command.args(["--desk", "off", "--portal", "off"]);
        if let Some(web) = web {
            command.arg("--web-dir").arg(web);
        }
        if let Some(told) = &self.told {
            command.env("BOLEBOOK_NOW", told);
        }
        command.env("RUST_LOG", "warn").stdin(Stdio::null()).stdout(Stdio::piped());
        let mut child = command.spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        self.server = Some(child);
        let address: Value = serde_json::from_str(&line).expect("the server says its address");
        let url = address["url"].as_str().unwrap().to_owned();
        self.port = url.rsplit(':').next().unwrap().parse().unwrap();
        url
    }

    /// Ends the server at once, as a power cut would.
    pub fn stop(&mut self) {
        if let Some(mut server) = self.server.take() {
            let _ = server.kill();
            let _ = server.wait();
        }
    }

    /// The bytes the server has of a photo, if it has it.
    pub fn photo(&self, digest: Sha256Hash) -> Option<Vec<u8>> {
        let name = digest.to_string();
        std::fs::read(self.folder.path().join("server/photos").join(&name[..2]).join(&name)).ok()
    }

    /// A one-time code for a crew's device, deposited at the server.
    pub fn invite(&self, url: &str, name: &str, crew: &str) -> String {
        let invited = self.run(&["device", "invite", name, "--role", "crew", "--crew", crew]);
        self.run(&["exchange", url]);
        invited["code"].as_str().unwrap().to_owned()
    }
}

/// The invented label and its rates.
fn label(expires: &str) -> (Value, Value) {
    let rates = json!([{
        "purpose": "preventive", "from_um": 120_000,
        "min_ul_per_m": 180_000, "usual_ul_per_m": 240_000, "max_ul_per_m": 300_000
    }]);
    let label = json!({
        "invented": "INVENTED: NOT FOR USE",
        "active_ingredients": [{ "name": "emamectin benzoate", "ug_per_ml": 1000 }],
        "species": ["1FRXG", "1QUEG"],
        "pests": ["AGRLPL"],
        "rates": rates,
        "smallest_diameter_um": 120_000,
        "forked": "each_stem",
        "interval_days": 700,
        "holes": {
            "bit_um": 6000, "depth_min_um": 15000, "depth_max_um": 25000, "spacing_um": 120_000,
            "band_low_um": 100_000, "band_high_um": 300_000, "sealing": "optional"
        },
        "charges": {
            "most_per_hole_ul": 10000, "per_hole": 1, "part_charge": false,
            "uptake_limit_s": 1800, "hold_after_s": 60
        },
        "conditions": { "not_in_bloom": true, "not_for_food": true, "canopy_loss_max": 500 },
        "cautions": [
            "INVENTED: NOT FOR USE. Wear goggles and gloves; keep your face to the side of containers and holes."
        ],
        "first_aid": ["INVENTED: On skin or in eyes: rinse with plenty of water and call a poison centre."],
        "expires": expires
    });
    (label, rates)
}
