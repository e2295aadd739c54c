//! The register: names and addresses outside the books, where they can be erased.

use axum::extract::State;
use axum::http::StatusCode;
use bolebook_core::service::Register;

use crate::auth::Caller;
use crate::body::Json;
use crate::error::ApiError;
use crate::state::App;
use crate::store;

const MOST_FIELD_BYTES: usize = 16 * 1024;

/// The whole register, for enrolled devices.
#[utoipa::path(get, path = "/v1/register", tag = "register", security(("token" = [])),
    responses((status = 200, description = "The register", body = ref("#/components/schemas/Register"))))]
pub async fn read(State(app): State<App>, _: Caller) -> Result<Json<Register>, ApiError> {
    app.blocking(|app| Ok(Json(Register { entries: app.read(store::register)? }))).await
}

/// The office puts entries; each replaces the older state of its id. Empty fields erase it.
#[utoipa::path(put, path = "/v1/register", tag = "register", security(("token" = [])),
    request_body(content = ref("#/components/schemas/Register"), content_type = "application/json"),
    responses((status = 204, description = "Kept")))]
pub async fn write(
    State(app): State<App>,
    caller: Caller,
    Json(register): Json<Register>,
) -> Result<StatusCode, ApiError> {
    caller.office()?;
    for entry in &register.entries {
        let bytes: usize = entry.fields.iter().map(|(k, v)| k.len() + v.to_string().len()).sum();
        if bytes > MOST_FIELD_BYTES || entry.kind.is_empty() || entry.kind.len() > 64 {
            let detail = format!(
                "entry {}: kind of 1 to 64 bytes, fields of at most {MOST_FIELD_BYTES} bytes",
                entry.id
            );
            return Err(ApiError::bad("register-entry", detail));
        }
    }
    app.blocking(move |app| {
        app.write(|tx| store::put_register(tx, &register.entries))?;
        Ok(StatusCode::NO_CONTENT)
    })
    .await
}
