//! Signing in and out, and what a person sets for their own account.

use std::net::SocketAddr;

use axum::extract::{ConnectInfo, Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{Html, IntoResponse as _, Redirect, Response};
use maud::{DOCTYPE, Markup, html};
use qrcode::QrCode;
use qrcode::render::svg;

use crate::desk::accounts::{self, PASSWORD_LEAST, SESSION_MS};
use crate::desk::forms::{self, Fields, Posted, unwritable};
use crate::desk::page::{Desk, Page, shown, text};
use crate::desk::web::Told;
use crate::error::ApiError;
use crate::state::{App, Config};

/// Whether people reach the desk by TLS.
fn secure(config: &Config) -> bool {
    config.desk_url.as_deref().is_some_and(|url| url.starts_with("https://"))
}

/// The cookie's name: the prefix makes browsers hold it to this host and to TLS (RFC 6265bis §4.1.3.2).
fn name(config: &Config) -> &'static str {
    if secure(config) { "__Host-bolebook-desk" } else { "bolebook-desk" }
}

/// The session id of a request.
pub fn cookie(headers: &HeaderMap, config: &Config) -> Option<[u8; 32]> {
    let all = headers.get_all(header::COOKIE).iter().filter_map(|v| v.to_str().ok());
    let value = all
        .flat_map(|v| v.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find_map(|(k, v)| (k == name(config)).then_some(v))?;
    let mut id = [0; 32];
    hex::decode_to_slice(value, &mut id).ok().map(|()| id)
}

fn set_cookie(config: &Config, id: Option<&[u8; 32]>) -> Result<HeaderValue, ApiError> {
    let (value, age) = id.map_or((String::new(), 0), |id| (hex::encode(id), SESSION_MS / 1_000));
    let secure = if secure(config) { "; Secure" } else { "" };
    let text = format!("{}={value}; Path=/; HttpOnly; SameSite=Strict; Max-Age={age}{secure}", name(config));
    HeaderValue::from_str(&text).map_err(|e| ApiError::internal(&e))
}

/// Where to go after signing in: an address of this site, nothing else.
fn next_of(fields: &Fields) -> String {
    let next = fields.text("next");
    let here = next.starts_with('/') && !next.starts_with("//") && !next.contains(['\\', '\n', '\r']);
    if here { next.to_owned() } else { "/".into() }
}

fn form(next: &str, user: &str, wrong: Option<&str>) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="robots" content="noindex";
                title { "Sign in – Bolebook" }
                link rel="stylesheet" href="/desk.css";
            }
            body {
                main.narrow {
                    h1 { "Bolebook: office" }
                    @if let Some(wrong) = wrong { p.wrong role="alert" { (wrong) } }
                    form.stacked method="post" action="/sign-in" {
                        input type="hidden" name="next" value=(next);
                        label for="name" { "Name" }
                        input id="name" name="name" value=(user) required autocomplete="username" autofocus[user.is_empty()];
                        label for="password" { "Password" }
                        input id="password" type="password" name="password" required autocomplete="current-password" autofocus[!user.is_empty()];
                        label for="code" { "Code from your authenticator, if you set one" }
                        input id="code" name="code" inputmode="numeric" autocomplete="one-time-code";
                        button.main { "Sign in" }
                    }
                    p.muted { "No account, or a lost password? Whoever runs the server sets it: " code { "bolebook-server user" } "." }
                }
            }
        }
    }
}

/// The sign-in page.
pub async fn sign_in_page(State(app): State<App>, request: Request) -> Html<String> {
    let _ = app;
    let fields = Fields::read(request.uri().query().unwrap_or("").as_bytes());
    Html(form(&next_of(&fields), "", None).into_string())
}

