//! What is told of a copy in several parts, as of one run: each pass once, and counts over all parts.

use crate::base::new_file::NewFileError;
use crate::case::Case;
use crate::copy::history::{HISTORY_NAME, HistoryWriter};
use crate::copy::reading::{CopyOutcome, Event, Health, Progress, Stage};
use std::collections::BTreeSet;
use std::io;
use std::path::PathBuf;

/// The history of a run, and what was told of it.
pub(super) struct Telling {
    history: HistoryWriter,
    path: PathBuf,
    passes: BTreeSet<u32>,
    stages: Vec<Stage>,
    /// Requests that failed in the parts before this one.
    failed_before: u64,
    /// How the drive was when the part before this one ended, and how it is.
    health_before: Health,
    health: Health,
}

/// What happened in the last minute of the part before counts for so many seconds of this one.
const MINUTE: f64 = 60.0;

impl Telling {
    /// A run over a plan of `plan_bytes` begins.
    pub(super) fn begin(case: &Case, plan_bytes: u64) -> Result<Telling, NewFileError> {
        let path = case.folder().join(HISTORY_NAME);
        let [held, ..] = case.store().totals();
        let begun = HistoryWriter::begin(&path, case.file().source.bytes, plan_bytes, held);
        let history = begun.map_err(|error| NewFileError::Io { path: path.clone(), error })?;
        Ok(Telling {
            history,
            path,
            passes: BTreeSet::new(),
            stages: Vec::new(),
            failed_before: 0,
            health_before: Health::default(),
            health: Health::default(),
        })
    }

    /// Tells an event to the history and to `events`.
    pub(super) fn tell(&mut self, event: &Event, events: &mut dyn FnMut(&Event)) {
        let is_new = match event {
            Event::PassBegun { number, .. } => self.passes.insert(*number),
            Event::StageBegun { stage } if self.stages.contains(stage) => false,
            Event::StageBegun { stage } => {
                self.stages.push(*stage);
                true
            }
            Event::PlanRevised { .. } => {
                self.passes.clear();
                true
            }
            _ => true,
        };
        if !is_new {
            return;
        }
        let whole = match event {
            Event::Progress(progress) => &Event::Progress(self.over_all_parts(progress)),
            event => event,
        };
        self.history.event(whole);
        events(whole);
    }

    fn over_all_parts(&mut self, progress: &Progress) -> Progress {
        let mut whole = progress.clone();
        whole.failed_requests += self.failed_before;
        if progress.seconds < MINUTE {
            let (health, before) = (&mut whole.health, &self.health_before);
            health.failed_last_minute += before.failed_last_minute;
            health.failing_seconds = (health.failing_seconds + before.failing_seconds).min(MINUTE);
            let resets = before.resets_last_minute.unwrap_or(0);
            health.resets_last_minute.iter_mut().for_each(|count| *count += resets);
        }
        self.health = whole.health;
        whole
    }

    /// A part is over; another one follows, or the end.
    pub(super) fn end_part(&mut self, part: &CopyOutcome) {
        self.failed_before += part.failed_requests;
        self.health_before = self.health;
    }

    /// The run is over.
    pub(super) fn end(self, outcome: Option<&CopyOutcome>) -> Result<(), NewFileError> {
        let Telling { history, path, .. } = self;
        history.end(outcome).map_err(|error: io::Error| NewFileError::Io { path, error })
    }
}
