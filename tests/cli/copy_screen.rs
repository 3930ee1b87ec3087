//! The screen of `copy`, and of the reading of the structure, in a terminal of 80 columns (util-linux' `script` with `stty`), on a drive that is slow and fails: what it says,
//! that it fits, and that Ctrl-C is answered before the read that hangs. Needs root, FUSE and loop devices.

use crate::cases;
use crate::common;
use crate::witness;

use cases::survey_and_plan;
use common::fixture;
use gleaner::base::extent::Extent;
use std::io::{Read, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{self, Receiver};
use std::time::{Duration, Instant};
use unicode_width::UnicodeWidthChar;
use witness::{Behaviour, WitnessedDevice};

const COLUMNS: usize = 80;

/// A terminal as ECMA-48 has it, as far as progress needs it: text, CR, LF, cursor up and down (CUU, CUD), erase in line (EL) and below (ED).
#[derive(Default)]
struct Screen {
    lines: Vec<Vec<char>>,
    row: usize,
    column: usize,
    /// Lines that were too long and went on in the next one.
    wrapped: Vec<String>,
}

impl Screen {
    fn take(&mut self, text: &str) {
        let mut letters = text.chars();
        while let Some(letter) = letters.next() {
            match letter {
                '\r' => self.column = 0,
                '\n' => self.row += 1,
                '\u{1b}' => self.sequence(&mut letters),
                letter => self.put(letter),
            }
        }
    }

    fn sequence(&mut self, letters: &mut impl Iterator<Item = char>) {
        assert_eq!(letters.next(), Some('['), "only control sequences");
        let mut number = String::new();
        let last = loop {
            match letters.next().expect("the end of a sequence") {
                digit if digit.is_ascii_digit() || digit == ';' => number.push(digit),
                last => break last,
            }
        };
        match last {
            'A' => self.row = self.row.saturating_sub(number.parse().unwrap_or(1)),
            'B' => self.row += number.parse::<usize>().unwrap_or(1),
            'K' if number == "2" => self.line().clear(),
            'K' => {
                let column = self.column;
                self.line().truncate(column);
            }
            'J' => {
                let row = self.row;
                self.lines.truncate(row + 1);
                self.sequence(&mut "[K".chars());
            }
            'm' => {}
            other => panic!("sequence {number}{other}"),
        }
    }

    fn line(&mut self) -> &mut Vec<char> {
        let row = self.row;
        self.lines.resize_with(self.lines.len().max(row + 1), Vec::new);
        &mut self.lines[row]
    }

    fn put(&mut self, letter: char) {
        assert_eq!(letter.width(), Some(1), "{letter:?}");
        if self.column == COLUMNS {
            let line: String = self.line().iter().collect();
            // Progress fills its lines with spaces so that the next one begins by itself.
            if !line.ends_with(' ') {
                self.wrapped.push(line);
            }
            (self.row, self.column) = (self.row + 1, 0);
        }
        let column = self.column;
        let line = self.line();
        line.resize(line.len().max(column + 1), ' ');
        line[column] = letter;
        self.column += 1;
    }

    fn lines(&self) -> Vec<String> {
        self.lines.iter().map(|line| line.iter().collect::<String>().trim_end().to_owned()).collect()
    }

    /// All words, however they are divided into lines.
    fn words(&self) -> String {
        self.lines().join(" ").split_whitespace().collect::<Vec<_>>().join(" ")
    }

    /// How many lines begin like this.
    fn count(&self, start: &str) -> usize {
        self.lines().iter().filter(|line| line.starts_with(start)).count()
    }
}

/// The program in a terminal.
struct Terminal {
    script: Child,
    keys: ChildStdin,
    output: Receiver<Vec<u8>>,
    unread: Vec<u8>,
    screen: Screen,
}

impl Terminal {
    fn copy(drive: &Path, case: &Path) -> Terminal {
        Terminal::run(&format!("copy --case {} {} --request 256", case.display(), drive.display()))
    }

    fn run(words: &str) -> Terminal {
        let program = env!("CARGO_BIN_EXE_gleaner");
        let words = format!("stty rows 24 cols {COLUMNS}; exec {program} {words}");
        let mut script = Command::new("script");
        script.args(["-qec", &words, "/dev/null"]).env("LC_ALL", "C.UTF-8").env("TERM", "xterm");
        let mut script = script.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("script");
        let (keys, mut out) = (script.stdin.take().unwrap(), script.stdout.take().unwrap());
        let (sender, output) = mpsc::channel();
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Ok(count @ 1..) = out.read(&mut buffer) {
                if sender.send(buffer[..count].to_vec()).is_err() {
                    break;
                }
            }
        });
        Terminal { script, keys, output, unread: Vec::new(), screen: Screen::default() }
    }

    /// Shows what comes for a while; false at the end.
    fn follow(&mut self, time: Duration) -> bool {
        match self.output.recv_timeout(time) {
            Ok(bytes) => self.unread.extend(bytes),
            Err(mpsc::RecvTimeoutError::Timeout) => return true,
            Err(mpsc::RecvTimeoutError::Disconnected) => return false,
        }
        // A letter or a sequence may be cut in two.
        let whole = match std::str::from_utf8(&self.unread) {
            Ok(text) => text.len(),
            Err(error) => error.valid_up_to(),
        };
        let text = String::from_utf8(self.unread[..whole].to_vec()).unwrap();
        let whole =
            text.rfind('\u{1b}').filter(|at| !text[*at..].contains(|c: char| c.is_ascii_alphabetic())).unwrap_or(whole);
        self.screen.take(&text[..whole]);
        self.unread.drain(..whole);
        true
    }

    /// Waits until a line begins like this.
    fn until(&mut self, start: &str) {
        let began = Instant::now();
        while self.screen.count(start) == 0 {
            assert!(self.follow(Duration::from_millis(50)), "ended without {start:?}: {:#?}", self.screen.lines());
            assert!(began.elapsed() < Duration::from_secs(60), "never {start:?}: {:#?}", self.screen.lines());
        }
    }

    /// Waits until the screen has these words.
    fn until_words(&mut self, words: &str) {
        let began = Instant::now();
        while !self.screen.words().contains(words) {
            assert!(self.follow(Duration::from_millis(50)), "ended without {words:?}: {:#?}", self.screen.lines());
            assert!(began.elapsed() < Duration::from_secs(60), "never {words:?}: {:#?}", self.screen.lines());
        }
    }

    /// The screen at the end, and the exit code.
    fn end(mut self) -> (Screen, Option<i32>) {
        while self.follow(Duration::from_secs(60)) {}
        (self.screen, self.script.wait().unwrap().code())
    }
}

