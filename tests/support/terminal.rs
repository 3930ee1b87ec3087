//! What the program prints in a terminal (util-linux' `script` with `stty`) and without one.

#![allow(dead_code, reason = "each test program uses its own part of this")]

use std::path::{Path, PathBuf};
use std::process::Command;
use unicode_width::UnicodeWidthStr;

/// Columns of a terminal that every machine has.
pub const COLUMNS: usize = 80;

/// A folder with drives in it.
pub struct Bench {
    pub folder: tempfile::TempDir,
}

impl Bench {
    pub fn new() -> Bench {
        Bench { folder: tempfile::tempdir().unwrap() }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// What a program prints that ends in good order: done, or with an answer of its own.
    fn run(&self, program: &mut Command) -> String {
        let programs = Path::new(env!("CARGO_BIN_EXE_gleaner")).parent().unwrap();
        program.current_dir(self.folder.path()).env_clear().env("LC_ALL", "C.UTF-8");
        program.env("PATH", format!("{}:/usr/bin:/bin", programs.display()));
        let output = program.output().unwrap();
        assert!(matches!(output.status.code(), Some(0 | 7 | 9 | 10)), "{program:?}: {output:?}");
        String::from_utf8(output.stdout).unwrap()
    }

    /// What a command prints where there is no terminal.
    pub fn piped(&self, words: &str) -> String {
        self.run(Command::new("sh").args(["-c", words]))
    }

    /// What a command prints in a terminal of so many columns.
    pub fn in_terminal(&self, words: &str, columns: usize) -> String {
        let words = format!("stty rows 24 cols {columns}; {words} 2>/dev/null");
        self.run(Command::new("script").args(["-qec", &words, "/dev/null"])).replace("\r\n", "\n")
    }
}

pub fn fits(text: &str, columns: usize) {
    let wide: Vec<&str> = text.lines().filter(|line| line.width() > columns).collect();
    assert!(wide.is_empty(), "wider than {columns} columns: {wide:#?}");
}
