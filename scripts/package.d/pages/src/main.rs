//! Writes what goes into a package beside the program: man pages and shell completions, made from the definition of the
//! command line. `cargo run --package gleaner-handouts -- FOLDER`; `scripts/package` does that.
//!
//! No command of the program: whoever installs the package gets them, and the program need not carry the two crates that
//! make them.

use clap_complete::Shell;
use std::error::Error;
use std::path::PathBuf;

fn main() -> Result<(), Box<dyn Error>> {
    let Some(folder) = std::env::args_os().nth(1).map(PathBuf::from) else {
        return Err("usage: handouts FOLDER".into());
    };
    let manual = folder.join("man1");
    std::fs::create_dir_all(&manual)?;
    // Without the generated `help` command: a page about asking for help helps nobody.
    clap_mangen::generate_to(gleaner::cli::command().disable_help_subcommand(true), &manual)?;

    let completions = folder.join("completions");
    std::fs::create_dir_all(&completions)?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        clap_complete::generate_to(shell, &mut gleaner::cli::command(), "gleaner", &completions)?;
    }
    Ok(())
}
