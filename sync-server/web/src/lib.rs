//! The field app in the browser: hands taps to `bolebook-field-core` and asks the browser for what
//! that asks of a device. Storage, keys and locks are reached through `static/device.js`, a plain
//! module of the same origin: web-sys keeps Web Locks behind an unstable flag and has no signing
//! that can be awaited without as much code again.

use std::collections::BTreeMap;

use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::signing::{Alg, PublicKey, Signature};
use bolebook_field_core::field::{Field, clock};
use bolebook_field_core::outside::{
    Answer, Kept, KeptPhoto, Outside, Part, Put, Request, Trouble, Upload, Uploaded, setting,
};
use bolebook_field_core::words::Language;
use js_sys::{Array, Date, JsString, Object, Promise, Reflect, Uint8Array};
use wasm_bindgen::prelude::*;
use wasm_bindgen_futures::JsFuture;

#[wasm_bindgen(raw_module = "./device.js")]
extern "C" {
    /// The device: its database, key and lock.
    #[derive(Clone)]
    pub type Device;

    #[wasm_bindgen(method, catch)]
    fn random(this: &Device, count: u32) -> Result<Uint8Array, JsValue>;
    #[wasm_bindgen(method)]
    fn messages(this: &Device, language: &str) -> String;
    #[wasm_bindgen(method)]
    fn key(this: &Device) -> Promise;
    #[wasm_bindgen(method)]
    fn sign(this: &Device, message: &[u8]) -> Promise;
    #[wasm_bindgen(method)]
    fn settings(this: &Device) -> Promise;
    #[wasm_bindgen(method)]
    fn lines(this: &Device) -> Promise;
    #[wasm_bindgen(method)]
    fn pause(this: &Device) -> Promise;
    #[wasm_bindgen(method)]
    fn store(this: &Device, puts: &Array) -> Promise;
    #[wasm_bindgen(method)]
    fn photos(this: &Device) -> Promise;
    #[wasm_bindgen(method)]
    fn upload(this: &Device, method: &str, url: &str, headers: &Array, part: &Array) -> Promise;
    #[wasm_bindgen(method, js_name = dropPhoto)]
    fn drop_photo(this: &Device, photo: &str) -> Promise;
    #[wasm_bindgen(method)]
    fn ask(this: &Device, method: &str, url: &str, headers: &Array, body: Option<String>) -> Promise;
}

struct Browser(Device);

/// What a thrown value says.
fn said(value: &JsValue) -> String {
    let message = Reflect::get(value, &"message".into()).ok().and_then(|m| m.as_string());
    message.or_else(|| value.as_string()).unwrap_or_else(|| "the browser does not say why".into())
}

fn text(object: &JsValue, name: &str) -> String {
    Reflect::get(object, &name.into()).ok().and_then(|v| v.as_string()).unwrap_or_default()
}

/// What storage refuses: another tab's turn is told apart, for it asks for something else to be done.
fn storage(value: &JsValue) -> Trouble {
    match text(value, "name").as_str() {
        "OtherWriter" => Trouble::OtherWriter,
        _ => Trouble::Storage(said(value)),
    }
}

/// Rows of two texts each.
fn pairs(rows: &JsValue) -> Vec<(String, String)> {
    let pair = |row: JsValue| {
        let row = Array::from(&row);
        Some((row.get(0).as_string()?, row.get(1).as_string()?))
    };
    Array::from(rows).iter().filter_map(pair).collect()
}

