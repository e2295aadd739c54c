//! The server's own word in a book: what arrived, from whom, and when.

use bolebook_core::commit::{Commit, Draft};
use bolebook_core::exchange::LogLine;
use bolebook_core::ids::{ActorId, BookId, DeviceId, RecordId};
use bolebook_core::quantity::{Ms, UtcMs};
use bolebook_core::record::book_kinds::Receipt;
use bolebook_core::record::{Body, Envelope, Record};
use bolebook_core::signing::HeadSignature;
use bolebook_db::Transaction;
use bolebook_log::serve::arrived;
use bolebook_log::{Appended, append, basis, record_positions};

use crate::error::ApiError;
use crate::grown::Run;
use crate::photos::held;
use crate::state::Inner;

/// Most records the server puts into one commit of its own.
const MOST_RECORDS: usize = 200;

/// What the server knows of a delivery.
#[derive(Clone, Copy, Debug)]
pub struct Delivery {
    /// The device that delivered.
    pub by: DeviceId,
    /// When, by the server's clock.
    pub at: UtcMs,
    /// The device's clock at the exchange.
    pub device_now: UtcMs,
}

/// Appends the receipt of newly arrived commits, signed, in the transaction that took them in. Gives what it
/// appended.
///
/// # Errors
/// An internal error; the transaction is then rolled back.
pub fn write(
    app: &Inner,
    tx: &Transaction<'_>,
    book: BookId,
    appended: &Appended,
    offered: &[LogLine],
    delivery: Delivery,
) -> Result<Vec<Run>, ApiError> {
    let Some(receipt) = receipt(appended, offered, delivery) else { return Ok(vec![]) };
    let mut bodies = vec![Body::from(receipt)];
    let new = appended.new.iter().filter_map(|i| offered.get(*i));
    if new.map(LogLine::text).any(held::may_name) {
        bodies.extend(held::news(tx, book, appended.before.position)?.into_iter().map(Body::from));
    }
    say(app, tx, book, delivery.at, bodies)
}

/// Appends records of the server's own, signed, in a transaction; nothing when there are none. Gives
/// what it appended.
///
/// # Errors
/// An internal error; the transaction is then rolled back.
pub fn say(
    app: &Inner,
    tx: &Transaction<'_>,
    book: BookId,
    at: UtcMs,
    bodies: Vec<Body>,
) -> Result<Vec<Run>, ApiError> {
    let (device, identity) = (app.identity.device(), &app.identity);
    let (mut texts, mut runs) = (vec![], vec![]);
    if book == identity.yard
        && !bodies.is_empty()
        && record_positions(tx, book, identity.certificate_record)?.is_empty()
    {
        texts.push(identity.certificate_text().map_err(|e| ApiError::internal(&e))?);
    }
    for body in bodies {
        let id = RecordId::new(at.0, app.random()?);
        let envelope = Envelope { id, at, device, by: None, replaces: vec![] };
        texts.push(Record { envelope, body }.to_canonical().map_err(|e| ApiError::internal(&e))?);
    }
    for records in texts.chunks(MOST_RECORDS) {
        // A fresh actor each time: nobody can slip a commit into a chain whose end is about to be signed.
        let actor = ActorId::new(device, app.random()?);
        let stands_on = basis(tx, book, actor)?;
        let draft = Draft {
            actor,
            seq: stands_on.seq,
            start_op: stands_on.start_op,
            time: at,
            deps: stands_on.deps,
            records: records.to_vec(),
        };
        let commit = Commit::author(draft).map_err(|e| ApiError::internal(&e))?;
        let signed = HeadSignature::sign(&identity.key, book, actor, commit.seq(), commit.hash());
        let lines = vec![commit.into(), signed.into()];
        let appended = append(tx, book, &lines)?;
        runs.push(Run::of(book, &appended, lines));
    }
    Ok(runs)
}

/// The receipt of what arrived, if it is owed one; signatures alone need none.
fn receipt(appended: &Appended, offered: &[LogLine], delivery: Delivery) -> Option<Receipt> {
    let through = arrived(appended, offered);
    (!through.is_empty()).then(|| Receipt {
        delivered_by: delivery.by,
        arrived_at: delivery.at,
        clock_offset_ms: Ms(delivery.device_now.0.saturating_sub(delivery.at.0)),
        through,
    })
}
