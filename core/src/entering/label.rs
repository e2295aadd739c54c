//! Entering a label, a version of it, and its confirmation by a second person.

use crate::dosing::label::paper::{Taken, rates_in_both};
use crate::dosing::label::{ConfirmationProblem, LabelProblem, confirmation_problems, not_stated, validate};
use crate::ids::{LabelId, PersonId};
use crate::quantity::UtcMs;
use crate::record::label::{Label, LabelConfirmation};
use crate::view::Yard;

/// What a label's entry cannot do, for one that can be right.
///
/// # Errors
/// Everything that keeps it from being entered.
pub fn passes(label: &Label) -> Result<Vec<String>, Vec<String>> {
    let (blocking, rest): (Vec<LabelProblem>, Vec<_>) =
        validate(label).into_iter().partition(LabelProblem::blocks);
    let said = |problems: Vec<LabelProblem>| problems.iter().map(ToString::to_string).collect();
    if blocking.is_empty() { Ok(said(rest)) } else { Err(said(blocking)) }
}

/// Whether a label may stand in the place of an earlier version of it.
///
/// # Errors
/// Everything that keeps it from being entered.
pub fn may_amend(yard: &Yard, version: LabelId, label: &Label) -> Result<(), Vec<String>> {
    passes(label)?;
    if yard.label_versions(version).any(|l| l.mix != label.mix) {
        return Err(vec![
            "how a product is mixed is not amended, for what stands in vessels would be read by another mix: enter the label anew under a name of its own, with lots of its own"
                .into(),
        ]);
    }
    Ok(())
}

/// Why a person cannot confirm a label version.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotTheSecond {
    /// They entered it.
    #[error("the person who entered a label cannot confirm it")]
    EnteredIt,
    /// They hold no certifying licence.
    #[error("only a licensed person can confirm a label: no certifying licence of theirs holds now")]
    NotLicensed,
}

/// Whether a person may confirm a label version: another than who entered it.
///
/// # Errors
/// [`NotTheSecond::EnteredIt`].
pub fn not_who_entered(yard: &Yard, version: LabelId, person: PersonId) -> Result<(), NotTheSecond> {
    let entered = yard.facts.versions.iter().filter(|v| v.id() == version);
    let shown = yard.facts.fact_of(version).map(|f| yard.facts.shown(f));
    let by = entered.chain(shown).any(|v| v.record.envelope.by == Some(person));
    if by { Err(NotTheSecond::EnteredIt) } else { Ok(()) }
}

/// Whether a person may confirm a label version, so that it becomes usable: another than who
/// entered it, with a certifying licence that holds at that moment.
///
/// # Errors
/// [`NotTheSecond`].
pub fn may_confirm(yard: &Yard, version: LabelId, person: PersonId, at: UtcMs) -> Result<(), NotTheSecond> {
    not_who_entered(yard, version, person)?;
    if yard.licensed_about(person, at) { Ok(()) } else { Err(NotTheSecond::NotLicensed) }
}

/// Whether a re-entry agrees with the label.
///
/// # Errors
/// Everything in which it does not, in words that show nothing of the entry.
pub fn agrees(label: &Label, again: &LabelConfirmation) -> Result<(), Vec<String>> {
    let problems = confirmation_problems(label, again);
    if problems.is_empty() {
        Ok(())
    } else {
        Err(problems.iter().map(ConfirmationProblem::without_the_entry).collect())
    }
}

/// What an entry is taken to say, to be held against the paper by whoever has it in hand.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Said {
    /// Each rate per centimetre and per inch.
    pub rates: Vec<String>,
    /// What the units written are easily taken for.
    pub traps: Vec<String>,
    /// How it is mixed.
    pub mix: Option<String>,
    /// What is taken as not stated on the label, by the names of its fields.
    pub not_stated: Vec<&'static str>,
    /// What is kept from earlier seasons' holes, where the label gives no offset of its own.
    pub earlier: Option<&'static str>,
}

/// What a label's entry is taken to say; `taken` are the figures it was written with.
pub fn said(label: &Label, taken: &[Taken]) -> Said {
    let (mut traps, mut shown): (Vec<String>, Vec<&str>) = (vec![], vec![]);
    for (one, trap) in taken.iter().filter_map(|one| Some((one, one.trap?))) {
        if !shown.contains(&trap) {
            traps.push(format!("{}, {}: {trap}.", one.place, one.written));
            shown.push(trap);
        }
    }
    let mix = label.mix.as_ref().map(|mix| {
        format!(
            "mixed: {}. Every rate and limit here is of product, never of the mix; containers and reservoir hold the mix.",
            mix.in_words()
        )
    });
    let earlier = "holes, earlier_spacing: not given, so the spacing is kept from earlier seasons' holes too; a stem drilled all around has no place left the next season.";
    Said {
        rates: rates_in_both(label),
        traps,
        mix,
        not_stated: not_stated(label),
        earlier: label.holes.earlier_spacing_um.is_none().then_some(earlier),
    }
}
