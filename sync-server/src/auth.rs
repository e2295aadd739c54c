//! Who asks: assertions signed by devices (RFC 7523), and the short-lived tokens given for them.
//!
//! Algorithms are pinned (RFC 8725): an assertion is checked with the algorithm of the device's
//! certificate, never with what the token's header says.

use std::collections::BTreeMap;
use std::str::FromStr;
use std::sync::{Mutex, PoisonError};

use axum::extract::FromRequestParts;
use axum::http::header::AUTHORIZATION;
use axum::http::request::Parts;
use bolebook_core::authority::verify_certificate;
use bolebook_core::facts::HeldReason;
use bolebook_core::ids::DeviceId;
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::{Certificate, CertificateProof, Role};
use bolebook_core::signing::{Alg, PublicKey};
use bolebook_db::Connection;
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation};
use serde::{Deserialize, Serialize};

use crate::error::ApiError;
use crate::state::{App, Inner};
use crate::store;
use crate::token_keys::{self, TokenKey};

/// Life of an access token, in seconds.
pub const TOKEN_SECONDS: i64 = 900;
/// Clock difference forgiven, in seconds: assertions are dated by the server's own clock.
pub const LEEWAY_SECONDS: i64 = 60;
/// Longest life an assertion may claim, in seconds.
const MOST_ASSERTION_SECONDS: i64 = 600;
/// The audience of access tokens.
const AUDIENCE: &str = "bolebook";

/// What a token or an assertion says.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Claims {
    iss: String,
    sub: String,
    aud: String,
    exp: i64,
    nbf: i64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    iat: Option<i64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    jti: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    role: Option<Role>,
}

/// Makes and reads access tokens, and remembers which assertions were taken. The keys that sign
/// them are the database's ([`token_keys`]).
pub struct Tokens {
    server: DeviceId,
    taken: Mutex<BTreeMap<String, i64>>,
}

/// Ed25519 private key information (RFC 8410 §7) around a seed of 32 bytes.
const PKCS8_ED25519: [u8; 16] =
    [0x30, 0x2e, 0x02, 0x01, 0x00, 0x30, 0x05, 0x06, 0x03, 0x2b, 0x65, 0x70, 0x04, 0x22, 0x04, 0x20];

impl Tokens {
    /// Of a server.
    pub fn new(server: DeviceId) -> Self {
        Self { server, taken: Mutex::new(BTreeMap::new()) }
    }

    fn issue(&self, db: &Connection, device: DeviceId, role: Role, now: UtcMs) -> Result<String, ApiError> {
        let Some(TokenKey { kid, key, .. }) = token_keys::newest(db)? else {
            return Err(ApiError::internal(&"there is no key to sign tokens with"));
        };
        let mut der = PKCS8_ED25519.to_vec();
        der.extend_from_slice(&key.seed());
        let seconds = now.0.div_euclid(1_000);
        let claims = Claims {
            iss: self.server.to_string(),
            sub: device.to_string(),
            aud: AUDIENCE.into(),
            nbf: seconds - LEEWAY_SECONDS,
            iat: Some(seconds),
            exp: seconds + TOKEN_SECONDS,
            jti: None,
            role: Some(role),
        };
        let mut header = Header::new(Algorithm::EdDSA);
        header.kid = Some(kid);
        jsonwebtoken::encode(&header, &claims, &EncodingKey::from_ed_der(&der))
            .map_err(|e| ApiError::internal(&e))
    }

    /// Who a token is for, and the role it was given with, if this server signed it and it holds now.
    ///
    /// # Errors
    /// 401 when it does not; the database's.
    pub fn read(&self, db: &Connection, token: &str, now: UtcMs) -> Result<(DeviceId, Role), ApiError> {
        let refused = || {
            ApiError::unauthorised(
                "the access token is not one of this server, or is over: get another at /v1/token",
            )
        };
        let header = jsonwebtoken::decode_header(token).map_err(|_| refused())?;
        let kid = header.kid.ok_or_else(refused)?;
        let key = token_keys::named(db, &kid, now)?.ok_or_else(refused)?;
        let key = decoding_key(&key.public()).ok_or_else(refused)?;
        let issuer = self.server.to_string();
        let claims = verify(token, &key, Algorithm::EdDSA, &issuer, AUDIENCE, now, 0)?;
        let device = DeviceId::from_str(&claims.sub).map_err(|_| refused())?;
        Ok((device, claims.role.ok_or_else(refused)?))
    }

    /// An assertion counts once.
    fn take(&self, id: &str, exp: i64, now: UtcMs) -> Result<(), ApiError> {
        let seconds = now.0.div_euclid(1_000);
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        taken.retain(|_, until| *until + LEEWAY_SECONDS >= seconds);
        match taken.insert(id.to_owned(), exp) {
            None => Ok(()),
            Some(_) => Err(used_before()),
        }
    }

