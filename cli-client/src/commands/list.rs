//! `tree list`, `list`: trees and records at a glance.

use bolebook_core::export::TreeRow;
use bolebook_core::record::Kind;
use bolebook_core::view::TreeState;

use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::Typed;
use crate::names::NameError;
use crate::output::{Answer, Table, short};

/// Lists the job's trees.
#[derive(Debug, clap::Args)]
pub struct TreeList {
    /// Only those in this state.
    #[arg(long, value_parser = ["treated", "not-treated", "left"])]
    state: Option<String>,
    /// Only those of this block.
    #[arg(long)]
    block: Option<Typed>,
}

/// A tree's state in a word.
pub fn state_word(state: TreeState) -> &'static str {
    match state {
        TreeState::Treated => "treated",
        TreeState::NotTreated(_) => "not treated",
        TreeState::Left => "left",
    }
}

impl TreeList {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.read(Need::Job, |desk| self.list(desk))
    }

    fn list(&self, desk: &mut Desk<'_>) -> Result<Answer, CliError> {
        let view = desk.view()?;
        let blocks = crate::names::blocks(view);
        let block =
            self.block.as_ref().map(|b| crate::names::find("block", b.text(), &blocks)).transpose()?;
        let wanted = self.state.as_deref().map(|s| s.replace('-', " "));
        let mut table = Table::new(&["tag", "species", "dbh cm", "state", "mL", "id"]).right(&[2, 4]);
        let mut trees: Vec<_> =
            view.trees.iter().filter_map(|(id, t)| Some((*id, t, view.tree(*id)?))).collect();
        trees.sort_by_cached_key(|(id, _, tree)| (natural(&tree.tag), *id));
        let mut rows = vec![];
        for (id, tree, listed) in trees {
            let state = state_word(view.state(tree));
            if wanted.as_deref().is_some_and(|w| w != state) || block.is_some_and(|b| listed.block != Some(b))
            {
                continue;
            }
            let Some(row) = TreeRow::of(view, id) else { continue };
            let shown: Vec<_> = row.diameters_um.iter().map(|d| d.map_or("-".into(), |d| d.cm())).collect();
            let volume = row.put_in_ul;
            table.row([
                listed.tag.clone(),
                listed.species.clone().unwrap_or_default(),
                shown.join("+"),
                state.into(),
                if volume.0 == 0 { String::new() } else { volume.ml() },
                short(id),
            ]);
            rows.push(serde_json::to_value(row).unwrap_or_default());
        }
        let mut answer = Answer::default();
        answer.table(&table);
        let counts = view.counts();
        answer.say(format!(
            "{} trees: {} treated, {} not treated, {} left",
            counts.listed, counts.treated, counts.not_treated, counts.left
        ));
        Ok(answer.with("trees", rows).with("counts", serde_json::to_value(counts).unwrap_or_default()))
    }
}

/// Tags in the order people count: A2 before A10.
fn natural(tag: &str) -> (String, u64, String) {
    let letters: String = tag.chars().take_while(|c| !c.is_ascii_digit()).collect();
    let digits: String =
        tag.chars().skip_while(|c| !c.is_ascii_digit()).take_while(char::is_ascii_digit).collect();
    (letters.to_uppercase(), digits.parse().unwrap_or(u64::MAX), tag.to_owned())
}

/// Lists the records of a kind, in the job and the yard, newest last.
#[derive(Debug, clap::Args)]
pub struct List {
    /// The kind, for example `application`, `movement`, `note`, `ruling`.
    kind: Typed,
}

impl List {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.read(Need::MayJob, |desk| {
            let wanted = self.kind.text().to_lowercase().replace('-', "_");
            let kind = Kind::ALL.iter().find(|k| k.name() == wanted).ok_or_else(|| NameError::Unknown {
                what: "kind of record",
                name: wanted.clone(),
                there: Kind::ALL.iter().map(|k| k.name().to_owned()).collect(),
            })?;
            let mut table = Table::new(&["when", "what", "state", "id"]);
            let mut rows = vec![];
            let facts = desk.view_if_any().map(|v| &v.facts).into_iter().chain([&desk.yard.facts]);
            for facts in facts {
                for fact in facts.of_kind(*kind) {
                    let version = facts.shown(fact);
                    let state = super::show::state_of(facts, fact);
                    let when = desk.zone().rfc3339(version.record.envelope.at);
                    let when = when.get(..16).unwrap_or(&when).replace('T', " ");
                    table.row([when, super::show::headline(desk, version), state.clone(), short(fact.id)]);
                    let mut row = super::show::record_json(&version.record);
                    row["state"] = state.into();
                    row["fact"] = fact.id.to_string().into();
                    rows.push(row);
                }
            }
            let mut answer = Answer::default();
            answer.table(&table);
            answer.say(format!("{} of kind {}", rows.len(), kind.name()));
            Ok(answer.with("records", rows))
        })
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn tags_sort_as_people_count() {
        let mut tags = ["A10", "A2", "B1", "a1"];
        tags.sort_by_key(|t| super::natural(t));
        assert_eq!(tags, ["a1", "A2", "A10", "B1"]);
    }
}
