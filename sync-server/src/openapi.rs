//! The description of the service (OpenAPI 3.1). Paths come from the handlers, schemas from the
//! wire types themselves.

use bolebook_core::exchange::Problem;
use bolebook_core::record::people::Invitation;
use bolebook_core::service::{
    BookList, EnrolRequest, Enrolment, Health, PhotoList, PhotoStored, PhotosLacking, Register, RescueAnswer,
    TokenAnswer,
};
use schemars::generate::SchemaSettings;
use serde_json::{Value, json};
use utoipa::OpenApi;

use crate::handlers::{books, enrol, exchange, meta, photos, register, rescue, token, uploads};

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Bolebook sync server",
        description = "Takes in, orders, checks and serves Bolebook records. Errors are problem details (RFC 9457)."
    ),
    paths(
        meta::health,
        meta::ready,
        meta::openapi,
        enrol::enrol,
        enrol::deposit,
        token::token,
        exchange::exchange,
        rescue::rescue,
        books::list,
        books::findings,
        books::trees,
        books::export,
        photos::lacking,
        photos::upload,
        photos::download,
        photos::clean_copy,
        photos::small,
        photos::details,
        uploads::options,
        uploads::create,
        uploads::head,
        uploads::patch,
        uploads::give_up,
        register::read,
        register::write,
    )
)]
struct Api;

/// The whole document.
///
/// # Errors
/// When it cannot be written as JSON.
pub fn document() -> Result<Value, serde_json::Error> {
    let mut document = serde_json::to_value(Api::openapi())?;
    let components = json!({
        "schemas": schemas(),
        "securitySchemes": { "token": { "type": "http", "scheme": "bearer", "bearerFormat": "JWT" } },
    });
    if let Some(object) = document.as_object_mut() {
        object.insert("components".into(), components);
        if let Some(Value::Object(paths)) = object.get_mut("paths") {
            paths.values_mut().filter_map(Value::as_object_mut).flatten_operations(add_problem);
        }
    }
    Ok(document)
}

/// The wire types' own JSON Schemas, which OpenAPI 3.1 takes as they are.
fn schemas() -> Value {
    let settings = SchemaSettings::draft2020_12().with(|s| s.definitions_path = "/components/schemas".into());
    let mut generator = settings.into_generator();
    generator.subschema_for::<Problem>();
    generator.subschema_for::<Health>();
    generator.subschema_for::<EnrolRequest>();
    generator.subschema_for::<Enrolment>();
    generator.subschema_for::<Invitation>();
    generator.subschema_for::<TokenAnswer>();
    generator.subschema_for::<token::TokenForm>();
    generator.subschema_for::<BookList>();
    generator.subschema_for::<Register>();
    generator.subschema_for::<PhotoList>();
    generator.subschema_for::<PhotosLacking>();
    generator.subschema_for::<PhotoStored>();
    generator.subschema_for::<photos::PhotoDetails>();
    generator.subschema_for::<RescueAnswer>();
    Value::Object(generator.take_definitions(true))
}

trait Operations<'a>: Iterator<Item = &'a mut serde_json::Map<String, Value>> + Sized {
    fn flatten_operations(self, change: fn(&mut Value)) {
        for path in self {
            path.values_mut().for_each(change);
        }
    }
}

impl<'a, I: Iterator<Item = &'a mut serde_json::Map<String, Value>>> Operations<'a> for I {}

/// Every operation may answer with problem details.
fn add_problem(operation: &mut Value) {
    let schema = json!({ "$ref": "#/components/schemas/Problem" });
    let problem = json!({
        "description": "A problem: nothing was changed",
        "content": { "application/problem+json": { "schema": schema } },
    });
    if let Some(Value::Object(responses)) = operation.get_mut("responses") {
        responses.insert("default".into(), problem);
    }
}