    /// The same among the servers that share a database.
    ///
    /// # Errors
    /// 401 when another one took it; the database's.
    pub fn take_among_all(app: &Inner, granted: &Granted, now: UtcMs) -> Result<(), ApiError> {
        if !app.is_shared() {
            return Ok(());
        }
        let (until, seconds) = (granted.until + LEEWAY_SECONDS, now.0.div_euclid(1_000));
        let fresh = app.write(|tx| store::take_assertion(tx, &granted.assertion, until, seconds))?;
        if fresh { Ok(()) } else { Err(used_before()) }
    }
}

fn used_before() -> ApiError {
    ApiError::unauthorised("this assertion was used before: make a fresh one")
}

fn decoding_key(key: &PublicKey) -> Option<DecodingKey> {
    // `device` checks that the bytes are a key's.
    key.device().ok()?;
    let bytes = hex::decode(&key.key).ok()?;
    Some(match key.alg {
        Alg::Ed25519 => DecodingKey::from_ed_der(&bytes),
        Alg::P256 => DecodingKey::from_ec_der(&bytes),
    })
}

/// Checks a signature and the claims against the injected clock.
fn verify(
    token: &str,
    key: &DecodingKey,
    algorithm: Algorithm,
    issuer: &str,
    audience: &str,
    now: UtcMs,
    leeway: i64,
) -> Result<Claims, ApiError> {
    let mut validation = Validation::new(algorithm);
    validation.set_issuer(&[issuer]);
    validation.set_audience(&[audience]);
    validation.set_required_spec_claims(&["exp", "nbf", "iss", "aud", "sub"]);
    // The library reads the system's clock; the times are compared below with the server's.
    validation.validate_exp = false;
    validation.validate_nbf = false;
    let claims = jsonwebtoken::decode::<Claims>(token, key, &validation)
        .map_err(|e| ApiError::unauthorised(format!("the token does not hold: {e}")))?
        .claims;
    let seconds = now.0.div_euclid(1_000);
    if claims.exp.saturating_add(leeway) < seconds {
        return Err(ApiError::unauthorised("the token is over"));
    }
    if claims.nbf.saturating_sub(leeway) > seconds {
        return Err(ApiError::unauthorised(
            "the token has not begun: date it by the server's clock, which /health tells",
        ));
    }
    Ok(claims)
}

/// A token about to be handed out.
pub struct Granted {
    /// It.
    pub token: String,
    /// What the device may do.
    pub role: Role,
    /// The assertion's name, which counts once at all servers of a database ...
    pub assertion: String,
    /// ... and until when it could come again, in seconds since 1970.
    pub until: i64,
}

/// Checks a device's assertion and gives an access token and its role.
///
/// The device's key is that of its certificate in the yard book, or of the certificate it brings.
///
/// # Errors
/// 401 when the assertion does not hold, 403 when the device may not come in.
pub fn grant(
    app: &Inner,
    db: &Connection,
    assertion: &str,
    certificate: Option<&Certificate>,
    now: UtcMs,
) -> Result<Granted, ApiError> {
    let malformed = |_| ApiError::unauthorised("the assertion is not a JSON web token");
    let unchecked: Claims = jsonwebtoken::dangerous::insecure_decode_claims(assertion).map_err(malformed)?;
    let device = DeviceId::from_str(&unchecked.sub)
        .map_err(|_| ApiError::unauthorised("the assertion's subject is not a device"))?;
    let (key, role) = known_device(app, db, device, certificate, now)?;
    let algorithm = match key.alg {
        Alg::Ed25519 => Algorithm::EdDSA,
        Alg::P256 => Algorithm::ES256,
    };
    let decoding = decoding_key(&key).ok_or_else(|| ApiError::internal(&"a certificate's key is none"))?;
    let (issuer, audience) = (device.to_string(), app.identity.device().to_string());
    let claims = verify(assertion, &decoding, algorithm, &issuer, &audience, now, LEEWAY_SECONDS)?;
    if claims.exp.saturating_sub(claims.nbf) > MOST_ASSERTION_SECONDS {
        return Err(ApiError::unauthorised("an assertion lives for ten minutes at most"));
    }
    let Some(id) = claims.jti.filter(|j| (16..=64).contains(&j.len())) else {
        return Err(ApiError::unauthorised("an assertion needs a fresh 'jti' of 16 to 64 characters"));
    };
    let id = format!("{device} {id}");
    app.tokens.take(&id, claims.exp, now)?;
    let token = app.tokens.issue(db, device, role, now)?;
    Ok(Granted { token, role, assertion: id, until: claims.exp })
}

