//! Names between servers: what an office device signed goes on, and what the other server has comes here.
//!
//! An entry without the office's signature stays where the office put it, for this server's word is
//! nobody's name; the office's devices bring it themselves when they meet the other server.

use std::collections::BTreeMap;

use bolebook_core::ids::RecordId;
use bolebook_core::service::{Register, RegisterEntry};

use super::{Other, Passed, RelayError};
use crate::erasing;
use crate::handlers::register::may_be_carried;
use crate::state::Inner;
use crate::store;

/// Entries of one request; fewer than a server takes.
const PART: usize = 500;

/// Gives and takes entries until both registers say the same of everything signed.
///
/// # Errors
/// [`RelayError`]; what was put until then stays.
pub(super) fn pass_on(app: &Inner, other: &Other, passed: &mut Passed) -> Result<(), RelayError> {
    let Some(directory) = app.read(|db| app.directory(db))? else { return Ok(()) };
    let theirs: Register = other.get("/v1/register")?;
    let here = app.read(store::register)?;
    let there: BTreeMap<RecordId, &RegisterEntry> = theirs.entries.iter().map(|e| (e.id, e)).collect();
    let now = app.now();
    let give: Vec<&RegisterEntry> = here
        .iter()
        .filter(|mine| there.get(&mine.id).is_none_or(|theirs| mine.replaces(theirs)))
        .filter(|mine| mine.verify(&directory).is_ok() && may_be_carried(mine, &directory, now))
        .collect();
    for part in give.chunks(PART) {
        let register = Register { entries: part.iter().map(|entry| (*entry).clone()).collect() };
        match other.put_register(&register) {
            Ok(()) => passed.entries_given += part.len() as u64,
            // One of them may have lost its signer there meanwhile: the others do not wait for it.
            Err(RelayError::Refused(problem)) if part.len() > 1 && problem.status == 403 => {
                for entry in part {
                    match other.put_register(&Register { entries: vec![(*entry).clone()] }) {
                        Ok(()) => passed.entries_given += 1,
                        Err(RelayError::Refused(problem)) => stays(entry, &problem.code),
                        Err(error) => return Err(error),
                    }
                }
            }
            Err(RelayError::Refused(problem)) if problem.status == 403 => {
                part.iter().for_each(|entry| stays(entry, &problem.code));
            }
            Err(error) => return Err(error),
        }
    }
    let mine: BTreeMap<RecordId, &RegisterEntry> = here.iter().map(|e| (e.id, e)).collect();
    let take: Vec<RegisterEntry> = theirs
        .entries
        .iter()
        .filter(|theirs| mine.get(&theirs.id).is_none_or(|mine| theirs.replaces(mine)))
        .filter(|theirs| theirs.check().is_ok() && theirs.verify(&directory).is_ok())
        .cloned()
        .collect();
    if !take.is_empty() {
        erasing::put(app, &take)?;
        passed.entries_taken += take.len() as u64;
    }
    Ok(())
}

fn stays(entry: &RegisterEntry, code: &str) {
    tracing::warn!(id = %entry.id, code, "the other server does not take this register entry; it stays here");
}
