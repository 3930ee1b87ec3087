//! What was typed.

#![allow(missing_docs, reason = "a flattened group of arguments has its own documentation, at its type")]

use crate::base::extent::Extent;
use crate::copy::follow_plan::Again;
use crate::plan::Scope;
use crate::plan::export::Rest;
use crate::store::image::ImageForm;
use crate::survey::allocation::Prefer;
mod bench;

pub use bench::{MendArguments, NoteArguments, RecordArguments, ReportArguments};

use crate::source::TroubleLimit;
use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;
use std::time::Duration;

/// Reads a drive's partition tables and file systems, decides what is worth reading and in which order.
///
/// The source is only ever read, never written. The exit codes are below, and in docs/exit-codes.md.
#[derive(Parser, Debug)]
#[command(name = "gleaner", version, max_term_width = 110, after_help = super::exit::HELP)]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands, in the order of the work; then those for special purposes.
#[derive(Subcommand, Debug)]
pub enum Command {
    /// Lists the drives of this machine: names, sizes, serial numbers, what uses them, which case knows them; opens none
    Drives(DrivesArguments),
    /// Says what is on a drive, what state it is in, and what reading it would cost
    Survey(SurveyArguments),
    /// Shows where the bytes are, folder by folder
    Folders(FoldersArguments),
    /// Writes the ordered list of reads
    Plan(PlanArguments),
    /// Follows the case's plan: reads each planned byte once into the case's image
    Copy(CopyArguments),
    /// Says file by file what of a case is complete and what is not
    Audit(AuditArguments),
    /// Writes the case's report: one HTML page that needs nothing else, with the full lists beside it
    Report(ReportArguments),
    /// Takes chosen files out of a case's image
    Take(TakeArguments),
    /// Checks a case's image against its journal, and opens its volumes with a second, independent reader
    Verify(VerifyArguments),
    /// Hands a case over: as an image, or onto another drive; and checks such a copy against the case
    HandOver(HandOverArguments),
    /// Writes to the case's record what was done, measured or decided
    Note(NoteArguments),
    /// Shows the case's record of who did what when, and whether it was changed
    Record(RecordArguments),
    /// Shows a running copy as a page in the browser of this machine, and ends with it
    Watch(WatchArguments),
    /// Measures the drive by reads that the case's plan wants anyway; times then come from what was measured
    Pace(PaceArguments),
    /// Plays a plan on a drive's model: what is safe when, and if the drive dies on the way
    Simulate(SimulateArguments),
    /// Writes a plan in a form that other tools can follow
    Export(ExportArguments),
    /// Lists every file with where it lies on the drive, one JSON object a line
    Files(FilesArguments),
    /// Puts a case right: a damaged journal, a lost case file
    Mend(MendArguments),
    /// Shows the whole job on a simulated drive that fails: survey, plan, copy, audit, report
    Demo(DemoArguments),
}

/// Heading of the options that most commands have.
const COMMON: &str = "Common options";

/// How a source is read; the same for every command that reads one.
#[derive(Args, Debug)]
pub struct SourceArguments {
    /// Image file or block device, only ever read; with --case it may be left out once the case holds what is needed
    pub source: Option<PathBuf>,
    /// Folder that keeps all there is about this drive: what is read goes into its image and is not read again
    #[arg(long, value_name = "FOLDER", display_order = 0)]
    pub case: Option<PathBuf>,
    /// Print JSON for programs
    #[arg(long, help_heading = COMMON)]
    pub json: bool,
    /// Show no progress
    #[arg(long, short, help_heading = COMMON)]
    pub quiet: bool,
    /// Write every request made of the source to this new CSV file: offset,length,outcome,microseconds
    #[arg(long, value_name = "FILE", help_heading = COMMON)]
    pub trace: Option<PathBuf>,
    /// Logical sector size of an image file, in bytes (a block device tells its own) [default: 512]
    #[arg(long, value_name = "BYTES", help_heading = COMMON)]
    pub sector_size: Option<u64>,
    /// How much trouble reading tables and file-system structure may cost the drive: so many failed or slow reads, and, behind a
    /// comma, so many minutes in them (after four of them). What is left then is not read yet; `copy` reads it. From 100 on
    /// every sector in which structure may stand is tried [default: 16,10]
    #[arg(long, value_name = "FAILURES[,MINUTES]", value_parser = trouble_limit, help_heading = COMMON)]
    pub trouble_limit: Option<TroubleLimitArgument>,
    /// Read a drive although the system has it mounted, or in use otherwise, and may write to it
    #[arg(long, help_heading = COMMON)]
    pub mounted: bool,
    /// You know that it is the case's drive, although neither its serial number nor its tables can tell; the record keeps this
    #[arg(long, help_heading = COMMON)]
    pub same_drive: bool,
    /// You know why the image file that is the source was changed since the case read it last; the record keeps this
    #[arg(long, help_heading = COMMON)]
    pub source_changed: bool,
    /// The case, and whatever else is written, does not lie on the drive, though that cannot be told: for file systems whose device
    /// is not known. The case's record keeps that it was said
    #[arg(long, help_heading = COMMON)]
    pub case_is_elsewhere: bool,
    #[command(flatten)]
    pub keys: KeyArguments,
}

