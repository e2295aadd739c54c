//! Records, states and findings in words.

use bolebook_core::facts::{Fact, Facts, HeldReason, ProposalReason, Standing, Version};
use bolebook_core::finding::{Code, Ruled, Severity};
use bolebook_core::quantity::decimal;
use bolebook_core::record::Body;
use bolebook_core::record::office::Decision;
use bolebook_core::view::{TreeState, View, Yard};
use maud::{Markup, html};

use crate::snapshot::{RegisterNames, short};

/// A snake-case word of a record as people write it.
pub fn spelled(word: impl serde::Serialize) -> String {
    let text = serde_json::to_value(word).ok().and_then(|v| v.as_str().map(str::to_owned));
    text.unwrap_or_default().replace('_', " ")
}

/// What became of a tree.
pub fn state_name(state: TreeState) -> String {
    match state {
        TreeState::Treated => "treated".into(),
        TreeState::NotTreated(why) => format!("not treated: {}", spelled(why)),
        TreeState::Left => "left".into(),
    }
}

/// A state's sign: its shape and word carry the meaning, its colour only helps.
pub fn state_mark(state: TreeState) -> Markup {
    let (class, sign, word) = match state {
        TreeState::Treated => ("treated", "●", "treated"),
        TreeState::NotTreated(_) => ("not", "✕", "not treated"),
        TreeState::Left => ("left", "○", "left"),
    };
    html! { span.state.(class) { span aria-hidden="true" { (sign) } " " (word) } }
}

/// A severity's sign and word.
pub fn severity_mark(severity: Severity) -> Markup {
    let (class, sign, word) = match severity {
        Severity::Stop => ("stop", "■", "stop"),
        Severity::Review => ("review", "◆", "review"),
        Severity::Note => ("note", "○", "note"),
    };
    html! { span.severity.(class) { span aria-hidden="true" { (sign) } " " (word) } }
}

/// What a finding is about, in a few words.
pub fn code_name(code: Code) -> String {
    let name = match code {
        Code::DoseOverLabel => "More than the label allows",
        Code::DoseUnderLabel => "Less than the label's least",
        Code::DoseBelowSmallest => "Stem below the smallest diameter",
        Code::DoseNoRate => "No rate for what was applied",
        Code::DoseSeasonLimit => "Over the season's limit",
        Code::DoseTooSoon => "Treated again too soon",
        Code::DoseSpecies => "Species not on the label",
        Code::LabelNotUsable => "Label not usable",
        Code::TreatedTwice => "Treated twice",
        Code::SameTag => "One tag on two trees",
        Code::MayBeSame => "May be one tree",
        Code::DiametersDisagree => "Diameters disagree",
        Code::Implausible => "Figure that cannot be",
        Code::ClockAhead => "Dated after it arrived",
        Code::UnknownTree => "Tree nobody listed",
        Code::LotUnknown => "Lot not in the list",
        Code::LotExpired => "Lot past its last day",
        Code::LotRecalled => "Lot recalled",
        Code::LotOfOtherLabel => "Lot of another label",
        Code::LicenceMissing => "No valid licence",
        Code::Unreadable => "Record cannot be read",
        Code::Conflicting => "One id, different texts",
        Code::AmendedTwoWays => "Amended two ways",
        Code::AmendedAndStruck => "Amended and struck",
        Code::WrongAuthor => "Names another device",
        Code::Held => "Held",
        Code::Proposal => "Change without effect",
        Code::BadReference => "Reference without effect",
        Code::AfterSignOff => "Arrived after sign-off",
        Code::ContainersOut => "Containers still on trees",
        Code::NotClosed => "Day not closed",
        Code::DayUnexplained => "Day's product does not add up",
        Code::StockUnexplained => "Stock does not add up",
        // Stable names are made of plain words: `hole.spacing` reads as 'Hole: spacing'.
        _ => return readable(code.name()),
    };
    name.into()
}

