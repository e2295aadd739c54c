//! Office people's accounts and sessions: every statement, and how passwords and codes are kept.
//!
//! A password is kept as argon2id with 19 MiB, 2 passes, 1 lane (OWASP Password Storage Cheat
//! Sheet's first choice, the library's default). A session's id is 256 random bits, of which only
//! the SHA-256 is stored. A second factor is a time-based code (RFC 6238: SHA-1, 6 digits, 30 s);
//! each code counts once.

use argon2::Argon2;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher as _, PasswordVerifier as _};
use bolebook_core::ids::{PersonId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_db::{Connection, OptionalExtension as _, params};
use totp_rs::{Algorithm, Builder, Secret};

use crate::desk::waiting;
use crate::error::ApiError;

/// Fewest characters of a password (OWASP ASVS 4.0.3, 2.1.1).
pub const PASSWORD_LEAST: usize = 12;
/// Most characters of a password (OWASP ASVS 4.0.3, 2.1.2).
pub const PASSWORD_MOST: usize = 128;
/// A session ends this long after signing in.
pub const SESSION_MS: i64 = 12 * 3_600_000;
/// And this long after it was last used.
pub const IDLE_MS: i64 = 2 * 3_600_000;
/// Seconds a time-based code counts.
const STEP_S: u64 = 30;

/// The tables.
pub const CREATE: &str = "
    CREATE TABLE IF NOT EXISTS desk_users (
        name TEXT PRIMARY KEY,
        person TEXT NOT NULL,
        password TEXT NOT NULL,
        totp BLOB,
        totp_pending BLOB,
        totp_step INTEGER NOT NULL DEFAULT 0,
        created_at INTEGER NOT NULL,
        signed_in_at INTEGER
    );
    CREATE TABLE IF NOT EXISTS desk_sessions (
        id BLOB PRIMARY KEY,
        \"user\" TEXT NOT NULL REFERENCES desk_users (name) ON DELETE CASCADE,
        created_at INTEGER NOT NULL,
        used_at INTEGER NOT NULL
    );
";
const ADD: &str = "INSERT INTO desk_users (name, person, password, created_at) VALUES (?1, ?2, ?3, ?4) ON CONFLICT DO NOTHING";
const USER: &str = "SELECT name, person, password, totp, totp_pending, totp_step, signed_in_at FROM desk_users WHERE name = ?1";
const USERS: &str = "SELECT name, person, password, totp, totp_pending, totp_step, signed_in_at FROM desk_users ORDER BY name";
const REMOVE: &str = "DELETE FROM desk_users WHERE name = ?1";
const SIGNED_IN: &str = "UPDATE desk_users SET signed_in_at = ?2 WHERE name = ?1";
/// Moves only forward: a code that two requests bring at once counts for one of them.
const USE_STEP: &str = "UPDATE desk_users SET totp_step = ?2 WHERE name = ?1 AND totp_step < ?2";
const PUT_PENDING: &str = "UPDATE desk_users SET totp_pending = ?2 WHERE name = ?1";
const PUT_TOTP: &str = "UPDATE desk_users SET totp = ?2, totp_pending = NULL WHERE name = ?1";
const PUT_PASSWORD: &str = "UPDATE desk_users SET password = ?2 WHERE name = ?1";
const ADD_SESSION: &str =
    "INSERT INTO desk_sessions (id, \"user\", created_at, used_at) VALUES (?1, ?2, ?3, ?3)";
const SESSION: &str = "SELECT \"user\", created_at, used_at FROM desk_sessions WHERE id = ?1";
const TOUCH: &str = "UPDATE desk_sessions SET used_at = ?2 WHERE id = ?1";
const END_SESSION: &str = "DELETE FROM desk_sessions WHERE id = ?1";
const END_SESSIONS: &str = "DELETE FROM desk_sessions WHERE \"user\" = ?1";
const END_OTHERS: &str = "DELETE FROM desk_sessions WHERE \"user\" = ?1 AND id <> ?2";
const END_SESSIONS_OF: &str =
    "DELETE FROM desk_sessions WHERE \"user\" IN (SELECT name FROM desk_users WHERE person = ?1)";
const REMOVE_OF: &str = "DELETE FROM desk_users WHERE person = ?1";
const SWEEP: &str = "DELETE FROM desk_sessions WHERE created_at < ?1 OR used_at < ?2";

/// An account.
#[derive(Clone, Debug)]
pub struct User {
    /// What they sign in as.
    pub name: String,
    /// Who they are in the yard book.
    pub person: PersonId,
    /// The secret of the second factor, once it was confirmed.
    pub totp: Option<Vec<u8>>,
    /// One that waits for its first code.
    pub pending: Option<Vec<u8>>,
    /// When they last signed in.
    pub signed_in_at: Option<UtcMs>,
    password: String,
    step: u64,
}

fn read(row: &bolebook_db::Row<'_>) -> bolebook_db::Result<(String, User)> {
    let step: i64 = row.get(5)?;
    let user = User {
        name: row.get(0)?,
        person: PersonId::new(0, [0; 10]),
        password: row.get(2)?,
        totp: row.get(3)?,
        pending: row.get(4)?,
        step: u64::try_from(step).unwrap_or(0),
        signed_in_at: row.get::<_, Option<i64>>(6)?.map(UtcMs),
    };
    Ok((row.get(1)?, user))
}

fn with_person((person, user): (String, User)) -> Result<User, ApiError> {
    let person = person.parse().map_err(|e| ApiError::internal(&e))?;
    Ok(User { person, ..user })
}

/// Why a password cannot be taken, in plain words.
pub fn password_refused(name: &str, password: &str) -> Option<String> {
    let length = password.chars().count();
    if !(PASSWORD_LEAST..=PASSWORD_MOST).contains(&length) {
        return Some(format!(
            "a password has {PASSWORD_LEAST} to {PASSWORD_MOST} characters: a few words are good, this one has {length}"
        ));
    }
    let first = password.chars().next();
    let dull = password.chars().all(|c| Some(c) == first);
    let named = name.len() >= 3 && password.to_lowercase().contains(&name.to_lowercase());
    (dull || named)
        .then(|| "choose a password that is not one sign repeated and does not hold your name".into())
}

/// A user's name: what is typed at every sign-in.
pub fn name_refused(name: &str) -> bool {
    name.is_empty() || name.len() > 64 || name.trim() != name || name.chars().any(char::is_control)
}

/// The stored form of a password.
///
/// # Errors
/// An internal error when there is no randomness.
pub fn hash(password: &str) -> Result<String, ApiError> {
    let hash: PasswordHash =
        Argon2::default().hash_password(password.as_bytes()).map_err(|e| ApiError::internal(&e))?;
    Ok(hash.to_string())
}

/// Whether a password is the one stored. As slow for an unknown user as for a known one.
pub fn verify(user: Option<&User>, password: &str) -> bool {
    /// The hash of a password nobody has.
    static NOBODY: std::sync::OnceLock<String> = std::sync::OnceLock::new();
    let nobody = || NOBODY.get_or_init(|| hash("nobody has this password").unwrap_or_default());
    let stored = user.map_or_else(nobody, |u| &u.password);
    let holds = PasswordHash::new(stored)
        .is_ok_and(|hash| Argon2::default().verify_password(password.as_bytes(), &hash).is_ok());
    holds && user.is_some()
}

fn totp(secret: &[u8]) -> totp_rs::Totp {
    let built = Builder::new().with_algorithm(Algorithm::SHA1).with_digits(6).with_skew(1);
    built.with_step_duration(STEP_S).with_secret(Secret::from(secret)).build_noncompliant()
}

/// The step a code belongs to, one step of clock difference forgiven to either side (RFC 6238 §5.2, §6).
pub fn step_of(secret: &[u8], code: &str, now: UtcMs) -> Option<u64> {
    let code: String = code.chars().filter(|c| !c.is_whitespace()).collect();
    totp(secret).check(&code, u64::try_from(now.0.div_euclid(1_000)).unwrap_or(0))
}

/// The secret as an authenticator application takes it by hand.
pub fn base32(secret: &[u8]) -> String {
    Secret::from(secret).to_base32()
}

/// Adds an account; false when the name is taken.
///
/// # Errors
/// The database's; no randomness.
pub fn add(
    db: &Connection,
    name: &str,
    person: PersonId,
    password: &str,
    now: UtcMs,
) -> Result<bool, ApiError> {
    Ok(db.execute(ADD, params![name, person.to_string(), hash(password)?, now.0])? == 1)
}

/// An account by its name.
///
/// # Errors
/// The database's.
pub fn user(db: &Connection, name: &str) -> Result<Option<User>, ApiError> {
    db.query_row(USER, [name], read).optional()?.map(with_person).transpose()
}

/// Every account.
///
/// # Errors
/// The database's.
pub fn users(db: &Connection) -> Result<Vec<User>, ApiError> {
    let mut query = db.prepare(USERS)?;
    let rows = query.query_map([], read)?.collect::<Result<Vec<_>, _>>()?;
    rows.into_iter().map(with_person).collect()
}

/// Removes an account and ends its sessions; false when there is none.
///
/// # Errors
/// The database's.
pub fn remove(db: &Connection, name: &str) -> Result<bool, ApiError> {
    db.execute(END_SESSIONS, [name])?;
    Ok(db.execute(REMOVE, [name])? == 1)
}

/// Removes the accounts of a person whose name was erased: what they sign in as is a name too.
///
/// # Errors
/// The database's.
pub fn remove_of(db: &Connection, person: PersonId) -> Result<(), ApiError> {
    let person = person.to_string();
    crate::portal::links::forget_maker(db, &person)?;
    db.execute(END_SESSIONS_OF, [&person])?;
    db.execute(REMOVE_OF, [&person])?;
    Ok(())
}

/// Takes a code's step, once; false when it was taken before.
///
/// # Errors
/// The database's.
pub fn use_step(db: &Connection, user: &User, step: u64) -> Result<bool, ApiError> {
    let step = i64::try_from(step).unwrap_or(i64::MAX);
    Ok(step > i64::try_from(user.step).unwrap_or(i64::MAX)
        && db.execute(USE_STEP, params![user.name, step])? == 1)
}

/// Keeps a secret until its first code came.
///
/// # Errors
/// The database's.
pub fn put_pending(db: &Connection, name: &str, secret: Option<&[u8]>) -> Result<(), ApiError> {
    db.execute(PUT_PENDING, params![name, secret])?;
    Ok(())
}

/// Sets or removes the second factor.
///
/// # Errors
/// The database's.
pub fn put_totp(db: &Connection, name: &str, secret: Option<&[u8]>) -> Result<(), ApiError> {
    db.execute(PUT_TOTP, params![name, secret])?;
    Ok(())
}

/// Changes a password.
///
/// # Errors
/// The database's; no randomness.
pub fn put_password(db: &Connection, name: &str, password: &str) -> Result<(), ApiError> {
    db.execute(PUT_PASSWORD, params![name, hash(password)?])?;
    Ok(())
}

/// What is stored of a session's id.
pub fn stored_id(id: &[u8; 32]) -> [u8; 32] {
    Sha256Hash::of(id).0
}

/// Begins a session; those that are over are swept.
///
/// # Errors
/// The database's.
pub fn begin(db: &Connection, name: &str, id: &[u8; 32], now: UtcMs) -> Result<(), ApiError> {
    db.execute(SWEEP, params![now.0 - SESSION_MS, now.0 - IDLE_MS])?;
    waiting::sweep(db, now)?;
    db.execute(ADD_SESSION, params![stored_id(id), name, now.0])?;
    db.execute(SIGNED_IN, params![name, now.0])?;
    Ok(())
}

/// Whose a session is, and when it was last used, while it lasts.
///
/// # Errors
/// The database's.
pub fn session(db: &Connection, id: &[u8; 32], now: UtcMs) -> Result<Option<(User, UtcMs)>, ApiError> {
    let row: Option<(String, i64, i64)> = db
        .query_row(SESSION, params![stored_id(id)], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))
        .optional()?;
    let Some((name, created, used)) = row else { return Ok(None) };
    if now.0 - created > SESSION_MS || now.0 - used > IDLE_MS {
        return Ok(None);
    }
    Ok(user(db, &name)?.map(|user| (user, UtcMs(used))))
}

