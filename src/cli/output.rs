//! The one way to print. What comes from a drive is neutral when it arrives here or is made so; a terminal that has gone away stops
//! no work.

use super::layout::{error_columns, wrap};
use crate::base::text::{json, json_pretty, shown, shown_lines};
use rustix::fs::{FileType, fstat};
use rustix::io::Errno;
use serde::Serialize;
use std::io::{self, BufWriter, IsTerminal, StdoutLock, Write};

/// Tells something on standard error: on a terminal wrapped to its width, elsewhere as one line. Where the reader is gone,
/// nothing is told.
pub fn tell(line: &str) {
    match io::stderr().is_terminal() {
        true => tell_lines(&(wrap("", line, error_columns()).join("\n") + "\n")),
        false => {
            let _ = writeln!(io::stderr(), "{}", shown(line));
        }
    }
}

/// After progress was drawn: the terminal's echo of Ctrl-C then stands in its last line, not below it.
pub fn cursor_to_line_start() {
    let _ = io::stderr().write_all(b"\r");
}

/// As [`tell`], text that is laid out in lines.
pub fn tell_lines(text: &str) {
    let _ = write!(io::stderr(), "{}", shown_lines(text));
}

/// Prints text that is laid out in lines. That its reader has gone (`gleaner survey DRIVE | head`) is no failure.
///
/// # Errors
/// Any other that standard output gives.
pub fn print(text: &str) -> io::Result<()> {
    let mut out = io::stdout().lock();
    match out.write_all(shown_lines(text).as_bytes()).and_then(|()| out.flush()) {
        Err(error) => match failed(error) {
            gone if gone.kind() == io::ErrorKind::BrokenPipe => Ok(()),
            failed => Err(failed),
        },
        Ok(()) => Ok(()),
    }
}

/// The error with what it is about. A terminal that was closed gives EIO, and is as good as a pipe without a reader.
fn failed(error: io::Error) -> io::Error {
    let is_device = || fstat(io::stdout()).is_ok_and(|about| FileType::from_raw_mode(about.st_mode).is_char_device());
    let kind = match error.raw_os_error() == Some(Errno::IO.raw_os_error()) && is_device() {
        true => io::ErrorKind::BrokenPipe,
        false => error.kind(),
    };
    io::Error::new(kind, format!("standard output cannot be written: {error}"))
}

/// A value as JSON for programs, laid out in lines.
///
/// # Errors
/// As `serde_json`.
pub fn json_text(value: &impl Serialize) -> serde_json::Result<String> {
    Ok(json_pretty(value)? + "\n")
}

/// JSON lines on standard output, while the work that makes them goes on.
pub struct JsonLines {
    out: BufWriter<StdoutLock<'static>>,
}

impl Default for JsonLines {
    fn default() -> JsonLines {
        JsonLines { out: BufWriter::with_capacity(1 << 16, io::stdout().lock()) }
    }
}

impl JsonLines {
    /// Prints a value as one line.
    ///
    /// # Errors
    /// What standard output gives, also that its reader has gone: then there is no need for more.
    pub fn line(&mut self, value: &impl Serialize) -> io::Result<()> {
        let line = json(value)? + "\n";
        self.out.write_all(line.as_bytes()).map_err(failed)
    }

    /// Prints what is held back.
    ///
    /// # Errors
    /// As [`JsonLines::line`].
    pub fn finish(mut self) -> io::Result<()> {
        self.out.flush().map_err(failed)
    }
}