fn known_device(
    app: &Inner,
    db: &Connection,
    device: DeviceId,
    certificate: Option<&Certificate>,
    now: UtcMs,
) -> Result<(PublicKey, Role), ApiError> {
    let identity = &app.identity;
    let directory = app.directory(db)?;
    if let Some(directory) = &directory
        && let Some(key) = directory.key(device)
    {
        match directory.admits(device, now) {
            Ok(role) => return Ok((key.clone(), role)),
            // It may bring a renewed certificate that the yard book does not have yet.
            Err(HeldReason::OutsideCertificate) if certificate.is_some() => {}
            Err(reason) => return Err(not_admitted(reason)),
        }
    }
    if directory.as_ref().is_some_and(|d| d.revoked(device)) {
        return Err(not_admitted(HeldReason::Revoked));
    }
    if identity.root.device().ok() == Some(device) {
        return Ok((identity.root.clone(), Role::Office));
    }
    let Some(certificate) = certificate else {
        return Err(ApiError::forbidden(
            "device-unknown",
            "the yard book has no certificate of this device: send it along as 'certificate', or enrol the device",
        ));
    };
    let found = verify_certificate(certificate, &identity.root, identity.yard)
        .map_err(|e| ApiError::forbidden("certificate-invalid", e.to_string()))?;
    if found != device {
        return Err(ApiError::forbidden("certificate-invalid", "the certificate is for another device"));
    }
    if let CertificateProof::Invitation { invitation, .. } = &certificate.proof {
        if directory.as_ref().is_some_and(|d| d.is_code_shared(&invitation.code_key)) {
            return Err(ApiError::forbidden(
                "code-shared",
                "the yard book has certificates of several devices made with this device's code, so none of them counts: ask the office for a new code",
            ));
        }
        // Single use: a code counts for the device that enrolled with it here.
        let used = store::invitation(db, &invitation.code_key.key)?.and_then(|i| i.used_by);
        if used != Some(device) {
            return Err(ApiError::forbidden(
                "not-enrolled",
                "this device did not enrol here with its code: do so at /v1/enrol",
            ));
        }
    }
    if now > certificate.not_after {
        return Err(not_admitted(HeldReason::OutsideCertificate));
    }
    Ok((certificate.key.clone(), certificate.role))
}

/// A server's code is used on the server itself, from its invitation file, and not here. The first
/// server that brings a certificate made with it has used it; another one never comes in.
///
/// # Errors
/// 403 when it does not hold.
pub fn greet_server(app: &Inner, certificate: &Certificate, now: UtcMs) -> Result<(), ApiError> {
    let CertificateProof::Invitation { invitation, .. } = &certificate.proof else { return Ok(()) };
    if certificate.role != Role::Server || now > certificate.not_after {
        return Ok(());
    }
    let device = verify_certificate(certificate, &app.identity.root, app.identity.yard)
        .map_err(|e| ApiError::forbidden("certificate-invalid", e.to_string()))?;
    let code = &invitation.code_key.key;
    if app.read(|db| store::invitation(db, code))?.is_some() {
        return Ok(());
    }
    app.write(|tx| {
        if store::invitation(tx, code)?.is_none() {
            store::add_invitation(tx, invitation)?;
            store::use_invitation(tx, code, device, now)?;
        }
        Ok(())
    })
}

fn not_admitted(reason: HeldReason) -> ApiError {
    match reason {
        HeldReason::Revoked => ApiError::forbidden("device-revoked", "the office has revoked this device"),
        HeldReason::OutsideCertificate => ApiError::forbidden(
            "certificate-over",
            "the device's certificate does not hold now: enrol it again",
        ),
        _ => ApiError::forbidden("device-unknown", "this device has no certificate in the yard book"),
    }
}

/// The device that asks, by its access token, and what it may do now.
#[derive(Clone, Copy, Debug)]
pub struct Caller {
    /// The device.
    pub device: DeviceId,
    /// Its role.
    pub role: Role,
}

impl Caller {
    /// # Errors
    /// 403 when it is not the office.
    pub fn office(self) -> Result<Self, ApiError> {
        match self.role {
            Role::Office => Ok(self),
            _ => Err(ApiError::forbidden("office-only", "only a device of the office may do this")),
        }
    }
}

impl FromRequestParts<App> for Caller {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, ApiError> {
        let header = parts.headers.get(AUTHORIZATION).and_then(|v| v.to_str().ok());
        let token = header.and_then(|h| h.strip_prefix("Bearer ")).map(str::to_owned);
        let Some(token) = token else {
            return Err(ApiError::unauthorised("no access token: get one at /v1/token"));
        };
        let now = app.now();
        let (device, role) = app
            .blocking(move |app| {
                let ((device, claimed), directory) =
                    app.read(|db| Ok((app.tokens.read(db, &token, now)?, app.directory(db)?)))?;
                app.request_limit.attempt(device, now).map_err(ApiError::too_many)?;
                // A revocation counts from the moment it is in the log, whatever the token says.
                match directory.map(|d| d.admits(device, now)) {
                    Some(Ok(role)) => Ok((device, role)),
                    Some(Err(HeldReason::Revoked)) => Err(not_admitted(HeldReason::Revoked)),
                    // The token was given on a certificate the yard book does not have yet.
                    Some(Err(_)) | None => Ok((device, claimed)),
                }
            })
            .await?;
        Ok(Self { device, role })
    }
}