/// Notes that a session is in use.
///
/// # Errors
/// The database's.
pub fn touch(db: &Connection, id: &[u8; 32], now: UtcMs) -> Result<(), ApiError> {
    db.execute(TOUCH, params![stored_id(id), now.0])?;
    Ok(())
}

/// Ends a session.
///
/// # Errors
/// The database's.
pub fn end(db: &Connection, id: &[u8; 32]) -> Result<(), ApiError> {
    db.execute(END_SESSION, params![stored_id(id)])?;
    Ok(())
}

/// Ends a user's sessions but this one.
///
/// # Errors
/// The database's.
pub fn end_others(db: &Connection, name: &str, id: &[u8; 32]) -> Result<(), ApiError> {
    db.execute(END_OTHERS, params![name, stored_id(id)])?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 6238 appendix B, SHA-1, eight digits, secret '12345678901234567890'.
    #[test]
    fn outside_codes_are_those_of_rfc_6238() {
        let secret = b"12345678901234567890";
        let eight = Builder::new().with_algorithm(Algorithm::SHA1).with_digits(8).with_step_duration(STEP_S);
        let eight = eight.with_skew(0).with_secret(Secret::from(&secret[..])).build_noncompliant();
        for (time, code) in [
            (59, "94287082"),
            (1_111_111_109, "07081804"),
            (1_111_111_111, "14050471"),
            (1_234_567_890, "89005924"),
            (2_000_000_000, "69279037"),
            (20_000_000_000, "65353130"),
        ] {
            assert_eq!(eight.check(code, time), Some(time / STEP_S), "{time}");
            // Six digits are the last six of the same number (RFC 4226 §5.3).
            let at = UtcMs(i64::try_from(time).unwrap() * 1_000);
            assert_eq!(step_of(secret, &code[2..], at), Some(time / STEP_S), "{time}");
            assert_eq!(step_of(secret, &code[2..], UtcMs(at.0 + 90_000)), None);
        }
        assert_eq!(step_of(secret, "28708", UtcMs(59_000)), None);
        assert_eq!(base32(secret), "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ");
    }

    /// RFC 9106 §5.3: argon2id, 32 KiB, 3 passes, 4 lanes, with secret and associated data.
    #[test]
    fn outside_the_password_hash_is_that_of_rfc_9106() {
        let params = argon2::ParamsBuilder::new()
            .m_cost(32)
            .t_cost(3)
            .p_cost(4)
            .data(argon2::AssociatedData::new(&[4; 12]).unwrap())
            .build()
            .unwrap();
        let argon2 =
            Argon2::new_with_secret(&[3; 8], argon2::Algorithm::Argon2id, argon2::Version::V0x13, params)
                .unwrap();
        let mut tag = [0; 32];
        argon2.hash_password_into(&[1; 32], &[2; 16], &mut tag).unwrap();
        assert_eq!(hex::encode(tag), "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659");
    }

    #[test]
    fn a_password_is_stored_as_argon2id_and_verified() {
        let db = Connection::open_in_memory().unwrap();
        db.execute_batch(CREATE).unwrap();
        let person = PersonId::new(1, [1; 10]);
        assert!(add(&db, "olive", person, "four words in a row", UtcMs(0)).unwrap());
        assert!(!add(&db, "olive", person, "other words in a row", UtcMs(0)).unwrap(), "the name is taken");
        let user = user(&db, "olive").unwrap().unwrap();
        assert!(user.password.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{}", user.password);
        assert!(verify(Some(&user), "four words in a row"));
        assert!(!verify(Some(&user), "four words in a roe"));
        assert!(!verify(None, "nobody has this password"));
    }

    #[test]
    fn a_session_lasts_while_it_is_used_and_a_working_day_at_most() {
        let db = Connection::open_in_memory().unwrap();
        db.execute_batch(CREATE).unwrap();
        db.execute_batch(waiting::CREATE).unwrap();
        add(&db, "olive", PersonId::new(1, [1; 10]), "four words in a row", UtcMs(0)).unwrap();
        let id = [7; 32];
        begin(&db, "olive", &id, UtcMs(0)).unwrap();
        let kept: Vec<u8> = db.query_row("SELECT id FROM desk_sessions", [], |r| r.get(0)).unwrap();
        assert_ne!(kept, id, "only the digest is stored");
        assert!(session(&db, &id, UtcMs(IDLE_MS)).unwrap().is_some());
        assert!(session(&db, &id, UtcMs(IDLE_MS + 1)).unwrap().is_none());
        touch(&db, &id, UtcMs(SESSION_MS)).unwrap();
        assert!(session(&db, &id, UtcMs(SESSION_MS)).unwrap().is_some());
        assert!(session(&db, &id, UtcMs(SESSION_MS + 1)).unwrap().is_none());
        remove(&db, "olive").unwrap();
        assert!(session(&db, &id, UtcMs(SESSION_MS)).unwrap().is_none());
    }

    #[test]
    fn a_weak_password_is_refused_with_the_reason() {
        assert!(password_refused("olive", "short").unwrap().contains("12 to 128"));
        assert!(password_refused("olive", "aaaaaaaaaaaaaaaa").is_some());
        assert!(password_refused("olive", "my name is Olive").is_some());
        assert!(password_refused("olive", "a few plain words").is_none());
        assert!(password_refused("olive", &"é".repeat(129)).is_some());
    }
}
