//! What the played days share: joining, finding a button, treating a tree.

use bolebook_core::quantity::UtcMs;
use bolebook_field_core::field::Field;
use bolebook_field_core::state::Screen;
use serde_json::Value;

use crate::memory::{Memory, tap};
use crate::office::{CREWS, LEADS, Office};

/// 2026-09-14T07:00:00Z.
pub const SEVEN: UtcMs = UtcMs(1_789_369_200_000);
/// The same, as the office is told.
pub const MORNING: &str = "2026-09-14T07:00:00Z";
/// The evening of that day.
pub const EVENING: &str = "2026-09-14T18:00:00Z";

/// The act of the first button whose label holds some words.
pub fn act_of(screen: &str, label: &str) -> String {
    let at = screen.find(label).unwrap_or_else(|| panic!("no '{label}' on {screen}"));
    let (_, act) = screen[..at].rsplit_once("data-act=\"").unwrap();
    act.split('"').next().unwrap().to_owned()
}

/// The id of a tree, off the list.
pub fn tree_of(field: &Field<Memory>, tag: &str) -> String {
    let mut state_screen = tap(field, "go:find", &[]);
    let at = state_screen.find(&format!("<strong>{tag}</strong>")).unwrap_or_else(|| panic!("no {tag}"));
    state_screen.truncate(at);
    let (_, act) = state_screen.rsplit_once("data-act=\"tree:").unwrap();
    act.split('"').next().unwrap().to_owned()
}

/// A device of a crew that has joined, its lead using it.
pub fn joined(office: &Office, url: &str, seed: u8, crew: usize) -> (Memory, Field<Memory>) {
    let device = Memory::new(seed, SEVEN);
    let field = device.open(url);
    let code = office.invite(url, &format!("phone of {}", CREWS[crew]), CREWS[crew]);
    let spaced: String =
        code.as_bytes().chunks(4).map(|c| format!("{} ", String::from_utf8_lossy(c))).collect();
    let screen = tap(&field, "join", &[("code", &spaced)]);
    assert!(screen.contains(LEADS[crew]), "{screen}");
    tap(&field, &act_of(&screen, LEADS[crew]), &[]);
    assert_eq!(field.state().screen, Screen::Today);
    (device, field)
}

/// A screen that says no trouble.
pub fn good(screen: &str) {
    assert!(!screen.contains("said bad") && !screen.contains("class=\"alert\""), "{screen}");
}

/// What the crew sees of a tree that nothing speaks against.
pub const LOOK: &[(&str, &str)] =
    &[("canopy", "10"), ("bloom", "after"), ("food", "no"), ("soil", "moist"), ("air", "17")];

/// Treats a tree whole; gives what was planned, in microlitres.
pub fn treat(device: &Memory, field: &Field<Memory>, tree: &str) -> i64 {
    good(&tap(field, &format!("seen:{tree}"), LOOK));
    let plan = field.screen();
    assert!(plan.contains("<svg") && !plan.contains("Do not treat"), "{plan}");
    if plan.contains("data-act=\"read:") {
        good(&tap(field, &act_of(&plan, "I have read this"), &[]));
    }
    good(&tap(field, &format!("begin:{tree}:1"), &[]));
    device.wait(3);
    good(&tap(field, &format!("on:{tree}:1"), &[]));
    let planned =
        field.state().open.iter().find(|being| being.tree.to_string() == tree).unwrap().charge_ul().0;
    device.wait(9);
    good(&tap(field, &format!("done:{tree}:1:sealed"), &[]));
    planned
}

/// The name of the first field that begins so.
pub fn field_of(screen: &str, begins: &str) -> String {
    let (_, rest) = screen.split_once(&format!("name=\"{begins}")).unwrap();
    format!("{begins}{}", rest.split('"').next().unwrap())
}

/// The first number under a name, anywhere in an answer.
pub fn find(value: &Value, name: &str) -> Option<i64> {
    match value {
        Value::Object(fields) => fields.iter().find_map(|(key, value)| match key == name {
            true => value.as_i64().or_else(|| value["low"].as_i64()),
            false => find(value, name),
        }),
        Value::Array(items) => items.iter().find_map(|v| find(v, name)),
        _ => None,
    }
}
