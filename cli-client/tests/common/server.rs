//! A real server for the command's own tests.

use std::sync::Arc;
use std::time::{SystemTime, UNIX_EPOCH};

use bolebook_core::quantity::UtcMs;
use bolebook_server::identity::Identity;
use bolebook_server::{App, Config};
use tempfile::TempDir;
use tokio::runtime::Runtime;
use tokio::sync::oneshot;

use super::{Device, found, plant};

#[expect(clippy::disallowed_methods, reason = "the server under test has the machine's clock")]
pub fn now() -> UtcMs {
    UtcMs(SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_millis() as i64)
}

/// The shipped server in this process, with the machine's clock.
pub struct Server {
    /// Its address.
    pub url: String,
    stop: Option<oneshot::Sender<()>>,
    runtime: Option<Runtime>,
}

impl Server {
    /// Starts it on a free port; sets its folder up from the invitation if there is none yet.
    pub fn start(base: &TempDir, invitation: &str) -> Self {
        let data = base.path().join("server");
        if !data.exists() {
            Identity::init(&data, invitation.as_ref(), [7; 32], [8; 10], now()).unwrap();
        }
        let runtime =
            tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
        let app = App::open(Config::new(data), Arc::new(now)).unwrap();
        let listener = runtime.block_on(tokio::net::TcpListener::bind("127.0.0.1:0")).unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let (stop, stopped) = oneshot::channel();
        runtime.spawn(bolebook_server::serve(app, listener, async {
            let _ = stopped.await;
        }));
        Self { url, stop: Some(stop), runtime: Some(runtime) }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(runtime) = self.runtime.take() {
            // Waits, so that the database is closed when a test copies or restores the folder.
            runtime.shutdown_timeout(std::time::Duration::from_secs(10));
        }
    }
}

/// An office with a server that knows its books.
pub fn with_server(base: &TempDir) -> (Device, Server) {
    let office = Device::new(base, "office").with_real_clock();
    found(&office);
    plant(&office);
    let file = office.path("server.json").display().to_string();
    office.json(&["device", "invite", "hub", "--role", "server", "--out", &file]);
    let server = Server::start(base, &file);
    office.json(&["exchange", &server.url]);
    (office, server)
}

pub fn join(base: &TempDir, office: &Device, server: &Server, name: &str) -> Device {
    let invited = office.json(&["device", "invite", name, "--role", "crew", "--crew", "North"]);
    office.json(&["exchange"]);
    let device = Device::new(base, name).with_real_clock();
    let code = invited["code"].as_str().unwrap();
    let joined = device.json(&["join", &server.url, code, "--person", "Ben Invented"]);
    assert_eq!(joined["root"], invited["root"]);
    device
}

pub fn fill_and_treat(device: &Device, tree: &str) {
    device.json(&["fill", "200", "--lot-read", "L-1", "--registration-read", "INVENTED-0001"]);
    device.json(&["treat", tree, "--hole=0,10,20,10", "--hole=12,13,20,10"]);
}
