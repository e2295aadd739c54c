//! A device, hub or server: what is on its disk, and what a crash takes from it.

use bolebook_core::commit::{Commit, Draft, MAX_RECORDS};
use bolebook_core::exchange::LogLine;
use bolebook_core::ids::{ActorId, BookId, DeviceId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::signing::{HeadSignature, SecretKey};
use bolebook_db::TransactionBehavior;
use bolebook_log::client::{Request, Session};
use bolebook_log::{Basis, LogError};

use crate::sim::cast::Part;
use crate::sim::dice::Dice;
use crate::sim::disk::{Copy, Disk};

/// An exchange under way: gone at a crash.
pub struct Asking {
    /// Whom it asks.
    pub server: usize,
    /// Which request it waits for.
    pub number: u64,
    /// The shipped client's session.
    pub session: Session,
    /// The request it waits for.
    pub request: Request,
    /// When it gives up.
    pub until: i64,
}

/// Records a person could pick on the screen: ids of the job book, in order of arrival.
#[derive(Default)]
pub struct Screen {
    /// Trees.
    pub trees: Vec<RecordId>,
    /// Applications.
    pub applications: Vec<RecordId>,
    /// Sign-offs.
    pub sign_offs: Vec<RecordId>,
    /// Any record.
    pub any: Vec<RecordId>,
    /// What uncertified devices wrote.
    pub held: Vec<RecordId>,
}

/// A device, hub or server.
pub struct Node {
    /// What the step list calls it.
    pub name: String,
    /// What it is.
    pub part: Part,
    /// Its key.
    pub key: SecretKey,
    /// Its device id.
    pub device: DeviceId,
    /// Its store.
    pub disk: Disk,
    /// How far its clock is off.
    pub skew_ms: i64,
    /// Its actor since it last started.
    pub actor: Option<ActorId>,
    /// Its exchange under way.
    pub asking: Option<Asking>,
    /// Older copies of its store.
    pub copies: Vec<Copy>,
    /// The servers it ever asks.
    pub reaches: Vec<usize>,
    /// What its user can pick.
    pub screen: Screen,
}

impl Node {
    /// A node with an empty store.
    pub fn new(name: String, part: Part, key: SecretKey, in_files: bool) -> Self {
        Self {
            name,
            part,
            device: key.device(),
            key,
            disk: Disk::new(in_files),
            skew_ms: 0,
            actor: None,
            asking: None,
            copies: vec![],
            reaches: vec![],
            screen: Screen::default(),
        }
    }

    /// What its clock says.
    pub fn clock(&self, now: i64) -> UtcMs {
        UtcMs(now + self.skew_ms)
    }

    /// The process ends; what is on the disk stays.
    pub fn crash(&mut self) {
        self.actor = None;
        self.asking = None;
        self.disk.crash();
    }

    /// Takes lines in as they are, as an import of a bundle does.
    pub fn import(&mut self, book: BookId, lines: &[LogLine]) -> Result<(), LogError> {
        let tx = self.disk.db_mut().transaction_with_behavior(TransactionBehavior::Immediate)?;
        bolebook_log::append(&tx, book, lines)?;
        Ok(tx.commit()?)
    }

    /// Logs records: commits of at most [`MAX_RECORDS`], the chain's end signed, one transaction.
    pub fn write(
        &mut self,
        dice: &mut Dice,
        book: BookId,
        at: UtcMs,
        texts: Vec<String>,
    ) -> Result<(), LogError> {
        let device = self.device;
        let actor = *self.actor.get_or_insert_with(|| ActorId::new(device, dice.bytes()));
        let tx = self.disk.db_mut().transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut basis = bolebook_log::basis(&tx, book, actor)?;
        let mut lines: Vec<LogLine> = vec![];
        let mut rest = texts.into_iter().peekable();
        while rest.peek().is_some() {
            let records: Vec<String> = rest.by_ref().take(MAX_RECORDS).collect();
            let Basis { deps, seq, start_op } = basis;
            let commit = Commit::author(Draft { actor, seq, start_op, time: at, deps, records }).unwrap();
            basis = Basis { deps: vec![commit.hash()], seq: seq + 1, start_op: commit.last_op() + 1 };
            let signed = HeadSignature::sign(&self.key, book, actor, seq, commit.hash());
            lines.push(commit.into());
            if rest.peek().is_none() {
                lines.push(signed.into());
            }
        }
        bolebook_log::append(&tx, book, &lines)?;
        Ok(tx.commit()?)
    }
}
