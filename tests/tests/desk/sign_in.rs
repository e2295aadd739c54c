//! Signing in, second factor, forms' tokens, and what they keep out.

use std::sync::atomic::Ordering;

use bolebook_tests::world::World;
use totp_rs::{Algorithm, Builder, Secret};

use crate::site::{Browser, PASSWORD, Site};

fn site() -> Site {
    Site::new(&mut World::new(), true)
}

#[test]
fn nobody_sees_a_page_without_signing_in() {
    let site = site();
    let mut browser = Browser::new(&site.desk);
    for path in ["/", "/people", "/devices", "/jobs/x", "/search?q=a", "/account"] {
        let answer = browser.get(path);
        assert_eq!(answer.status, 303, "{path}");
        assert!(answer.header("location").starts_with("/sign-in?next=%2F"), "{path}");
        assert!(answer.text.is_empty());
    }
    assert_eq!(browser.post("/sign-out", &[]).status, 403);
    assert_eq!(browser.get("/nothing").status, 404);
    assert_eq!(browser.get("/sign-out").status, 405);
}

#[test]
fn a_wrong_password_is_refused_and_a_right_one_opens_a_session_that_ends() {
    let site = site();
    let mut browser = Browser::new(&site.desk);
    for (name, password) in [("olive", "four invented words herE"), ("nobody", PASSWORD), ("olive", "")] {
        let answer = browser.post("/sign-in", &[("name", name), ("password", password)]);
        assert_eq!(answer.status, 401);
        assert!(answer.text.contains("not right") && answer.header("set-cookie").is_empty());
    }
    let answer = browser.post("/sign-in", &[("name", "olive"), ("password", PASSWORD), ("next", "/people")]);
    assert_eq!((answer.status, answer.header("location")), (303, "/people"));
    let cookie = answer.header("set-cookie").to_owned();
    assert!(
        cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict") && cookie.contains("Path=/"),
        "{cookie}"
    );
    assert!(!cookie.contains("Secure"), "loopback without TLS");
    let page = browser.page("/people");
    assert!(page.text.contains("Olive Invented"));
    // Of the session's id only a digest is stored.
    let id = cookie.split(['=', ';']).nth(1).unwrap().to_owned();
    let stored: Vec<u8> =
        site.app.read(|db| Ok(db.query_row("SELECT id FROM desk_sessions", [], |r| r.get(0))?)).unwrap();
    assert_eq!(id.len(), 64);
    assert_ne!(stored, hex_bytes(&id));
    let out = browser.submit(&page, "/sign-out", &[]);
    assert_eq!(out.status, 303);
    assert!(out.header("set-cookie").contains("Max-Age=0"));
    let again = browser.send("GET", "/people", &[("cookie", &format!("bolebook-desk={id}"))], "");
    assert_eq!(again.status, 303, "the session is over on the server too");
}

fn hex_bytes(text: &str) -> Vec<u8> {
    (0..text.len()).step_by(2).map(|i| u8::from_str_radix(&text[i..i + 2], 16).unwrap()).collect()
}

#[test]
fn a_session_ends_when_it_is_not_used() {
    let site = site();
    let mut browser = site.browser();
    site.clock.fetch_add(90 * 60_000, Ordering::Relaxed);
    browser.page("/");
    site.clock.fetch_add(90 * 60_000, Ordering::Relaxed);
    browser.page("/");
    site.clock.fetch_add(121 * 60_000, Ordering::Relaxed);
    assert_eq!(browser.get("/").status, 303);
}

#[test]
fn behind_tls_the_cookie_is_secure_and_bound_to_its_host() {
    let site = Site::with(&mut World::new(), false, |c| c.desk_url = Some("https://desk.example.org".into()));
    let answer = Browser::new(&site.desk).post("/sign-in", &[("name", "olive"), ("password", PASSWORD)]);
    let cookie = answer.header("set-cookie");
    assert!(cookie.starts_with("__Host-bolebook-desk=") && cookie.ends_with("; Secure"), "{cookie}");
}

#[test]
fn an_address_that_tries_too_often_waits_and_so_does_an_account() {
    let site = site();
    let mut browser = Browser::new(&site.desk);
    let wrong = [("name", "olive"), ("password", "not the password")];
    let statuses: Vec<u16> = (0..11).map(|_| browser.post("/sign-in", &wrong).status).collect();
    assert_eq!(statuses[..10], [401; 10]);
    assert_eq!(statuses[10], 429);
    site.clock.fetch_add(61_000, Ordering::Relaxed);
    let right = [("name", "olive"), ("password", PASSWORD)];
    let answer = browser.post("/sign-in", &right);
    assert_eq!(answer.status, 429, "ten wrong passwords keep the account shut, whoever asks");
    assert!(!answer.header("retry-after").is_empty());
    site.clock.fetch_add(15 * 60_000, Ordering::Relaxed);
    assert_eq!(browser.post("/sign-in", &right).status, 303);
}

#[test]
fn after_signing_in_nobody_is_sent_elsewhere() {
    let site = site();
    for next in ["https://evil.example", "//evil.example", "/\\evil.example", "javascript:alert(1)"] {
        let fields = [("name", "olive"), ("password", PASSWORD), ("next", next)];
        let answer = Browser::new(&site.desk).post("/sign-in", &fields);
        assert_eq!((answer.status, answer.header("location")), (303, "/"), "{next}");
    }
}

