//! The day and its evening, told through the command line.

use std::path::Path;

use serde_json::{Value, json};

use super::device::{Device, text};
use super::plan::{CREWS, Plan};
use super::{Server, Stage, say};
use crate::process::{self, TaskError};

const EVE: &str = "2026-09-13T17:00:00-04:00";
const MORNING: &str = "2026-09-14T06:30:00-04:00";
const EVENING: &str = "2026-09-14T19:00:00-04:00";
const LATE: &str = "2026-09-14T21:30:00-04:00";
const DAY: &str = "2026-09-14";
const JOB: &str = "Imaginary Park";
const LOT: &str = "L-2601";
const OLD_LOT: &str = "L-2401";
const REGISTRATION: &str = "INVENTED-0001";
/// Latitude and longitude of the plot's corner: a place of no meaning.
const ORIGIN: (f64, f64) = (42.7325, -84.5555);
/// Product of the good lot delivered, in millilitres; of the expired one.
const RECEIVED_ML: i64 = 40_000;
const OLD_RECEIVED_ML: i64 = 200;
/// What Alder's kit lacks in the evening, in millilitres.
const MISSING_ML: i64 = 180;
const FILL_ML: i64 = 800;
const CHARGE_ML: i64 = 10;
/// The invented label's usual rate, in millilitres per metre of diameter.
const USUAL_ML_PER_M: i64 = 240;
/// What a tree with the right number of charges may take at most, in millilitres per centimetre.
const MOST_ML_PER_CM: i64 = 3;

/// What the evening leaves behind.
pub struct Played {
    /// The server, still up.
    pub server: Server,
    /// What to print.
    pub summary: String,
    /// A one-time code with which one more device can join Alder.
    pub visitor_code: String,
    /// What time it is in the story.
    pub now: &'static str,
}

