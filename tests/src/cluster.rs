//! A PostgreSQL of one's own: made in a temporary folder, on a free port of loopback, and gone with
//! the test. It asks for no account and no running service. For tests and benchmarks only: whatever cannot
//! happen there panics.

use std::fmt::Write as _;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use bolebook_db::Connection;
use tempfile::TempDir;

use crate::scale::process::processor_s_with_children;

/// What is run and claimed.
const VERSION: &str = "15";
const HOW_TO_GET_IT: &str =
    "PostgreSQL 15 is not here: run 'cargo xtask setup', or install the Debian package postgresql-15";
/// So often, every 50 ms, a server that starts is asked.
const PATIENCE: u32 = 400;

/// Where the programs are: Debian keeps them out of the path.
fn programs() -> PathBuf {
    let debian = Path::new("/usr/lib/postgresql").join(VERSION).join("bin");
    let path = std::env::var_os("PATH").unwrap_or_default();
    let mut folders = std::iter::once(debian).chain(std::env::split_paths(&path));
    folders.find(|folder| is_wanted(folder)).expect(HOW_TO_GET_IT)
}

fn is_wanted(folder: &Path) -> bool {
    let said = Command::new(folder.join("postgres")).arg("--version").output();
    said.is_ok_and(|o| String::from_utf8_lossy(&o.stdout).contains(&format!(") {VERSION}.")))
        && ["initdb", "pg_basebackup", "pg_ctl"].iter().all(|name| folder.join(name).is_file())
}

fn is_root() -> bool {
    let id = Command::new("id").arg("-u").output().unwrap();
    String::from_utf8_lossy(&id.stdout).trim() == "0"
}

/// A command as somebody who is not root, whom PostgreSQL refuses.
fn as_nobody(program: PathBuf) -> Command {
    if !is_root() {
        return Command::new(program);
    }
    let mut command = Command::new("setpriv");
    command.args(["--reuid=65534", "--regid=65534", "--clear-groups", "--"]).arg(program);
    command
}

fn run(command: &mut Command) {
    let done = command.stdin(Stdio::null()).output().unwrap();
    let said = [done.stdout, done.stderr].concat();
    assert!(done.status.success(), "{command:?}: {}", String::from_utf8_lossy(&said));
}

/// A server with its data.
pub struct Cluster {
    folder: TempDir,
    /// Where it listens, on loopback.
    pub port: u16,
    durable: bool,
    child: Option<Child>,
}

impl Cluster {
    /// Made and started, as it is used.
    #[expect(clippy::new_without_default, reason = "it starts a database: nobody should get one by default")]
    pub fn new() -> Self {
        Self::with(true)
    }

    /// The same without waiting for the disk: where nothing is killed, that proves nothing.
    pub fn quick() -> Self {
        Self::with(false)
    }

    fn with(durable: bool) -> Self {
        let mut cluster = Self::empty();
        cluster.durable = durable;
        let data = cluster.data();
        run(as_nobody(programs().join("initdb"))
            .args(["--no-sync", "-A", "trust", "-U", "bole", "-E", "UTF8", "--locale=C.UTF-8", "-D"])
            .arg(&data));
        cluster.start();
        cluster
    }

