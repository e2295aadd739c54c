//! Devices put back to a snapshot while they run, so that their actors fork, and what becomes of the
//! lines that are set aside then: the steps of the command
//! (`cli-client/src/sync.rs`) and of the hub (`sync-server/src/relay.rs`) after an exchange, over the
//! shipped log.

use bolebook_core::exchange::Problem;
use bolebook_core::ids::{ActorId, DeviceId};
use bolebook_db::{Connection, TransactionBehavior};
use bolebook_log::evidence::{Next, Pass, RescueRequest};
use bolebook_log::set_aside::{self, State};
use bolebook_log::{LogError, Writer};

use crate::sim::engine::Sim;

use crate::sim::{Broken, Law};

impl Sim {
    /// A device that writes is put back to a snapshot while it runs, or one is made.
    pub(super) fn snapshot(&mut self) -> Result<(), Broken> {
        let devices: Vec<usize> = (0..self.nodes.len()).filter(|n| !self.nodes[*n].part.serves()).collect();
        let n = devices[self.dice.below(devices.len())];
        if self.nodes[n].copies.is_empty() || self.dice.chance(400) {
            self.copy(n);
            return Ok(());
        }
        self.restore(n)
    }

    pub(super) fn copy(&mut self, n: usize) {
        self.tell(format!("{}: a copy is made", self.nodes[n].name));
        let copy = self.nodes[n].disk.copy();
        self.nodes[n].copies.push(copy);
    }

    /// Gives a server the evidence of what was set aside, and writes the device's other good records
    /// again. Request or answer may be lost.
    pub(super) fn put_back(&mut self, n: usize, server: usize) -> Result<(), Broken> {
        let mut pass = Pass::default();
        let device = self.nodes[server].device;
        if let Err(error) = look(&pass, self.nodes[n].disk.db_mut(), device) {
            return self.power_cut(n, &error);
        }
        loop {
            let clock = self.nodes[n].clock(self.now);
            let request = match pass.request(self.nodes[n].disk.db(), device, clock) {
                Ok(Some(request)) => request,
                Ok(None) => break,
                Err(error) => return self.power_cut(n, &error),
            };
            self.tell(format!("{} gives {} what was set aside", self.nodes[n].name, self.nodes[server].name));
            if self.dice.chance(self.weather.lost) {
                return Ok(());
            }
            let body = request.body.clone().into_bytes();
            let Some((status, answer)) =
                self.serve_by(server, n, &body, |s, db, dice, by, body| s.rescue(db, dice, by, body))?
            else {
                return Ok(());
            };
            self.stats.rescues += u64::from(status == 200);
            if self.dice.chance(self.weather.lost) {
                return Ok(());
            }
            let problem = serde_json::from_slice::<Problem>(&answer).ok();
            match note(&mut pass, self.nodes[n].disk.db_mut(), &request, problem.as_ref()) {
                Ok(true) => {}
                Ok(false) => return Ok(()),
                Err(error) => return self.power_cut(n, &error),
            }
        }
        let waits = set_aside::list(self.nodes[n].disk.db()).unwrap();
        if waits.iter().all(|line| line.state != State::ToReput) {
            return Ok(());
        }
        let actor = ActorId::new(self.nodes[n].device, self.dice.bytes());
        let time = self.nodes[n].clock(self.now);
        let node = &mut self.nodes[n];
        match reput(node.disk.db_mut(), &Writer { key: &node.key, actor, time }) {
            Ok(written) => {
                self.stats.reput += written;
                self.tell(format!("{} writes {written} records again", self.nodes[n].name));
                self.observe(n, Law::AddOnly)
            }
            Err(error) => self.power_cut(n, &error),
        }
    }

    /// At a quiet point nothing that was set aside waits for anything.
    pub(super) fn nothing_waits(&self) -> Result<(), Broken> {
        for node in &self.nodes {
            let aside = set_aside::list(node.disk.db()).unwrap();
            if let Some(line) = aside.iter().find(|line| line.state.waits()) {
                let why = format!("{} still has a line set aside: {line:?}", node.name);
                return Err(Broken { law: Law::Settles, why });
            }
        }
        Ok(())
    }
}

fn look(pass: &Pass, db: &mut Connection, server: DeviceId) -> Result<(), LogError> {
    let back = pass.look(db, server)?;
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    back.note(&tx)?;
    Ok(tx.commit()?)
}

/// Notes what a server answered to evidence; false when nothing can be done about it here.
fn note(
    pass: &mut Pass,
    db: &mut Connection,
    request: &RescueRequest,
    problem: Option<&Problem>,
) -> Result<bool, LogError> {
    let Some(problem) = problem else {
        pass.given(request);
        return Ok(true);
    };
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let next = pass.refused(&tx, request, problem)?;
    tx.commit()?;
    Ok(next == Next::Again)
}

fn reput(db: &mut Connection, by: &Writer<'_>) -> Result<u64, LogError> {
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let written = set_aside::reput(&tx, by)?;
    tx.commit()?;
    Ok(written)
}
