//! A target that takes what a stranger sends as an access token.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::sync::LazyLock;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use bolebook_core::ids::DeviceId;
use bolebook_core::quantity::UtcMs;
use bolebook_core::service::assertion_signed;
use bolebook_core::signing::SecretKey;
use bolebook_db::Connection;
use bolebook_server::auth::Tokens;
use bolebook_server::token_keys;
use serde_json::{Value, json};

use crate::fuzz::Ended;
use crate::sim::dice::Dice;

const NOW: UtcMs = UtcMs(1_780_315_200_000);
const KEY: [u8; 32] = [5; 32];
const KID: [u8; 16] = [6; 16];

static SERVER: LazyLock<DeviceId> = LazyLock::new(|| SecretKey::from_seed([1; 32]).device());
static DEVICE: LazyLock<DeviceId> = LazyLock::new(|| SecretKey::from_seed([2; 32]).device());
/// What the server itself would write.
static PARTS: LazyLock<(Value, Value)> = LazyLock::new(|| {
    let now = NOW.0 / 1_000;
    let claims = json!({
        "iss": SERVER.to_string(), "sub": DEVICE.to_string(), "aud": "bolebook",
        "nbf": now - 60, "iat": now, "exp": now + 900, "role": "crew",
    });
    (json!({ "alg": "EdDSA", "typ": "JWT", "kid": hex(&KID) }), claims)
});

static OWN: LazyLock<SecretKey> = LazyLock::new(|| SecretKey::from_seed(KEY));
static OTHER: LazyLock<SecretKey> = LazyLock::new(|| SecretKey::from_seed([7; 32]));

thread_local! {
    /// Tokens signed before: there are few texts to sign, and signing is most of the work.
    static SIGNED: RefCell<BTreeMap<(bool, String), String>> = const { RefCell::new(BTreeMap::new()) };
    static SERVED: RefCell<(Connection, Tokens)> = RefCell::new({
        let mut db = Connection::open_in_memory().unwrap();
        token_keys::prepare(&db).unwrap();
        let tx = db.transaction().unwrap();
        token_keys::renew(&tx, (KEY, KID), NOW, false).unwrap();
        tx.commit().unwrap();
        (db, Tokens::new(*SERVER))
    });
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

fn odd(dice: &mut Dice) -> Value {
    match dice.below(14) {
        0 => Value::Null,
        1 => json!(0),
        2 => json!(-1),
        3 => json!(i64::MAX),
        4 => json!(1e300),
        5 => json!(""),
        6 => json!("bolebook2"),
        7 => json!(["bolebook"]),
        8 => json!({}),
        9 => json!("office"),
        10 => json!("none"),
        11 => json!("HS256"),
        12 => json!("ES256"),
        _ => json!("../../token_keys"),
    }
}

fn sign(own: bool, text: &str) -> String {
    assertion_signed(text, &if own { &OWN } else { &OTHER }.sign(text.as_bytes()))
}

/// Makes a token: a field changed or left out, signed by the server's own key two times in three,
/// then now and then broken in a place.
pub fn make_token(dice: &mut Dice) -> Vec<u8> {
    let (mut header, mut claims) = PARTS.clone();
    if dice.chance(900) {
        let part = if dice.chance(300) { &mut header } else { &mut claims };
        let count = part.as_object().map_or(0, serde_json::Map::len);
        let field =
            part.as_object().and_then(|p| p.keys().nth(dice.below(count))).cloned().unwrap_or_default();
        if dice.chance(150) {
            part.as_object_mut().map(|p| p.remove(&field));
        } else {
            part[field] = odd(dice);
        }
    }
    let part = |value: &Value| URL_SAFE_NO_PAD.encode(value.to_string());
    let text = format!("{}.{}", part(&header), part(&claims));
    let own = dice.chance(660);
    let mut token = SIGNED.with_borrow_mut(|signed| {
        signed.entry((own, text)).or_insert_with_key(|(own, text)| sign(*own, text)).clone()
    });
    if dice.chance(150) {
        let at = dice.below(token.len());
        token.replace_range(at..=at, ["A", ".", "=", "é", ""][dice.below(5)]);
    }
    token.into_bytes()
}

/// Reads a token. Only what the server's own key signed holds, for who it says, in its time and with
/// the algorithm that is pinned. What passes here is the signature, checked apart from the reader.
pub fn token(bytes: &[u8]) -> Ended {
    let Ok(text) = std::str::from_utf8(bytes) else { return Ended::early("not UTF-8") };
    let (said, signature) = text.rsplit_once('.').unwrap_or((text, ""));
    let known = SIGNED.with_borrow(|signed| signed.get(&(true, said.to_owned())).cloned());
    let own = !signature.is_empty() && known.unwrap_or_else(|| sign(true, said)) == text;
    let found = SERVED.with_borrow(|(db, tokens)| tokens.read(db, text, NOW));
    let class = match &found {
        Ok((device, role)) => {
            assert!(own, "a token that the server did not sign holds: {text}");
            let mut parts = said.split('.').map(|part| {
                let json = URL_SAFE_NO_PAD.decode(part).expect("a token that holds is base64");
                serde_json::from_slice::<Value>(&json).expect("a token that holds is JSON")
            });
            let (header, claims) = (parts.next().unwrap_or_default(), parts.next().unwrap_or_default());
            assert_eq!((&header["alg"], &header["kid"]), (&json!("EdDSA"), &json!(hex(&KID))), "{header}");
            assert_eq!(claims["sub"], json!(device.to_string()), "{claims}");
            assert_eq!(claims["iss"], json!(SERVER.to_string()), "{claims}");
            assert!(claims["exp"].as_f64() >= Some((NOW.0 / 1_000) as f64), "{claims}");
            format!("holds, {role:?}")
        }
        Err(error) => error.to_string().chars().take_while(|c| !c.is_ascii_digit()).take(60).collect(),
    };
    Ended { passed: own, class }
}