/// A finding as planted: its code, and words that stand in its message.
type Planted = (&'static str, String);

/// Plays everything; gives the server, still up, and what to print.
pub fn play(stage: &Stage, plan: &Plan, species: &str, out: &Path) -> Result<Played, TaskError> {
    let office = Device::new(&stage.bolebook, stage.folder.join("office"));
    say("The office sets up its yard, crews, kits, label and product, and opens the job (all INVENTED) …");
    found(stage, &office)?;
    open_job(stage, &office, plan, species)?;
    let server = stage.serve(MORNING)?;
    office.run(MORNING, &["exchange", &server.url])?;
    let crews = join(stage, &office, &server)?;
    drop(server);

    let mut filled = 0;
    for (number, crew) in crews.iter().enumerate() {
        say(&format!("Crew {} works its day offline …", CREWS[number]));
        filled += day(crew, plan, number)?;
    }

    say("Evening: the crews come into signal and the books meet …");
    let server = stage.serve(EVENING)?;
    for crew in &crews {
        crew.run(EVENING, &["exchange", &server.url])?;
    }
    let left = (RECEIVED_ML - filled).to_string();
    office.run(EVENING, &["move", "on-hand", &left, "--lot", LOT])?;
    office.run(EVENING, &["move", "on-hand", "0", "--lot", OLD_LOT])?;
    office.run(EVENING, &["exchange", &server.url])?;

    let planted = planted(plan);
    let found = findings(&office, EVENING)?;
    compare(&planted, &found)?;
    let first: Vec<String> = found.iter().map(shown).collect();

    say("The office settles what it can, and signs two crews' day off …");
    settle(&office, plan, &found)?;
    office.run(EVENING, &["exchange", &server.url])?;

    say("After the sign-off Alder's phone amends an application; the office sees it without effect …");
    drop(server);
    let server = stage.serve(LATE)?;
    amend_late(&crews[0], plan)?;
    crews[0].run(LATE, &["exchange", &server.url])?;
    office.run(LATE, &["exchange", &server.url])?;
    let last = findings(&office, LATE)?;
    let left = [
        ("lot.expired", plan.tag(plan.expired)),
        ("balance.day_unexplained", format!("Crew {}", CREWS[0])),
        ("record.proposal", plan.tag(plan.amended_late)),
    ];
    compare(&left, &last)?;

    let folder = out.display().to_string();
    office.run(LATE, &["export", &folder])?;
    let summary: Value = serde_json::from_str(&process::read(&out.join("summary.json"))?)
        .map_err(|e| TaskError::Steps(format!("summary.json: {e}")))?;
    let summary = summary_text(&summary, &first, &last);
    let visitor =
        office.run(LATE, &["device", "invite", "visitor's phone", "--role", "crew", "--crew", CREWS[0]])?;
    office.run(LATE, &["exchange", &server.url])?;
    Ok(Played { server, summary, visitor_code: text(&visitor, "code")?.to_owned(), now: LATE })
}

fn found(stage: &Stage, office: &Device) -> Result<(), TaskError> {
    office.run(EVE, &["yard", "new", "Imaginary Tree Care (INVENTED)", "--person", "Olive Invented"])?;
    let licence = |person: &str, number: &str| {
        let fixed = ["--scheme", "invented scheme", "--category", "ornamental", "--from", "2025-01-01"];
        let mut arguments = vec!["licence", "add", person, "--number", number, "--to", "2027-12-31"];
        arguments.extend(fixed);
        office.run(EVE, &arguments).map(drop)
    };
    licence("Olive Invented", "INV-0")?;
    office.run(EVE, &["person", "add", "Sam Invented", "--work", "office"])?;
    licence("Sam Invented", "INV-9")?;
    let kit = office.run(EVE, &["kit", "template"])?;
    let kit_file = stage.folder.join("kit.json");
    process::write(&kit_file, kit.to_string())?;
    let kit_file = kit_file.display().to_string();
    for (number, crew) in CREWS.iter().enumerate() {
        let lead = lead(number);
        office.run(EVE, &["person", "add", &lead, "--work", "crew-lead"])?;
        licence(&lead, &format!("INV-{}", number + 1))?;
        office.run(EVE, &["crew", "add", crew, "--lead", &lead])?;
        office.run(EVE, &["kit", "add", &kit_file, "--name", &kit_of(number), "--crew", crew])?;
    }
    office.run(EVE, &["kit", "add", &kit_file, "--name", "Kit 4", "--crew", CREWS[2]])?;
    let (label, confirmation) = (stage.folder.join("label.json"), stage.folder.join("confirmation.json"));
    process::write(&label, include_str!("label.json"))?;
    process::write(&confirmation, include_str!("confirmation.json"))?;
    office.run(EVE, &["label", "add", &label.display().to_string()])?;
    let confirmation = confirmation.display().to_string();
    let name = "Stemguard Imaginary (INVENTED)";
    office.run(EVE, &["label", "confirm", name, &confirmation, "--by", "Sam Invented"])?;
    office.run(EVE, &["lot", "add", LOT, "--expires", "2027-06-30"])?;
    office.run(EVE, &["lot", "add", OLD_LOT, "--expires", "2026-06-30"])?;
    office.run(EVE, &["move", "received", &RECEIVED_ML.to_string(), "--lot", LOT])?;
    office.run(EVE, &["move", "received", &OLD_RECEIVED_ML.to_string(), "--lot", OLD_LOT])?;
    Ok(())
}

fn lead(number: usize) -> String {
    ["Ann Invented", "Ben Invented", "Cleo Invented"][number].into()
}

fn kit_of(number: usize) -> String {
    format!("Kit {}", number + 1)
}

fn open_job(stage: &Stage, office: &Device, plan: &Plan, species: &str) -> Result<(), TaskError> {
    let mut arguments = vec!["job", "new", JOB, "--season", "2026", "--client", "Client Invented"];
    arguments.extend([
        "--address",
        "1 Nowhere Road",
        "--site",
        "Imaginary Park",
        "--zone",
        "America/Detroit",
    ]);
    office.run(EVE, &arguments)?;
    office.run(EVE, &["authorise", "every listed tree, once, in September 2026"])?;
    let mut csv = String::from("x_m,y_m,dbh_cm\n");
    for tree in &plan.trees {
        let tenth = |v: i64| format!("{}{}.{}", if v < 0 { "-" } else { "" }, v.abs() / 10, v.abs() % 10);
        csv.push_str(&format!("{},{},{}\n", tenth(tree.x_dm), tenth(tree.y_dm), tenth(tree.dbh_mm)));
    }
    let file = stage.folder.join("stand.csv");
    process::write(&file, csv)?;
    let (file, origin) = (file.display().to_string(), format!("{},{}", ORIGIN.0, ORIGIN.1));
    let mut arguments = vec!["stand", "import", &file, "--x", "x_m", "--y", "y_m", "--dbh", "dbh_cm"];
    arguments.extend(["--prefix", "P-", "--species", species, "--origin", &origin]);
    office.run(EVE, &arguments)?;

    let invitation = stage.folder.join("server-invitation.json");
    let path = invitation.display().to_string();
    office.run(EVE, &["device", "invite", "server", "--role", "server", "--out", &path])?;
    let mut init = std::process::Command::new(&stage.server);
    init.args(["init", "--invitation", &path, "--data"])
        .arg(stage.folder.join("server"))
        .env("BOLEBOOK_NOW", EVE);
    process::output(&mut init).map(drop)
}

fn join(stage: &Stage, office: &Device, server: &Server) -> Result<Vec<Device>, TaskError> {
    let mut crews = vec![];
    for (number, crew) in CREWS.iter().enumerate() {
        let phone = format!("phone of {crew}");
        let invited = office.run(MORNING, &["device", "invite", &phone, "--role", "crew", "--crew", crew])?;
        office.run(MORNING, &["exchange", &server.url])?;
        let device = Device::new(&stage.bolebook, stage.folder.join(crew.to_lowercase()));
        let code = text(&invited, "code")?;
        device.run(MORNING, &["join", &server.url, code, "--person", &lead(number)])?;
        device.run(MORNING, &["exchange", &server.url])?;
        device.run(MORNING, &["use", "--crew", crew, "--kit", &kit_of(number), "--job", JOB])?;
        crews.push(device);
    }
    Ok(crews)
}

/// A minute of the working day, local time.
fn clock(minute: i64) -> String {
    format!("2026-09-14T{:02}:{:02}:00-04:00", minute / 60, minute % 60)
}

/// One crew's day; gives what it filled from the good lot, in millilitres.
fn day(crew: &Device, plan: &Plan, number: usize) -> Result<i64, TaskError> {
    let start = 8 * 60;
    let mut walk = plan.visits[number].clone();
    if number == 1 {
        walk.insert(walk.len().min(4), plan.twice);
    }
    // The kit is filled before the first hole: without a fill nobody knows what would go in.
    crew.log(&clock(start), &[fill(FILL_ML, LOT, &kit_of(number), start)])?;
    let (mut entries, mut in_kit, mut filled, mut old_in_kit) = (vec![], FILL_ML, FILL_ML, 0);
    for (visit, tree) in walk.iter().enumerate() {
        let minute = start + visit as i64 * 12;
        let tag = plan.tag(*tree);
        crew.log(&clock(minute + 1), &measured(plan, number, *tree, &clock(minute + 1)))?;
        let (code, dose) = crew.try_run(&clock(minute + 2), &["dose", &tag], "")?;
        let mut charges = dose["charges"]["charges_ul"].as_array().map_or(0, Vec::len) as i64;
        if *tree == plan.disagrees {
            // Told to measure again, the crew trusts its tape and goes by the sheet in the truck.
            let why = dose["error"]["message"].as_str().unwrap_or("");
            if code == 0 || !why.contains("diameters from") {
                return Err(TaskError::Steps(format!("{tag} got a dose with its diameter in doubt: {why}")));
            }
            charges = plan.girth_mm(*tree) * USUAL_ML_PER_M / 3_142 / CHARGE_ML;
        } else if code != 0 {
            let why = dose["error"]["message"].as_str().unwrap_or("?").to_owned();
            if Plan::tall_enough(plan.trees[*tree].dbh_mm) {
                return Err(TaskError::Steps(format!("no dose for {tag}, which should have one: {why}")));
            }
            let at = clock(minute + 3);
            entries.push(
                json!({ "do": "not_treated", "tree": tag, "reason": "too-small", "note": why, "at": at }),
            );
            continue;
        }
        if *tree == plan.overdosed {
            charges = plan.trees[*tree].dbh_mm * MOST_ML_PER_CM / 10 / CHARGE_ML + 2;
        }
        let girth = plan.girth_mm(*tree) / 10;
        let mut entry = json!({ "do": "treat", "tree": tag, "charges": charges, "each": CHARGE_ML,
            "started": clock(minute + 3), "ended": clock(minute + lasted(*tree)), "at": clock(minute + lasted(*tree)) });
        if *tree == plan.overdosed {
            // More holes than the label's spacing allows: each is logged where it was truly drilled.
            let holes: Vec<String> =
                (0..charges).map(|i| format!("{},20,20,{CHARGE_ML}", i * girth / charges)).collect();
            entry["hole"] = holes.into();
            entry["charges"] = Value::Null;
            entry["each"] = Value::Null;
        }
        if *tree == plan.expired && number == 2 {
            entries.push(fill(OLD_RECEIVED_ML, OLD_LOT, "Kit 4", minute + 2));
            entry["kit"] = "Kit 4".into();
            old_in_kit = OLD_RECEIVED_ML - charges * CHARGE_ML;
        } else {
            if in_kit < charges * CHARGE_ML {
                entries.push(fill(FILL_ML, LOT, &kit_of(number), minute + 2));
                in_kit += FILL_ML;
                filled += FILL_ML;
            }
            in_kit -= charges * CHARGE_ML;
        }
        entries.push(entry);
    }
    let evening = start + walk.len() as i64 * 12 + 10;
    if number == 0 && in_kit < MISSING_ML {
        entries.push(fill(FILL_ML / 2, LOT, &kit_of(number), evening));
        in_kit += FILL_ML / 2;
        filled += FILL_ML / 2;
    }
    if number == 2 {
        entries.extend(listed_again(plan, evening));
        entries.push(
            json!({ "do": "note", "text": "gate on the north side was locked", "at": clock(evening + 2) }),
        );
    }
    crew.log(&clock(17 * 60 + 30), &entries)?;
    let missing = if number == 0 { MISSING_ML } else { 0 };
    let mut kits = vec![format!("{}={}", kit_of(number), in_kit - missing)];
    if number == 2 {
        kits.push(format!("Kit 4={old_in_kit}"));
    }
    crew.log(
        &clock(18 * 60 + 30),
        &[json!({ "do": "close_day", "in_kit": kits, "at": clock(evening + 30) })],
    )?;
    Ok(filled)
}

/// The minute of a visit by which a tree had taken up its charges: no two neighbours take the same time.
fn lasted(tree: usize) -> i64 {
    9 + (tree as i64 * 5 + 1) % 4
}

/// What a crew measures and sees before it asks for a dose.
fn measured(plan: &Plan, number: usize, tree: usize, at: &str) -> Vec<Value> {
    let (tag, girth) = (plan.tag(tree), plan.girth_mm(tree));
    let reading = format!("{}.{}", girth / 10, girth % 10);
    let mut entries = vec![json!({ "do": "condition", "tree": tag, "canopy_loss": "10", "bloom": "after",
        "soil": "moist", "air": "17", "food": false, "at": at })];
    if !(number == 1 && tree == plan.twice) {
        entries
            .insert(0, json!({ "do": "diameter", "tree": tag, "reading": reading, "girth": true, "at": at }));
    }
    entries
}

fn fill(amount: i64, lot: &str, kit: &str, minute: i64) -> Value {
    json!({ "do": "fill", "amount": amount, "lot_read": lot, "registration_read": REGISTRATION, "kit": kit, "at": clock(minute) })
}

/// The tree Cedar lists anew: a satellite fix some metres off, the diameter to the tape's tolerance.
fn listed_again(plan: &Plan, minute: i64) -> [Value; 2] {
    let tree = &plan.trees[plan.listed_again];
    let (north, east) = (tree.y_dm as f64 / 10.0 + 2.0, tree.x_dm as f64 / 10.0 - 1.5);
    let lat = ORIGIN.0 + north / 111_073.0;
    let lon = ORIGIN.1 + east / 81_880.0;
    let girth = tree.dbh_mm * 31_447 / 10_000;
    [
        json!({ "do": "tree", "tag": "C-901", "species": Value::Null, "lat": format!("{lat:.7}"),
            "lon": format!("{lon:.7}"), "accuracy": "4", "at": clock(minute) }),
        json!({ "do": "diameter", "tree": "C-901", "reading": format!("{}.{}", girth / 10, girth % 10), "girth": true,
            "at": clock(minute + 1) }),
    ]
}

fn planted(plan: &Plan) -> Vec<Planted> {
    vec![
        ("tree.treated_twice", plan.tag(plan.twice)),
        ("dose.over_label", plan.tag(plan.overdosed)),
        // The holes of the charges too many stand closer than the label's spacing.
        ("hole.spacing", plan.tag(plan.overdosed)),
        ("lot.expired", plan.tag(plan.expired)),
        ("tree.may_be_same", "C-901".into()),
        ("diameter.disagree", plan.tag(plan.disagrees)),
        ("balance.day_unexplained", format!("Crew {}", CREWS[0])),
    ]
}

fn findings(office: &Device, now: &str) -> Result<Vec<Value>, TaskError> {
    let (_, answer) = office.try_run(now, &["check"], "")?;
    let found = answer["findings"].as_array().cloned();
    found.ok_or_else(|| TaskError::Steps(format!("check gave no findings: {answer}")))
}

fn shown(finding: &Value) -> String {
    let word = |field: &str| finding[field].as_str().unwrap_or("?").to_owned();
    format!("{:<7} {:<26} {}", word("severity"), word("code"), word("message"))
}

/// What was found must be what was planted, and nothing else.
fn compare(planted: &[Planted], found: &[Value]) -> Result<(), TaskError> {
    let is = |f: &Value, (code, words): &Planted| {
        let message = f["message"].as_str().unwrap_or("");
        f["code"] == *code && message.split(|c: char| !c.is_alphanumeric() && c != '-').any(|w| w == words)
            || f["code"] == *code && words.contains(' ') && message.contains(words.as_str())
    };
    let missed: Vec<_> =
        planted.iter().filter(|p| !found.iter().any(|f| is(f, p))).map(|p| format!("{p:?}")).collect();
    let extra: Vec<_> = found.iter().filter(|f| !planted.iter().any(|p| is(f, p))).map(shown).collect();
    if missed.is_empty() && extra.is_empty() && found.len() == planted.len() {
        return Ok(());
    }
    Err(TaskError::Steps(format!("planted but not found: {missed:?}; found but not planted: {extra:#?}")))
}

fn id_of(found: &[Value], code: &str) -> Result<String, TaskError> {
    let finding = found.iter().find(|f| f["code"] == code);
    finding.map_or_else(
        || Err(TaskError::Steps(format!("no finding {code}"))),
        |f| text(f, "id").map(str::to_owned),
    )
}

fn settle(office: &Device, plan: &Plan, found: &[Value]) -> Result<(), TaskError> {
    let rule = |code: &str, decision: &str, reason: &str, more: &[&str]| {
        let id = id_of(found, code)?;
        let mut arguments = vec!["rule", &id, decision, "--reason", reason];
        arguments.extend(more);
        office.run(EVENING, &arguments).map(drop)
    };
    rule(
        "tree.treated_twice",
        "accept",
        "Birch misread the tag at the block's edge; client told, tree marked",
        &[],
    )?;
    let done = [
        "--done",
        "tree marked, no treatment next season",
        "--reported",
        "agency told by telephone (INVENTED)",
    ];
    rule("dose.over_label", "confirm", "two containers too many, confirmed by the crew lead", &done)?;
    rule("hole.spacing", "confirm", "the holes of the containers too many", &done)?;
    rule("diameter.disagree", "accept", "measured again: the crew's girth is right, the map was wrong", &[])?;
    let tag = plan.tag(plan.listed_again);
    office.run(EVENING, &["join-trees", &tag, "C-901", "--reason", "one tree: its tag had fallen off"])?;
    for crew in &CREWS[..2] {
        office.run(EVENING, &["sign-off", DAY, "--crew", crew])?;
    }
    // Cedar's day has an unsettled stop: the expired lot.
    let (code, answer) = office.try_run(EVENING, &["sign-off", DAY, "--crew", CREWS[2]], "")?;
    if code == 0 {
        return Err(TaskError::Steps(format!("Cedar's day was signed off with a stop in it: {answer}")));
    }
    Ok(())
}

fn amend_late(crew: &Device, plan: &Plan) -> Result<(), TaskError> {
    let tree = crew.run(LATE, &["tree", "show", &plan.tag(plan.amended_late)])?;
    let facts = tree["facts"].as_array().map(Vec::as_slice).unwrap_or_default();
    let id = facts.iter().find(|f| f["kind"] == "application").and_then(|f| f["id"].as_str());
    let id = id.ok_or_else(|| TaskError::Steps(format!("the tree shows no application: {tree}")))?;
    crew.run(LATE, &["amend", id, "--set", "holes.0.put_in_ul=5000"]).map(drop)
}

fn summary_text(summary: &Value, first: &[String], last: &[Value]) -> String {
    let trees = &summary["trees"];
    let mut text = format!(
        "{} — season {}\n  trees      {} listed: {} treated, {} not treated, {} left\n",
        summary["about"]["title"].as_str().unwrap_or("?"),
        summary["about"]["season"].as_str().unwrap_or("?"),
        trees["listed"],
        trees["treated"],
        trees["not_treated"],
        trees["left"],
    );
    let ml = |v: &Value| v.as_i64().unwrap_or(0) / 1_000;
    text.push_str(&format!(
        "  product    {} mL received, {} mL into trees, {} mL unexplained\n",
        ml(&summary["received_ul"]),
        ml(&summary["into_trees_ul"]),
        ml(&summary["unexplained_ul"])
    ));
    for day in summary["crew_days"].as_array().into_iter().flatten() {
        let signed_off = !day["signed_off"].is_null();
        let state = match (signed_off, day["blocking_findings"].as_i64().unwrap_or(0)) {
            (true, _) => "signed off".to_owned(),
            (false, 1) => "open, one finding keeps it so".to_owned(),
            (false, n) => format!("open, {n} findings keep it so"),
        };
        text.push_str(&format!(
            "  crew {:<6} {}: {state}\n",
            day["crew"].as_str().unwrap_or("?"),
            day["day"].as_str().unwrap_or("?")
        ));
    }
    text.push_str("\nPlanted and found when the books met, and nothing else:\n");
    first.iter().for_each(|line| text.push_str(&format!("  {line}\n")));
    text.push_str("\nAfter the office settled some and signed off:\n");
    for finding in last {
        let state = match &finding["state"] {
            Value::String(word) => word.clone(),
            Value::Object(fields) => fields.keys().next().cloned().unwrap_or_default(),
            _ => "?".into(),
        };
        text.push_str(&format!("  {state:<9} {}\n", shown(finding)));
    }
    text
}
