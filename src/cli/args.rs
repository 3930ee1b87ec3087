//! What was typed.

#![allow(missing_docs, reason = "a flattened group of arguments has its own documentation, at its type")]

use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Reads a drive's partition tables and file systems, decides what is worth reading and in which order.
///
/// The source is only ever read, never written. Exit codes: see `gleaner help` below or docs/exit-codes.md.
#[derive(Parser, Debug)]
#[command(name = "gleaner", version, max_term_width = 110, after_help = super::exit::HELP)]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Subcommand, Debug)]
pub enum Command {
    /// Says what is on a drive, what state it is in, and what reading it would cost
    Survey(SurveyArguments),
    /// Shows where the bytes are, folder by folder
    Folders(FoldersArguments),
    /// Lists every file with its places on the drive, one JSON object a line
    Files(FilesArguments),
    /// Writes the ordered list of reads
    Plan(PlanArguments),
    /// Writes a plan in a form that other tools can follow
    Export(ExportArguments),
    /// Makes an invented drive, surveys it and plans it: the whole job in a few seconds
    Demo(DemoArguments),
}

/// How a source is read; the same for every command that reads one.
#[derive(Args, Debug)]
pub struct SourceArguments {
    /// Image file or block device; only ever read
    pub source: PathBuf,
    /// Logical sector size of an image file, in bytes (a block device tells its own) [default: 512]
    #[arg(long, value_name = "BYTES")]
    pub sector_size: Option<u64>,
    /// Write every request made of the source to this new CSV file: offset,length,outcome,microseconds
    #[arg(long, value_name = "FILE")]
    pub trace: Option<PathBuf>,
    /// Print JSON for programs
    #[arg(long)]
    pub json: bool,
    /// Show no progress
    #[arg(long, short)]
    pub quiet: bool,
}

/// Which files rarely deserve the time.
#[derive(Args, Debug)]
pub struct BulkArguments {
    /// Count files of this pattern as bulk too (may be given several times); the built-in list is in docs/bulk.md
    #[arg(long, value_name = "GLOB")]
    pub bulk: Vec<String>,
    /// Leave out the built-in list of bulk patterns
    #[arg(long)]
    pub no_default_bulk: bool,
}

/// How fast the drive is taken to be.
#[derive(Args, Debug)]
pub struct PaceArguments {
    /// Sustained rate in MB/s (millions of bytes a second) to reckon with, instead of what this run measures
    #[arg(long, value_name = "MB/S", value_parser = positive)]
    pub rate: Option<f64>,
    /// Time of one reposition (seek and rotation) in milliseconds
    #[arg(long, value_name = "MS", default_value_t = 12.7, value_parser = not_negative)]
    pub reposition: f64,
}

fn positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value > 0.0 => Ok(value),
        _ => Err("must be a number above 0".to_owned()),
    }
}

fn not_negative(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value >= 0.0 => Ok(value),
        _ => Err("must be a number, 0 or more".to_owned()),
    }
}

/// `survey`
#[derive(Args, Debug)]
pub struct SurveyArguments {
    #[command(flatten)]
    pub source: SourceArguments,
    #[command(flatten)]
    pub pace: PaceArguments,
    #[command(flatten)]
    pub bulk: BulkArguments,
    /// Folder on the file system the copy would go to: compare the room there
    #[arg(long, value_name = "FOLDER")]
    pub destination: Option<PathBuf>,
}

/// `folders`
#[derive(Args, Debug)]
pub struct FoldersArguments {
    #[command(flatten)]
    pub source: SourceArguments,
    /// How many levels below each root
    #[arg(long, default_value_t = 2)]
    pub depth: u32,
    /// Only this volume: its number in the survey, or its first byte (may be given several times)
    #[arg(long, value_name = "VOLUME")]
    pub volume: Vec<u64>,
    #[command(flatten)]
    pub bulk: BulkArguments,
}