#[test]
fn a_form_without_its_sessions_token_or_from_elsewhere_is_refused() {
    let mut world = World::new();
    let site = Site::new(&mut world, true);
    let (mut one, mut other) = (site.browser(), site.browser());
    let action = format!("/jobs/{}/links", world.job.id());
    let fill = [("note", "x"), ("days", "30"), ("language", "en")];
    let with = |token: &str, headers: &[(&str, &str)], browser: &mut Browser| {
        let mut fields = fill.to_vec();
        fields.push(("token", token));
        browser.post_from(&action, &fields, headers).status
    };
    let token = |browser: &mut Browser| {
        let page = browser.page(&action);
        page.form(&action).into_iter().find(|(n, _)| n == "token").unwrap().1
    };
    let (mine, theirs) = (token(&mut one), token(&mut other));
    assert_ne!(mine, theirs);
    assert_eq!(with("", &[], &mut one), 403);
    assert_eq!(with(&theirs, &[], &mut one), 403);
    assert_eq!(with(&mine, &[("origin", "https://evil.example")], &mut one), 403);
    assert_eq!(with(&mine, &[("sec-fetch-site", "cross-site")], &mut one), 403);
    assert_eq!(one.page(&action).text.matches("Withdraw").count(), 0, "nothing was written");
    assert_eq!(with(&mine, &[("origin", &site.desk)], &mut one), 201);
    let json = one.send("POST", &action, &[("content-type", "application/json")], "{}");
    assert_eq!(json.status, 415);
}

fn code(secret: &str, at: i64) -> String {
    let built =
        Builder::new().with_algorithm(Algorithm::SHA1).with_digits(6).with_skew(0).with_step_duration(30);
    let totp = built.with_secret(Secret::try_from_base32(secret).unwrap()).build_noncompliant();
    totp.generate(u64::try_from(at / 1_000).unwrap()).to_string()
}

#[test]
fn a_second_factor_is_asked_for_once_set_and_each_code_counts_once() {
    let site = site();
    let mut browser = site.browser();
    let page = browser.page("/account");
    let refused = browser.submit(&page, "/account/code", &[("old", "not it")]);
    assert_eq!(refused.status, 422);
    let begun = browser.submit(&page, "/account/code", &[("old", PASSWORD)]);
    let page = browser.follow(&begun);
    assert!(page.text.contains("<svg") && page.text.contains("role=\"img\""), "the QR code");
    let secret = page.text.split("class=\"secret\">").nth(1).unwrap().split('<').next().unwrap().to_owned();
    let wrong = browser.submit(&page, "/account/code", &[("old", PASSWORD), ("code", "000000")]);
    assert_eq!(wrong.status, 422);
    let now = || site.clock.load(Ordering::Relaxed);
    let first = code(&secret, now());
    let confirmed = browser.submit(&page, "/account/code", &[("old", PASSWORD), ("code", &first)]);
    assert!(browser.follow(&confirmed).text.contains("asks for a code"));
    let mut fresh = Browser::new(&site.desk);
    let name = [("name", "olive"), ("password", PASSWORD)];
    assert_eq!(fresh.post("/sign-in", &name).status, 401, "the password alone is not enough");
    let with = |code: &str, browser: &mut Browser| {
        browser.post("/sign-in", &[name[0], name[1], ("code", code)]).status
    };
    assert_eq!(with(&first, &mut fresh), 401, "the code that set it up is spent");
    site.clock.fetch_add(60_000, Ordering::Relaxed);
    let second = code(&secret, now());
    assert_eq!(with(&second, &mut fresh), 303);
    assert_eq!(with(&second, &mut Browser::new(&site.desk)), 401, "a code counts once");
}

#[test]
fn a_changed_password_ends_other_sessions() {
    let site = site();
    let (mut one, mut other) = (site.browser(), site.browser());
    let page = one.page("/account");
    let weak = one.submit(&page, "/account/password", &[("old", PASSWORD), ("new", "short")]);
    assert_eq!(weak.status, 422);
    let changed =
        one.submit(&page, "/account/password", &[("old", PASSWORD), ("new", "five other invented words")]);
    one.follow(&changed);
    assert_eq!(other.get("/").status, 303);
    assert_eq!(other.post("/sign-in", &[("name", "olive"), ("password", PASSWORD)]).status, 401);
}

/// A password costs 19 MiB while it is hashed: above the most at once a sign-in waits, and is served then.
#[test]
fn above_the_most_passwords_at_once_a_sign_in_waits_for_its_turn() {
    let site = site();
    let all = u32::try_from(site.app.desk.hashing.available_permits()).unwrap();
    assert_eq!(all, 4);
    let held = site.app.desk.hashing.try_acquire_many(all).unwrap();
    let mut browser = Browser::new(&site.desk);
    let (say, hear) = std::sync::mpsc::channel();
    let asks = std::thread::spawn(move || {
        say.send(browser.post("/sign-in", &[("name", "olive"), ("password", PASSWORD)]).status).unwrap();
    });
    hear.recv_timeout(std::time::Duration::from_millis(100))
        .expect_err("nobody is in while there is no room");
    drop(held);
    assert_eq!(hear.recv().unwrap(), 303);
    asks.join().unwrap();
}