    fn empty() -> Self {
        let folder = tempfile::tempdir().unwrap();
        if is_root() {
            std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(0o755)).unwrap();
            std::os::unix::fs::chown(folder.path(), Some(65_534), Some(65_534)).unwrap();
        }
        // Free a moment ago; nobody else on a test machine takes it within another.
        let free = std::net::TcpListener::bind(("127.0.0.1", 0)).unwrap();
        let port = free.local_addr().unwrap().port();
        Self { folder, port, durable: true, child: None }
    }

    /// A standby of this one, which streams from it under the name `standby`.
    pub fn standby(&self) -> Self {
        let mut other = Self::empty();
        let from = format!("host=127.0.0.1 port={} user=bole application_name=standby", self.port);
        run(as_nobody(programs().join("pg_basebackup"))
            .args(["--checkpoint=fast", "--no-sync", "-R", "-X", "stream", "-d", &from, "-D"])
            .arg(other.data()));
        other.start();
        other
    }

    fn data(&self) -> PathBuf {
        self.folder.path().join("data")
    }

    /// Started again on its data, and waited for.
    ///
    /// # Panics
    /// When it does not answer in 20 s; with what it said.
    pub fn start(&mut self) {
        let log = std::fs::File::create(self.folder.path().join("log")).unwrap();
        let mut command = as_nobody(programs().join("postgres"));
        command.arg("-D").arg(self.data()).args(["-p", &self.port.to_string()]);
        for setting in ["listen_addresses=127.0.0.1", "unix_socket_directories=", "max_connections=60"] {
            command.args(["-c", setting]);
        }
        if !self.durable {
            command.args(["-c", "fsync=off"]);
        }
        command.stdin(Stdio::null()).stdout(log.try_clone().unwrap()).stderr(log);
        self.child = Some(command.spawn().unwrap());
        for _ in 0..PATIENCE {
            if Connection::postgres(&self.url("postgres")).is_ok() {
                return;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        panic!("it did not start: {}", self.said());
    }

    fn said(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }

    /// How often it has said these words, in its log.
    pub fn said_how_often(&self, words: &str) -> usize {
        self.said().matches(words).count()
    }

    /// Its process's number: through `setpriv`, which becomes it.
    fn signal(&self, name: &str) {
        if let Some(child) = &self.child {
            run(Command::new("kill").arg(format!("-{name}")).arg(child.id().to_string()));
        }
    }

    /// As after a fault: no backend says good-bye, and the log is replayed at the next start.
    pub fn crash(&mut self) {
        self.signal("QUIT");
        self.wait();
    }

    /// SIGKILL of the postmaster.
    pub fn kill(&mut self) {
        self.signal("KILL");
        self.wait();
    }

    fn wait(&mut self) {
        if let Some(mut child) = self.child.take() {
            child.wait().unwrap();
        }
    }

    /// Makes a standby the primary.
    pub fn promote(&self) {
        run(as_nobody(programs().join("pg_ctl")).args(["promote", "-w", "-D"]).arg(self.data()));
    }

    /// The address of one of its databases.
    pub fn url(&self, database: &str) -> String {
        format!("postgres://bole@127.0.0.1:{}/{database}", self.port)
    }

    /// Seconds of processor time of it and all it started so far.
    pub fn processor_s(&self) -> f64 {
        self.child.as_ref().map_or(0.0, |child| processor_s_with_children(child.id()))
    }

    /// A new database; its address.
    pub fn database(&self) -> String {
        static NUMBER: AtomicU32 = AtomicU32::new(1);
        let mut name = String::from("book");
        write!(name, "{}", NUMBER.fetch_add(1, Ordering::Relaxed)).unwrap();
        self.admin().execute_batch(&["CREATE DATABASE ", &name].concat()).unwrap();
        self.url(&name)
    }

    /// A database by its name, made if it is not there yet; its address.
    pub fn database_named(&self, name: &str) -> String {
        let there = "SELECT 1 FROM pg_database WHERE datname = CAST(?1 AS TEXT)";
        if !self.admin().exists(there, [name]).unwrap() {
            self.admin().execute_batch(&["CREATE DATABASE ", name].concat()).unwrap();
        }
        self.url(name)
    }

    /// Into its own database, to make others.
    pub fn admin(&self) -> Connection {
        Connection::postgres(&self.url("postgres")).unwrap()
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            // Backends end by themselves when their postmaster is gone.
            let ended = Command::new("kill").args(["-INT", &child.id().to_string()]).status();
            if !ended.is_ok_and(|s| s.success()) {
                drop(child.kill());
            }
            drop(child.wait());
        }
    }
}
