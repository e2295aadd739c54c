//! The keys that sign access tokens: replaced, and thrown out.

mod support;

use std::sync::atomic::Ordering;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use bolebook_core::exchange::code;
use bolebook_core::record::people::Role;
use support::{Client, Server, fresh};

#[test]
fn keys_that_sign_tokens_are_replaced_and_one_that_is_thrown_out_counts_no_more_at_once() {
    use bolebook_server::token_keys::{KEY_LIFE_MS, renew};
    let data = tempfile::tempdir().unwrap();
    let (server, mut office) = {
        support::Server::init(data.path());
        let server = Server::start(data.path());
        let office = Client::certified(&server.url, 1, Role::Office);
        (server, office)
    };
    let kid = |client: &Client| {
        let header = client.token.clone().unwrap();
        let header = header.split('.').next().unwrap().to_owned();
        let bytes = URL_SAFE_NO_PAD.decode(header).unwrap();
        let header: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
        assert_eq!(header["alg"], "EdDSA");
        header["kid"].as_str().unwrap().to_owned()
    };
    let first = kid(&office);
    office.sign_in().unwrap();
    assert_eq!(kid(&office), first, "the same key until it is a month old");
    // The month is over between two requests: the token in hand still counts for its quarter of an hour.
    server.clock.fetch_add(KEY_LIFE_MS - 600_000, Ordering::Relaxed);
    office.sign_in().unwrap();
    let old = office.token.clone();
    server.clock.fetch_add(600_000, Ordering::Relaxed);
    let mut crew = Client::certified(&server.url, 2, Role::Crew);
    assert_ne!(kid(&crew), first);
    assert_eq!(office.get("/v1/books").status, 200);
    server.clock.fetch_add(301_000, Ordering::Relaxed);
    assert_eq!(office.get("/v1/books").problem().code, code::TOKEN);
    // Thrown out: no token of it counts from this moment, not even a fresh one.
    crew.sign_in().unwrap();
    assert_eq!(crew.get("/v1/books").status, 200);
    let now = server.app.now();
    let newest = server.app.write(|tx| renew(tx, (fresh(), fresh()), now, true)).unwrap();
    assert_eq!(crew.get("/v1/books").problem().code, code::TOKEN);
    crew.sign_in().unwrap();
    assert_eq!(kid(&crew), newest);
    assert_eq!(crew.get("/v1/books").status, 200);
    office.token = old;
    assert_eq!(office.get("/v1/books").problem().code, code::TOKEN);
}
