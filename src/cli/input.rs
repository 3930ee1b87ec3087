//! Text that is handed to a command in a file or on standard input.

use crate::base::ending::{Ending, Ends};
use rustix::termios::{LocalModes, OptionalActions, Termios, tcgetattr, tcsetattr};
use std::io::{self, IsTerminal, Read};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;
use std::thread;
use std::time::Duration;
use zeroize::Zeroizing;

/// More than any list that a person or program hands over.
const LARGEST: u64 = 16 << 20;

/// Why text cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum TextError {
    /// It cannot be read.
    #[error("{path}: {error}", path = .path.display())]
    Io {
        /// The file; `-` for standard input.
        path: PathBuf,
        /// What the system says.
        error: io::Error,
    },
    /// There is nothing in it.
    #[error("{path} holds no {holds}", path = .path.display())]
    Empty {
        /// The file; `-` for standard input.
        path: PathBuf,
        /// What was expected.
        holds: &'static str,
    },
    /// The person ended it instead of answering.
    #[error("stopped before an answer")]
    Stopped,
}

/// All text of a file, or of standard input for `-`.
///
/// # Errors
/// [`TextError::Io`]; also for text that is not UTF-8 or larger than 16 MiB.
pub fn text_of(path: &Path) -> Result<String, TextError> {
    let io = |error| TextError::Io { path: path.to_path_buf(), error };
    let mut text = String::new();
    let source: Box<dyn Read> = match is_standard_input(path) {
        true => Box::new(io::stdin()),
        false => Box::new(std::fs::File::open(path).map_err(io)?),
    };
    source.take(LARGEST + 1).read_to_string(&mut text).map_err(io)?;
    if text.len() as u64 > LARGEST {
        return Err(io(io::Error::new(io::ErrorKind::InvalidData, "larger than 16 MiB")));
    }
    Ok(text)
}

/// Whether a path stands for standard input.
fn is_standard_input(path: &Path) -> bool {
    path.as_os_str() == "-"
}

/// Whether a person at a terminal answers there.
pub fn is_terminal(path: &Path) -> bool {
    is_standard_input(path) && io::stdin().is_terminal()
}

/// One line of the terminal; an empty one when it is closed. Ctrl-C ends the wait.
///
/// # Errors
/// [`TextError::Io`], [`TextError::Stopped`].
pub fn line(stop: &AtomicBool) -> Result<String, TextError> {
    let (sender, answer) = mpsc::channel();
    // The kernel goes on with a read that a signal came into, so another thread has to wait for it.
    thread::spawn(move || {
        let mut text = String::new();
        let read = io::stdin().read_line(&mut text);
        sender.send(read.map(|_| text))
    });
    loop {
        match answer.recv_timeout(Duration::from_millis(100)) {
            Ok(line) => return line.map_err(|error| TextError::Io { path: "-".into(), error }),
            Err(_) if stop.load(Ordering::Relaxed) => return Err(TextError::Stopped),
            Err(_) => {}
        }
    }
}

/// Longest key file.
const LONGEST_KEY: u64 = 64 << 10;

/// The key in a file, or for `-` what is typed without being shown, or standard input. Wiped from memory when it is no longer needed.
///
/// # Errors
/// [`TextError`]; also for a file larger than 64 KiB.
pub fn key_of(path: &Path, stop: &AtomicBool) -> Result<Zeroizing<Vec<u8>>, TextError> {
    let io = |error| TextError::Io { path: path.to_path_buf(), error };
    let mut key = Zeroizing::new(Vec::with_capacity(4096));
    if is_terminal(path) {
        let hidden = Hidden::begin().map_err(io)?;
        super::output::tell("Key (recovery password or user password; it is not shown):");
        let typed = line(stop).map(Zeroizing::new);
        drop(hidden);
        key.extend_from_slice(typed?.as_bytes());
    } else {
        let source: Box<dyn Read> = match is_standard_input(path) {
            true => Box::new(io::stdin()),
            false => Box::new(std::fs::File::open(path).map_err(io)?),
        };
        source.take(LONGEST_KEY + 1).read_to_end(&mut key).map_err(io)?;
    }
    if key.len() as u64 > LONGEST_KEY {
        return Err(io(io::Error::new(io::ErrorKind::InvalidData, "larger than 64 KiB, so it is no key")));
    }
    if key.is_empty() {
        return Err(TextError::Empty { path: path.to_path_buf(), holds: "key" });
    }
    Ok(key)
}

/// A terminal that does not show what is typed, until this is dropped.
struct Hidden {
    before: Termios,
}

impl Hidden {
    fn begin() -> io::Result<Hidden> {
        let before = tcgetattr(io::stdin())?;
        let mut quiet = before.clone();
        quiet.local_modes.remove(LocalModes::ECHO);
        quiet.local_modes.insert(LocalModes::ECHONL);
        tcsetattr(io::stdin(), OptionalActions::Flush, &quiet)?;
        Ok(Hidden { before })
    }
}

impl Drop for Hidden {
    fn drop(&mut self) {
        // Nothing can be done if the terminal is gone.
        let _ = tcsetattr(io::stdin(), OptionalActions::Now, &self.before);
    }
}

impl Ends for TextError {
    fn ending(&self) -> Ending {
        match self {
            TextError::Stopped => Ending::NotFinished,
            _ => Ending::Usage,
        }
    }
}