/// Signs in.
pub async fn sign_in(
    State(app): State<App>,
    ConnectInfo(from): ConnectInfo<SocketAddr>,
    request: Request,
) -> Result<Response, ApiError> {
    let fields = forms::body(request).await?;
    let now = app.now();
    app.desk.sign_ins.attempt(from.ip(), now).map_err(ApiError::too_many)?;
    let (user, next) = (fields.text("name").to_owned(), next_of(&fields));
    if let Err(minutes) = app.desk.may_try(&user, now) {
        return Err(ApiError::too_many(minutes * 60));
    }
    let _room = app.desk.hashing.acquire().await.map_err(|e| ApiError::internal(&e))?;
    let signed = app.blocking(move |app| {
        let name = fields.text("name");
        let found = app.read(|db| accounts::user(db, name))?;
        // A password is taken as typed: space at its ends is part of it.
        let password = fields.iter().find(|(k, _)| *k == "password").map_or("", |(_, v)| v);
        let right = accounts::verify(found.as_ref(), password);
        let Some(user) = found.filter(|_| right) else { return Ok(None) };
        let id: [u8; 32] = app.random()?;
        app.write(|tx| {
            if let Some(secret) = &user.totp {
                let step = accounts::step_of(secret, fields.text("code"), now);
                let Some(step) = step else { return Ok(None) };
                if !accounts::use_step(tx, &user, step)? {
                    return Ok(None);
                }
            }
            accounts::begin(tx, &user.name, &id, now)?;
            Ok(Some(id))
        })
    });
    let signed = signed.await?;
    app.desk.tried(&user, now, signed.is_some());
    let Some(id) = signed else {
        tracing::info!("a sign-in was refused");
        let page = form(
            &next,
            &user,
            Some("Name, password or code is not right. A code counts once: wait for the next one."),
        );
        let mut response = (StatusCode::UNAUTHORIZED, Html(page.into_string())).into_response();
        response.extensions_mut().insert(Told);
        return Ok(response);
    };
    let mut response = Redirect::to(&next).into_response();
    response.headers_mut().insert(header::SET_COOKIE, set_cookie(&app.config, Some(&id))?);
    Ok(response)
}

/// Ends the session.
pub async fn sign_out(Posted { desk, .. }: Posted) -> Result<Response, ApiError> {
    let session = desk.session;
    desk.app.blocking(move |app| app.write(|tx| accounts::end(tx, &session))).await?;
    let mut response = Redirect::to("/sign-in").into_response();
    response.headers_mut().insert(header::SET_COOKIE, set_cookie(&desk.app.config, None)?);
    Ok(response)
}

/// A QR code as an SVG with its words.
///
/// # Errors
/// An internal error when the text is too long for one.
pub fn qr(content: &str, says: &str) -> Result<Markup, ApiError> {
    let code = QrCode::new(content).map_err(|e| ApiError::internal(&e))?;
    let svg = code.render::<svg::Color<'_>>().min_dimensions(220, 220).build();
    let from = svg.find("<svg").unwrap_or(0);
    let drawn = svg.get(from..).unwrap_or_default();
    Ok(html! { div.qr role="img" aria-label=(says) { (maud::PreEscaped(drawn)) } })
}

/// What an authenticator application reads: an `otpauth` address (a de facto form; digits, period and
/// algorithm are RFC 6238's own defaults, which every application uses).
fn otpauth(user: &str, company: &str, secret: &[u8]) -> String {
    let encode = |t: &str| -> String {
        let encoded: String = form_urlencoded::byte_serialize(t.replace(':', " ").as_bytes()).collect();
        encoded.replace('+', "%20")
    };
    let issuer = encode(company);
    format!("otpauth://totp/{issuer}:{}?secret={}&issuer={issuer}", encode(user), accounts::base32(secret))
}

/// The signed-in person's own settings.
pub async fn account(desk: Desk) -> Result<Html<String>, ApiError> {
    shown(desk, |desk| {
        let user = &desk.user;
        let person = desk.snapshot.names.named(user.person);
        let body = html! {
            h1 { "Your account" }
            p { "Signed in as " strong { (text(&user.name)) } "; what you write carries the name of " strong { (text(&person)) } "." }
            section aria-labelledby="pw" {
                h2 id="pw" { "Password" }
                form.stacked method="post" action="/account/password" {
                    (desk.token_field())
                    label for="old" { "The one you have" }
                    input id="old" type="password" name="old" required autocomplete="current-password";
                    label for="new" { "The new one: at least " (PASSWORD_LEAST) " characters, a few words are good" }
                    input id="new" type="password" name="new" required minlength=(PASSWORD_LEAST) autocomplete="new-password";
                    button { "Change the password" }
                }
            }
            section aria-labelledby="code-h" {
                h2 id="code-h" { "Code at sign-in" }
                (code_section(desk)?)
            }
        };
        Ok(Page { title: "Your account".into(), job: None, body })
    })
    .await
}

