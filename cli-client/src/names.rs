//! Names instead of ids: people, crews, kits, lots, labels, blocks and trees as they are called.

use bolebook_core::finding::Finding;
use bolebook_core::ids::{FindingId, RecordId};
use bolebook_core::record::{Body, Kind};
use bolebook_core::service::RegisterEntry;
use bolebook_core::view::{View, Yard};

use crate::output::short;

/// A name that stands for nothing, or for several things.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NameError {
    /// Nothing is called that.
    #[error("there is no {what} '{name}'")]
    Unknown {
        /// What was looked for.
        what: &'static str,
        /// As it was called.
        name: String,
        /// What there is.
        there: Vec<String>,
    },
    /// Several things are called that.
    #[error("'{name}' names {} {what}s: {}", .there.len(), .there.join(", "))]
    Ambiguous {
        /// What was looked for.
        what: &'static str,
        /// As it was called.
        name: String,
        /// Those that are called so.
        there: Vec<String>,
    },
    /// Nothing was said, and it does not follow from anything.
    #[error("which {what}? {why}")]
    Unsaid {
        /// What was looked for.
        what: &'static str,
        /// Why it does not follow.
        why: String,
        /// The option to give.
        option: &'static str,
    },
}

impl NameError {
    /// What to do.
    pub fn hint(&self) -> String {
        match self {
            Self::Unknown { there, .. } if there.is_empty() => "nothing of the kind is entered yet".into(),
            Self::Unknown { there, .. } => format!("there is: {}", listed(there)),
            Self::Ambiguous { .. } => "name it by the end of its id, shown in brackets".into(),
            Self::Unsaid { option, .. } => format!("say it with {option}"),
        }
    }
}

fn listed(names: &[String]) -> String {
    const MOST: usize = 12;
    let mut text = names.iter().take(MOST).cloned().collect::<Vec<_>>().join(", ");
    if names.len() > MOST {
        text.push_str(&format!(" and {} more", names.len() - MOST));
    }
    text
}

/// Something that can be named.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Named {
    /// Its id.
    pub id: RecordId,
    /// What it is called.
    pub name: String,
}

/// Finds what a text names: an id, a name (capitals do not matter), or the end of an id.
///
/// # Errors
/// [`NameError`] when it is nothing, or several things.
pub fn find(what: &'static str, text: &str, there: &[Named]) -> Result<RecordId, NameError> {
    let text = text.trim();
    if let Ok(id) = text.parse::<RecordId>()
        && there.iter().any(|n| n.id == id)
    {
        return Ok(id);
    }
    let wanted = text.to_lowercase();
    let mut hits: Vec<&Named> = there.iter().filter(|n| n.name.to_lowercase() == wanted).collect();
    if hits.is_empty() && wanted.len() >= 6 && wanted.bytes().all(|b| b.is_ascii_hexdigit() || b == b'-') {
        hits = there.iter().filter(|n| n.id.to_string().ends_with(&wanted)).collect();
    }
    match hits[..] {
        [one] => Ok(one.id),
        [] => {
            let there = there.iter().map(|n| n.name.clone()).collect();
            Err(NameError::Unknown { what, name: text.to_owned(), there })
        }
        _ => {
            let there = hits.iter().map(|n| format!("{} [{}]", n.name, short(n.id))).collect();
            Err(NameError::Ambiguous { what, name: text.to_owned(), there })
        }
    }
}

/// Everything of a kind in the yard that can be named, in force only.
pub fn in_yard(yard: &Yard, register: &[RegisterEntry], kind: Kind) -> Vec<Named> {
    let facts = &yard.facts;
    let named = facts.in_force(kind).map(|fact| {
        let name = match &facts.shown(fact).record.body {
            Body::Crew(b) => b.name.clone(),
            Body::Kit(b) => b.name.clone(),
            Body::Lot(b) => b.number.clone(),
            Body::Person(_) => person_name(register, fact.id),
            _ => fact.id.to_string(),
        };
        Named { id: fact.id, name }
    });
    named.collect()
}

/// The labels' newest versions.
pub fn labels(yard: &Yard) -> Vec<Named> {
    let named = yard.facts.in_force(Kind::Label).filter_map(|fact| {
        let version = yard.facts.shown(fact);
        let Body::Label(label) = &version.record.body else { return None };
        Some(Named { id: version.id(), name: label.name.clone() })
    });
    named.collect()
}

/// The blocks of a job.
pub fn blocks(view: &View<'_>) -> Vec<Named> {
    let named = view.facts.in_force(Kind::Block).filter_map(|fact| {
        let Body::Block(block) = &view.facts.shown(fact).record.body else { return None };
        Some(Named { id: fact.id, name: block.name.clone() })
    });
    named.collect()
}

/// What the register calls a person or client, else the end of the id.
pub fn person_name(register: &[RegisterEntry], id: RecordId) -> String {
    register_field(register, id, "name").unwrap_or_else(|| short(id))
}

/// A field of a register entry; the name of an erased one says that it was erased.
pub fn register_field(register: &[RegisterEntry], id: RecordId, field: &str) -> Option<String> {
    let entry = register.iter().rev().find(|entry| entry.id == id)?;
    if field == "name" { entry.called() } else { entry.text(field) }
}

/// The finding a text names, by its id or any beginning of it.
///
/// # Errors
/// [`NameError`].
pub fn finding<'f>(findings: &'f [Finding], text: &str) -> Result<&'f Finding, NameError> {
    let wanted = text.trim().to_lowercase();
    let hits: Vec<&Finding> = if let Ok(id) = wanted.parse::<FindingId>() {
        findings.iter().filter(|f| f.id == id).collect()
    } else if wanted.len() >= 4 {
        findings.iter().filter(|f| f.id.to_string().starts_with(&wanted)).collect()
    } else {
        vec![]
    };
    let shown = |f: &Finding| format!("{} ({})", finding_name(f), f.code.name());
    match hits[..] {
        [one] => Ok(one),
        [] => Err(NameError::Unknown {
            what: "finding",
            name: text.to_owned(),
            there: findings.iter().map(shown).collect(),
        }),
        _ => Err(NameError::Ambiguous {
            what: "finding",
            name: text.to_owned(),
            there: hits.iter().map(|f| shown(f)).collect(),
        }),
    }
}

/// How a finding is called in short: the first eight digits of its id.
pub fn finding_name(finding: &Finding) -> String {
    finding.id.to_string().chars().take(8).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named(n: u8, name: &str) -> Named {
        Named { id: RecordId::new(i64::from(n), [n; 10]), name: name.into() }
    }

    #[test]
    fn a_name_finds_one_thing_or_says_what_there_is() {
        let there = [named(1, "North"), named(2, "South"), named(3, "south")];
        assert_eq!(find("crew", "north", &there), Ok(there[0].id));
        assert_eq!(find("crew", &there[1].id.to_string(), &there), Ok(there[1].id));
        assert_eq!(find("crew", &short(there[2].id), &there), Ok(there[2].id));
        assert!(matches!(find("crew", "South", &there), Err(NameError::Ambiguous { .. })));
        let error = find("crew", "East", &there).unwrap_err();
        assert_eq!(error.hint(), "there is: North, South, south");
    }
}
