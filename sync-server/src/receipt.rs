//! The server's own word in a book: what arrived, from whom, and when.

use bolebook_core::commit::{Commit, Draft};
use bolebook_core::exchange::LogLine;
use bolebook_core::ids::{ActorId, BookId, DeviceId, RecordId};
use bolebook_core::quantity::{Ms, UtcMs};
use bolebook_core::record::book_kinds::Receipt;
use bolebook_core::record::{Envelope, Record};
use bolebook_core::signing::HeadSignature;
use bolebook_log::serve::arrived;
use bolebook_log::{Appended, append, basis, record_positions};
use rusqlite::Transaction;

use crate::error::ApiError;
use crate::state::Inner;

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

/// Appends the receipt of newly arrived commits, signed, in the transaction that took them in.
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
) -> Result<(), ApiError> {
    let Some(receipt) = receipt(appended, offered, delivery) else { return Ok(()) };
    let id = RecordId::new(delivery.at.0, app.random()?);
    let device = app.identity.device();
    let envelope = Envelope { id, at: delivery.at, device, by: None, replaces: vec![] };
    let record = Record { envelope, body: receipt.into() };
    let mut records = vec![];
    let identity = &app.identity;
    if book == identity.yard && record_positions(tx, book, identity.certificate_record)?.is_empty() {
        records.push(identity.certificate_text().map_err(|e| ApiError::internal(&e))?);
    }
    records.push(record.to_canonical().map_err(|e| ApiError::internal(&e))?);
    // A fresh actor each time: nobody can slip a commit into a chain whose end is about to be signed.
    let actor = ActorId::new(device, app.random()?);
    let stands_on = basis(tx, book, actor)?;
    let draft = Draft {
        actor,
        seq: stands_on.seq,
        start_op: stands_on.start_op,
        time: delivery.at,
        deps: stands_on.deps,
        records,
    };
    let commit = Commit::author(draft).map_err(|e| ApiError::internal(&e))?;
    let signed = HeadSignature::sign(&identity.key, book, actor, commit.seq(), commit.hash());
    append(tx, book, &[commit.into(), signed.into()])?;
    Ok(())
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