fn code_section(desk: &Desk) -> Result<Markup, ApiError> {
    let user = &desk.user;
    let password = html! {
        label for="code-pw" { "Your password" }
        input id="code-pw" type="password" name="old" required autocomplete="current-password";
    };
    Ok(match (&user.totp, &user.pending) {
        (Some(_), _) => html! {
            p { "Signing in asks for a code from your authenticator." }
            form.stacked method="post" action="/account/code" {
                (desk.token_field())
                input type="hidden" name="what" value="off";
                (password)
                button { "Stop asking for a code" }
            }
        },
        (None, Some(secret)) => html! {
            p { "Scan this with an authenticator application, or type the letters below into it; then enter the code that it shows." }
            (qr(&otpauth(&user.name, &desk.snapshot.yard.company, secret), "QR code for an authenticator application; the letters below say the same")?)
            p { code.secret { (accounts::base32(secret)) } }
            form.stacked method="post" action="/account/code" {
                (desk.token_field())
                input type="hidden" name="what" value="confirm";
                label for="code" { "Code" }
                input id="code" name="code" inputmode="numeric" autocomplete="one-time-code" required;
                (password)
                button { "Ask for a code from now on" }
            }
        },
        (None, None) => html! {
            p { "A code from an authenticator application, besides the password, keeps others out who learnt the password." }
            form.stacked method="post" action="/account/code" {
                (desk.token_field())
                input type="hidden" name="what" value="begin";
                (password)
                button { "Set a code up" }
            }
        },
    })
}

fn typed<'f>(fields: &'f Fields, name: &str) -> &'f str {
    fields.iter().find(|(k, _)| *k == name).map_or("", |(_, v)| v)
}

/// Checks the password of whoever changes their account, as often as at sign-in.
fn again(desk: &Desk, fields: &Fields) -> Result<(), ApiError> {
    let (name, now) = (&desk.user.name, desk.now());
    desk.app.desk.may_try(name, now).map_err(|minutes| ApiError::too_many(minutes * 60))?;
    let right = accounts::verify(Some(&desk.user), typed(fields, "old"));
    desk.app.desk.tried(name, now, right);
    if right { Ok(()) } else { Err(unwritable("the password you have is not that one: nothing was changed")) }
}

/// Changes the password and ends the person's other sessions.
pub async fn change_password(Posted { desk, fields }: Posted) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |app| {
        again(&desk, &fields)?;
        let new = typed(&fields, "new");
        if let Some(why) = accounts::password_refused(&desk.user.name, new) {
            return Err(unwritable(why));
        }
        app.write(|tx| {
            accounts::put_password(tx, &desk.user.name, new)?;
            accounts::end_others(tx, &desk.user.name, &desk.session)
        })
    })
    .await?;
    Ok(Redirect::to("/account?done=password"))
}

/// Sets the second factor up, confirms or removes it.
pub async fn change_code(Posted { desk, fields }: Posted) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    let done = app
        .blocking(move |app| {
            again(&desk, &fields)?;
            let user = &desk.user;
            match fields.text("what") {
                "begin" => {
                    // 160 bits, the length RFC 4226 §4 recommends.
                    let secret: [u8; 20] = app.random()?;
                    app.write(|tx| accounts::put_pending(tx, &user.name, Some(&secret)))?;
                    Ok("/account#code-h")
                }
                "confirm" => {
                    let pending = user.pending.clone().ok_or_else(|| unwritable("set a code up first"))?;
                    let step =
                        accounts::step_of(&pending, fields.text("code"), app.now()).ok_or_else(|| {
                            unwritable("that is not the code your authenticator shows now: try the next one")
                        })?;
                    app.write(|tx| {
                        accounts::put_totp(tx, &user.name, Some(&pending))?;
                        accounts::use_step(tx, user, step)
                    })?;
                    Ok("/account?done=code-on")
                }
                "off" => {
                    app.write(|tx| accounts::put_totp(tx, &user.name, None))?;
                    Ok("/account?done=code-off")
                }
                _ => Err(ApiError::bad("form", "nothing was asked for")),
            }
        })
        .await?;
    Ok(Redirect::to(done))
}
