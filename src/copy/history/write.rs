//! Writing it while a copy runs.

use super::{Line, Point};
use crate::base::human;
use crate::base::regular_file;
use crate::base::text::json;
use crate::copy::reading::{CopyOutcome, Event, Progress};
use crate::results::audit::WantedCount;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

/// Seconds between two points at the beginning; after an hour it is a hundredth of the time gone, so that a day gives
/// some hundred points more and not 86,400.
const EVERY: f64 = 1.0;

/// Follows a copy's events.
pub struct HistoryWriter {
    file: File,
    last: Option<f64>,
    latest: Option<Point>,
    /// Counts of the wanted files that are not written yet.
    wanted: Option<Vec<WantedCount>>,
    /// Seconds of the run's parts before this one: each part counts from its own start.
    earlier: f64,
    error: Option<io::Error>,
}

impl HistoryWriter {
    /// Opens the history for another run; a line torn by a power cut is closed first.
    ///
    /// # Errors
    /// When the file cannot be opened or written.
    pub fn begin(path: &Path, drive_bytes: u64, plan_bytes: u64, copied_bytes: u64) -> io::Result<HistoryWriter> {
        let mut options = File::options();
        let mut file = regular_file::open_with(options.read(true).append(true).create(true).mode(0o600), path)?;
        if file.seek(SeekFrom::End(0))? > 0 {
            file.seek(SeekFrom::End(-1))?;
            let mut last = [0];
            file.read_exact(&mut last)?;
            if last != *b"\n" {
                file.write_all(b"\n")?;
            }
        }
        let mut writer = HistoryWriter { file, last: None, latest: None, wanted: None, earlier: 0.0, error: None };
        writer.line(&Line::Began { when: human::now(), drive_bytes, plan_bytes, copied_bytes });
        writer.error.take().map_or(Ok(writer), Err)
    }

    /// Takes an event. A history that cannot be written must not stop a copy: the first error is kept for
    /// [`HistoryWriter::end`].
    pub fn event(&mut self, event: &Event) {
        match event {
            Event::Progress(progress) => self.progress(progress),
            Event::Wanted { class, patterns } => {
                self.wanted = Some(patterns.clone());
                if class.is_some() {
                    self.flush_wanted();
                }
            }
            other => {
                if let Some(text) = other.sentence() {
                    let seconds = self.latest.map_or(0.0, |point| point.seconds);
                    self.line(&Line::Note { seconds, text });
                }
            }
        }
    }

    fn progress(&mut self, progress: &Progress) {
        if let Some(latest) = self.latest.filter(|latest| progress.seconds + self.earlier < latest.seconds) {
            self.earlier = latest.seconds;
        }
        let point = Point {
            seconds: self.earlier + progress.seconds,
            class: progress.class,
            at: progress.at,
            copied_bytes: progress.copied_bytes,
            plan_bytes: progress.plan_bytes,
            deferred_bytes: progress.deferred_bytes,
            unreadable_bytes: progress.unreadable_bytes,
            failed_requests: progress.failed_requests,
            rate: progress.rate,
            left: progress.left,
            health: progress.health,
        };
        // A new class begins with a point of its own, so that no bytes are counted to the wrong one.
        let new_class = self.latest.is_some_and(|latest| latest.class != point.class);
        let every = EVERY.max(point.seconds / 3600.0);
        if new_class || self.last.is_none_or(|last| point.seconds - last >= every) {
            if new_class {
                self.flush_latest();
            }
            self.line(&Line::Point(point));
            self.last = Some(point.seconds);
            self.flush_wanted();
        }
        self.latest = Some(point);
    }

    /// Writes the counts of the wanted files, unless they were written already.
    fn flush_wanted(&mut self) {
        if let Some(patterns) = self.wanted.take() {
            let seconds = self.latest.map_or(0.0, |point| point.seconds);
            self.line(&Line::Wanted { seconds, patterns });
        }
    }

    /// Writes the latest point, unless it was written already.
    fn flush_latest(&mut self) {
        if let Some(point) = self.latest.filter(|point| self.last != Some(point.seconds)) {
            self.line(&Line::Point(point));
        }
    }

    /// Ends the run.
    ///
    /// # Errors
    /// The first error of any line of it.
    pub fn end(mut self, outcome: Option<&CopyOutcome>) -> io::Result<()> {
        let seconds = outcome.map_or(0.0, |outcome| outcome.seconds);
        // What arrived after the last progress that was told is counted to the class that was read last.
        if let (Some(latest), Some(outcome)) = (&mut self.latest, outcome) {
            let (plan_bytes, copied_bytes, deferred_bytes, unreadable_bytes) = outcome.totals();
            let failed_requests = outcome.failed_requests;
            let seconds = latest.seconds.max(seconds);
            *latest = Point {
                seconds,
                plan_bytes,
                copied_bytes,
                deferred_bytes,
                unreadable_bytes,
                failed_requests,
                ..*latest
            };
        }
        self.flush_latest();
        self.flush_wanted();
        let how = outcome.map_or_else(|| "Failed".to_owned(), CopyOutcome::sentence);
        self.line(&Line::Ended { seconds, how });
        match self.error {
            Some(error) => Err(error),
            None => self.file.sync_data(),
        }
    }

    fn line(&mut self, line: &Line) {
        let text = json(line).expect("plain values") + "\n";
        // One write a line, so that a reader never sees half of one for long.
        if let Err(error) = self.file.write_all(text.as_bytes()) {
            self.error.get_or_insert(error);
        }
    }
}
