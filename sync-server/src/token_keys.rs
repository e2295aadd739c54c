//! The keys that sign access tokens: made here, named by `kid`, replaced every thirty days.
//!
//! They stand in the database, so that several processes over one log take each other's tokens and
//! a key that is thrown out counts no more from that moment, whatever a running server had read.
//! A token lives for a quarter of an hour, so an old key is of no use soon after the new one came.

use bolebook_core::quantity::UtcMs;
use bolebook_core::signing::SecretKey;
use bolebook_db::{Connection, OptionalExtension as _, Transaction, params};

use crate::auth::{LEEWAY_SECONDS, TOKEN_SECONDS};
use crate::error::ApiError;

/// How long a key signs before the next one is made, in milliseconds: thirty days.
pub const KEY_LIFE_MS: i64 = 30 * 86_400_000;
/// How long tokens of the key before are still taken, in milliseconds.
const GRACE_MS: i64 = (TOKEN_SECONDS + LEEWAY_SECONDS) * 1_000;

const CREATE: &str = "
    CREATE TABLE IF NOT EXISTS token_keys (
        kid TEXT PRIMARY KEY,
        seed TEXT NOT NULL,
        made_at INTEGER NOT NULL
    );
";
const NEWEST: &str = "SELECT kid, seed, made_at FROM token_keys ORDER BY made_at DESC, kid DESC LIMIT 1";
const BY_KID: &str = "SELECT seed FROM token_keys WHERE kid = ?1";
const ADD: &str = "INSERT INTO token_keys (kid, seed, made_at) VALUES (?1, ?2, ?3)";
const DROP_OTHERS: &str = "DELETE FROM token_keys WHERE kid NOT IN (?1, ?2)";

/// Lays the table out if it is not there yet.
///
/// # Errors
/// The database's.
pub fn prepare(db: &Connection) -> bolebook_db::Result<()> {
    db.execute_batch(CREATE)
}

/// A key that signs tokens.
#[derive(Debug)]
pub struct TokenKey {
    /// Its name in a token's header.
    pub kid: String,
    /// The key.
    pub key: SecretKey,
    made_at: i64,
}

fn key_of(seed: &str) -> Result<SecretKey, ApiError> {
    let mut bytes = [0; 32];
    hex::decode_to_slice(seed, &mut bytes).map_err(|e| ApiError::internal(&e))?;
    Ok(SecretKey::from_seed(bytes))
}

/// The key that signs now, if there is one.
///
/// # Errors
/// The database's.
pub fn newest(db: &Connection) -> Result<Option<TokenKey>, ApiError> {
    let row: Option<(String, String, i64)> =
        db.query_row(NEWEST, [], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?))).optional()?;
    row.map(|(kid, seed, made_at)| Ok(TokenKey { key: key_of(&seed)?, kid, made_at })).transpose()
}

/// Whether a new key is to be made.
///
/// # Errors
/// The database's.
pub fn due(db: &Connection, now: UtcMs) -> Result<bool, ApiError> {
    Ok(newest(db)?.is_none_or(|key| now.0.saturating_sub(key.made_at) >= KEY_LIFE_MS))
}

/// Makes the next key, if it is due or `at_once`; then the keys before count no more at all.
/// Gives its name.
///
/// # Errors
/// The database's.
pub fn renew(
    tx: &Transaction<'_>,
    (seed, kid): ([u8; 32], [u8; 16]),
    now: UtcMs,
    at_once: bool,
) -> Result<String, ApiError> {
    let before = newest(tx)?;
    if let Some(key) = &before
        && !at_once
        && now.0.saturating_sub(key.made_at) < KEY_LIFE_MS
    {
        return Ok(key.kid.clone());
    }
    let kid = hex::encode(kid);
    // Later than the one before, whatever the clock says: the newest signs.
    let made_at = before.as_ref().map_or(now.0, |key| now.0.max(key.made_at + 1));
    tx.execute(ADD, params![kid, hex::encode(seed), made_at])?;
    let kept = before.filter(|_| !at_once).map_or_else(|| kid.clone(), |key| key.kid);
    tx.execute(DROP_OTHERS, params![kid, kept])?;
    Ok(kid)
}

/// The key a token names: the one that signs, or the one before it for as long as its tokens live.
///
/// # Errors
/// The database's.
pub fn named(db: &Connection, kid: &str, now: UtcMs) -> Result<Option<SecretKey>, ApiError> {
    let Some(newest) = newest(db)? else { return Ok(None) };
    if newest.kid == kid {
        return Ok(Some(newest.key));
    }
    if now.0.saturating_sub(newest.made_at) > GRACE_MS {
        return Ok(None);
    }
    let seed: Option<String> = db.query_row(BY_KID, [kid], |row| row.get(0)).optional()?;
    seed.map(|seed| key_of(&seed)).transpose()
}