/// The client's keys for encrypted volumes.
#[derive(Args, Clone, Debug, Default)]
pub struct KeyArguments {
    /// Open volumes that Windows encrypts with the key in this file: a recovery password of 48 digits, a user password, or a start-up
    /// key file (may be given several times); - asks at the terminal, or reads standard input. The key is kept nowhere, so it is
    /// needed each time
    #[arg(long, value_name = "FILE", help_heading = COMMON)]
    pub key: Vec<PathBuf>,
}

/// A limit to trouble, as typed.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct TroubleLimitArgument(pub TroubleLimit);

fn trouble_limit(text: &str) -> Result<TroubleLimitArgument, String> {
    let (failures, minutes) =
        text.split_once(',').map_or((text, None), |(failures, minutes)| (failures, Some(minutes)));
    let failures = failures.parse().map_err(|_| "not a number of failures".to_owned())?;
    let time = minutes.map(positive).transpose()?.map(|minutes| Duration::from_secs_f64(minutes * 60.0));
    let limit = TroubleLimit::default();
    if failures == 0 {
        return Err("at least 1: without a failure nothing is known of the trouble".to_owned());
    }
    Ok(TroubleLimitArgument(TroubleLimit { failures, time: time.unwrap_or(limit.time) }))
}

/// For a command that works from the case alone. What concerns a drive is accepted and not shown.
fn of_case_alone(argument: clap::Arg) -> clap::Arg {
    const OF_A_DRIVE: [&str; 7] =
        ["source", "trace", "sector_size", "trouble_limit", "mounted", "same_drive", "source_changed"];
    let is_hidden = OF_A_DRIVE.contains(&argument.get_id().as_str());
    argument.hide(is_hidden)
}

impl SourceArguments {
    /// A case alone, without its drive.
    pub fn of_case(case: &std::path::Path, json: bool, keys: &KeyArguments) -> SourceArguments {
        SourceArguments {
            source: None,
            case: Some(case.to_path_buf()),
            mounted: false,
            same_drive: false,
            source_changed: false,
            case_is_elsewhere: false,
            sector_size: None,
            trouble_limit: None,
            trace: None,
            json,
            quiet: false,
            keys: keys.clone(),
        }
    }
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

/// How the drive is taken to spend its time: a model, and figures that replace some of it. `commands::drive_model` makes a
/// model of it.
#[derive(Args, Debug, Default)]
pub struct ModelArguments {
    /// Kind of drive, for estimates; a case remembers it: sata-ssd, desktop-7200, notebook-5400, usb2-bridge, failing, or a JSON file as in
    /// docs/formats/model.md [default: as `pace` measured it for the case, else as chosen
    /// for the case before, else desktop-7200]
    #[arg(long, value_name = "KIND|FILE")]
    pub drive: Option<String>,
    /// Sustained rate in MB/s (millions of bytes a second) to estimate with, instead of the model's
    #[arg(long, value_name = "MB/S", value_parser = positive)]
    pub rate: Option<f64>,
    /// Time of one seek with its rotation in milliseconds, instead of the model's
    #[arg(long, value_name = "MS", value_parser = not_negative)]
    pub reposition: Option<f64>,
}

fn positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value > 0.0 => Ok(value),
        _ => Err("must be a number above 0".to_owned()),
    }
}

