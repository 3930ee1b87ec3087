//! Reading it, also while it grows.

use super::{Line, Point};
use crate::base::regular_file;
use crate::results::audit::WantedCount;
use crate::survey::allocation::Class;
use std::io::{self, BufRead, BufReader, Seek, SeekFrom};
use std::path::{Path, PathBuf};

/// All runs of a case's copying.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct History {
    /// In the order they began.
    pub runs: Vec<CopyRun>,
    /// Lines that could not be understood: torn by a power cut, or written by a later program.
    pub unread_lines: u64,
}

/// One run.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct CopyRun {
    /// When it began (RFC 3339, UTC).
    pub began: String,
    /// Bytes of the plan when it began.
    pub plan_bytes: u64,
    /// Held when it began.
    pub copied_bytes: u64,
    /// How it stood, over time.
    pub points: Vec<Point>,
    /// What happened: seconds since it began, and a sentence.
    pub notes: Vec<(f64, String)>,
    /// The latest counts of the wanted files, by pattern.
    pub wanted: Vec<WantedCount>,
    /// How it ended, and after how many seconds; `None` while it runs, or when it was killed.
    pub ended: Option<(f64, String)>,
}

/// No line of ours is longer; what is longer is passed over.
const LONGEST_LINE: usize = 1 << 16;

/// No more points than this are kept of one run: a copy of months writes fewer.
const MOST_POINTS: usize = 1 << 20;

/// Reads a history; a missing file is an empty one. A last line without its line break is being written: it is left out.
///
/// # Errors
/// What the kernel says of the file.
pub fn read_history(path: &Path) -> io::Result<History> {
    let mut follower = HistoryFollower::new(path);
    follower.follow()?;
    Ok(follower.history)
}

/// Reads a history while it grows: each look reads only what was added since the last.
#[derive(Debug)]
pub struct HistoryFollower {
    path: PathBuf,
    history: History,
    /// Where the first line starts that was not taken yet.
    at: u64,
}

impl HistoryFollower {
    /// Nothing is read yet, and the file need not be there yet.
    pub fn new(path: &Path) -> HistoryFollower {
        HistoryFollower { path: path.to_path_buf(), history: History::default(), at: 0 }
    }

    /// What was read so far.
    pub fn history(&self) -> &History {
        &self.history
    }

    /// Reads what was added. A file that has become shorter is another one, and is read from its start.
    ///
    /// # Errors
    /// What the kernel says of the file; what was read before stays.
    pub fn follow(&mut self) -> io::Result<&History> {
        let mut file = match regular_file::open(&self.path) {
            Ok(file) => file,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(&self.history),
            Err(error) => return Err(error),
        };
        if file.metadata()?.len() < self.at {
            (self.history, self.at) = (History::default(), 0);
        }
        file.seek(SeekFrom::Start(self.at))?;
        self.take_lines(&mut BufReader::new(file))?;
        Ok(&self.history)
    }

    fn take_lines(&mut self, input: &mut impl BufRead) -> io::Result<()> {
        let mut line = Vec::new();
        loop {
            line.clear();
            let taken = io::Read::take(&mut *input, LONGEST_LINE as u64).read_until(b'\n', &mut line)?;
            if line.last() == Some(&b'\n') {
                self.history.take(&line);
            } else if taken < LONGEST_LINE {
                return Ok(());
            } else {
                self.history.unread_lines += 1;
                self.at += input.skip_until(b'\n')? as u64;
            }
            self.at += taken as u64;
        }
    }
}

impl History {
    fn take(&mut self, line: &[u8]) {
        match (serde_json::from_slice::<Line>(line), self.runs.last_mut()) {
            (Ok(Line::Began { when, plan_bytes, copied_bytes, .. }), _) => {
                self.runs.push(CopyRun { began: when, plan_bytes, copied_bytes, ..CopyRun::default() });
            }
            (Ok(Line::Point(point)), Some(run)) if run.points.len() < MOST_POINTS => run.points.push(point),
            (Ok(Line::Note { seconds, text }), Some(run)) if run.notes.len() < MOST_POINTS => {
                run.notes.push((seconds, text));
            }
            (Ok(Line::Wanted { patterns, .. }), Some(run)) => run.wanted = patterns,
            (Ok(Line::Ended { seconds, how }), Some(run)) => run.ended = Some((seconds, how)),
            _ => self.unread_lines += u64::from(!line.trim_ascii().is_empty()),
        }
    }
}

