//! The shipped server as a process of its own, which is killed.

use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use bolebook_core::authority::{Offer, invite};
use bolebook_core::record::people::Role;
use bolebook_core::service::InvitationFile;

use crate::support::{END, SERVER_CODE, root, yard};

/// So often, every 50 ms, something is waited for.
const PATIENCE: u32 = 1_200;

pub fn soon(what: &str, mut is_so: impl FnMut() -> bool) {
    for _ in 0..PATIENCE {
        if is_so() {
            return;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    panic!("{what}: not in a minute");
}

/// The shipped server as a process of its own.
pub struct Process {
    child: Child,
    pub url: String,
}

pub fn binary() -> PathBuf {
    xtask::process::programs().unwrap().join("bolebook-server")
}

impl Process {
    pub fn start(data: &Path, store: &str) -> Self {
        Self::start_with(data, store, |_| {})
    }

    /// With further arguments and variables.
    pub fn start_with(data: &Path, store: &str, further: impl FnOnce(&mut Command)) -> Self {
        let mut command = Command::new(binary());
        command.args(["serve", "--listen", "127.0.0.1:0", "--desk", "off", "--portal", "off", "--data"]);
        command.arg(data).args(["--store", store]).env("RUST_LOG", "error");
        further(&mut command);
        let mut child = command.stdout(Stdio::piped()).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().unwrap()).read_line(&mut line).unwrap();
        let address: serde_json::Value = serde_json::from_str(&line).expect("the server's address");
        Self { url: address["url"].as_str().unwrap().to_owned(), child }
    }
}

impl Drop for Process {
    /// SIGKILL: no handler runs, no buffer is written.
    fn drop(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

pub fn init(data: &Path) {
    let (role, name) = (Role::Server, "server".into());
    let offer = Offer { yard: yard(), role, crew: None, name, use_by: END, not_after: END };
    let invitation = invite(&root(), SERVER_CODE, offer).unwrap();
    let file = InvitationFile { code: SERVER_CODE.into(), root: root().public(), invitation };
    let path = data.join("invitation.json");
    std::fs::write(&path, serde_json::to_string(&file).unwrap()).unwrap();
    let mut command = Command::new(binary());
    let done = command.arg("init").arg("--data").arg(data).arg("--invitation").arg(&path).output().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
}
