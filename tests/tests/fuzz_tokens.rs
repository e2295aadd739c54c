//! Access tokens, nearly right, by the thousand: none panics, and none holds but what the server
//! itself signed, unchanged and in time.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use bolebook_core::quantity::UtcMs;
use bolebook_core::service::assertion_signed;
use bolebook_core::signing::SecretKey;
use bolebook_server::auth::Tokens;
use bolebook_server::token_keys;
use bolebook_tests::sim::dice::Dice;
use serde_json::{Value, json};

const NOW: UtcMs = UtcMs(1_780_315_200_000);
const EXECUTIONS: u32 = 4_000;

fn text(header: &Value, claims: &Value) -> String {
    let part = |value: &Value| URL_SAFE_NO_PAD.encode(value.to_string());
    format!("{}.{}", part(header), part(claims))
}

#[test]
#[allow(clippy::print_stdout, reason = "the share is for whoever runs it")]
fn i9_thousands_of_nearly_right_tokens_panic_nothing_and_only_the_servers_own_word_holds() {
    let mut db = bolebook_db::Connection::open_in_memory().unwrap();
    token_keys::prepare(&db).unwrap();
    let tx = db.transaction().unwrap();
    let kid = token_keys::renew(&tx, ([5; 32], [6; 16]), NOW, false).unwrap();
    tx.commit().unwrap();
    let (key, other) = (SecretKey::from_seed([5; 32]), SecretKey::from_seed([7; 32]));
    let (server, device) = (SecretKey::from_seed([1; 32]).device(), SecretKey::from_seed([2; 32]).device());
    let tokens = Tokens::new(server);
    let now = NOW.0 / 1_000;
    let claims = json!({
        "iss": server.to_string(), "sub": device.to_string(), "aud": "bolebook",
        "nbf": now - 60, "iat": now, "exp": now + 900, "role": "crew",
    });
    let header = json!({ "alg": "EdDSA", "typ": "JWT", "kid": kid });
    let sign = |key: &SecretKey, text: &str| assertion_signed(text, &key.sign(text.as_bytes()));
    let good = sign(&key, &text(&header, &claims));
    assert_eq!(tokens.read(&db, &good, NOW).unwrap().0, device);
    let odd = [
        Value::Null,
        json!(0),
        json!(-1),
        json!(i64::MAX),
        json!(1e300),
        json!(""),
        json!("bolebook2"),
        json!([claims["aud"].clone()]),
        json!({}),
        json!("office"),
        json!("none"),
        json!("HS256"),
        json!("ES256"),
        json!("../../token_keys"),
    ];
    let mut dice = Dice::new(20_261_125);
    let (mut signed, mut held) = (0, 0);
    for _ in 0..EXECUTIONS {
        let (mut header, mut claims) = (header.clone(), claims.clone());
        let of_header = dice.chance(300);
        let part = if of_header { &mut header } else { &mut claims };
        let fields: Vec<String> = part.as_object().unwrap().keys().cloned().collect();
        let field = &fields[dice.below(fields.len())];
        let before = part[field].clone();
        if dice.chance(150) {
            part.as_object_mut().unwrap().remove(field);
        } else {
            part[field] = odd[dice.below(odd.len())].clone();
        }
        let same = part.get(field) == Some(&before);
        let text = text(&header, &claims);
        // Signed by the right key half of the time, so that what comes after the signature is reached.
        let right = dice.chance(500);
        let mut token = sign(if right { &key } else { &other }, &text);
        let broken = dice.chance(150);
        if broken {
            let at = dice.below(token.len());
            token.replace_range(at..=at, ["A", ".", "=", "é", ""][dice.below(5)]);
        }
        signed += u32::from(right && !broken);
        if let Ok((found, _)) = tokens.read(&db, &token, NOW) {
            held += 1;
            // A header without its type, a missing 'iat' and another role the server itself signed
            // change nothing of who asks.
            assert!(right && found == device, "{header} {claims}");
            let harmless = same || ["typ", "iat", "role", "nbf", "exp", "aud"].contains(&field.as_str());
            assert!(harmless, "{field}: {header} {claims}");
            let exp = claims["exp"].as_f64().unwrap();
            assert!(exp >= now as f64 && header["kid"] == kid.as_str() && header["alg"] == "EdDSA");
        }
    }
    println!("{signed} of {EXECUTIONS} passed the signature, {held} held");
    assert!(signed * 100 >= EXECUTIONS * 30 && held > 0);
    // Every prefix, and every byte left out.
    for at in 0..good.len() {
        assert!(tokens.read(&db, &good[..at], NOW).is_err());
        let mut without = good.clone();
        without.remove(at);
        assert!(tokens.read(&db, &without, NOW).is_err(), "{at}");
    }
}
