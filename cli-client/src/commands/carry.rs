//! `stand carry`: last season's trees into this season's book, under the ids they had.

use bolebook_core::ids::RecordId;
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::View;

use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::output::Answer;

/// Lists last season's trees and blocks in this job, under the ids they had: what is missing, once.
///
/// The job was opened with --from. Diameters stay behind: each tree is measured again before its
/// dose. What was put into a tree, and where, is looked up in the earlier book.
#[derive(Debug, clap::Args)]
pub struct Carry {}

impl Carry {
    /// Runs it.
    ///
    /// # Errors
    /// [`CliError`] when the job was not opened from another, or that book is not in this store.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.write(Need::Job, |desk| {
            desk.office_only("carry a stand into a new season")?;
            carry(desk)
        })
    }
}

fn carry(desk: &mut Desk<'_>) -> Result<(), CliError> {
    let view = desk.view()?;
    let refused = |why: &str| CliError::Refused(vec![why.to_owned()]);
    let from = view
        .job
        .previous
        .ok_or_else(|| refused("this job was not opened from another ('job new --from')"))?;
    if !desk.store.jobs()?.contains(&from) {
        return Err(refused(
            "the earlier job's book is not in this store: fetch it with 'bolebook exchange'",
        ));
    }
    let book = desk.store.book(from)?;
    desk.devices.check_job(&book)?;
    let earlier = View::read(&book, desk.yard, &desk.devices.for_book(&book))?;
    let blocks = earlier.facts.in_force(Kind::Block).map(|fact| fact.id);
    let trees = earlier.trees.keys().copied();
    let (mut trees_carried, mut blocks_carried) = (0u64, 0u64);
    for id in blocks.chain(trees).filter(|id| view.facts.fact_of(*id).is_none()) {
        match latest(&earlier, id) {
            Some(body @ Body::Block(_)) => {
                desk.carry(id, body)?;
                blocks_carried += 1;
            }
            Some(body @ Body::Tree(_)) => {
                desk.carry(id, body)?;
                trees_carried += 1;
            }
            _ => {}
        }
    }
    let answer = &mut desk.answer;
    answer.json.insert("trees".into(), trees_carried.into());
    answer.json.insert("blocks".into(), blocks_carried.into());
    answer.say(format!(
        "{trees_carried} trees and {blocks_carried} blocks carried over from {}; measure each tree before its dose.",
        earlier.title
    ));
    Ok(())
}

/// A fact as it was last amended.
fn latest(view: &View<'_>, id: RecordId) -> Option<Body> {
    view.facts.standing_fact(id).map(|fact| view.facts.shown(fact).record.body.clone())
}
