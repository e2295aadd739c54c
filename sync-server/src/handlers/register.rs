//! The register: names and addresses outside the books, where they can be erased.

use axum::extract::{RawQuery, State};
use axum::http::{StatusCode, header};
use axum::response::{AppendHeaders, IntoResponse};
use bolebook_core::authority::Directory;
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Role;
use bolebook_core::service::{Register, RegisterEntry};

use crate::auth::Caller;
use crate::body::Json;
use crate::erasing;
use crate::error::ApiError;
use crate::paging::Paging;
use crate::state::App;
use crate::store;

/// Most entries of one request.
pub const MOST_ENTRIES: usize = 1_000;

/// The register, for enrolled devices: all of it, or a part in the order of ids.
#[utoipa::path(get, path = "/v1/register", tag = "register", security(("token" = [])),
    params(Paging),
    responses((status = 200, description = "The register", body = ref("#/components/schemas/Register"),
        headers(("link" = Option<String>, description = "Where the next part is (RFC 8288); not after the last")))))]
pub async fn read(
    State(app): State<App>,
    _: Caller,
    RawQuery(query): RawQuery,
) -> Result<impl IntoResponse, ApiError> {
    let paging = Paging::read(query.as_deref())?;
    let entries = app.blocking(|app| app.read(store::register)).await?;
    let part = paging.part(entries, |entry: &RegisterEntry| entry.id.to_string());
    let link = part.link("/v1/register");
    // What is erased must not live on in a cache on the way.
    let headers = [(header::CACHE_CONTROL, "no-store")];
    Ok((headers, AppendHeaders(link), Json(Register { entries: part.items })))
}

/// The office puts entries; each replaces the older state of its id. An entry that an office device
/// signed may be brought by any device, a hub too, while that device is not revoked. One with `erased`,
/// which an office device signed, may be brought by any device, wins over every other state, and is
/// final.
#[utoipa::path(put, path = "/v1/register", tag = "register", security(("token" = [])),
    request_body(content = ref("#/components/schemas/Register"), content_type = "application/json"),
    responses((status = 204, description = "Kept")))]
pub async fn write(
    State(app): State<App>,
    caller: Caller,
    Json(register): Json<Register>,
) -> Result<StatusCode, ApiError> {
    if register.entries.len() > MOST_ENTRIES {
        return Err(ApiError::too_large(format!("at most {MOST_ENTRIES} entries at once")));
    }
    if register.entries.iter().any(|entry| entry.vouched_by().is_none()) {
        caller.office()?;
    }
    for entry in &register.entries {
        entry.check().map_err(|e| ApiError::bad("register-entry", e.to_string()))?;
    }
    app.blocking(move |app| {
        if register.entries.iter().any(|entry| entry.vouched_by().is_some()) {
            let Some(directory) = app.read(|db| app.directory(db))? else {
                return Err(ApiError::new(StatusCode::CONFLICT, "yard-first", "the yard book comes first"));
            };
            for entry in &register.entries {
                let code = if entry.erased.is_some() { "erasure-unproven" } else { "entry-unproven" };
                entry.verify(&directory).map_err(|e| ApiError::forbidden(code, e.to_string()))?;
                // The office's devices answer for what they bring; others carry a word that still counts.
                if caller.role != Role::Office && !may_be_carried(entry, &directory, app.now()) {
                    let detail =
                        "the office device that signed this entry no longer counts: the office brings it";
                    return Err(ApiError::forbidden(code, detail));
                }
            }
        }
        erasing::put(app, &register.entries)?;
        Ok(StatusCode::NO_CONTENT)
    })
    .await
}

/// Whether a device that is not the office's may bring an entry: an erasure always, a state while the
/// office device that signed it is not revoked and its certificate holds.
pub fn may_be_carried(entry: &RegisterEntry, directory: &Directory, now: UtcMs) -> bool {
    entry.erased.is_some()
        || entry.signed.as_ref().is_some_and(|word| directory.admits(word.device, now) == Ok(Role::Office))
}