fn region(text: &str) -> Result<Extent, String> {
    let parsed = text.split_once(':').and_then(|(start, bytes)| Extent::new(start.parse().ok()?, bytes.parse().ok()?));
    parsed
        .filter(|extent| !extent.is_empty())
        .ok_or_else(|| "must be START:BYTES, both whole numbers, BYTES above 0".to_owned())
}

fn seconds(text: &str) -> Result<f64, String> {
    positive(text).and_then(|value| if value <= 86_400.0 { Ok(value) } else { Err("must be at most a day".to_owned()) })
}

fn one_byte(text: &str) -> Result<u8, String> {
    let parsed = match text.strip_prefix("0x") {
        Some(digits) => u8::from_str_radix(digits, 16),
        None => text.parse(),
    };
    parsed.map_err(|_| "must be a number from 0 to 255, or 0x00 to 0xff".to_owned())
}

fn not_negative(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value >= 0.0 => Ok(value),
        _ => Err("must be a number, 0 or more".to_owned()),
    }
}

/// `drives`
#[derive(Args, Debug)]
pub struct DrivesArguments {
    /// Cases, or folders that hold cases, to be looked through for the drives
    #[arg(value_name = "FOLDER", default_value = ".")]
    pub folders: Vec<PathBuf>,
    /// Print JSON for programs
    #[arg(long, help_heading = COMMON)]
    pub json: bool,
}

/// `survey`
#[derive(Args, Debug)]
#[command(next_display_order = 1)]
pub struct SurveyArguments {
    /// Show all details: each check, each volume, all findings, what each scope and class costs
    #[arg(long)]
    pub full: bool,
    /// Folder on the file system the copy would go to: compare the room there
    #[arg(long, value_name = "FOLDER")]
    pub destination: Option<PathBuf>,
    #[command(flatten)]
    pub model: ModelArguments,
    #[command(flatten)]
    pub bulk: BulkArguments,
    #[command(flatten)]
    pub source: SourceArguments,
}

/// `pace`
#[derive(Args, Debug)]
#[command(next_display_order = 1, override_usage = "gleaner pace --case <FOLDER> [OPTIONS] [SOURCE]")]
pub struct PaceArguments {
    /// Most that is read, in MiB: only planned bytes, which are then safe in the case
    #[arg(long, value_name = "MIB", default_value_t = 256, value_parser = clap::value_parser!(u64).range(1..=65536))]
    pub budget: u64,
    /// Most requests
    #[arg(long, value_name = "COUNT", default_value_t = 400)]
    pub requests: u64,
    /// Most time, in seconds; a request that hangs can outlast it
    #[arg(long, value_name = "SECONDS", default_value_t = 60.0, value_parser = seconds)]
    pub seconds: f64,
    #[command(flatten)]
    pub model: ModelArguments,
    #[command(flatten)]
    pub source: SourceArguments,
}

/// `folders`
#[derive(Args, Debug)]
#[command(next_display_order = 1)]
pub struct FoldersArguments {
    /// How many levels below each root
    #[arg(long, default_value_t = 2)]
    pub depth: u32,
    /// Number the folders, take numbers such as 3,7-9 from the terminal (or standard input, or FILE), and print a pattern for
    /// each on standard output, for `plan --want-from`. The list goes to standard error
    #[arg(long, value_name = "FILE", num_args = 0..=1, require_equals = true, default_missing_value = "-")]
    pub pick: Option<PathBuf>,
    /// Only this volume: its number in the survey, or its first byte (may be given several times)
    #[arg(long, value_name = "VOLUME")]
    pub volume: Vec<u64>,
    #[command(flatten)]
    pub bulk: BulkArguments,
    #[command(flatten)]
    pub source: SourceArguments,
}

