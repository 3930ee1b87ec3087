//! A command of the technician's that prints the drive's temperature.
//!
//! It runs beside the copy, in a thread of its own: a command that hangs delays no read. Its answer is the first number that
//! it prints, in degrees Celsius. Its exit code means nothing here: programs that read a drive's counters end with other codes
//! than 0 when a counter is bad.

use super::is_plausible;
use crate::base::ending::{Ending, Ends};
use std::io::{self, Read};
use std::os::unix::process::CommandExt;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Longest time between two answers after which the last one still counts.
const FRESH: Duration = Duration::from_secs(100);
/// Most bytes of output that are looked at.
const MOST_OUTPUT: u64 = 64 << 10;
/// How often a running command is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// Why a command gives no temperature.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum TemperatureCommandError {
    /// Nothing in it, or a quote without its end.
    #[error("--temperature-from '{0}': not a command; write a program and its words, quoted as for a shell")]
    NotACommand(String),
    /// It cannot be started.
    #[error("--temperature-from: {program} cannot be started: {error}")]
    NotStarted {
        /// The program.
        program: String,
        /// Why.
        error: io::Error,
    },
    /// No answer in time.
    #[error("--temperature-from: {program} gave no answer within {} s and was ended", limit.as_secs_f64())]
    TimeOut {
        /// The program.
        program: String,
        /// The time it had.
        limit: Duration,
    },
    /// An answer that is no temperature.
    #[error("--temperature-from: {program} printed no temperature between -60 and 150 degrees Celsius: '{output}'")]
    NoTemperature {
        /// The program.
        program: String,
        /// The start of what it printed.
        output: String,
    },
}

/// A command that runs again and again until this value is dropped.
#[derive(Debug)]
pub struct TemperatureCommand {
    latest: Arc<Mutex<Option<(Instant, f64)>>>,
    /// Dropping it ends the thread.
    stop: Option<Sender<()>>,
    ended: Receiver<()>,
}

impl TemperatureCommand {
    /// Pause between two runs.
    pub const EVERY: Duration = Duration::from_secs(30);
    /// The time that one run has.
    pub const LIMIT: Duration = Duration::from_secs(10);

    /// Runs `text` for the first time and goes on in the background. It is split into a program and its words as a shell splits
    /// them, but no shell runs: nothing in it is expanded. For a pipe name the shell: `sh -c '...'`.
    ///
    /// # Errors
    /// [`TemperatureCommandError`] when the first run gives no temperature: a mistake shows before the copy starts.
    pub fn start(text: &str) -> Result<TemperatureCommand, TemperatureCommandError> {
        Self::start_with(text, Self::EVERY, Self::LIMIT)
    }

    fn start_with(text: &str, every: Duration, limit: Duration) -> Result<TemperatureCommand, TemperatureCommandError> {
        let words = shlex::split(text).filter(|words| !words.is_empty());
        let words = words.ok_or_else(|| TemperatureCommandError::NotACommand(text.to_owned()))?;
        let (stop, stopped) = mpsc::channel();
        let (first_answer, first) = mpsc::channel();
        let (end, ended) = mpsc::channel();
        let latest = Arc::new(Mutex::new(None));
        let shared = Arc::clone(&latest);
        std::thread::spawn(move || {
            let answer = ask(&words, limit, &stopped);
            let keep =
                |celsius| *shared.lock().unwrap_or_else(PoisonError::into_inner) = Some((Instant::now(), celsius));
            let works = answer.is_ok();
            if let Ok(celsius) = answer {
                keep(celsius);
            }
            let _ = first_answer.send(answer.map(|_| ()));
            while works && stopped.recv_timeout(every) == Err(RecvTimeoutError::Timeout) {
                if let Ok(celsius) = ask(&words, limit, &stopped) {
                    keep(celsius);
                }
            }
            let _ = end.send(());
        });
        let command = TemperatureCommand { latest, stop: Some(stop), ended };
        // A process that the kernel cannot end, as one that waits for a drive, must not hold up the caller either.
        match first.recv_timeout(limit + Duration::from_secs(2)) {
            Ok(answer) => answer.map(|()| command),
            Err(_) => Err(TemperatureCommandError::TimeOut { program: text.to_owned(), limit }),
        }
    }

    /// The last temperature in degrees Celsius; `None` when the command has given none for a while.
    pub fn celsius(&self) -> Option<f64> {
        let (at, celsius) = (*self.latest.lock().unwrap_or_else(PoisonError::into_inner))?;
        (at.elapsed() <= FRESH).then_some(celsius)
    }
}

impl Drop for TemperatureCommand {
    fn drop(&mut self) {
        self.stop = None;
        // So that a command that is running is ended with the program; one that cannot be ended is left behind.
        let _ = self.ended.recv_timeout(Duration::from_secs(1));
    }
}

/// Runs the command once. It is ended, with all that it has started, when the time is over or `stopped` says so.
fn ask(words: &[String], limit: Duration, stopped: &Receiver<()>) -> Result<f64, TemperatureCommandError> {
    let program = || words[0].clone();
    let mut command = Command::new(&words[0]);
    command.args(&words[1..]).stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::null()).process_group(0);
    let mut child =
        command.spawn().map_err(|error| TemperatureCommandError::NotStarted { program: program(), error })?;
    let output = read_beside(&mut child);
    let deadline = Instant::now() + limit;
    let in_time = loop {
        match child.try_wait() {
            Ok(Some(_)) | Err(_) => break true,
            Ok(None) if Instant::now() >= deadline => break false,
            Ok(None) => {}
        }
        if stopped.recv_timeout(LOOK_EVERY) == Err(RecvTimeoutError::Disconnected) {
            break false;
        }
    };
    if !in_time {
        end(&mut child);
        return Err(TemperatureCommandError::TimeOut { program: program(), limit });
    }
    let output = output.recv_timeout(Duration::from_secs(1)).unwrap_or_default();
    first_number(&output).filter(|celsius| is_plausible(*celsius)).ok_or_else(|| {
        let output: String = crate::base::text::shown(output.trim()).chars().take(80).collect();
        TemperatureCommandError::NoTemperature { program: program(), output }
    })
}

