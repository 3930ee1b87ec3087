//! A record of every request made of the source, as CSV.

use crate::base::extent::Extent;
use crate::source::ReadError;
use std::io::{self, Write};
use std::time::Duration;

/// Writes one line a request: `offset,length,outcome,microseconds`. Offset and length in bytes; the outcome is `read`,
/// `unreadable` or `gone`.
pub struct Trace {
    out: Box<dyn Write + Send>,
}

impl Trace {
    /// Starts a trace; writes the header line.
    pub fn new(mut out: Box<dyn Write + Send>) -> io::Result<Trace> {
        writeln!(out, "offset,length,outcome,microseconds")?;
        Ok(Trace { out })
    }

    pub(super) fn record(&mut self, extent: Extent, took: Duration, outcome: &Result<(), ReadError>) -> io::Result<()> {
        let word = match outcome {
            Ok(()) => "read",
            Err(ReadError::Unreadable(_)) => "unreadable",
            Err(ReadError::Gone(_) | ReadError::NotHeld) => "gone",
        };
        writeln!(self.out, "{},{},{word},{}", extent.start.0, extent.bytes, took.as_micros())
    }

    /// Writes out what is buffered.
    pub fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}
