//! The rescue: a client's evidence of what the log could not take in because an actor forked.

use std::collections::BTreeSet;

use axum::extract::{Request, State};
use bolebook_core::exchange::{MAX_BODY_BYTES, MEDIA_TYPE};
use bolebook_core::ids::ActorId;
use bolebook_core::service::{RescueAnswer, RescuedBook};
use bolebook_log::{Appended, Rescuer, rescue as put_back};

use crate::auth::Caller;
use crate::body::{self, Encoding, Json};
use crate::error::ApiError;
use crate::handlers::exchange::count;
use crate::receipt::{self, Delivery};
use crate::state::App;

/// Puts commits back that the log cannot take in because an actor forked, or that depend on such
/// ones: the server writes their records again with the original commits and signatures as
/// evidence. What the log can take in is taken in. The answer comes after it is on the disk.
#[utoipa::path(post, path = "/v1/rescue", tag = "exchange", security(("token" = [])),
    request_body(content = String, content_type = "application/x-ndjson",
        description = "Lines as in a request of an exchange, every line after what it depends on; cursors are not looked at"),
    responses((status = 200, description = "What was put back", body = ref("#/components/schemas/RescueAnswer")),
        (status = 403, description = "book-refused: the office has not opened a book of the request to the device, or there is none; nothing was changed", content_type = "application/problem+json", body = ref("#/components/schemas/Problem")),
        (status = 409, description = "unknown-dependency, sequence-gap: exchange first; nothing was changed", content_type = "application/problem+json", body = ref("#/components/schemas/Problem")),
        (status = 422, description = "A line that is wrong in itself: nothing was changed", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn rescue(
    State(app): State<App>,
    caller: Caller,
    request: Request,
) -> Result<Json<RescueAnswer>, ApiError> {
    body::content_type(request.headers(), MEDIA_TYPE)?;
    let encoding = Encoding::of_body(request.headers())?;
    let packed = body::whole(request.into_body(), MAX_BODY_BYTES).await?;
    let room = app.room.clone().acquire_owned().await.map_err(|e| ApiError::internal(&e))?;
    app.blocking(move |app| {
        let _room = room;
        let asked = body::read_exchange(&packed, encoding)?;
        drop(packed);
        let delivery = Delivery { by: caller.device, at: app.now(), device_now: asked.start.now };
        let mut counted = BTreeSet::new();
        let answer = app.write_idempotent(|tx| {
            // Read before anything is written, for it is kept beyond this transaction.
            let devices = app.directory(tx)?;
            let key_of = |device| devices.as_ref()?.key(device).cloned();
            let mut reach = caller.reach(app, tx)?;
            let mut answer = RescueAnswer { books: vec![] };
            for (request, lines) in &asked.books {
                let book = request.book;
                reach.may_read(book)?;
                let before = bolebook_log::book(tx, book)?
                    .ok_or_else(|| ApiError::not_found("the server has no such book").at(book, None))?;
                let actor = ActorId::new(app.identity.device(), app.random()?);
                let (now, seed) = (delivery.at, app.random()?);
                let by = Rescuer { key: &app.identity.key, actor, now, seed, key_of: &key_of };
                let done = put_back(tx, book, lines, &by)?;
                if !done.new.is_empty() || done.rescued > 0 {
                    // Counted once, however often the database asks for it again.
                    if !counted.contains(&book) {
                        count(app, caller, lines.iter(), delivery.at)?;
                        counted.insert(book);
                    }
                    if reach.is_old_after(book, lines.iter()) {
                        reach = caller.reach_anew(app, tx)?;
                    }
                }
                let appended =
                    Appended { before: before.end, end: before.end, new: done.new, known: done.known };
                receipt::write(app, tx, book, &appended, lines, delivery)?;
                let (appended, known) = (appended.new.len() as u64, appended.known);
                answer.books.push(RescuedBook { book, appended, rescued: done.rescued, known });
            }
            asked.books.iter().try_for_each(|(request, _)| reach.may_read(request.book))?;
            Ok(answer)
        })?;
        for one in answer.books.iter().filter(|b| b.appended + b.rescued > 0) {
            app.findings.changed(one.book, app.identity.yard);
        }
        Ok(Json(answer))
    })
    .await
}