/// Reads what a command prints, in a thread: a process that it left behind may keep the pipe open.
fn read_beside(child: &mut Child) -> Receiver<String> {
    let (give, take) = mpsc::channel();
    if let Some(pipe) = child.stdout.take() {
        std::thread::spawn(move || {
            let mut bytes = Vec::new();
            let _ = pipe.take(MOST_OUTPUT).read_to_end(&mut bytes);
            let _ = give.send(String::from_utf8_lossy(&bytes).into_owned());
        });
    }
    take
}

/// Ends a command and the processes of its group.
fn end(child: &mut Child) {
    let group = i32::try_from(child.id()).ok().and_then(rustix::process::Pid::from_raw);
    if let Some(group) = group {
        let _ = rustix::process::kill_process_group(group, rustix::process::Signal::KILL);
    }
    let _ = child.wait();
}

/// The first number in a text: digits with a sign before them or a decimal fraction behind.
fn first_number(text: &str) -> Option<f64> {
    let bytes = text.as_bytes();
    let start = bytes.iter().position(u8::is_ascii_digit)?;
    let digits = |from: usize| from + bytes[from..].iter().take_while(|byte| byte.is_ascii_digit()).count();
    let mut end = digits(start);
    if bytes.get(end) == Some(&b'.') {
        let fraction = digits(end + 1);
        end = if fraction > end + 1 { fraction } else { end };
    }
    let number: f64 = text[start..end].parse().ok()?;
    let negative = start > 0 && bytes[start - 1] == b'-';
    Some(if negative { -number } else { number })
}

impl Ends for TemperatureCommandError {
    fn ending(&self) -> Ending {
        Ending::Usage
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_number_counts() {
        for (text, number) in [
            ("38\n", Some(38.0)),
            ("38.5 C", Some(38.5)),
            ("Temperature: +41°C (limit 60)", Some(41.0)),
            ("-5", Some(-5.0)),
            ("36.", Some(36.0)),
            ("no sensor", None),
            ("", None),
        ] {
            assert_eq!(first_number(text), number, "{text}");
        }
    }

    #[test]
    fn a_command_is_asked_again_and_the_last_answer_counts() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("a file with blanks");
        std::fs::write(&file, "41.5 degrees").unwrap();
        let text = format!("cat '{}'", file.display());
        let command =
            TemperatureCommand::start_with(&text, Duration::from_millis(10), Duration::from_secs(10)).unwrap();
        assert_eq!(command.celsius(), Some(41.5));
        std::fs::write(&file, "43").unwrap();
        let began = Instant::now();
        while command.celsius() != Some(43.0) {
            assert!(began.elapsed() < Duration::from_secs(20), "the command is not run again");
            std::thread::sleep(LOOK_EVERY);
        }
    }

    #[test]
    fn no_shell_runs_unless_it_is_named() {
        let start = |text: &str| TemperatureCommand::start(text).map(|command| command.celsius());
        let printed = match start("echo $((40 + 2)) | cat") {
            Err(TemperatureCommandError::NoTemperature { output, .. }) => panic!("{output}"),
            other => other.unwrap(),
        };
        // The words as they stand: the first number in them is 40, not what a shell would have made of them.
        assert_eq!(printed, Some(40.0));
        assert_eq!(start("sh -c 'echo $((40 + 2)) | cat'").unwrap(), Some(42.0));
    }

    #[test]
    fn a_command_that_hangs_is_ended_with_what_it_has_started() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("pid");
        let text = format!("sh -c 'sleep 1000 & echo $! > {}; wait'", file.display());
        let began = Instant::now();
        let error = TemperatureCommand::start_with(&text, Duration::ZERO, Duration::from_millis(500)).unwrap_err();
        assert!(matches!(error, TemperatureCommandError::TimeOut { .. }), "{error}");
        assert!(began.elapsed() < Duration::from_secs(10));
        let pid = std::fs::read_to_string(file).unwrap();
        let state = format!("/proc/{}/stat", pid.trim());
        let is_running = || std::fs::read_to_string(&state).is_ok_and(|stat| !stat.contains(") Z "));
        while is_running() {
            assert!(began.elapsed() < Duration::from_secs(20), "the command's own process still runs");
            std::thread::sleep(LOOK_EVERY);
        }
    }

    #[test]
    fn a_mistake_shows_at_once() {
        let error = |text: &str| TemperatureCommand::start(text).unwrap_err().to_string();
        assert_eq!(
            error("'unfinished"),
            "--temperature-from ''unfinished': not a command; write a program and its words, quoted as for a shell"
        );
        assert!(error("  ").contains("not a command"));
        assert!(error("/nowhere/at-all 1").contains("/nowhere/at-all cannot be started"));
        assert_eq!(
            error("echo 194 Temperature"),
            "--temperature-from: echo printed no temperature between -60 and 150 degrees Celsius: '194 Temperature'"
        );
        assert!(error("true").contains("printed no temperature"));
    }
}
