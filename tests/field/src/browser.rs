//! A real browser, driven through chromedriver by the WebDriver protocol (W3C), which is JSON over
//! HTTP: the dozen commands needed here are shorter than a client library's set-up. Chromium's
//! DevTools commands go through its driver's own command.

use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use base64::Engine as _;
use serde_json::{Value, json};
use tempfile::TempDir;

/// How long anything may take before a test fails.
const PATIENCE: Duration = Duration::from_secs(60);
/// How long between two looks at what is waited for.
const POLL: Duration = Duration::from_millis(30);

/// The program that drives the browser; ended, with every browser of its own, when dropped.
struct Driver {
    child: Child,
    url: String,
    profile: PathBuf,
}

impl Driver {
    fn start(profile: &Path) -> Self {
        let mut command = Command::new("chromedriver");
        command.args(["--port=0", "--log-level=SEVERE"]).stdin(Stdio::null()).stdout(Stdio::piped());
        let mut child = command.spawn().expect("chromedriver; `cargo xtask setup` installs it");
        let said = child.stdout.take().unwrap();
        let mut port = None;
        for line in BufReader::new(said).lines() {
            let line = line.unwrap();
            if let Some((_, rest)) = line.split_once("successfully on port ") {
                port = Some(rest.trim_end_matches('.').to_owned());
                break;
            }
        }
        let port = port.expect("chromedriver says its port");
        Self { child, url: format!("http://127.0.0.1:{port}"), profile: profile.to_owned() }
    }
}

impl Drop for Driver {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        end_browsers(&self.profile);
    }
}

/// Ends what runs on a profile: a browser outlives a driver that was killed.
fn end_browsers(profile: &Path) {
    let mark = format!("--user-data-dir={}", profile.display());
    for entry in std::fs::read_dir("/proc").into_iter().flatten().flatten() {
        let Some(id) = entry.file_name().to_str().and_then(|n| n.parse::<u32>().ok()) else { continue };
        let line = std::fs::read(entry.path().join("cmdline")).unwrap_or_default();
        let own = line.split(|b| *b == 0).any(|part| part == mark.as_bytes());
        if own {
            let _ = Command::new("kill").args(["-9", &id.to_string()]).status();
        }
    }
}

/// A browser on a profile that outlives it, so that it can be killed and opened again.
pub struct Browser {
    driver: Option<Driver>,
    session: String,
    profile: TempDir,
    phone: bool,
}

impl Browser {
    /// A phone-sized browser on a fresh profile.
    pub fn new() -> Self {
        Self::of(true)
    }

    /// A browser on a desk, whose window can be given any size ([`Self::resize`]).
    pub fn on_a_desk() -> Self {
        Self::of(false)
    }

    fn of(phone: bool) -> Self {
        let profile = tempfile::tempdir().unwrap();
        let mut browser = Self { driver: None, session: String::new(), profile, phone };
        browser.open();
        browser
    }

