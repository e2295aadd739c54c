//! Health, readiness and the description of the service.

use axum::extract::State;
use bolebook_core::service::Health;
use serde_json::Value;

use crate::body::Json;
use crate::error::ApiError;
use crate::state::{App, Inner};

fn health_of(app: &Inner) -> Health {
    let (server, yard) = (app.identity.device(), app.identity.yard);
    Health { status: "ok".into(), server, yard, now: app.now() }
}

/// The process answers.
#[utoipa::path(get, path = "/health", tag = "service",
    responses((status = 200, description = "It answers", body = ref("#/components/schemas/Health"))))]
pub async fn health(State(app): State<App>) -> Json<Health> {
    Json(health_of(&app))
}

/// The database answers too, and the object store if photos lie in one.
#[utoipa::path(get, path = "/ready", tag = "service",
    responses((status = 200, description = "It can work", body = ref("#/components/schemas/Health"))))]
pub async fn ready(State(app): State<App>) -> Result<Json<Health>, ApiError> {
    app.blocking(|app| {
        app.read(|db| Ok(bolebook_log::books(db)?))?;
        app.write(|_| Ok(()))?;
        app.objects.ready()?;
        Ok(Json(health_of(app)))
    })
    .await
}

/// This description, OpenAPI 3.1.
#[utoipa::path(get, path = "/openapi.json", tag = "service",
    responses((status = 200, description = "OpenAPI 3.1", body = Object)))]
pub async fn openapi() -> Result<Json<Value>, ApiError> {
    crate::openapi::document().map(Json).map_err(|e| ApiError::internal(&e))
}
