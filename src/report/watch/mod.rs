//! Watching a copy from outside: a page on this machine that shows how the copy in a case goes, and ends with it.
//!
//! The copy runs in another process, which holds the case's lock. Whoever watches takes no lock and writes nothing: the
//! history, the journal and the case's file are read while they grow. The page is served to this machine alone, under an
//! address that cannot be guessed, and it serves nothing but itself: see [`guard`](self) for what is refused. How it
//! looks is made here; the page's script only puts newer parts in place of older ones, and without script the page
//! loads itself anew.

mod board;
mod error;
mod guard;
mod held;
mod page;
mod pictures;
mod places;
mod planned;
mod server;

pub use error::WatchError;

use board::Board;
use std::net::{Ipv4Addr, TcpListener};
use std::path::Path;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

/// Times that a test wants shorter.
#[derive(Clone, Copy, Debug)]
pub struct Timing {
    /// Between two looks at the case.
    pub look: Duration,
    /// How long the page is still served when the copy has ended, so that every open page shows how. Longer than the
    /// five seconds after which a page without script loads itself anew.
    pub linger: Duration,
    /// How long a visitor has for a whole request and for taking its answer.
    pub visit: Duration,
}

impl Default for Timing {
    fn default() -> Timing {
        Timing { look: Duration::from_secs(1), linger: Duration::from_secs(12), visit: Duration::from_secs(10) }
    }
}

/// Why watching is over.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum WatchEnd {
    /// The copy ended; how, in words.
    Ended(String),
    /// The process that copied is gone, and wrote no end.
    Killed,
    /// A person who watches wanted it.
    Asked,
}

/// A page that is ready to be served.
pub struct Watch {
    listener: TcpListener,
    port: u16,
    token: String,
    board: Board,
    timing: Timing,
}

impl Watch {
    /// Prepares to watch the case in `folder` on `port` of this machine; 0 for any that is free.
    ///
    /// # Errors
    /// [`WatchError`]: there is no case, or the port is not available.
    pub fn open(folder: &Path, port: u16, timing: Timing) -> Result<Watch, WatchError> {
        let board = Board::new(folder)?;
        let bind = |error| WatchError::Bind { port, error };
        // Loopback by its number: a name could be made to mean another interface.
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port)).map_err(bind)?;
        listener.set_nonblocking(true).map_err(bind)?;
        let port = listener.local_addr().map_err(bind)?.port();
        // 122 bits from the kernel's random numbers.
        let token = uuid::Uuid::new_v4().simple().to_string();
        Ok(Watch { listener, port, token, board, timing })
    }

    /// The page's address; it is enough to see the page, as long as it is served.
    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}/{}/", self.port, self.token)
    }

    /// Serves the page until the copy ends or `stop` is set.
    ///
    /// # Errors
    /// [`WatchError::Serve`] when the system gives no sockets or timers. A case that cannot be read at a moment ends
    /// nothing: the page says so.
    pub fn run(self, stop: &AtomicBool) -> Result<WatchEnd, WatchError> {
        server::serve(self, stop)
    }
}