/// Headers as rows of two texts.
fn rows(headers: &[(&'static str, String)]) -> Array {
    headers.iter().map(|(name, value)| Array::of2(&(*name).into(), &value.as_str().into())).collect()
}

impl Outside for Browser {
    fn now(&self) -> UtcMs {
        UtcMs(Date::now() as i64)
    }

    fn random(&self) -> Result<[u8; 32], Trouble> {
        let bytes = self.0.random(32).map_err(|e| Trouble::Key(said(&e)))?;
        bytes.to_vec().try_into().map_err(|_| Trouble::Key("the browser gives no random numbers".into()))
    }

    fn messages(&self, language: Language) -> String {
        self.0.messages(language.tag())
    }

    async fn key(&self) -> Result<PublicKey, Trouble> {
        let key = JsFuture::from(self.0.key()).await.map_err(|e| Trouble::Key(said(&e)))?;
        let alg = if text(&key, "alg") == "p256" { Alg::P256 } else { Alg::Ed25519 };
        Ok(PublicKey { alg, key: text(&key, "key") })
    }

    async fn sign(&self, message: &[u8]) -> Result<Signature, Trouble> {
        let signed = JsFuture::from(self.0.sign(message)).await.map_err(|e| Trouble::Key(said(&e)))?;
        signed.as_string().map(Signature).ok_or_else(|| Trouble::Key("no signature came back".into()))
    }

    async fn settings(&self) -> Result<Kept, Trouble> {
        let kept = JsFuture::from(self.0.settings()).await.map_err(|e| storage(&e))?;
        let get = |name: &str| Reflect::get(&kept, &name.into()).unwrap_or_default();
        let lines = get("lines").as_f64().unwrap_or(0.0) as u64;
        let ready = get("ready").dyn_ref::<Uint8Array>().map(Uint8Array::to_vec).unwrap_or_default();
        Ok(Kept { settings: pairs(&get("settings")), ready, lines })
    }

    async fn lines(&self) -> Result<Vec<(BookId, String)>, Trouble> {
        let lines = JsFuture::from(self.0.lines()).await.map_err(|e| storage(&e))?;
        let parsed = pairs(&lines).into_iter().map(|(book, line)| {
            let id: Result<BookId, _> = book.parse();
            id.map(|id| (id, line)).map_err(|e| Trouble::Storage(e.to_string()))
        });
        parsed.collect()
    }

    async fn pause(&self) {
        let _ = JsFuture::from(self.0.pause()).await;
    }

    async fn store(&self, puts: &[Put]) -> Result<(), Trouble> {
        let rows = Array::new();
        for put in puts {
            let row = match put {
                Put::Line { book, position, text } => Array::of4(
                    &"line".into(),
                    &book.to_string().into(),
                    // Positions stay far below what a number holds exactly.
                    &(*position as f64).into(),
                    &JsString::from(text.as_str()),
                ),
                Put::Setting { name, json } => {
                    Array::of3(&"setting".into(), &(*name).into(), &JsString::from(json.as_str()))
                }
                Put::Ready(bytes) => {
                    Array::of3(&"setting".into(), &setting::READY.into(), &Uint8Array::from(&bytes[..]))
                }
            };
            rows.push(&row);
        }
        JsFuture::from(self.0.store(&rows)).await.map(drop).map_err(|e| storage(&e))
    }

    async fn ask(&self, request: &Request) -> Result<Answer, Trouble> {
        let headers = rows(&request.headers);
        let asked = self.0.ask(request.method, &request.url, &headers, request.body.clone());
        let answer = JsFuture::from(asked).await.map_err(|e| Trouble::NoSignal(said(&e)))?;
        let status = Reflect::get(&answer, &"status".into()).ok().and_then(|s| s.as_f64());
        Ok(Answer { status: status.unwrap_or(0.0) as u16, body: text(&answer, "body") })
    }

    async fn photos(&self) -> Result<Vec<KeptPhoto>, Trouble> {
        let kept = JsFuture::from(self.0.photos()).await.map_err(|e| storage(&e))?;
        let photo = |row: JsValue| {
            let row = Array::from(&row);
            Some(KeptPhoto {
                sha256: row.get(0).as_string()?.parse().ok()?,
                bytes: row.get(1).as_f64()? as u64,
            })
        };
        Ok(Array::from(&kept).iter().filter_map(photo).collect())
    }

    async fn upload(&self, request: &Upload, part: Option<&Part>) -> Result<Uploaded, Trouble> {
        // Bytes of a photo stay far below what a number holds exactly.
        let part = part.map_or_else(Array::new, |p| {
            Array::of3(&p.photo.to_string().into(), &(p.from as f64).into(), &(p.to as f64).into())
        });
        let asked = self.0.upload(request.method, &request.url, &rows(&request.headers), &part);
        let answer = JsFuture::from(asked).await.map_err(|e| match text(&e, "name").as_str() {
            "Storage" => Trouble::Storage(said(&e)),
            _ => Trouble::NoSignal(said(&e)),
        })?;
        let number = |name: &str| Reflect::get(&answer, &name.into()).ok().and_then(|v| v.as_f64());
        Ok(Uploaded {
            status: number("status").unwrap_or(0.0) as u16,
            offset: number("offset").map(|n| n as u64),
            location: Some(text(&answer, "location")).filter(|place| !place.is_empty()),
        })
    }

    async fn drop_photo(&self, photo: Sha256Hash) -> Result<(), Trouble> {
        JsFuture::from(self.0.drop_photo(&photo.to_string())).await.map(drop).map_err(|e| storage(&e))
    }
}

fn fields(object: &Object) -> BTreeMap<String, String> {
    let entries = Object::entries(object).into_iter().filter_map(|pair| {
        let pair = Array::from(&pair);
        Some((pair.get(0).as_string()?, pair.get(1).as_string()?))
    });
    entries.collect()
}

/// The app, for `boot.js`.
#[wasm_bindgen]
pub struct App(Field<Browser>);

#[wasm_bindgen]
impl App {
    /// Opens the app on what the device stored.
    pub async fn open(device: Device, origin: String, language: String) -> Result<App, JsError> {
        let opened = Field::open(Browser(device), &origin, &language).await;
        opened.map(App).map_err(|e| JsError::new(&e.to_string()))
    }

    /// Opens the books, if only their ready-made view is there yet.
    #[wasm_bindgen(js_name = openBooks)]
    pub async fn open_books(&self) -> Result<(), JsError> {
        self.0.open_books().await.map_err(|e| JsError::new(&e.to_string()))
    }

    /// Reads the records in them ahead of the first plan; taps are answered meanwhile.
    #[wasm_bindgen(js_name = readAhead)]
    pub async fn read_ahead(&self) {
        self.0.read_ahead().await;
    }

    /// Keeps the ready-made view for the next start; only a quicker start is lost when it fails.
    #[wasm_bindgen(js_name = keepReady)]
    pub async fn keep_ready(&self) {
        let _ = self.0.keep_ready().await;
    }

    /// Does what a button asks; what it writes is durable when the promise resolves.
    pub async fn act(&self, act: String, values: Object) {
        self.0.act(&act, &fields(&values)).await;
    }

    /// Exchanges unasked; how it went stands on the exchange screen.
    pub async fn exchange(&self) {
        let _ = self.0.exchange().await;
    }

    /// Gives kept photos to the server; how far they are stands on the exchange screen.
    #[wasm_bindgen(js_name = sendPhotos)]
    pub async fn send_photos(&self) {
        self.0.send_photos().await;
    }

    /// How many photos wait here.
    pub fn photos(&self) -> usize {
        self.0.state().photos
    }

    /// The whole screen.
    pub fn screen(&self) -> String {
        self.0.screen()
    }

    /// A part of the screen that changes while something is typed.
    pub fn part(&self, name: &str, values: &Object) -> String {
        self.0.part(name, &fields(values))
    }

    /// Takes a position in; gives whether the screen shows positions.
    pub fn fix(&self, lat: f64, lon: f64, accuracy_m: f64) -> bool {
        self.0.fix(lat, lon, accuracy_m)
    }

    /// The bundle file.
    pub fn bundle(&self) -> Option<Vec<u8>> {
        self.0.bundle()
    }

    /// How many entries the server has not had.
    pub fn unsent(&self) -> usize {
        self.0.state().unsent().0
    }

    /// Whether the device has joined.
    pub fn joined(&self) -> bool {
        self.0.state().member.is_some()
    }
}

/// A length of time in milliseconds, as clocks show it.
#[wasm_bindgen]
pub fn clock_text(ms: f64) -> String {
    clock(ms as i64)
}