fn readable(name: &str) -> String {
    let mut words = name.replacen('.', ": ", 1).replace('_', " ");
    if let Some(first) = words.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    words
}

/// How a finding can be ruled on.
pub fn may_accept(code: Code) -> bool {
    code.ruled() == Ruled::Accepted
}

/// A decision in a word.
pub fn decision_name(decision: &Decision) -> &'static str {
    match decision {
        Decision::Accept => "accepted",
        Decision::ConfirmViolation { .. } => "confirmed as a violation",
    }
}

/// Why a version does not count, if it does not.
pub fn standing_note(standing: Standing) -> Option<&'static str> {
    match standing {
        Standing::InForce => None,
        Standing::Held(why) => Some(match why {
            HeldReason::NoCertificate => "held: its device has no certificate",
            HeldReason::OutsideCertificate => "held: outside its device's certificate",
            HeldReason::NotVouched => "held: no signature vouches for it",
            HeldReason::Revoked => "held: its device was revoked",
            HeldReason::NotItsAuthor => "held: it names another device than its author",
            #[allow(unreachable_patterns, reason = "a reason added later is still said to be held")]
            _ => "held",
        }),
        Standing::Proposal(why) => Some(match why {
            ProposalReason::OfficeOnly => "without effect: only the office may write this",
            ProposalReason::NotOwn => "without effect: another device's record",
            ProposalReason::AfterSignOff => "without effect: its day was signed off",
            #[allow(unreachable_patterns, reason = "a reason added later is still said to have no effect")]
            _ => "without effect",
        }),
    }
}

/// How a fact stands.
pub fn fact_state(facts: &Facts, fact: &Fact) -> &'static str {
    match (fact.struck_by, fact.contested, fact.current.is_empty()) {
        (Some(_), _, _) => "struck",
        (None, Some(_), _) => "contested",
        (None, None, true) => match facts.shown(fact).standing {
            Standing::Proposal(_) => "without effect",
            _ => "held",
        },
        (None, None, false) if fact.history.len() > 1 => "amended",
        (None, None, false) => "in force",
    }
}

/// What is needed to put a record in words.
#[derive(Clone, Copy)]
pub struct Words<'a> {
    /// The yard.
    pub yard: &'a Yard,
    /// The job, for a job's record.
    pub view: Option<&'a View<'static>>,
    /// Names.
    pub names: &'a RegisterNames,
}

