//! Devices, and the QR code of a one-time code.

use axum::response::Html;
use bolebook_core::ids::Sha256Hash;
use bolebook_core::record::people::Role;
use bolebook_core::signing::SecretKey;
use maud::{Markup, html};

use crate::desk::forms::{Posted, unwritable};
use crate::desk::page::{Desk, Page, minute, shown, text};
use crate::desk::session::qr;
use crate::desk::words::spelled;
use crate::error::ApiError;
use crate::store;

/// The root key's digest in short, to be compared by eye when a device joins.
fn fingerprint(root: &bolebook_core::signing::PublicKey) -> String {
    let digest = Sha256Hash::of(root.key.as_bytes()).to_string();
    let parts = digest.as_bytes().chunks(4).take(5).map(|c| String::from_utf8_lossy(c).into_owned());
    parts.collect::<Vec<_>>().join("-")
}

fn utc(at: bolebook_core::quantity::UtcMs) -> String {
    use bolebook_core::record::book_kinds::{Zone, ZoneOffset};
    let zone = Zone {
        name: "UTC".into(),
        offsets: vec![ZoneOffset { from: bolebook_core::quantity::UtcMs(0), offset_s: 0 }],
    };
    format!("{} UTC", minute(&zone.rfc3339(at)))
}

fn table(desk: &Desk) -> Markup {
    let snapshot = &desk.snapshot;
    html! {
        table.cards {
            thead { tr { th scope="col" { "Device" } th scope="col" { "Role" } th scope="col" { "Crew" } th scope="col" { "Certificate until" } th scope="col" { "State" } } }
            tbody {
                @for (id, certificate) in snapshot.directory.devices() {
                    @let state = match snapshot.directory.admits(id, desk.now()) {
                        Ok(_) => "admitted",
                        Err(_) if snapshot.directory.revoked(id) => "revoked",
                        Err(_) => "over, or not begun",
                    };
                    tr {
                        th scope="row" { (text(&certificate.name)) br; code.small { (id) } }
                        td data-label="Role" { (spelled(certificate.role)) }
                        td data-label="Crew" { (text(&certificate.crew.map(|c| snapshot.yard.crew_name(c)).unwrap_or_default())) }
                        td data-label="Certificate until" { (utc(certificate.not_after)) }
                        td data-label="State" { @if state == "admitted" { (state) } @else { span.tag.open { (state) } } }
                    }
                }
            }
        }
        @for unproven in snapshot.directory.unproven() { p.warn { "Certificate " (unproven.record) " proves nothing: " (unproven.error) "." } }
    }
}

fn code_form(desk: &Desk) -> Markup {
    html! {
        section aria-labelledby="enrol" {
            h2 id="enrol" { "Let a device in" }
            ol {
                li { "On the device that holds the root key: " code { "bolebook device invite NAME --role crew --crew CREW" } ", then " code { "bolebook exchange" } "." }
                li { "Type the code it printed here, to show it as a picture the new device can scan." }
            }
            form.row method="post" action="/devices" {
                (desk.token_field())
                label for="code" { "One-time code" }
                input id="code" name="code" required autocomplete="off" inputmode="numeric" placeholder="00000-00000-00000-00000";
                button { "Show it as a QR code" }
            }
            p.small { "The code goes through this server's memory once and is not kept. It opens one device for the role it was made for, once. The root key shows as " code { (fingerprint(&desk.app.identity.root)) } ": compare it on the new device." }
        }
    }
}

/// The devices.
pub async fn list(desk: Desk) -> Result<Html<String>, ApiError> {
    shown(desk, |desk| {
        let body = html! { h1 { "Devices" } (table(desk)) (code_form(desk)) p.small { "Take a device's certificate back with " code { "bolebook device revoke" } "." } };
        Ok(Page { title: "Devices".into(), job: None, body })
    })
    .await
}

/// A one-time code as a QR code: only one the office deposited here, unused and not over.
pub async fn code(Posted { desk, fields }: Posted) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let digits: String = fields.text("code").chars().filter(char::is_ascii_digit).collect();
        if digits.len() < bolebook_core::authority::CODE_DIGITS || digits.len() > 64 {
            return Err(unwritable("a one-time code has twenty digits: type all of it"));
        }
        let grouped = digits.as_bytes().chunks(5).map(|c| String::from_utf8_lossy(c).into_owned()).collect::<Vec<_>>().join("-");
        let key = SecretKey::from_code(&grouped).public();
        let stored = desk.app.read(|db| store::invitation(db, &key.key))?;
        let Some(stored) = stored else {
            return Err(unwritable("this server has no invitation for that code: check the digits, and exchange from the device that made it"));
        };
        if stored.used_by.is_some() || desk.now() > stored.invitation.use_by {
            return Err(unwritable("that code was used already, or is over: make a new one"));
        }
        let url = &desk.app.config.api_url;
        let content = format!("bolebook:join?server={url}&code={grouped}&root={}", fingerprint(&desk.app.identity.root));
        let role = match stored.invitation.role { Role::Crew => "a crew's device", Role::Office => "an office device", Role::Server => "a server" };
        let body = html! {
            h1 { "One-time code" }
            p { "For " strong { (text(&stored.invitation.name)) } ", " (role) ", until " (utc(stored.invitation.use_by)) ". Show it to that device alone." }
            (qr(&content, "QR code with the server's address, the one-time code and the root key's fingerprint; the lines below say the same")?)
            dl.facts { dt { "Server" } dd { code { (url) } } dt { "Code" } dd { code { (grouped) } } dt { "Root key" } dd { code { (fingerprint(&desk.app.identity.root)) } } }
            p { "By hand: " code { "bolebook join " (url) " " (grouped) } }
            p { a href="/devices" { "← Devices" } }
        };
        Ok(Page { title: "One-time code".into(), job: None, body })
    })
    .await
}
