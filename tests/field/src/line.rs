//! A slow line to a server, which can be cut: bytes go through a proxy of the test's own, so that what a
//! browser's tools make of slowness plays no part.

use std::io::{Read as _, Write as _};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// The line. It ends with the process.
pub struct Line {
    /// Its address, in the server's stead.
    pub url: String,
    bytes_a_second: Arc<AtomicU64>,
    open: Arc<Mutex<Vec<TcpStream>>>,
}

impl Line {
    /// A line to the server at an address, as fast as it goes.
    pub fn to(url: &str) -> Self {
        let server = url.strip_prefix("http://").unwrap().to_owned();
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let bytes_a_second = Arc::new(AtomicU64::new(u64::MAX));
        let open: Arc<Mutex<Vec<TcpStream>>> = Arc::default();
        let (rate, all) = (Arc::clone(&bytes_a_second), Arc::clone(&open));
        std::thread::spawn(move || {
            for near in listener.incoming().flatten() {
                // A server that is stopped drops whoever asks.
                let Ok(far) = TcpStream::connect(&server) else { continue };
                all.lock().unwrap().extend([near.try_clone().unwrap(), far.try_clone().unwrap()]);
                let (up, down) = (near.try_clone().unwrap(), far.try_clone().unwrap());
                let slow = Arc::clone(&rate);
                std::thread::spawn(move || pass(up, far, &slow));
                std::thread::spawn(move || pass(down, near, &AtomicU64::new(u64::MAX)));
            }
        });
        Self { url, bytes_a_second, open }
    }

    /// How many bytes go to the server in a second, on each connection.
    pub fn slow(&self, bytes_a_second: u64) {
        self.bytes_a_second.store(bytes_a_second, Ordering::Relaxed);
    }

    /// Cuts every connection there is.
    pub fn cut(&self) {
        for stream in self.open.lock().unwrap().drain(..) {
            let _ = stream.shutdown(Shutdown::Both);
        }
    }
}

fn pass(mut from: TcpStream, mut to: TcpStream, rate: &AtomicU64) {
    let mut piece = vec![0; 16 << 10];
    while let Ok(read) = from.read(&mut piece) {
        if read == 0 || to.write_all(&piece[..read]).is_err() {
            break;
        }
        let rate = rate.load(Ordering::Relaxed);
        if rate != u64::MAX {
            std::thread::sleep(Duration::from_millis(read as u64 * 1_000 / rate.max(1)));
        }
    }
    let _ = to.shutdown(Shutdown::Both);
    let _ = from.shutdown(Shutdown::Both);
}