/// `files`
#[derive(Args, Debug)]
#[command(next_display_order = 1)]
pub struct FilesArguments {
    /// Only this volume: its number in the survey, or its first byte (may be given several times)
    #[arg(long, value_name = "VOLUME")]
    pub volume: Vec<u64>,
    #[command(flatten)]
    pub source: SourceArguments,
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
    /// Used, no known file
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
#[command(next_display_order = 1)]
pub struct PlanArguments {
    /// Folder or file to read right after the structure: a path from the volume's root, also as Windows shows it
    /// (C:\Users\anna), that may hold * ? [] {} and **; a name alone is found anywhere (may be given several times, most wanted
    /// first)
    #[arg(long, value_name = "GLOB")]
    pub want: Vec<String>,
    /// Take such patterns from this file too, one a line (# begins a comment); - for standard input
    #[arg(long, value_name = "FILE")]
    pub want_from: Option<PathBuf>,
    /// How far the plan goes
    #[arg(long, value_enum, default_value = "allocated")]
    pub scope: Scope,
    /// Where the plan goes: a new file [default with --case: the case's folder, as its current plan]
    #[arg(long, short, value_name = "PLAN", required_unless_present = "case")]
    pub output: Option<PathBuf>,
    /// Only this volume: its number in the survey, or its first byte (may be given several times)
    #[arg(long, value_name = "VOLUME")]
    pub volume: Vec<u64>,
    /// Add a class
    #[arg(long, value_enum)]
    pub also: Vec<AlsoArgument>,
    /// Drop a class
    #[arg(long, value_enum)]
    pub without: Vec<WithoutArgument>,
    #[command(flatten)]
    pub model: ModelArguments,
    #[command(flatten)]
    pub bulk: BulkArguments,
    /// Which of the files that are neither wanted nor bulk come first
    #[arg(long, value_enum, default_value = "bytes")]
    pub prefer: Prefer,
    /// On the way of a sweep, read what a later one wants right beside it, where that delays by no more than it spares in
    /// all; never before structure (docs/orders.md)
    #[arg(long)]
    pub pick_up: bool,
    /// Read gaps of up to this many bytes through instead of seeking over them; 0 for never [default: what the drive
    /// model reads in the time of a seek]
    #[arg(long, value_name = "BYTES")]
    pub bridge: Option<u64>,
    #[command(flatten)]
    pub source: SourceArguments,
}

/// `simulate`
#[derive(Args, Debug)]
pub struct SimulateArguments {
    /// The plan; with --case it may be left out
    #[arg(required_unless_present = "case")]
    pub plan: Option<PathBuf>,
    /// The case: its plan, its drive model, and what its copy has shown of a bad head so far; only looked at
    #[arg(long, value_name = "FOLDER")]
    pub case: Option<PathBuf>,
    #[command(flatten)]
    pub model: ModelArguments,
    /// The drive may die at any moment with the same chance, on average after so many hours of reading [default: half the
    /// time that the whole drive takes front to back]
    #[arg(long, value_name = "HOURS", value_parser = positive, conflicts_with_all = ["dies_after", "bad_region"])]
    pub mean_life: Option<f64>,
    /// The drive dies after so many hours of reading
    #[arg(long, value_name = "HOURS", value_parser = positive, conflicts_with = "bad_region")]
    pub dies_after: Option<f64>,
    /// The drive lives, but nothing can be read in so many bytes from byte START
    #[arg(long, value_name = "START:BYTES", value_parser = region)]
    pub bad_region: Option<Extent>,
    /// Largest single read, in KiB, as for `copy`
    #[arg(long, value_name = "KIB", default_value_t = 1024, value_parser = clap::value_parser!(u64).range(4..=16384))]
    pub request: u64,
    /// Show each class, the least time possible, and what is safe if the drive dies
    #[arg(long)]
    pub full: bool,
    /// Draw bytes read over time into this new SVG file
    #[arg(long, value_name = "FILE")]
    pub svg: Option<PathBuf>,
    /// Print JSON for programs
    #[arg(long, help_heading = COMMON)]
    pub json: bool,
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
    pub rest: Rest,
    /// Print a summary as JSON (needs --output)
    #[arg(long, requires = "output", help_heading = COMMON)]
    pub json: bool,
}

/// `demo`
#[derive(Args, Debug)]
pub struct DemoArguments {
    /// A new folder for the drive, its case and the report [default: gleaner-demo]
    #[arg(long, value_name = "FOLDER")]
    pub keep: Option<PathBuf>,
    /// Print JSON for programs
    #[arg(long, help_heading = COMMON)]
    pub json: bool,
}

/// `copy`
#[derive(Args, Debug)]
#[command(next_display_order = 1, override_usage = "gleaner copy --case <FOLDER> [OPTIONS] [SOURCE]")]
pub struct CopyArguments {
    /// Form of the image, as long as no copy has begun; later `hand-over` writes other forms [default: as it is; raw for a new one]
    #[arg(long = "as", value_enum, value_name = "FORM")]
    pub form: Option<ImageForm>,
    /// When the drive goes away or no longer answers, wait until it is back under any name, and go on; ends after three returns
    /// without a new byte
    #[arg(long)]
    pub wait: bool,
    /// Retry unreadable ranges: `unreadable` for all of them, START:BYTES for a range of the drive, or a file or folder
    /// by its path or pattern (may be given several times)
    #[arg(long, value_name = "WHAT")]
    pub again: Vec<Again>,
    /// Go on until every sector was tried alone, with all retries. Without it the copy ends when an hour of trying is expected
    /// to bring too little; what was not tried stays skipped
    #[arg(long)]
    pub to_the_end: bool,
    /// Pause above this temperature (degrees Celsius), where the drive has a sensor, until it has cooled
    #[arg(long = "warm-limit", value_name = "DEGREES", default_value_t = 55.0)]
    pub hot_limit: f64,
    /// Ask this command for the drive's temperature: the first number that it prints, in degrees Celsius. It runs every 30 s,
    /// without a shell, and is ended after 10 s
    #[arg(long, value_name = "COMMAND")]
    pub temperature_from: Option<String>,
    /// Stop in good order after this many minutes
    #[arg(long, value_name = "MINUTES", value_parser = positive)]
    pub stop_after_minutes: Option<f64>,
    /// Stop in good order after this many bytes
    #[arg(long, value_name = "BYTES")]
    pub stop_after_bytes: Option<u64>,
    /// Stop in good order after this many failed reads
    #[arg(long, value_name = "COUNT")]
    pub stop_after_errors: Option<u64>,
    /// Stop in good order after this many failed reads in a row
    #[arg(long, value_name = "COUNT")]
    pub stop_after_failures_in_a_row: Option<u64>,
    /// Stop in good order after this many failed reads within a minute
    #[arg(long, value_name = "COUNT")]
    pub stop_after_failures_a_minute: Option<u64>,
    /// Stop in good order after the kernel has reset the drive or its link this many times, as far as its log tells
    #[arg(long, value_name = "COUNT")]
    pub stop_after_resets: Option<u64>,
    /// Stop in good order when fewer bytes a second were copied over a whole minute
    #[arg(long, value_name = "BYTES")]
    pub stop_below_rate: Option<u64>,
    /// A read slower than this is skipped over as one that fails, whatever is usual on the drive: its neighbourhood is read later
    #[arg(long, value_name = "SECONDS", default_value_t = 3.0, value_parser = positive)]
    pub slow: f64,
    /// How often a sector that has failed alone is retried
    #[arg(long, default_value_t = 1)]
    pub retries: u32,
    /// Largest single read, in KiB: a multiple of 4
    #[arg(long, value_name = "KIB", default_value_t = 1024, value_parser = clap::value_parser!(u64).range(4..=16384))]
    pub request: u64,
    /// The byte that unreadable sectors have in the image, decimal or as 0x..; the journal tells them from data whatever it
    /// is [default: as it is; 0 for a new case]
    #[arg(long, value_name = "BYTE", value_parser = one_byte)]
    pub fill: Option<u8>,
    #[command(flatten)]
    pub source: SourceArguments,
}

/// `audit`
#[derive(Args, Debug)]
#[command(next_display_order = 1, override_usage = "gleaner audit --case <FOLDER> [OPTIONS]", mut_args(of_case_alone))]
pub struct AuditArguments {
    /// Only files in this state, here and in what is written; repeatable [default: damaged and lost files are listed, all are
    /// counted and written]
    #[arg(long, value_name = "STATE", value_enum, value_delimiter = ',')]
    pub only: Vec<StateArgument>,
    /// Only this file or folder, as for `plan --want`; repeatable
    #[arg(long, value_name = "PATTERN")]
    pub path: Vec<String>,
    /// Write the files with their states to this new CSV file
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// How many levels of folders to show [default: as many as give 20 folders of a volume at most, but no more than 12]
    #[arg(long)]
    pub depth: Option<u32>,
    #[command(flatten)]
    pub source: SourceArguments,
}

/// A file's state.
#[derive(ValueEnum, Clone, Copy, PartialEq, Eq, Debug)]
pub enum StateArgument {
    /// Every byte of the file is in the image
    Complete,
    /// Some of it is unreadable
    Damaged,
    /// Its record is unreadable: only its name and size are known
    Lost,
    /// Some of it is planned and not read yet
    NotYetRead,
    /// Some of it is not in the plan
    NotPlanned,
}

/// `verify`
#[derive(Args, Debug)]
#[command(next_display_order = 1,
    override_usage = "gleaner verify --case <FOLDER> [OPTIONS] [SOURCE]",
    mut_arg("source", |source| source.help("The case's drive; only for --read-again")))]
