//! What is refused when the office enters something, whether by command or at the desk: the same
//! rules and the same words in both.

pub mod boundary;
pub mod label;
pub mod stand;

use crate::ids::RecordId;
use crate::record::{Body, Kind};
use crate::view::{View, Yard};

/// The kits and lots of a yard, in force, by what they are called.
fn called(yard: &Yard, kind: Kind) -> impl Iterator<Item = (RecordId, &str)> {
    yard.facts.in_force(kind).filter_map(|fact| match &yard.facts.shown(fact).record.body {
        Body::Kit(b) => Some((fact.id, b.name.as_str())),
        Body::Lot(b) => Some((fact.id, b.number.as_str())),
        _ => None,
    })
}

/// Whether a new lot may have a number.
///
/// # Errors
/// Why not.
pub fn lot_number(yard: &Yard, number: &str) -> Result<(), String> {
    let number = number.trim();
    if number.is_empty() || called(yard, Kind::Lot).any(|(_, n)| n.trim().eq_ignore_ascii_case(number)) {
        return Err(format!("there is a lot '{number}' already, or it has no number"));
    }
    Ok(())
}

/// Whether a new kit may have a name.
///
/// # Errors
/// Why not.
pub fn kit_name(yard: &Yard, name: &str) -> Result<(), String> {
    let name = name.trim();
    if name.is_empty() {
        return Err("a kit needs a name".into());
    }
    if called(yard, Kind::Kit).any(|(_, n)| n.trim().eq_ignore_ascii_case(name)) {
        return Err(format!("there is a kit '{name}' already"));
    }
    Ok(())
}

/// Whether a new block may have a name.
///
/// # Errors
/// Why not.
pub fn block_name(view: &View<'_>, name: &str) -> Result<(), String> {
    let name = name.trim();
    let there = view.facts.in_force(Kind::Block).any(|fact| match &view.facts.shown(fact).record.body {
        Body::Block(block) => block.name.trim().eq_ignore_ascii_case(name),
        _ => false,
    });
    if there { Err(format!("there is a block '{name}' already")) } else { Ok(()) }
}

/// Whether what a job asks of every record leaves anything to treat.
///
/// # Errors
/// Why not.
pub fn stems_per_hour(stems: Option<i64>) -> Result<(), String> {
    if stems == Some(0) { Err("no stem an hour leaves nothing to treat".into()) } else { Ok(()) }
}
