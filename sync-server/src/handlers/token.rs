//! Access tokens for signed assertions (RFC 7523 §2.2).

use std::net::SocketAddr;

use axum::extract::rejection::FormRejection;
use axum::extract::{ConnectInfo, Form, State};
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse as _, Response};
use bolebook_core::record::people::Certificate;
use bolebook_core::service::TokenAnswer;
use serde::Deserialize;

use crate::auth::{Granted, TOKEN_SECONDS, Tokens, grant, greet_server};
use crate::error::ApiError;
use crate::state::App;
use crate::token_keys;

const GRANT: &str = "client_credentials";
const ASSERTION: &str = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer";

/// The form of a token request.
#[derive(Debug, Deserialize, schemars::JsonSchema)]
pub struct TokenForm {
    /// `client_credentials`.
    grant_type: String,
    /// `urn:ietf:params:oauth:client-assertion-type:jwt-bearer`.
    client_assertion_type: String,
    /// A JWT signed by the device's key: `iss` and `sub` the device, `aud` the server's device,
    /// `exp` at most ten minutes after `nbf`, a fresh `jti`.
    client_assertion: String,
    /// The device's certificate as JSON, until the yard book has it.
    #[serde(default)]
    certificate: Option<String>,
}

/// Gives a device a short-lived access token.
#[utoipa::path(post, path = "/v1/token", tag = "devices",
    request_body(content = ref("#/components/schemas/TokenForm"), content_type = "application/x-www-form-urlencoded"),
    responses((status = 200, description = "A token", body = ref("#/components/schemas/TokenAnswer"))))]
pub async fn token(
    State(app): State<App>,
    ConnectInfo(from): ConnectInfo<SocketAddr>,
    form: Result<Form<TokenForm>, FormRejection>,
) -> Result<Response, ApiError> {
    let now = app.now();
    app.token_limit.attempt(from.ip(), now).map_err(ApiError::too_many)?;
    let Form(form) = form.map_err(|e| ApiError::new(e.status(), "form", e.body_text()))?;
    if form.grant_type != GRANT || form.client_assertion_type != ASSERTION {
        return Err(ApiError::bad(
            "grant-type",
            format!("grant_type is {GRANT}, client_assertion_type {ASSERTION}"),
        ));
    }
    let certificate: Option<Certificate> = form
        .certificate
        .map(|text| serde_json::from_str(&text))
        .transpose()
        .map_err(|e| ApiError::bad("certificate", format!("the certificate cannot be read: {e}")))?;
    let answer = app
        .blocking(move |app| {
            if app.read(|db| token_keys::due(db, now))? {
                let fresh = (app.random()?, app.random()?);
                app.write(|tx| token_keys::renew(tx, fresh, now, false))?;
            }
            if let Some(certificate) = &certificate {
                greet_server(app, certificate, now)?;
            }
            let given = app.read(|db| grant(app, db, &form.client_assertion, certificate.as_ref(), now));
            let granted = given?;
            Tokens::take_among_all(app, &granted, now)?;
            let Granted { token: access_token, role, .. } = granted;
            Ok(TokenAnswer { access_token, token_type: "Bearer".into(), expires_in: TOKEN_SECONDS, role })
        })
        .await?;
    let mut response = axum::Json(answer).into_response();
    response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    Ok(response)
}