fn fits(screen: &Screen) {
    assert!(screen.wrapped.is_empty(), "too long: {:#?}", screen.wrapped);
}

/// Whatever a person sees of a pass, a share and a time on a drive with a bad place.
#[test]
fn a_sick_drive_on_a_screen_of_80_columns() {
    let bytes = fixture("drive-gpt");
    let bad = Extent::new(bytes.len() as u64 / 4, 64 << 10).unwrap();
    let behaviour = Behaviour {
        unreadable: vec![bad],
        sluggish: vec![(bad, 1.0)],
        delay: Some(Duration::from_millis(20)),
        ..Behaviour::default()
    };
    let drive = WitnessedDevice::behaving(&bytes, &behaviour);
    let case = drive.file("case");
    survey_and_plan(drive.path(), &case, &["--scope", "whole"]);
    let mut terminal = Terminal::copy(drive.path(), &case);
    for start in
        ["COPY  ", "NOW  pass ", "TIME LEFT  about ", "GO ON  yes: in the last minute no read failed", "  Ctrl-C stops"]
    {
        terminal.until(start);
    }
    terminal.until_words("failed; failures took");
    terminal.until("GO ON  yes, but the drive may not last: ");
    terminal.until_words("; skipped ranges (");
    terminal.until("DIFFICULT  1 read failed, ");
    let lines = terminal.screen.lines();
    let share = lines.iter().find(|line| line.starts_with("COPY  ")).unwrap();
    assert!(share.contains(" % safe: "), "{share}");
    assert_eq!(lines.iter().filter(|line| line.contains(" %")).count(), 1, "no other share: {lines:#?}");
    let (screen, code) = terminal.end();
    assert!(matches!(code, Some(0 | 10)), "{code:?}: {:#?}", screen.lines());
    fits(&screen);
    for number in 1..9 {
        assert!(screen.count(&format!("pass {number}: ")) <= 1, "announced twice: {:#?}", screen.lines());
    }
    assert_eq!((screen.count("pass 1: "), screen.count("COPY  ")), (1, 1), "{:#?}", screen.lines());
    assert_eq!(screen.count("GO ON  "), 0, "the screen is gone at the end: {:#?}", screen.lines());
}

/// A read takes ten seconds. Ctrl-C is answered long before that, in place, and the copy ends with that read.
#[test]
fn ctrl_c_is_answered_before_the_present_read_ends() {
    const HANGS: f64 = 10.0;
    let bytes = fixture("drive-gpt");
    let place = Extent::new(bytes.len() as u64 / 2, 512).unwrap();
    let drive =
        WitnessedDevice::behaving(&bytes, &Behaviour { sluggish: vec![(place, HANGS)], ..Behaviour::default() });
    let case = drive.file("case");
    survey_and_plan(drive.path(), &case, &["--scope", "whole"]);
    let mut terminal = Terminal::copy(drive.path(), &case);
    terminal.until_words("the present read takes");
    assert!(!terminal.screen.words().contains("Stopping"));
    // Not while the screen is being drawn: the echo would stand below it.
    std::thread::sleep(Duration::from_millis(40));
    let began = Instant::now();
    terminal.keys.write_all(b"\x03").unwrap();
    terminal.until("  Stopping after the present read ...");
    let answered = began.elapsed();
    assert!(answered < Duration::from_secs(2), "answered after {answered:?}");
    assert_eq!(terminal.screen.count("COPY  "), 1, "{:#?}", terminal.screen.lines());
    assert!(terminal.script.try_wait().unwrap().is_none(), "the read under way is waited for");
    let (screen, code) = terminal.end();
    assert_eq!(code, Some(9), "{:#?}", screen.lines());
    fits(&screen);
    let lines = screen.lines();
    let end: Vec<&String> = lines.iter().filter(|line| line.starts_with("COPY  ")).collect();
    let [end] = end[..] else { panic!("{lines:#?}") };
    assert!(end.starts_with("COPY  Stopped: ") && end.ends_with(" still to copy; the same command goes on"), "{end}");
}

/// Every read takes three seconds. The line of a survey fits as well, and answers Ctrl-C below itself.
#[test]
fn ctrl_c_is_answered_while_the_structure_is_read() {
    let drive = WitnessedDevice::behaving(
        &fixture("fat16"),
        &Behaviour { delay: Some(Duration::from_secs(3)), ..Behaviour::default() },
    );
    let mut terminal = Terminal::run(&format!("survey {}", drive.path().display()));
    terminal.until_words(" of ");
    terminal.keys.write_all(b"\x03").unwrap();
    let began = Instant::now();
    terminal.until("  Stopping after the present read ...");
    assert!(began.elapsed() < Duration::from_secs(2), "answered after {:?}", began.elapsed());
    let (screen, code) = terminal.end();
    assert_eq!(code, Some(9), "{:#?}", screen.lines());
    fits(&screen);
}
