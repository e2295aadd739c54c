//! One-time codes: the office deposits invitations, devices use them.

use std::net::SocketAddr;

use axum::extract::{ConnectInfo, State};
use axum::http::StatusCode;
use bolebook_core::authority::{enrol_statement, verify_invitation};
use bolebook_core::record::people::Invitation;
use bolebook_core::service::{EnrolRequest, Enrolment};

use crate::auth::Caller;
use crate::body::Json;
use crate::error::ApiError;
use crate::state::App;
use crate::store;

/// Enrols a device by a one-time code, once. The same device may ask again.
#[utoipa::path(post, path = "/v1/enrol", tag = "devices",
    request_body(content = ref("#/components/schemas/EnrolRequest"), content_type = "application/json"),
    responses((status = 200, description = "Enrolled", body = ref("#/components/schemas/Enrolment"))))]
pub async fn enrol(
    State(app): State<App>,
    ConnectInfo(from): ConnectInfo<SocketAddr>,
    Json(request): Json<EnrolRequest>,
) -> Result<Json<Enrolment>, ApiError> {
    let now = app.now();
    app.enrol_limit.attempt(from.ip(), now).map_err(ApiError::too_many)?;
    // A wrong code and an unknown one give the same answer.
    let unknown = || ApiError::forbidden("code-unknown", "the code is not one the office has given out here");
    let statement = enrol_statement(&request.device_key).map_err(|e| ApiError::bad("json", e.to_string()))?;
    request.code_key.verify(&statement, &request.signature).map_err(|_| unknown())?;
    let device = request.device_key.device().map_err(|e| ApiError::bad("device-key", e.to_string()))?;
    app.blocking(move |app| {
        let invitation = app.write_idempotent(|tx| {
            let code = &request.code_key.key;
            let stored = store::invitation(tx, code)?.ok_or_else(unknown)?;
            match stored.used_by {
                Some(other) if other != device => {
                    return Err(ApiError::new(
                        StatusCode::CONFLICT,
                        "code-used",
                        "another device has used this code: ask the office for a new one",
                    ));
                }
                Some(_) => {}
                None if now > stored.invitation.use_by => {
                    return Err(ApiError::forbidden(
                        "code-expired",
                        "the code is over: ask the office for a new one",
                    ));
                }
                None => store::use_invitation(tx, code, device, now)?,
            }
            Ok(stored.invitation)
        })?;
        let identity = &app.identity;
        Ok(Json(Enrolment {
            invitation,
            yard: identity.yard,
            root: identity.root.clone(),
            server: identity.device(),
        }))
    })
    .await
}

/// The office deposits an invitation, so that its code can be used here.
#[utoipa::path(post, path = "/v1/invitations", tag = "devices", security(("token" = [])),
    request_body(content = ref("#/components/schemas/Invitation"), content_type = "application/json"),
    responses((status = 204, description = "Deposited")))]
pub async fn deposit(
    State(app): State<App>,
    caller: Caller,
    Json(invitation): Json<Invitation>,
) -> Result<StatusCode, ApiError> {
    caller.office()?;
    app.blocking(move |app| {
        verify_invitation(&invitation, &app.identity.root, app.identity.yard).map_err(|e| {
            ApiError::new(StatusCode::UNPROCESSABLE_ENTITY, "invitation-invalid", e.to_string())
        })?;
        app.write_idempotent(|tx| store::add_invitation(tx, &invitation))?;
        Ok(StatusCode::NO_CONTENT)
    })
    .await
}
