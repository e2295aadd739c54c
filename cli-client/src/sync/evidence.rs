//! What was set aside goes back: to the server as evidence, and the device's own records again.

use bolebook_core::exchange::code;
use bolebook_core::ids::{ActorId, DeviceId};
use bolebook_log::evidence::{Next, Pass};
use bolebook_log::{Writer, set_aside};

use super::{Link, Outcome};
use crate::app::App;
use crate::error::CliError;
use crate::local_store::Store;
use crate::transport::TransportError;

/// Gives the server the evidence of what was set aside because an actor forked, and writes this
/// device's other good records again. True when something came of it: exchange once more.
pub(super) fn put_back(
    app: &App,
    store: &mut Store,
    link: &mut Link,
    pass: &mut Pass,
    outcome: &mut Outcome,
) -> Result<bool, CliError> {
    outcome.books_refused.iter().for_each(|book| pass.close(*book));
    waits_no_more(store, pass, link.device)?;
    while let Some(request) = pass.request(store.db(), link.device, app.outside.now())? {
        match link.retry(app, store, |s, token| s.rescue(token, &request.body)) {
            Ok(answer) => {
                pass.given(&request);
                outcome.set_aside.rescued += answer.books.iter().map(|b| b.rescued).sum::<u64>();
            }
            Err(CliError::Transport(TransportError::Refused(problem)))
                if problem.code == code::BOOK_REFUSED
                    && problem.book.is_some_and(|book| !outcome.books_refused.contains(&book)) =>
            {
                problem.book.iter().for_each(|book| pass.close(*book));
                outcome.books_refused.extend(problem.book);
            }
            Err(CliError::Transport(TransportError::Refused(problem))) => {
                let tx = store.begin()?;
                let next = pass.refused(&tx, &request, &problem)?;
                tx.commit()?;
                match next {
                    Next::Again => {}
                    Next::Later => break,
                    Next::Say => return Err(TransportError::Refused(problem).into()),
                }
            }
            Err(other) => return Err(other),
        }
    }
    let key = store.device_key()?;
    let actor = ActorId::new(key.device(), app.outside.random()?);
    let tx = store.begin()?;
    let reput = set_aside::reput(&tx, &Writer { key: &key, actor, time: app.outside.now() })?;
    tx.commit()?;
    outcome.set_aside.reput += reput;
    Ok(pass.has_given() || reput > 0)
}

/// Notes of what was set aside that it is in the log again.
pub(super) fn waits_no_more(store: &Store, pass: &Pass, server: DeviceId) -> Result<(), CliError> {
    let back = pass.look(store.db(), server)?;
    let tx = store.begin()?;
    back.note(&tx)?;
    Ok(tx.commit()?)
}