pub struct VerifyArguments {
    /// Read this much of the drive again (MiB, spread over what was copied) and compare it too: costs the drive wear
    #[arg(long, value_name = "MIB")]
    pub read_again: Option<u64>,
    #[command(flatten)]
    pub source: SourceArguments,
}

/// `take`
#[derive(Args, Debug)]
pub struct TakeArguments {
    /// The case
    #[arg(long, value_name = "FOLDER")]
    pub case: PathBuf,
    /// Files and folders: paths or patterns, as for `plan --want`
    #[arg(required = true, value_name = "PATH")]
    pub paths: Vec<String>,
    /// Where they go: a new folder
    #[arg(long, value_name = "FOLDER")]
    pub to: PathBuf,
    /// Only this volume: its number in the survey, or its first byte (may be given several times)
    #[arg(long, value_name = "VOLUME")]
    pub volume: Vec<u64>,
    /// Print JSON for programs
    #[arg(long, help_heading = COMMON)]
    pub json: bool,
    #[command(flatten)]
    pub keys: KeyArguments,
}

/// `hand-over`
#[derive(Args, Debug)]
#[command(next_display_order = 1, group(clap::ArgGroup::new("what").required(true).args(["to", "onto", "check"])),
    override_usage = "gleaner hand-over --case <FOLDER> --as <FORM> --to <FILE>\n       \
                      gleaner hand-over --case <FOLDER> --onto <DRIVE> --serial <NUMBER>\n           [--overwrite]\n       \
                      gleaner hand-over --case <FOLDER> --check <FILE|DRIVE>")]
