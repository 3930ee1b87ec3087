//! What was typed for the record and the report.

use super::{COMMON, KeyArguments};
use crate::case::Topic;
use crate::report::document::Audience;
use clap::Args;
use std::path::PathBuf;

fn topic(text: &str) -> Result<Topic, String> {
    Topic::of_name(text).ok_or_else(|| {
        let names: Vec<&str> = Topic::ALL.iter().map(|topic| topic.name()).collect();
        format!("topics are {}", names.join(", "))
    })
}

/// The topics with their fields, for the help.
fn topics() -> String {
    let line = |topic: Topic| format!("  {:12} {}\n", topic.name(), topic.describe());
    let lines: String = Topic::ALL.into_iter().map(line).collect();
    format!(
        "Topics and their fields:\n{lines}\nFigures may bear their unit (47, 4.7kohm, 650mA, 38.5C); `open` stands for a resistance over the \
         meter's range."
    )
}

/// `note`
#[derive(Args, Debug)]
#[command(after_help = topics())]
pub struct NoteArguments {
    /// The case
    #[arg(long, value_name = "FOLDER")]
    pub case: PathBuf,
    /// What the note is about; see the list below
    #[arg(long, value_name = "TOPIC", default_value = "other", value_parser = topic)]
    pub on: Topic,
    /// A field of the topic (may be given several times)
    #[arg(long, value_name = "NAME=VALUE")]
    pub field: Vec<String>,
    /// Leave this field out of the client's copy; `text` for the text (may be given several times)
    #[arg(long, value_name = "NAME")]
    pub personal: Vec<String>,
    /// Keep the drive's own counters: a file with what `smartctl --json -x DEVICE` prints; the report compares the first such
    /// note with the last
    #[arg(long, value_name = "FILE", conflicts_with_all = ["on", "field", "personal"])]
    pub smart: Option<PathBuf>,
    /// Free text
    #[arg(value_name = "TEXT")]
    pub text: Vec<String>,
    /// Print JSON for programs
    #[arg(long, help_heading = COMMON)]
    pub json: bool,
}

/// `record`
#[derive(Args, Debug)]
pub struct RecordArguments {
    /// The case
    #[arg(long, value_name = "FOLDER")]
    pub case: PathBuf,
    /// Follow the chain of hashes and say whether anything was changed; exit code 10 when it was
    #[arg(long)]
    pub check: bool,
    /// Whom it is for
    #[arg(long = "for", value_enum, value_name = "AUDIENCE", default_value = "bench")]
    pub audience: Audience,
    /// Print JSON for programs
    #[arg(long, conflicts_with = "csv", help_heading = COMMON)]
    pub json: bool,
    /// Print CSV for spreadsheets
    #[arg(long)]
    pub csv: bool,
}

/// `mend`
#[derive(Args, Debug)]
pub struct MendArguments {
    /// The case's drive, when it is at hand: what is safe of it is compared with what it gives
    pub source: Option<PathBuf>,
    /// The case
    #[arg(long, value_name = "FOLDER")]
    pub case: PathBuf,
    /// The drive's serial number, as you know it: from its label, the order, an earlier report
    #[arg(long, value_name = "NUMBER")]
    pub serial: Option<String>,
    /// The byte that unreadable sectors have in the image, decimal or as 0x..
    #[arg(long, value_name = "BYTE", value_parser = super::one_byte)]
    pub fill: Option<u8>,
    /// The image's file name, where there are several
    #[arg(long, value_name = "NAME")]
    pub image: Option<String>,
    /// Read a drive although the system has it mounted and may write to it
    #[arg(long, help_heading = COMMON)]
    pub mounted: bool,
    /// Print JSON for programs
    #[arg(long, help_heading = COMMON)]
    pub json: bool,
}

/// `report`
#[derive(Args, Debug)]
pub struct ReportArguments {
    /// The case
    #[arg(long, value_name = "FOLDER")]
    pub case: PathBuf,
    /// Whom it is for
    #[arg(long = "for", value_enum, value_name = "AUDIENCE", default_value = "bench")]
    pub audience: Audience,
    /// A new HTML file; the full lists go beside it as CSV [default: report.html or report-client.html in the case's folder, or the next free name]
    #[arg(long, short, value_name = "FILE")]
    pub output: Option<PathBuf>,
    /// Calculate the SHA-256 of the whole image now: reads all that was copied
    #[arg(long)]
    pub hash: bool,
    /// Print JSON for programs
    #[arg(long, help_heading = COMMON)]
    pub json: bool,
    /// Show no progress
    #[arg(long, short, help_heading = COMMON)]
    pub quiet: bool,
    #[command(flatten)]
    pub keys: KeyArguments,
}