    /// Gives the window a size in CSS pixels, and holds that it has it.
    pub fn resize(&self, width: u32, height: u32) {
        assert!(!self.phone, "a phone's screen has one size");
        let metrics = json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false });
        self.devtools("Emulation.setDeviceMetricsOverride", metrics);
        assert_eq!(self.run("return innerWidth", json!([])), json!(width));
    }

    /// Opens the browser on its profile.
    pub fn open(&mut self) {
        let driver = Driver::start(self.profile.path());
        let arguments = [
            "--headless".to_owned(),
            "--no-sandbox".to_owned(),
            "--disable-gpu".to_owned(),
            "--disable-quic".to_owned(),
            "--no-first-run".to_owned(),
            "--disable-background-networking".to_owned(),
            "--disable-component-update".to_owned(),
            "--disable-sync".to_owned(),
            "--window-size=390,844".to_owned(),
            format!("--user-data-dir={}", self.profile.path().display()),
        ];
        let mut options = json!({ "args": arguments });
        if self.phone {
            options["mobileEmulation"] =
                json!({ "deviceMetrics": { "width": 390, "height": 844, "pixelRatio": 2.0 } });
        }
        let wanted = json!({ "capabilities": { "alwaysMatch": {
            "browserName": "chrome", "goog:chromeOptions": options,
            "goog:loggingPrefs": { "browser": "ALL" },
        } } });
        let made = send("POST", &format!("{}/session", driver.url), Some(&wanted));
        self.session = format!("{}/session/{}", driver.url, made["sessionId"].as_str().unwrap());
        self.driver = Some(driver);
    }

    /// Kills the browser at once, as a flat battery would. What the profile holds stays.
    pub fn kill(&mut self) {
        end_browsers(self.profile.path());
        self.driver = None;
    }

    fn post(&self, path: &str, body: &Value) -> Value {
        send("POST", &format!("{}{path}", self.session), Some(body))
    }

    /// Goes to an address.
    pub fn go(&self, url: &str) {
        self.post("/url", &json!({ "url": url }));
    }

    /// The window in use.
    pub fn window(&self) -> String {
        let handle = send("GET", &format!("{}/window", self.session), None);
        handle.as_str().unwrap().to_owned()
    }

    /// Opens another window of the same browser and goes to it.
    pub fn new_window(&self) -> String {
        let made = self.post("/window/new", &json!({ "type": "tab" }));
        let handle = made["handle"].as_str().unwrap().to_owned();
        self.switch_to(&handle);
        handle
    }

    /// Goes to a window.
    pub fn switch_to(&self, window: &str) {
        self.post("/window", &json!({ "handle": window }));
    }

    /// Runs a script's text as a function's body and gives what it returns; a promise is waited for.
    pub fn run(&self, script: &str, arguments: Value) -> Value {
        self.post("/execute/sync", &json!({ "script": script, "args": arguments }))
    }

    /// A command of Chromium's DevTools.
    pub fn devtools(&self, command: &str, parameters: Value) -> Value {
        self.post("/goog/cdp/execute", &json!({ "cmd": command, "params": parameters }))
    }

    /// Cuts the browser's network off, or gives it back.
    pub fn flight_mode(&self, on: bool) {
        self.devtools("Network.enable", json!({}));
        let conditions =
            json!({ "offline": on, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1 });
        self.devtools("Network.emulateNetworkConditions", conditions);
    }

    /// Puts the device somewhere, with an accuracy in metres.
    pub fn stand_at(&self, origin: &str, lat: f64, lon: f64, accuracy: f64) {
        let grant = json!({ "origin": origin, "permissions": ["geolocation"] });
        self.devtools("Browser.grantPermissions", grant);
        let place = json!({ "latitude": lat, "longitude": lon, "accuracy": accuracy });
        self.devtools("Emulation.setGeolocationOverride", place);
    }

    /// Waits until a script gives something true, and gives it; the screen is shown when it never does.
    pub fn until(&self, what: &str, script: &str) -> Value {
        for _ in 0..PATIENCE.as_millis() / POLL.as_millis() {
            let found = self.run(script, json!([]));
            if !matches!(found, Value::Null | Value::Bool(false)) {
                return found;
            }
            std::thread::sleep(POLL);
        }
        panic!("never came: {what}\n{}\n{}", self.text(), self.logs());
    }

    /// Goes to an address, again and again from an empty page, until a script gives something true.
    pub fn until_at(&self, url: &str, what: &str, script: &str) {
        for _ in 0..60 {
            self.go("about:blank");
            self.go(url);
            self.ready();
            if self.run(script, json!([])) == json!(true) {
                return;
            }
        }
        panic!("never came: {what}\n{}\n{}", self.text(), self.logs());
    }

    /// Waits until the app is open and nothing is under way.
    pub fn ready(&self) {
        self.until(
            "the app is open",
            "return document.documentElement.dataset.ready === 'yes' && !document.querySelector('.busy')",
        );
    }

    /// What is on the screen, as text.
    pub fn text(&self) -> String {
        self.run("return document.body.innerText", json!([])).as_str().unwrap_or_default().to_owned()
    }

    /// What the browser's console said.
    pub fn logs(&self) -> String {
        self.post("/se/log", &json!({ "type": "browser" })).to_string()
    }

    /// Fills a field by its name; chooses the radio of that name with that value.
    pub fn fill(&self, name: &str, value: &str) {
        let script = "
            const [name, value] = arguments;
            const all = [...document.querySelectorAll(`[name='${name}']`)];
            const radio = all.find((f) => f.type === 'radio' && f.value === value);
            if (radio) { radio.click(); return true; }
            const field = all.find((f) => f.type !== 'radio');
            if (!field) return false;
            field.closest('details')?.setAttribute('open', '');
            field.focus();
            field.value = value;
            field.dispatchEvent(new Event('input', { bubbles: true }));
            return true;";
        assert_eq!(self.run(script, json!([name, value])), json!(true), "no field {name}: {}", self.text());
    }

    /// Chooses a file, as the camera would hand over a picture.
    pub fn choose_file(&self, selector: &str, path: &Path) {
        let found = self.post("/element", &json!({ "using": "css selector", "value": selector }));
        let element = found.as_object().and_then(|o| o.values().next()).unwrap().as_str().unwrap().to_owned();
        self.post(&format!("/element/{element}/value"), &json!({ "text": path.display().to_string() }));
    }

    /// Presses the first button whose label holds these words, and waits until it is done.
    pub fn press(&self, words: &str) {
        let script = "
            const wanted = arguments[0];
            const found = [...document.querySelectorAll('button')]
                .find((b) => (b.innerText + ' ' + (b.getAttribute('aria-label') ?? '')).includes(wanted));
            if (!found) return false;
            found.closest('details')?.setAttribute('open', '');
            found.click();
            return true;";
        assert_eq!(self.run(script, json!([words])), json!(true), "no button '{words}': {}", self.text());
        self.ready();
    }

    /// Presses a button by its act.
    pub fn act(&self, act: &str) {
        let script = "
            const found = [...document.querySelectorAll('[data-act]')].find((b) => b.dataset.act.startsWith(arguments[0]));
            found?.click();
            return !!found;";
        assert_eq!(self.run(script, json!([act])), json!(true), "no button for '{act}': {}", self.text());
        self.ready();
    }

    /// Presses a key of the keyboard: `Tab`, `Enter`, ` ` or an arrow (UI Events KeyboardEvent key values).
    pub fn key(&self, key: &str) {
        let code = match key {
            "Tab" => 9,
            "Enter" => 13,
            " " => 32,
            "ArrowDown" => 40,
            _ => 0,
        };
        let text = match key {
            "Enter" => "\r",
            " " => " ",
            _ => "",
        };
        let mut event = json!({ "type": "keyDown", "key": key, "code": key, "windowsVirtualKeyCode": code });
        if !text.is_empty() {
            event["text"] = json!(text);
        }
        self.devtools("Input.dispatchKeyEvent", event.clone());
        event["type"] = json!("keyUp");
        self.devtools("Input.dispatchKeyEvent", event);
    }

    /// Types text where the cursor is.
    pub fn type_text(&self, text: &str) {
        self.devtools("Input.insertText", json!({ "text": text }));
    }

    /// Goes by the tabulator until what a selector names has the focus.
    pub fn tab_to(&self, selector: &str) {
        let there = format!("return document.activeElement?.matches({}) ?? false", json!(selector));
        for _ in 0..120 {
            if self.run(&there, json!([])) == json!(true) {
                return;
            }
            self.key("Tab");
        }
        panic!("the keyboard does not reach {selector}:\n{}", self.text());
    }

    /// What axe-core finds wrong with the page: the rules of WCAG 2.2 A and AA and its own best practices.
    pub fn violations(&self, axe: &str) -> Value {
        if self.run("return window.axe === undefined", json!([])) == json!(true) {
            self.run(axe, json!([]));
        }
        let tags = "['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']";
        let script = format!(
            "return axe.run(document, {{ runOnly: {tags}, resultTypes: ['violations'] }}).then((found) =>
                found.violations.map((v) => v.id + ': ' + v.nodes.map((n) => n.html.slice(0, 160) + ' ' + n.failureSummary).join(' | ')))"
        );
        self.run(&script, json!([]))
    }

    /// Fails with the screen's text when words are not on it.
    pub fn sees(&self, words: &str) {
        let text = self.text();
        assert!(text.contains(words), "'{words}' is not on the screen:\n{text}\n{}", self.logs());
    }

    /// A picture of the screen as it is, or of the whole page, one pixel a point.
    pub fn picture(&self, whole: bool) -> Vec<u8> {
        let size = if whole {
            "return [0, document.documentElement.scrollHeight, innerWidth]"
        } else {
            "return [scrollY, innerHeight, innerWidth]"
        };
        let size = self.run(size, json!([]));
        let clip = json!({ "x": 0, "y": size[0], "width": size[2], "height": size[1], "scale": 0.5 });
        let shot = self.devtools(
            "Page.captureScreenshot",
            json!({ "format": "png", "captureBeyondViewport": whole, "clip": clip }),
        );
        base64::prelude::BASE64_STANDARD.decode(shot["data"].as_str().unwrap()).unwrap()
    }
}

impl Default for Browser {
    fn default() -> Self {
        Self::new()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        self.kill();
    }
}

fn send(method: &str, url: &str, body: Option<&Value>) -> Value {
    let config = ureq::Agent::config_builder().http_status_as_error(false).timeout_global(Some(PATIENCE * 2));
    let request = ureq::http::Request::builder().method(method).uri(url);
    let request = request.header("content-type", "application/json");
    let text = body.map(Value::to_string).unwrap_or_default();
    let mut answer = config.build().new_agent().run(request.body(text).unwrap()).unwrap();
    let said = answer.body_mut().with_config().limit(64 << 20).read_to_string().unwrap();
    let value: Value = serde_json::from_str(&said).unwrap_or_else(|_| panic!("{url}: {said}"));
    assert!(answer.status().is_success(), "{url}: {said}");
    value["value"].clone()
}
