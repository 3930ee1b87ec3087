//! A text file by lines, each of bounded length.

use super::{Fault, PlanReadError};
use serde::de::DeserializeOwned;
use std::io::{BufRead, Read};

/// The header: room for 100,000 findings of ordinary length.
pub(super) const HEADER: u64 = 64 << 20;

/// Any other line. Only the pattern of a pass has no fixed length.
pub(super) const LINE: u64 = 1 << 20;

/// The lines of a file, of which one is kept at a time.
pub(super) struct Lines<R> {
    input: R,
    line: Vec<u8>,
    number: usize,
}

impl<R: BufRead> Lines<R> {
    pub(super) fn new(input: R) -> Lines<R> {
        Lines { input, line: Vec::new(), number: 0 }
    }

    /// Reads the next line, of at most `most` bytes. Whether there is one.
    pub(super) fn advance(&mut self, most: u64) -> Result<bool, PlanReadError> {
        self.line.clear();
        self.number += 1;
        let count = self.input.by_ref().take(most + 1).read_until(b'\n', &mut self.line).map_err(PlanReadError::Io)?;
        if count as u64 > most {
            return Err(self.fault(Fault::TooLong));
        }
        if self.line.last() == Some(&b'\n') {
            self.line.pop();
        }
        Ok(count > 0)
    }

    /// The line that was read last, without its line feed.
    pub(super) fn line(&self) -> &[u8] {
        &self.line
    }

    /// What is wrong with the line that was given last.
    pub(super) fn fault(&self, fault: Fault) -> PlanReadError {
        PlanReadError::Invalid { line: Some(self.number), fault }
    }

    /// Reads `text`, which ends in that line, as JSON.
    pub(super) fn json<T: DeserializeOwned>(&self, text: &[u8]) -> Result<T, PlanReadError> {
        serde_json::from_slice(text).map_err(|error| self.shape(text, &error))
    }

    fn shape(&self, text: &[u8], error: &serde_json::Error) -> PlanReadError {
        let before = text.iter().filter(|byte| **byte == b'\n').count();
        let line = (self.number + error.line()).saturating_sub(before + 1);
        let position = format!(" at line {} column {}", error.line(), error.column());
        let text = error.to_string();
        let problem = text.strip_suffix(&position).unwrap_or(&text).to_owned();
        PlanReadError::Shape { line, column: error.column(), problem }
    }
}
