//! Names in messages, put in at display.
//!
//! A crew's or kit's name, a lot's number as it was typed, can change without any fact changing, so a message is first written with a
//! mark in the name's place. The digest of a finding's facts is taken over the marked text: a new name
//! reopens no ruling. [`resolve`] then puts the names of the moment in.

use std::fmt;

use crate::finding::Finding;
use crate::ids::RecordId;
use crate::view::Yard;

/// Begins and ends a mark: characters for private use, which no message of ours holds otherwise.
const BEGIN: char = '\u{f8f0}';
const END: char = '\u{f8f1}';

/// A crew, kit, lot or label of the yard, as it stands in a message.
#[derive(Clone, Copy, Debug)]
pub struct Named(pub RecordId);

impl fmt::Display for Named {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{BEGIN}{}{END}", self.0)
    }
}

/// Puts the yard's names into the messages; what the yard does not name keeps its id.
pub fn resolve(yard: &Yard, findings: &mut [Finding]) {
    for finding in findings {
        if finding.message.contains(BEGIN) {
            finding.message = resolved(yard, &finding.message);
        }
        for line in finding.evidence.iter_mut().filter(|line| line.contains(BEGIN)) {
            *line = resolved(yard, line);
        }
    }
}

/// A text with the yard's names put in.
pub fn resolved(yard: &Yard, text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some((before, after)) = rest.split_once(BEGIN) {
        out.push_str(before);
        // A mark that somebody typed into a tag names nothing, and loses only its own two characters.
        let Some((inside, behind)) = after.split_once(END) else {
            out.push_str(after);
            return out;
        };
        match inside.parse::<RecordId>() {
            Ok(id) => out.push_str(&name(yard, id)),
            Err(_) => out.push_str(inside),
        }
        rest = behind;
    }
    out.push_str(rest);
    out
}

fn name(yard: &Yard, id: RecordId) -> String {
    if let Some(crew) = yard.crew(id) {
        return crew.name.clone();
    }
    if let Some(kit) = yard.kit(id) {
        return kit.name.clone();
    }
    if let Some(lot) = yard.lot(id) {
        return lot.number.clone();
    }
    yard.label(id).map_or_else(|| id.to_string(), |label| label.name.clone())
}
