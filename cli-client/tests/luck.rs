//! Bad luck, end to end with the real command and a real server: old backups restored, a store
//! used by several processes at once, a damaged file, a clock that is a day off.

mod common;

use std::path::Path;

use common::Device;
use common::server::{Server, fill_and_treat, join, with_server};
use serde_json::Value;
use tempfile::TempDir;

fn copy_folder(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy_folder(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

/// Puts a folder back as it was.
fn restore(backup: &Path, to: &Path) {
    std::fs::remove_dir_all(to).unwrap();
    copy_folder(backup, to);
}

fn notes(device: &Device) -> Vec<String> {
    let listed = device.json(&["list", "note"]);
    let records = listed["records"].as_array().unwrap();
    let mut texts: Vec<String> =
        records.iter().map(|r| r["body"]["text"].as_str().unwrap().to_owned()).collect();
    texts.sort();
    texts
}

fn set_aside(device: &Device) -> Vec<Value> {
    device.json(&["set-aside"])["lines"].as_array().unwrap().clone()
}

/// The sealed command draws its random bits from a seed and a count kept in the store. After a
/// restore it draws the same ones again, which no phone does: so the actor really forks.
#[test]
fn i6_an_old_backup_restored_on_a_phone_loses_nothing() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    phone.json(&["exchange"]);
    let backup = base.path().join("backup");
    copy_folder(&phone.path("store"), &backup);
    phone.json(&["note", "before it broke"]);
    phone.json(&["exchange"]);
    restore(&backup, &phone.path("store"));
    phone.json(&["note", "after the restore"]);
    phone.json(&["note", "and one more"]);
    let outcome = phone.run(&["--json", "exchange"]).ok();
    assert_eq!(outcome.json()["set_aside"]["rescued"], 2, "{outcome:?}");
    let all = ["after the restore", "and one more", "before it broke"];
    assert_eq!(notes(&phone), all);
    office.json(&["exchange"]);
    assert_eq!(notes(&office), all);
    let aside = set_aside(&phone);
    assert!(aside.iter().all(|s| s["state"] == "rescued"), "{aside:?}");
    assert!(aside.iter().any(|s| s["records"][0]["body"]["text"] == "after the restore"));
    assert!(phone.run(&["set-aside"]).ok().out.contains("back in the books"));
    // What came back is in force on every device, and the next exchanges are quiet.
    for device in [&phone, &office] {
        let codes = device.run(&["--json", "check"]).out;
        assert!(!codes.contains("record.held") && !codes.contains("record.wrong_author"), "{codes}");
        device.json(&["verify"]);
        let quiet = device.json(&["exchange"]);
        assert_eq!(quiet["set_aside"]["lines"], 0);
    }
}

#[test]
fn i6_an_old_backup_restored_on_the_server_gets_back_what_the_devices_have() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    phone.json(&["exchange"]);
    drop(server);
    let (data, backup) = (base.path().join("server"), base.path().join("backup"));
    copy_folder(&data, &backup);
    let server = Server::start(&base, "");
    fill_and_treat(&phone, "A-1");
    phone.json(&["exchange", &server.url]);
    drop(server);
    restore(&backup, &data);
    let server = Server::start(&base, "");
    office.json(&["note", "the office writes on"]);
    office.json(&["exchange", &server.url]);
    assert_eq!(office.json(&["tree", "list"])["counts"]["treated"], 0);
    phone.json(&["exchange", &server.url]);
    office.json(&["exchange"]);
    assert_eq!(office.json(&["tree", "list"])["counts"]["treated"], 1);
    phone.json(&["exchange"]);
    assert_eq!(notes(&phone), ["the office writes on"]);
    assert!(set_aside(&phone).is_empty());
}

#[test]
fn several_processes_on_one_store_wait_for_each_other_and_lose_nothing() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    phone.json(&["exchange"]);
    let started: Vec<_> = (0..6)
        .map(|n| {
            let text = format!("note {n}");
            let args = if n % 3 == 2 { vec!["exchange"] } else { vec!["note", &text] };
            phone.command(&args).spawn().unwrap()
        })
        .collect();
    for mut process in started {
        assert!(process.wait().unwrap().success());
    }
    phone.json(&["exchange"]);
    phone.json(&["verify"]);
    office.json(&["exchange"]);
    assert_eq!(notes(&office), ["note 0", "note 1", "note 3", "note 4"]);
}

fn database(device: &Device) -> rusqlite::Connection {
    rusqlite::Connection::open(device.path("store/bolebook.db")).unwrap()
}

