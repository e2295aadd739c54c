//! Signs a request by Signature Version 4, in header fields. The payload's digest is part of what is
//! signed: a store that takes other bytes than were sent refuses them itself.
//!
//! Source: the published 'Signature Version 4 signing process' and 'Authenticating requests:
//! Authorization header' of the S3 interface. `outside_another_library_computes_the_same_signature`
//! compares it with an independent implementation.

use bolebook_core::ids::Sha256Hash;
use hmac::{Hmac, KeyInit as _, Mac as _};
use jiff::Timestamp;
use sha2::Sha256;

use crate::access::Access;

const ALGORITHM: &str = "AWS4-HMAC-SHA256";

/// A request to be signed. Its path has only characters that stand for themselves.
#[derive(Clone, Copy, Debug)]
pub struct Signed<'a> {
    /// `GET`, `PUT` or `DELETE`.
    pub method: &'a str,
    /// Host, and port if it is not the usual one.
    pub host: &'a str,
    /// From the first `/`.
    pub path: &'a str,
    /// Its pairs by name, encoded.
    pub query: &'a str,
    /// The digest of the body.
    pub payload: Sha256Hash,
}

/// The query of these pairs: by name, everything but unreserved characters (RFC 3986) encoded.
pub(crate) fn query(pairs: &[(&str, &str)]) -> String {
    let mut pairs: Vec<String> =
        pairs.iter().map(|(name, value)| format!("{}={}", encoded(name), encoded(value))).collect();
    pairs.sort_unstable();
    pairs.join("&")
}

fn encoded(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_' | b'.' | b'~' => out.push(byte.into()),
            other => out.push_str(&format!("%{other:02X}")),
        }
    }
    out
}

fn mac(key: &[u8], text: &str) -> Vec<u8> {
    // A key of any length is taken (RFC 2104), so there is always one.
    let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(key) else { return vec![] };
    mac.update(text.as_bytes());
    mac.finalize().into_bytes().to_vec()
}

/// The header fields that sign a request made at a moment, the host's left out.
pub fn signed(access: &Access, request: &Signed<'_>, at: Timestamp) -> Vec<(&'static str, String)> {
    let moment = at.strftime("%Y%m%dT%H%M%SZ").to_string();
    let day = moment.get(..8).unwrap_or_default();
    let mut fields =
        vec![("x-amz-content-sha256", request.payload.to_string()), ("x-amz-date", moment.clone())];
    fields.extend(access.token.clone().map(|token| ("x-amz-security-token", token)));
    let host = [("host", request.host.to_owned())];
    let all = || host.iter().chain(&fields);
    let names: Vec<&str> = all().map(|(name, _)| *name).collect();
    let names = names.join(";");
    let lines: String = all().map(|(name, value)| format!("{name}:{value}\n")).collect();
    let Signed { method, path, query, payload, .. } = request;
    let canonical = format!("{method}\n{path}\n{query}\n{lines}\n{names}\n{payload}");
    let scope = format!("{day}/{}/s3/aws4_request", access.region);
    let text = format!("{ALGORITHM}\n{moment}\n{scope}\n{}", Sha256Hash::of(canonical.as_bytes()));
    let mut key = format!("AWS4{}", access.secret).into_bytes();
    for part in [day, &access.region, "s3", "aws4_request"] {
        key = mac(&key, part);
    }
    let signature = hex::encode(mac(&key, &text));
    let credential = format!("{}/{scope}", access.key_id);
    let value = format!("{ALGORITHM} Credential={credential}, SignedHeaders={names}, Signature={signature}");
    fields.push(("authorization", value));
    fields
}
