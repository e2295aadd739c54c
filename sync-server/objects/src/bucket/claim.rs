//! Whose a place in a bucket is: two objects, of which the first names the yard and the second the log.

use super::{Answer, Bucket, Call, Failed, Payload};
use crate::LogClaim;
use crate::error::{ObjectError, Result};
use crate::key::Key;

impl Bucket {
    /// Claims the place for a yard.
    pub(crate) fn claim(&self, owner: &str) -> Result<()> {
        let key = Key::owner();
        let found = match self.get(&key)? {
            Some(found) => found,
            None => {
                self.put_first(&key, owner.as_bytes())?;
                // Of two that claim it at the same time both read what is there in the end.
                self.get(&key)?.ok_or_else(|| self.not_kept(&key))?
            }
        };
        if found == owner.as_bytes() {
            return Ok(());
        }
        let found = String::from_utf8_lossy(&found);
        let owner = found.chars().filter(|c| c.is_ascii_graphic()).take(64).collect();
        Err(ObjectError::Taken { place: self.to_string(), owner })
    }

    /// What the place says of its log.
    pub(crate) fn log(&self) -> Result<Option<LogClaim>> {
        let Some(bytes) = self.get(&Key::log())? else { return Ok(None) };
        match LogClaim::read(&bytes) {
            Some(claim) => Ok(Some(claim)),
            None => Err(self.wrong("reading whose log it belongs to", "the object 'log' names none")),
        }
    }

    /// Says whose log's the place is where nobody has, and gives what it says then.
    pub(crate) fn name_log_first(&self, claim: &LogClaim) -> Result<LogClaim> {
        self.put_first(&Key::log(), claim.to_string().as_bytes())?;
        self.log()?.ok_or_else(|| self.not_kept(&Key::log()))
    }

    /// Says whose log's the place is, whoever did before.
    pub(crate) fn name_log(&self, claim: &LogClaim) -> Result<()> {
        self.put(&Key::log(), claim.to_string().as_bytes())
    }

    fn not_kept(&self, key: &Key) -> ObjectError {
        let why = "the store has said that it is there, and does not give it";
        self.away(&format!("reading {} back", key.path()), why.into())
    }

    /// Puts an object unless one is there (RFC 9110 §13.1.2): the store's 412 is no error. A store that does
    /// not know the condition puts it in the place of what is there, or refuses, and is asked again without.
    /// Either way, who wants to know reads it back.
    fn put_first(&self, key: &Key, bytes: &[u8]) -> Result<()> {
        let doing = format!("putting {}", key.path());
        let name = self.name(key);
        let payload = Payload::Bytes(bytes);
        let call = Call { method: "PUT", payload, only_first: true, ..Call::get(&name) };
        let done = self.tried(&doing, &call, |answer| match answer {
            Answer::Yes(_) | Answer::No => Ok(()),
            Answer::Beyond(_) => Err(Failed { error: self.wrong(&doing, "it has not put it"), again: false }),
        });
        match done {
            Err(ObjectError::Refused { status, code, .. }) if unknown(status, &code) => self.put(key, bytes),
            done => done,
        }
    }
}

/// Whether a store refuses a put because of its condition, which it does not know.
fn unknown(status: u16, code: &str) -> bool {
    status == 501 || (status == 400 && matches!(code, "NotImplemented" | "InvalidArgument"))
}