pub struct HandOverArguments {
    /// The case; it is only looked at, and may be in use
    #[arg(long, value_name = "FOLDER", display_order = 0)]
    pub case: PathBuf,
    /// Form of the image
    #[arg(long = "as", value_enum, value_name = "FORM", requires = "to")]
    pub form: Option<ImageForm>,
    /// Write an image: a new file
    #[arg(long, value_name = "FILE", requires = "form")]
    pub to: Option<PathBuf>,
    /// Write to this whole drive, which must be sound and free: its content is lost. It is read back and compared
    #[arg(long, value_name = "DRIVE", requires = "serial")]
    pub onto: Option<PathBuf>,
    /// The drive's serial number as `gleaner drives` shows it (of a loop device the path of its file)
    #[arg(long, value_name = "NUMBER", requires = "onto")]
    pub serial: Option<String>,
    /// What is recognised on the drive (a partition table, a file system) may be lost
    #[arg(long, requires = "onto")]
    pub overwrite: bool,
    /// Where the SHA-256 list goes: a new file [default: FILE.sha256; of a drive hand-over.sha256 in the present folder]
    #[arg(long, value_name = "LIST", conflicts_with = "check")]
    pub checksums: Option<PathBuf>,
    /// Compare an image file or a drive with the case; it is only read
    #[arg(long, value_name = "FILE|DRIVE")]
    pub check: Option<PathBuf>,
    /// Print JSON for programs: a line for each file that is not complete, then one for all
    #[arg(long, help_heading = COMMON)]
    pub json: bool,
    /// Show no progress
    #[arg(long, short, help_heading = COMMON)]
    pub quiet: bool,
    #[command(flatten)]
    pub keys: KeyArguments,
}

/// `watch`
#[derive(Args, Debug)]
pub struct WatchArguments {
    /// The case; it is only looked at, and may be in use
    #[arg(long, value_name = "FOLDER")]
    pub case: PathBuf,
    /// Port of this machine to serve the page on; other machines cannot reach it [default: any that is free]
    #[arg(long, default_value_t = 0, hide_default_value = true)]
    pub port: u16,
    /// Print JSON for programs: the address in one line, and how it ended in another
    #[arg(long, help_heading = COMMON)]
    pub json: bool,
}
