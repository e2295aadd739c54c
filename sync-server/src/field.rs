//! The field app's files, served as they were built (`cargo xtask web`), under a policy that lets
//! nothing in from elsewhere.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::{Path as UrlPath, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse as _, Redirect, Response};
use axum::routing::get;
use sha2::{Digest as _, Sha256};

use crate::state::App;

/// Only the app's own files, WebAssembly among them; no inline script or style, no other origin,
/// and nobody may frame it.
const POLICY: &str = "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self'; \
    img-src 'self' blob:; connect-src 'self'; manifest-src 'self'; worker-src 'self'; base-uri 'none'; \
    form-action 'none'; frame-ancestors 'none'";
/// What to do about a server without the app.
const NOT_BUILT: &str = "The field app is not here. Build it with 'cargo xtask web', or name its folder: \
    'bolebook-server serve --web-dir FOLDER'.\n";

/// The app's files, by name; none when it was not built.
#[derive(Debug, Default)]
pub struct Files(BTreeMap<String, File>);

#[derive(Debug)]
struct File {
    plain: Bytes,
    brotli: Option<Bytes>,
    media: &'static str,
    tag: HeaderValue,
}

/// The type of a file by its name's end; what is not listed is not served.
fn media(name: &str) -> Option<&'static str> {
    Some(match name.rsplit_once('.')?.1 {
        "html" => "text/html; charset=utf-8",
        "js" => "text/javascript; charset=utf-8",
        "css" => "text/css; charset=utf-8",
        "wasm" => "application/wasm",
        "webmanifest" => "application/manifest+json",
        "ftl" | "txt" => "text/plain; charset=utf-8",
        "svg" => "image/svg+xml",
        "png" => "image/png",
        _ => return None,
    })
}

/// Where the app lies when no folder is named: `field` beside the program, or beside its folder as
/// cargo lays them out.
pub fn usual_folder() -> Option<PathBuf> {
    let program = std::env::current_exe().ok()?;
    let beside = program.parent()?;
    let places = [beside.join("field"), beside.parent()?.join("field")];
    places.into_iter().find(|folder| folder.join("index.html").is_file())
}

impl Files {
    /// Reads the app's folder. Its files are few and small, so they are kept in memory: no request
    /// can name a file outside.
    ///
    /// # Errors
    /// When the folder or a file in it cannot be read, or it holds no app.
    pub fn read(folder: &Path) -> std::io::Result<Self> {
        let mut files = BTreeMap::new();
        for entry in std::fs::read_dir(folder)? {
            let path = entry?.path();
            let Some(name) = path.file_name().and_then(|n| n.to_str()).map(str::to_owned) else { continue };
            let Some(media) = media(&name) else { continue };
            let plain = Bytes::from(std::fs::read(&path)?);
            let packed = folder.join(format!("{name}.br"));
            let brotli = if packed.is_file() { Some(Bytes::from(std::fs::read(packed)?)) } else { None };
            let tag = format!("\"{}\"", hex::encode(&Sha256::digest(&plain)[..16]));
            let tag = HeaderValue::from_str(&tag).map_err(std::io::Error::other)?;
            files.insert(name, File { plain, brotli, media, tag });
        }
        match files.contains_key("index.html") {
            true => Ok(Self(files)),
            false => Err(std::io::Error::new(std::io::ErrorKind::NotFound, "there is no field app in it")),
        }
    }

    fn answer(&self, name: &str, headers: &HeaderMap) -> Response {
        if self.0.is_empty() {
            return (StatusCode::SERVICE_UNAVAILABLE, NOT_BUILT).into_response();
        }
        let name = if name.is_empty() { "index.html" } else { name };
        let Some(file) = self.0.get(name) else { return StatusCode::NOT_FOUND.into_response() };
        let mut response = Response::new(Body::empty());
        let out = response.headers_mut();
        out.insert(header::CONTENT_TYPE, HeaderValue::from_static(file.media));
        out.insert(header::ETAG, file.tag.clone());
        // The service worker keeps whole versions; the browser's own cache asks each time.
        out.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-cache"));
        out.insert(header::VARY, HeaderValue::from_static("accept-encoding"));
        out.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY));
        out.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
        out.insert(
            HeaderName::from_static("permissions-policy"),
            HeaderValue::from_static("camera=(self), geolocation=(self), microphone=()"),
        );
        out.insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
        if headers.get(header::IF_NONE_MATCH) == Some(&file.tag) {
            *response.status_mut() = StatusCode::NOT_MODIFIED;
            return response;
        }
        let accepts = headers.get(header::ACCEPT_ENCODING).and_then(|v| v.to_str().ok()).unwrap_or("");
        let takes_brotli = accepts.split(',').any(|part| {
            let mut part = part.split(';').map(str::trim);
            part.next() == Some("br") && part.next().is_none_or(|q| q != "q=0")
        });
        let bytes = match &file.brotli {
            Some(packed) if takes_brotli => {
                out.insert(header::CONTENT_ENCODING, HeaderValue::from_static("br"));
                packed.clone()
            }
            _ => file.plain.clone(),
        };
        *response.body_mut() = Body::from(bytes);
        response
    }
}

/// The app under `/field/`.
pub fn routes() -> Router<App> {
    Router::new()
        .route("/field", get(|| async { Redirect::permanent("/field/") }))
        .route(
            "/field/",
            get(|State(app): State<App>, headers: HeaderMap| async move { app.web.answer("", &headers) }),
        )
        .route("/field/{name}", get(file))
}

async fn file(State(app): State<App>, UrlPath(name): UrlPath<String>, headers: HeaderMap) -> Response {
    app.web.answer(&name, &headers)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_server_without_the_app_says_what_to_run() {
        let answer = Files::default().answer("", &HeaderMap::new());
        assert_eq!(answer.status(), StatusCode::SERVICE_UNAVAILABLE);
        assert!(NOT_BUILT.contains("cargo xtask web"));
        assert!(Files::read(Path::new("no such folder")).is_err());
    }

    #[test]
    fn a_file_is_served_packed_once_and_then_only_named() {
        let folder = tempfile::tempdir().unwrap();
        for (name, text) in [("index.html", "<p>"), ("index.html.br", "packed"), ("secret.key", "no")] {
            std::fs::write(folder.path().join(name), text).unwrap();
        }
        let files = Files::read(folder.path()).unwrap();
        let mut asked = HeaderMap::new();
        assert!(!files.answer("", &asked).headers().contains_key(header::CONTENT_ENCODING));
        asked.insert(header::ACCEPT_ENCODING, HeaderValue::from_static("gzip, br;q=0"));
        assert!(!files.answer("", &asked).headers().contains_key(header::CONTENT_ENCODING));
        asked.insert(header::ACCEPT_ENCODING, HeaderValue::from_static("gzip, deflate, br"));
        let packed = files.answer("", &asked);
        assert_eq!(packed.headers()[header::CONTENT_ENCODING], "br");
        asked.insert(header::IF_NONE_MATCH, packed.headers()[header::ETAG].clone());
        assert_eq!(files.answer("", &asked).status(), StatusCode::NOT_MODIFIED);
        assert_eq!(files.answer("secret.key", &asked).status(), StatusCode::NOT_FOUND);
    }
}
