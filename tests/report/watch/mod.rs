//! The page that shows a running copy: what it serves and refuses, that it follows the copy and ends with it, and that it
//! changes nothing. Asked over plain sockets, as RFC 9112 has it, so that a request can be anything.

mod copies;
mod following;
mod requests;

use gleaner::base::units::SectorSize;
use gleaner::case::Case;
use gleaner::report::watch::{Timing, Watch, WatchEnd};
use gleaner::source::{SourceIdentity, SourceKind};
use gleaner::store::image::ImageForm;
use serde_json::Value;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

const DRIVE_BYTES: u64 = 64 << 20;

/// Short enough for a test, long enough to ask in between.
const TIMING: Timing =
    Timing { look: Duration::from_millis(20), linger: Duration::from_millis(1500), visit: Duration::from_millis(700) };

/// A case of an invented drive with nothing in it.
fn new_case(folder: &Path) -> Case {
    let identity = SourceIdentity {
        path: "/dev/null".into(),
        kind: SourceKind::ImageFile,
        bytes: DRIVE_BYTES,
        logical_sector: SectorSize::S512,
        physical_sector: SectorSize::S512,
        model: Some("Fernhollow <script>alert(1)</script> & Sons".to_owned()),
        serial: None,
        details: Default::default(),
    };
    Case::open_or_create(folder, &identity, ImageForm::Raw).unwrap()
}

/// A page being served in another thread.
struct Served {
    port: u16,
    token: String,
    stop: Arc<AtomicBool>,
    thread: JoinHandle<WatchEnd>,
}

fn serve(folder: &Path) -> Served {
    let watch = Watch::open(folder, 0, TIMING).unwrap();
    let (port, token) = place(&watch.address());
    let stop = Arc::new(AtomicBool::new(false));
    let flag = Arc::clone(&stop);
    let thread = std::thread::spawn(move || watch.run(&flag).unwrap());
    Served { port, token, stop, thread }
}

/// Port and token of `http://127.0.0.1:PORT/TOKEN/`.
fn place(address: &str) -> (u16, String) {
    let rest = address.strip_prefix("http://127.0.0.1:").expect("loopback by its number");
    let (port, path) = rest.split_once('/').unwrap();
    (port.parse().unwrap(), path.strip_suffix('/').unwrap().to_owned())
}

/// An answer: status, head, body.
struct Answer {
    status: u16,
    head: String,
    body: String,
}

/// Sends bytes and reads until the server closes.
fn send(port: u16, bytes: &[u8]) -> std::io::Result<Answer> {
    let mut stream = TcpStream::connect(("127.0.0.1", port))?;
    stream.set_read_timeout(Some(Duration::from_secs(20)))?;
    stream.write_all(bytes)?;
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer)?;
    let text = String::from_utf8_lossy(&answer);
    let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
    let status = head.split(' ').nth(1).and_then(|status| status.parse().ok()).unwrap_or(0);
    Ok(Answer { status, head: head.to_lowercase(), body: body.to_owned() })
}

fn get(port: u16, path: &str) -> Answer {
    send(port, format!("GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n").as_bytes()).unwrap()
}

impl Served {
    fn page(&self) -> String {
        let answer = get(self.port, &format!("/{}/", self.token));
        assert_eq!(answer.status, 200);
        answer.body
    }

    fn state(&self) -> Value {
        state_of(self.port, &self.token)
    }

    /// Waits until one of the page's parts says something.
    fn until(&self, part: &str, words: &str) -> Value {
        until(self.port, &self.token, part, words)
    }

    fn stop(self) -> WatchEnd {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.join().unwrap()
    }
}

fn state_of(port: u16, token: &str) -> Value {
    let answer = get(port, &format!("/{token}/state"));
    assert_eq!(answer.status, 200);
    serde_json::from_str(&answer.body).unwrap()
}

fn until(port: u16, token: &str, part: &str, words: &str) -> Value {
    let start = Instant::now();
    loop {
        let state = state_of(port, token);
        if state["parts"][part].as_str().unwrap().contains(words) {
            return state;
        }
        assert!(start.elapsed() < Duration::from_secs(30), "{part} never said {words:?}: {state}");
        std::thread::sleep(Duration::from_millis(20));
    }
}