impl Words<'_> {
    fn tag(&self, id: bolebook_core::ids::TreeId) -> String {
        self.view.map_or_else(|| short(id), |v| v.tag(id))
    }

    /// A record in a line. Text of outside origin stands in it: it goes through `page::text`.
    pub fn headline(&self, version: &Version) -> String {
        let yard = self.yard;
        let tag = |id| self.tag(id);
        match &version.record.body {
            Body::Tree(b) => {
                format!("Tree {} {}", b.tag, b.species.as_deref().unwrap_or("")).trim().to_owned()
            }
            Body::Diameter(b) => format!(
                "Tree {}, stem {}: diameter {} cm, read as {} {} {}",
                tag(b.tree),
                b.stem,
                b.diameter_um.cm(),
                spelled(b.as_read.of),
                b.as_read.text,
                spelled(b.as_read.unit)
            ),
            Body::Condition(b) => {
                let loss = b.canopy_loss.map(|c| format!(", canopy loss {} %", decimal(c.0, 10, 0)));
                let soil = b.soil.map(|s| format!(", soil {}", spelled(s)));
                let air = b.air_mc.map(|t| format!(", air {} °C", decimal(t.0, 1_000, 1)));
                let metal = b.metal.as_ref().map(|m| format!(", metal in the wood: {m}"));
                format!(
                    "Tree {}: condition{}{}{}{}",
                    tag(b.tree),
                    loss.unwrap_or_default(),
                    soil.unwrap_or_default(),
                    air.unwrap_or_default(),
                    metal.unwrap_or_default()
                )
            }
            Body::Dose(b) => format!(
                "Tree {}: {} mL of product planned in {} holes, at most {} mL",
                tag(b.tree),
                b.target_ul.ml(),
                b.charges_ul.len(),
                b.max_ul.ml_exact()
            ),
            Body::Application(b) => format!(
                "Tree {}: {} mL of product into {} holes{}, crew {}, lot {}, applied by {}",
                tag(b.tree),
                b.put_in_ul().ml(),
                b.holes.len(),
                if b.leaked_ul().0 > 0 {
                    format!(", {} mL leaked", b.leaked_ul().ml())
                } else {
                    String::new()
                },
                yard.crew_name(b.crew),
                yard.lot_number(b.lot),
                self.names.named(b.applicator)
            ),
            Body::NotTreated(b) => format!(
                "Tree {} not treated: {}{}",
                tag(b.tree),
                spelled(b.reason),
                b.note.as_ref().map(|n| format!(". {n}")).unwrap_or_default()
            ),
            Body::Inspection(b) => format!("Tree {} inspected: {}", tag(b.tree), b.text),
            Body::Note(b) => format!("Note: {}", b.text),
            Body::Photo(b) => format!("Photo {}", b.caption.as_deref().unwrap_or("")).trim().to_owned(),
            Body::Incident(b) => format!("{}: {}", spelled(b.what), b.text),
            Body::DayClosing(b) => format!(
                "Day {} of crew {} closed, {} containers out",
                b.day,
                yard.crew_name(b.crew),
                b.containers_out
            ),
            Body::SignOff(b) => format!("Day {} of crew {} signed off", b.day, yard.crew_name(b.crew)),
            Body::Reopening(b) => format!("Sign-off {} taken back: {}", short(b.sign_off), b.reason),
            Body::Ruling(b) => format!("Finding {}: {}", decision_name(&b.decision), b.reason),
            Body::Strike(b) => format!("{} struck: {}", b.records.len(), b.reason),
            Body::Join(b) => format!("{} joined to tree {}: {}", b.joined.len(), tag(b.keep), b.reason),
            Body::Movement(b) => {
                format!(
                    "{} mL of product {}, lot {}",
                    b.amount_ul.ml(),
                    spelled(b.what),
                    yard.lot_number(b.lot)
                )
            }
            Body::Fill(b) => format!(
                "{} mL of product filled by crew {}, lot {}",
                b.amount_ul.ml(),
                yard.crew_name(b.crew),
                yard.lot_number(b.lot)
            ),
            Body::Lot(b) => format!("Lot {}, last day {}", b.number, b.expires),
            Body::Label(b) => format!("Label {}", b.name),
            Body::Kit(b) => format!("Kit {}", b.name),
            Body::Crew(b) => format!("Crew {}", b.name),
            Body::Block(b) => format!("Block {}", b.name),
            Body::Person(b) => format!("{} ({})", self.names.named(version.id()), spelled(b.work)),
            Body::Licence(b) => format!(
                "Licence of {}: {}, {} to {}",
                self.names.named(b.person),
                b.category,
                b.valid_from,
                b.valid_to
            ),
            Body::Certificate(b) => format!("Device {} ({})", b.name, spelled(b.role)),
            Body::Question(b) => format!("Question to crew {}: {}", yard.crew_name(b.crew), b.text),
            Body::Answer(b) => format!("Answer: {}", b.text),
            Body::Authorisation(b) => format!("Authorised by the client on {}: {}", b.given, b.covers),
            Body::Notice(b) => format!("Notice to {}: {}", b.to, b.text),
            other => other.kind().name().replace('_', " "),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_reads_as_words() {
        for code in Code::ALL {
            let name = code_name(*code);
            let plain = !name.contains(['.', '_']) && name.chars().next().is_some_and(char::is_uppercase);
            assert!(plain, "{name}");
        }
        assert_eq!(readable("hole.spacing"), "Hole: spacing");
    }
}
