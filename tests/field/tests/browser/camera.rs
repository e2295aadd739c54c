//! A code read by a running camera. The stream is a canvas of the page's own: a test machine has no
//! camera, and everything after the browser's permission is the app's.

use base64::Engine as _;
use bolebook_field_tests::office::Office;
use serde_json::json;

use super::{keep, now, open, web};

/// Puts a canvas with a picture in the camera's stead; without one it stays grey.
const CAMERA: &str = "
    const [packed] = arguments;
    const canvas = document.createElement('canvas');
    [canvas.width, canvas.height] = [640, 480];
    const context = canvas.getContext('2d');
    let picture = null;
    const paint = () => {
        context.fillStyle = '#bbb';
        context.fillRect(0, 0, 640, 480);
        if (picture) context.drawImage(picture, 120, 40, 400, 400);
    };
    setInterval(paint, 50);
    navigator.mediaDevices.getUserMedia = async () => (window.filmed = canvas.captureStream(15));
    if (!packed) return true;
    const bytes = Uint8Array.from(atob(packed), (c) => c.charCodeAt(0));
    return createImageBitmap(new Blob([bytes], { type: 'image/png' })).then((made) => { picture = made; return true; });";
const LET_GO: &str = "return window.filmed.getTracks().every((t) => t.readyState === 'ended') && !document.querySelector('video')";

#[test]
fn a_running_camera_reads_a_code_and_is_let_go_and_a_refused_one_is_said() {
    let mut office = Office::found(None, now(), 0);
    let url = office.serve(Some(&web()));
    let browser = open(&url);
    let answer = ureq::get(format!("{url}/field/")).call().unwrap();
    let policy = answer.headers()["permissions-policy"].to_str().unwrap();
    assert!(policy.contains("camera=(self)") && policy.contains("microphone=()"), "{policy}");
    let press = "document.querySelector('[data-do=camera]').click(); return true;";

    // Headless, the browser refuses a camera that nobody allowed.
    browser.run(press, json!([]));
    browser.until("it is said", "return document.body.innerText.includes('The camera may not be used')");
    keep(&browser, "24-camera-refused", false);

    // Nothing to read: it runs until the page is hidden.
    browser.run(CAMERA, json!([null]));
    browser.run(press, json!([]));
    browser.until("it runs", "return document.querySelector('video')?.readyState >= 2");
    keep(&browser, "24-camera", false);
    browser.run(
        "Object.defineProperty(document, 'hidden', { value: true, configurable: true });
         document.dispatchEvent(new Event('visibilitychange'));
         delete document.hidden;",
        json!([]),
    );
    browser.until("it is let go when the page is hidden", LET_GO);
    browser.run(press, json!([]));
    browser.until("it runs", "return !!document.querySelector('video')");
    browser.press("Stop the camera");
    browser.until("it is let go when told", LET_GO);

    let picture = std::fs::read(xtask::root().join("tests/field/data/qr.png")).unwrap();
    let packed = base64::prelude::BASE64_STANDARD.encode(picture);
    browser.run(CAMERA, json!([packed]));
    browser.run(press, json!([]));
    browser.until("the code was read", "return document.querySelector('[name=code]').value === 'P-3'");
    browser.until("it is let go when it has read", LET_GO);
}