/// Its lines as an older program keeps them.
fn as_text(device: &Device) {
    let db = bolebook_log::open(&device.path("store/bolebook.db")).unwrap();
    bolebook_log::repack::all(&db, bolebook_log::Form::Text).unwrap();
}

/// A packed line that lost its end is readable nowhere; its bytes stay, and the server's copy takes its
/// place.
#[test]
fn a_damaged_packed_line_is_mended_from_the_server_and_one_it_never_had_is_set_aside() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    phone.json(&["note", "sent"]);
    phone.json(&["exchange"]);
    phone.json(&["note", "not sent"]);
    phone.json(&["note", "not sent either"]);
    let db = database(&phone);
    let damage = |text: &str| -> Vec<u8> {
        let mut query = db.prepare("SELECT rowid, line FROM lines").unwrap();
        let rows = query.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
        let mut rows = rows.map(|row| row.unwrap()).filter(|(_, line): &(i64, Vec<u8>)| {
            bolebook_log::packed::unpack(line).unwrap().contains(&format!("\"{text}\""))
        });
        let (row, line) = rows.next().expect("a packed line");
        let left = line[..line.len() - 9].to_vec();
        db.execute("UPDATE lines SET line = ?1 WHERE rowid = ?2", rusqlite::params![left, row]).unwrap();
        left
    };
    damage("sent");
    let error = phone.refused(6, &["list", "note"]);
    assert!(error["hint"].as_str().unwrap().contains("bolebook exchange --recheck"), "{error}");
    phone.json(&["exchange", "--recheck"]);
    assert_eq!(notes(&phone), ["not sent", "not sent either", "sent"]);
    phone.json(&["verify"]);
    assert!(set_aside(&phone).is_empty());
    phone.json(&["note", "never sent"]);
    let left = damage("never sent");
    phone.json(&["exchange", "--recheck"]);
    phone.json(&["verify"]);
    assert_eq!(notes(&phone), ["not sent", "not sent either", "sent"]);
    let kept = "SELECT line FROM set_aside WHERE line LIKE 'a packed line that cannot be read%'";
    let kept: String = db.query_row(kept, [], |row| row.get(0)).unwrap();
    let hex: String = left.iter().map(|byte| format!("{byte:02x}")).collect();
    assert!(kept.ends_with(&hex), "every byte that is left: {kept}");
    office.json(&["exchange"]);
}

#[test]
fn a_damaged_store_is_mended_from_the_server_and_unsent_work_goes_on() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    phone.json(&["note", "sent"]);
    phone.json(&["exchange"]);
    phone.json(&["note", "not sent"]);
    as_text(&phone);
    let cut = "UPDATE lines SET line = substr(line, 1, 200) WHERE line LIKE '%\"sent\"%'";
    assert_eq!(database(&phone).execute(cut, []).unwrap(), 1);
    let error = phone.refused(6, &["list", "note"]);
    assert!(error["hint"].as_str().unwrap().contains("bolebook exchange --recheck"), "{error}");
    phone.json(&["exchange"]);
    assert_eq!(notes(&phone), ["not sent", "sent"]);
    phone.json(&["verify"]);
    // A changed letter leaves a line that reads well; only its hash tells.
    let changed =
        "UPDATE lines SET line = replace(line, '\"sent\"', '\"tent\"') WHERE line LIKE '%\"sent\"%'";
    assert_eq!(database(&phone).execute(changed, []).unwrap(), 1);
    phone.json(&["exchange", "--recheck"]);
    assert_eq!(notes(&phone), ["not sent", "sent"]);
    phone.json(&["verify"]);
    office.json(&["exchange"]);
    assert_eq!(notes(&office), ["not sent", "sent"]);
}

#[test]
fn a_phone_whose_clock_is_a_day_off_gets_in_and_the_office_sees_it() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    for (name, hours, code) in [("behind", -24, "time.clock_off"), ("ahead", 24, "entry.in_future")] {
        let mut phone = join(&base, &office, &server, name);
        phone.json(&["exchange"]);
        let now = common::server::now().0 + hours * 3_600_000;
        phone.at(now);
        phone.json(&["note", name]);
        phone.json(&["exchange"]);
        office.json(&["exchange"]);
        assert!(notes(&office).contains(&name.to_owned()));
        let found = office.run(&["--json", "check"]).json();
        let findings = found["findings"].as_array().unwrap();
        assert!(findings.iter().any(|f| f["code"] == code), "{name}: {found}");
        assert!(findings.iter().any(|f| f["code"] == "time.clock_off"), "{name}");
    }
}
