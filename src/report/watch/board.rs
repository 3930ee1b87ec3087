//! What is known of a case and of the copy in it, kept up to date look by look.

use super::held::Held;
use super::planned::Planned;
use super::{WatchEnd, WatchError};
use crate::case::{CaseFile, CaseView, is_locked};
use crate::copy::history::{CopyRun, HISTORY_NAME, HistoryFollower};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

/// How the copy stands.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Standing {
    /// None runs; the next may begin.
    Waiting,
    /// One runs, as far as can be told.
    Running,
    /// It is over.
    Over(WatchEnd),
}

/// All that the page shows.
pub(super) struct Board {
    look: CaseView,
    file: CaseFile,
    history_path: PathBuf,
    history: HistoryFollower,
    held: Held,
    planned: Planned,
    standing: Standing,
    /// How many runs had ended when watching began: their ends end nothing now.
    ended_before: usize,
    /// Lines of the run that was unfinished when watching began.
    lines_before: usize,
    /// The run (counted from 1) during which the case's lock was seen held.
    locked_run: Option<usize>,
    /// What could not be read at the last look.
    trouble: Option<String>,
}

impl Board {
    /// # Errors
    /// [`WatchError::Case`] when the folder holds no case.
    pub(super) fn new(folder: &Path) -> Result<Board, WatchError> {
        let look = CaseView::new(folder)?;
        let file = look.file()?;
        let history_path = folder.join(HISTORY_NAME);
        let mut board = Board {
            history: HistoryFollower::new(&history_path),
            history_path,
            look,
            file,
            held: Held::default(),
            planned: Planned::default(),
            standing: Standing::Waiting,
            ended_before: usize::MAX,
            lines_before: 0,
            locked_run: None,
            trouble: None,
        };
        board.refresh();
        Ok(board)
    }

    /// Looks again at everything. When the copy is over, what stands on the board stays.
    pub(super) fn refresh(&mut self) {
        if matches!(self.standing, Standing::Over(_)) {
            return;
        }
        // The lock before the history: a copy writes its end before it lets go.
        let locked = is_locked(&self.file.journal_path(self.look.folder()));
        let history = self.history.follow().err().map(|error| format!("The history cannot be read: {error}."));
        let file = self.look.file().map(|file| self.file = file);
        self.trouble = history.or(file.err().map(|error| format!("The case cannot be read: {error}.")));
        self.held.follow(&self.file.journal_path(self.look.folder()));
        let plan = self.file.plan.as_ref().map(|name| self.look.folder().join(name));
        self.planned.follow(plan.as_deref(), self.file.source.bytes);
        self.standing = self.stand(locked);
    }

    fn stand(&mut self, locked: bool) -> Standing {
        let runs = &self.history.history().runs;
        let unfinished = runs.last().filter(|run| run.ended.is_none());
        if self.ended_before == usize::MAX {
            self.ended_before = runs.len() - usize::from(unfinished.is_some());
            self.lines_before = unfinished.map_or(0, lines);
        }
        // A history that was begun anew has other runs.
        self.ended_before = self.ended_before.min(runs.len());
        match runs.last() {
            None => Standing::Waiting,
            Some(_) if runs.len() == self.ended_before => Standing::Waiting,
            Some(CopyRun { ended: Some((_, how)), .. }) => Standing::Over(WatchEnd::Ended(how.clone())),
            Some(run) => {
                // What was unfinished at the beginning may have been dead for long, and the lock another command's.
                let alive = runs.len() > self.ended_before + 1 || lines(run) > self.lines_before;
                if alive && locked {
                    self.locked_run = Some(runs.len());
                }
                let killed = !locked && self.locked_run == Some(runs.len());
                if killed { Standing::Over(WatchEnd::Killed) } else { Standing::Running }
            }
        }
    }

    pub(super) fn standing(&self) -> &Standing {
        &self.standing
    }

    /// What the case's file says.
    pub(super) fn file(&self) -> &CaseFile {
        &self.file
    }

    pub(super) fn folder(&self) -> &Path {
        self.look.folder()
    }

    /// The run that is shown: the last that began.
    pub(super) fn run(&self) -> Option<&CopyRun> {
        self.history.history().runs.last()
    }

    pub(super) fn held(&self) -> &Held {
        &self.held
    }

    pub(super) fn planned(&self) -> &Planned {
        &self.planned
    }

    /// What could not be read at the last look, in sentences.
    pub(super) fn trouble(&self) -> Option<&str> {
        self.trouble.as_deref()
    }

    /// How long nothing has been heard of a running copy, where that is longer than its history's own pace explains: then
    /// it waits for the drive, pauses to cool, or is gone.
    pub(super) fn silence(&self) -> Option<Duration> {
        const EXPLAINED: f64 = 10.0;
        let last = self.run()?.points.last().map_or(0.0, |point| point.seconds);
        let written = std::fs::metadata(&self.history_path).and_then(|file| file.modified()).ok()?;
        let silence = SystemTime::now().duration_since(written).ok()?;
        (silence.as_secs_f64() > EXPLAINED + 3.0 * last / 3600.0).then_some(silence)
    }
}

fn lines(run: &CopyRun) -> usize {
    run.points.len() + run.notes.len()
}