/// `files`
#[derive(Args, Debug)]
pub struct FilesArguments {
    #[command(flatten)]
    pub source: SourceArguments,
    /// Only this volume: its number in the survey, or its first byte (may be given several times)
    #[arg(long, value_name = "VOLUME")]
    pub volume: Vec<u64>,
}

/// How far a plan goes; each takes all that those before it take.
#[derive(ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub enum ScopeArgument {
    /// Tables and file-system structure
    Structure,
    /// And the chosen folders
    Wanted,
    /// And all other live files
    Files,
    /// And all else that is marked as in use
    Allocated,
    /// And deleted files' places, free space and what is in no partition
    Whole,
}

/// A class that can be added to a plan.
#[derive(ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub enum AlsoArgument {
    /// Where deleted files lay, in clusters that are free
    Deleted,
    /// What is in no partition
    Outside,
}

/// A class that can be dropped from a plan.
#[derive(ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub enum WithoutArgument {
    /// Files that are neither wanted nor bulk
    Files,
    /// Paging, hibernation, swap files and the like
    Bulk,
    /// In use, owned by no file that is known
    Unclaimed,
    /// Where deleted files lay
    Deleted,
    /// Free space
    Free,
    /// What is in no partition
    Outside,
}

/// `plan`
#[derive(Args, Debug)]
pub struct PlanArguments {
    #[command(flatten)]
    pub source: SourceArguments,
    /// How far the plan goes
    #[arg(long, value_enum, default_value = "allocated")]
    pub scope: ScopeArgument,
    /// Folder or file to read right after the structure: a path from the volume's root that may hold * ? [] {} and **;
    /// without any '/' a name anywhere (may be given several times, most wanted first)
    #[arg(long, value_name = "GLOB")]
    pub want: Vec<String>,
    /// Add a class
    #[arg(long, value_enum)]
    pub also: Vec<AlsoArgument>,
    /// Drop a class
    #[arg(long, value_enum)]
    pub without: Vec<WithoutArgument>,
    /// Only this volume: its number in the survey, or its first byte (may be given several times)
    #[arg(long, value_name = "VOLUME")]
    pub volume: Vec<u64>,
    /// Read gaps of up to this many bytes through instead of seeking over them; 0 for never [default: rate x 8.5 ms]
    #[arg(long, value_name = "BYTES")]
    pub bridge: Option<u64>,
    #[command(flatten)]
    pub pace: PaceArguments,
    #[command(flatten)]
    pub bulk: BulkArguments,
    /// Where the plan goes: a new file
    #[arg(long, short, value_name = "PLAN")]
    pub output: PathBuf,
}

/// The forms a plan can be exported in.
#[derive(ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub enum FormArgument {
    /// start_byte,length_bytes,pass,class in reading order
    Csv,
    /// A POSIX shell script of dd commands
    Dd,
    /// The kernel's device-mapper table
    DeviceMapper,
}

/// What stands in a device-mapper table for what is not planned.
#[derive(ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub enum RestArgument {
    /// Reads as zero
    Zero,
    /// Reading fails
    Error,
}

/// `export`
#[derive(Args, Debug)]
pub struct ExportArguments {
    /// The plan
    pub plan: PathBuf,
    /// The form
    #[arg(long = "as", value_enum, value_name = "FORM")]
    pub form: FormArgument,
    /// A new file to write to [default: standard output]
    #[arg(long, short, value_name = "FILE")]
    pub output: Option<PathBuf>,
    /// device-mapper: the device the table refers to [default: the plan's source]
    #[arg(long)]
    pub device: Option<String>,
    /// device-mapper: what stands for the rest
    #[arg(long, value_enum, default_value = "zero")]
    pub rest: RestArgument,
    /// Print a summary as JSON (needs --output)
    #[arg(long, requires = "output")]
    pub json: bool,
}

/// `demo`
#[derive(Args, Debug)]
pub struct DemoArguments {
    /// Keep the drive and the plan in this new folder instead of throwing them away
    #[arg(long, value_name = "FOLDER")]
    pub keep: Option<PathBuf>,
    /// Print JSON for programs
    #[arg(long)]
    pub json: bool,
}