impl CopyRun {
    /// Bytes that arrived of each class up to each point: seconds, class, bytes since the point before.
    pub fn arrivals(&self) -> impl Iterator<Item = (f64, Class, u64)> + '_ {
        let before = std::iter::once(self.copied_bytes).chain(self.points.iter().map(|point| point.copied_bytes));
        self.points
            .iter()
            .zip(before)
            .map(|(point, before)| (point.seconds, point.class, point.copied_bytes.saturating_sub(before)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::copy::history::HistoryWriter;
    use crate::copy::reading::{Event, Health, Progress, TimeLeft};
    use std::fs::File;
    use std::io::Write;

    fn progress(seconds: f64, class: Class, copied: u64) -> Event {
        Event::Progress(Progress {
            next_hour_bytes: None,
            pass: None,
            class,
            at: copied,
            plan_bytes: 1 << 40,
            copied_bytes: copied,
            deferred_bytes: 0,
            unreadable_bytes: 0,
            arrived_bytes: copied,
            rate: Some(1e8),
            seconds,
            left: TimeLeft::default(),
            failed_requests: 3,
            health: Health { celsius: Some(41.5), ..Health::default() },
        })
    }

    #[test]
    fn what_is_written_is_read_and_every_byte_counts_to_its_class() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("history.jsonl");
        assert_eq!(read_history(&path).unwrap(), History::default());
        let mut writer = HistoryWriter::begin(&path, 1 << 40, 1 << 39, 0).unwrap();
        let mut copied = 0;
        for tick in 0..100_u32 {
            copied += 1000;
            let class = if tick < 37 { Class::Structure } else { Class::Files };
            writer.event(&progress(f64::from(tick) / 10.0, class, copied));
        }
        writer.end(None).unwrap();
        // Power went while the next run wrote its first point.
        let mut writer = HistoryWriter::begin(&path, 1 << 40, 1 << 39, copied).unwrap();
        writer.event(&progress(0.0, Class::Files, copied + 5));
        drop(writer);
        File::options().append(true).open(&path).unwrap().write_all(b"{\"kind\":\"poi").unwrap();
        let history = read_history(&path).unwrap();
        assert_eq!((history.runs.len(), history.unread_lines), (2, 0));
        let HistoryWriter { .. } = HistoryWriter::begin(&path, 1, 1, 0).unwrap();
        let history = read_history(&path).unwrap();
        assert_eq!((history.runs.len(), history.unread_lines), (3, 1));
        let planned: Vec<u64> = history.runs.iter().map(|run| run.plan_bytes).collect();
        assert_eq!(planned, [1 << 39, 1 << 39, 1]);
        let run = &history.runs[0];
        assert!(run.ended.is_some() && run.points.len() < 15, "{} points", run.points.len());
        let of = |class| run.arrivals().filter(|a| a.1 == class).map(|a| a.2).sum::<u64>();
        assert_eq!((of(Class::Structure), of(Class::Files)), (37_000, 63_000));
        assert_eq!(run.points[0].health.celsius, Some(41.5));
    }

    /// Cut into two looks at any byte, a history reads as it does in one.
    #[test]
    fn followed_while_it_grows_it_reads_the_same() {
        let folder = tempfile::tempdir().unwrap();
        let (whole, growing) = (folder.path().join("whole"), folder.path().join("growing"));
        let mut writer = HistoryWriter::begin(&whole, 1 << 40, 1 << 40, 0).unwrap();
        writer.event(&progress(0.0, Class::Tables, 512));
        writer.event(&progress(1.5, Class::Files, 1024));
        writer.end(None).unwrap();
        File::options().append(true).open(&whole).unwrap().write_all(b"torn\n").unwrap();
        let long = vec![b'x'; 2 * LONGEST_LINE];
        File::options().append(true).open(&whole).unwrap().write_all(&[&long[..], b"\n"].concat()).unwrap();
        HistoryWriter::begin(&whole, 1, 1, 0).unwrap().end(None).unwrap();
        let expected = read_history(&whole).unwrap();
        assert_eq!((expected.runs.len(), expected.unread_lines), (2, 2));
        let bytes = std::fs::read(&whole).unwrap();
        let short = bytes.iter().position(|byte| *byte == b'x').unwrap();
        for cut in (0..short).chain([bytes.len() - 5]) {
            let mut follower = HistoryFollower::new(&growing);
            std::fs::write(&growing, &bytes[..cut]).unwrap();
            follower.follow().unwrap();
            std::fs::write(&growing, &bytes).unwrap();
            assert_eq!(*follower.follow().unwrap(), expected, "cut at {cut}");
            assert_eq!(*follower.follow().unwrap(), expected, "nothing was added");
            std::fs::write(&growing, &bytes[..short / 2]).unwrap();
            assert_eq!(*follower.follow().unwrap(), read_history(&growing).unwrap(), "another file");
        }
    }

    #[test]
    fn a_long_copy_writes_few_points() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("history.jsonl");
        let mut writer = HistoryWriter::begin(&path, 1 << 40, 1 << 40, 0).unwrap();
        for second in 0..200_000_u32 {
            writer.event(&progress(f64::from(second), Class::Files, u64::from(second)));
        }
        writer.end(None).unwrap();
        let points = read_history(&path).unwrap().runs[0].points.len();
        assert!((5_000..25_000).contains(&points), "{points}");
    }
}
