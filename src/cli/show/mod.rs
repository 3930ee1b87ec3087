//! Reports as tables and pictures for a terminal.

macro_rules! say {
    ($text:expr, $($arguments:tt)*) => { line($text, format_args!($($arguments)*)) };
}

mod audit;
mod coherence;
mod copy;
mod folders;
mod kernel;
mod mended;
mod pace;
mod plan;
mod record;
mod simulated;
mod taken;
mod verify;

pub use audit::audit;
pub use copy::copy;
pub use folders::{folders, numbered_folders};
pub use mended::{leftovers, mended};
pub use pace::pace;
pub use plan::plan;
pub use record::{note, record, record_check};
pub use simulated::simulated;
pub use taken::{TAKEN_SHOWN, taken};
pub use verify::{verify, verify_begins};

use super::table::{Column, table};
use crate::human;
use crate::report::{AreaReport, FindingReport, Strip, SurveyReport, VolumeReport};
use crate::signs::{Certainty, Recognised};
use crate::source::{SerialFrom, SourceIdentity};
use crate::text::shown;

/// The survey as text.
pub fn survey(report: &SurveyReport) -> String {
    let mut text = String::new();
    coherence::coherence(&mut text, &report.coherence);
    drive(&mut text, report);
    if let Some(facts) = &report.kernel {
        kernel::kernel(&mut text, facts);
    }
    areas(&mut text, report);
    for area in &report.areas {
        if let Some(volume) = &area.volume {
            self::volume(&mut text, area, volume);
        }
        if let Some(found) = &area.recognised {
            recognised(&mut text, area, found);
        }
    }
    findings(&mut text, &report.findings, &report.findings_not_listed);
    costs(&mut text, report);
    advice(&mut text, report);
    text
}

fn line(text: &mut String, content: std::fmt::Arguments<'_>) {
    // Whatever a drive's names hold, a line stays one line.
    text.push_str(&shown(&content.to_string()));
    text.push('\n');
}

fn drive(text: &mut String, report: &SurveyReport) {
    let source = &report.source;
    say!(text, "DRIVE  {}", &source.path.to_string_lossy());
    let mut about = vec![
        format!("{} ({} bytes)", human::bytes(source.bytes), human::count(source.bytes)),
        format!("sectors of {} bytes logical, {} physical", source.logical_sector, source.physical_sector),
    ];
    about.extend(source.model.iter().map(|model| format!("model {}", model)));
    about.extend(source.serial.iter().map(|serial| serial_of(serial, source)));
    about.extend(source.details.firmware.iter().map(|revision| format!("firmware {revision}")));
    about.extend(source.details.wwn.iter().map(|name| format!("WWN {name}")));
    about.extend(source.details.bus.iter().map(|bus| format!("by {bus}")));
    say!(text, "  {}", about.join(" · "));
    say!(text, "  table: {}, counted in sectors of {} bytes", scheme_name(report), report.table_sector_bytes);
    say!(text, "");
    strip(text, &report.strip);
}

/// A serial number, and whose it is where that is not certain.
fn serial_of(serial: &str, source: &SourceIdentity) -> String {
    match source.details.serial_from {
        Some(SerialFrom::UsbDevice) => format!("serial {serial} (of the USB device, which may be the adapter's)"),
        _ => format!("serial {serial}"),
    }
}

fn scheme_name(report: &SurveyReport) -> &'static str {
    use crate::partition::Scheme;
    match report.scheme {
        Scheme::Gpt => "GPT",
        Scheme::Mbr => "MBR",
        Scheme::SingleVolume => "none, the drive is one volume",
        Scheme::Searched => "lost, volumes were searched for",
        Scheme::Unrecognised => "none recognised",
    }
}

/// The strip: a column for each place, its height the share in use; under it where file-system structure lies.
fn strip(text: &mut String, strip: &Strip) {
    const HEIGHTS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let height = |share: &f64| {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share, 0 to 1")]
        let step = (share * 8.0).ceil() as usize;
        HEIGHTS[step.min(8)]
    };
    let used: String = strip.in_use.iter().map(height).collect();
    let structure: String = strip.structure.iter().map(|share| if *share > 0.0 { '·' } else { ' ' }).collect();
    say!(text, "  in use     │{used}│");
    say!(text, "  structure  │{structure}│");
    say!(text, "             start {:>width$}", "end", width = strip.in_use.len().saturating_sub(4));
    say!(
        text,
        "             one column is {}, its height the share of it that is in use",
        human::bytes(strip.place_bytes)
    );
    say!(text, "");
}

fn areas(text: &mut String, report: &SurveyReport) {
    say!(text, "AREAS");
    let rows = report.areas.iter().map(|area| {
        let volume = area.volume.as_ref();
        let own = volume.map_or_else(|| area.recognised.as_ref()?.label.clone(), |v| v.label.clone());
        let label = own.or_else(|| area.name.clone()).unwrap_or_default();
        vec![
            area.number.map_or("-".to_owned(), |n| n.to_string()),
            area.start.to_string(),
            human::bytes(area.bytes),
            area.type_name.clone().unwrap_or_else(|| area.kind.to_owned()),
            area.holds.clone().unwrap_or_default(),
            label,
            volume.map_or(String::new(), |v| human::share(v.fullness)),
        ]
    });
    use Column::{Left, Right};
    let columns = [
        Right("no."),
        Right("first byte"),
        Right("size"),
        Left("table says"),
        Left("holds"),
        Left("label"),
        Right("in use"),
    ];
    text.push_str(&table(&columns, rows));
    say!(text, "");
}

/// Something that is taken whole.
fn recognised(text: &mut String, area: &AreaReport, found: &Recognised) {
    let number = area.number.map_or(String::new(), |n| format!(" {n}"));
    let label = found.label.as_deref().map_or(String::new(), |label| format!(" “{}”", label));
    let encrypted = if found.encrypted { ", encrypted" } else { "" };
    say!(
        text,
        "TAKEN WHOLE{number}  {}{label}{encrypted}, {} at byte {}",
        found.kind.name(),
        human::bytes(area.bytes),
        area.start
    );
    let mut about: Vec<String> = found.uuid.iter().map(|uuid| format!("identifier {}", uuid)).collect();
    about.extend(found.bytes.map(|bytes| format!("{} by its own words", human::bytes(bytes))));
    about.extend(found.facts.iter().map(|(name, value)| format!("{name} {}", value)));
    if !about.is_empty() {
        say!(text, "  {}", about.join(" · "));
    }
    let how = match found.certainty {
        Certainty::Checksummed => "its checksum holds",
        Certainty::Consistent => "its fields agree with each other and with the place",
        Certainty::Copy => "only this copy is left",
        Certainty::Partial => "not all of it is in order",
    };
    say!(text, "  recognised by {} at byte {}: {how}", &found.evidence.what, found.evidence.place.start.0);
    let first: u64 = found.first.iter().map(|extent| extent.bytes).sum();
    if first > 0 {
        say!(text, "  read before the rest: {} on which the rest depends", human::bytes(first));
    }
    say!(text, "");
}

fn volume(text: &mut String, area: &AreaReport, volume: &VolumeReport) {
    let number = area.number.map_or(String::new(), |n| format!(" {n}"));
    let label = volume.label.as_deref().map_or(String::new(), |label| format!(" “{}”", label));
    say!(text, "VOLUME{number}  {}{label}, {} at byte {}", volume.file_system, human::bytes(area.bytes), area.start);
    let dirty = match volume.dirty {
        Some(true) => "marked as not cleanly unmounted",
        Some(false) => "cleanly unmounted",
        None => "clean or not: was not read",
    };
    let serial =
        if volume.serial.is_empty() { "no serial number".to_owned() } else { format!("serial {}", volume.serial) };
    say!(
        text,
        "  {} clusters of {} · {serial} · {dirty}",
        human::count(volume.clusters),
        human::unit_size(volume.cluster_bytes)
    );
    if !volume.facts.is_empty() {
        let facts: Vec<String> = volume.facts.iter().map(|(name, value)| format!("{name} {}", value)).collect();
        say!(text, "  {}", facts.join(" · "));
    }
    let c = &volume.census;
    say!(
        text,
        "  {} files ({}), {} folders, {} deleted",
        human::count(c.files),
        human::bytes(c.file_bytes),
        human::count(c.folders),
        human::count(c.deleted)
    );
    #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
    let share = |part: u64, of: u64| if of == 0 { 0.0 } else { part as f64 / of as f64 };
    say!(
        text,
        "  fragments: {} of {} files with clusters lie in more than one piece ({}), {} pieces in all, at most {} in one file",
        human::count(c.fragmented_files),
        human::count(c.files_with_clusters),
        human::share(share(c.fragmented_files, c.files_with_clusters)),
        human::count(c.extents),
        human::count(c.most_extents)
    );
    let special: Vec<String> = [
        (c.resident_files, "in their records"),
        (c.named_streams, "named streams"),
        (c.compressed_files, "compressed"),
        (c.sparse_files, "sparse"),
        (c.encrypted_files, "encrypted"),
        (c.further_names, "further names (hard links)"),
        (c.orphans, "orphans"),
        (c.incomplete_files, "with incomplete run lists"),
    ]
    .into_iter()
    .filter(|(n, _)| *n > 0)
    .map(|(n, what)| format!("{} {what}", human::count(n)))
    .collect();
    if !special.is_empty() {
        say!(text, "  among them: {}", special.join(", "));
    }
    let d = &volume.deleted;
    if d.with_runs > 0 {
        let left: Vec<String> = [
            (d.whole, "wholly in free clusters"),
            (d.disputed, "wholly in free clusters that another deleted file names too"),
            (d.partly, "partly overwritten or given away"),
            (d.gone, "wholly given away"),
            (d.without_runs, "without clusters"),
        ]
        .into_iter()
        .filter(|(n, _)| *n > 0)
        .map(|(n, what)| format!("{} {what}", human::count(n)))
        .collect();
        say!(text, "  deleted: {}; {} in free clusters", left.join(", "), human::bytes(d.free_bytes));
    }
    let r = &volume.reconciliation;
    say!(text, "  the two maps of what is used:");
    let rows = [
        ("marked in use", r.allocated),
        ("owned by files", r.owned),
        ("both", r.both),
        ("in use, owned by nobody", r.only_allocated),
        ("owned, marked free", r.only_owned),
        ("free, planned all the same", r.doubtful),
        ("owned more than once", r.shared),
        ("marked bad", r.bad),
        ("mark unreadable", r.unknown),
    ];
    let rows = rows.into_iter().enumerate().filter(|(at, (_, s))| *at < 5 || s.clusters > 0).map(|(_, (what, s))| {
        vec![
            what.to_owned(),
            human::count(s.clusters),
            human::bytes(s.bytes),
            human::share(share(s.clusters, r.total.clusters)),
        ]
    });
    use Column::{Left, Right};
    text.push_str(&table(
        &[Left("  map"), Right("clusters"), Right("size"), Right("of volume")],
        rows.map(|mut row| {
            row[0].insert_str(0, "  ");
            row
        }),
    ));
    say!(text, "  → {}", r.suggests);
    say!(text, "");
}

/// Findings as a list; nothing when there are none.
pub fn findings(text: &mut String, list: &[FindingReport], not_listed: &[(String, u64)]) {
    if list.is_empty() {
        say!(text, "FINDINGS  none");
        say!(text, "");
        return;
    }
    say!(text, "FINDINGS");
    for finding in list {
        let place = match (finding.byte, finding.lba) {
            (Some(byte), Some(lba)) => format!(" [byte {byte}, LBA {lba}]"),
            _ => String::new(),
        };
        say!(text, "  {:8} {}: {}{place}", finding.severity, finding.code, &finding.sentence);
    }
    for (code, count) in not_listed {
        say!(text, "  … and {} more of {code}", human::count(*count));
    }
    say!(text, "");
}

/// A time that is known to lie between two.
pub fn time_range(least: f64, most: f64) -> String {
    let (least, most) = (human::seconds(least), human::seconds(most));
    if least == most { least } else { format!("{least} to {most}") }
}

fn costs(text: &mut String, report: &SurveyReport) {
    let costs = &report.costs;
    say!(text, "COST OF READING  on the model “{}” ({})", &costs.model.name, costs.rate_origin.name());
    say!(
        text,
        "  {}/s on the whole, {:.1} ms for an average seek with half a turn",
        human::bytes(costs.pace.bytes_per_second),
        costs.pace.reposition_seconds() * 1000.0
    );
    let rows = report.scopes.iter().map(|scope| {
        vec![
            scope.scope.name().to_owned(),
            human::bytes(scope.bytes),
            human::share(scope.share),
            human::count(scope.extents),
            human::bytes(scope.unasked_bytes),
            human::seconds(scope.seconds),
            time_range(scope.least_seconds, scope.most_seconds),
            human::seconds(scope.unbridged_seconds),
            human::bytes(scope.room_bytes),
        ]
    });
    use Column::{Left, Right};
    let columns = [
        Left("scope"),
        Right("to read"),
        Right("of drive"),
        Right("pieces"),
        Right("gaps in it"),
        Right("time"),
        Right("range"),
        Right("no gaps read"),
        Right("room needed"),
    ];
    text.push_str(&table(&columns, rows));
    if let Some(all) = report.scopes.last() {
        say!(text, "  class by class, in the order of reading (scope `{}`):", all.scope);
        let rows = all.classes.iter().map(|class| {
            let spread = &costs.model.spread;
            let (least, most) = spread.range(class.bridged.seconds);
            vec![
                format!("  {}", class.bridged.class.name()),
                human::bytes(class.bridged.bytes),
                human::count(class.bridged.extents),
                human::seconds(class.bridged.seconds),
                time_range(least, most),
                human::seconds(class.unbridged_seconds),
            ]
        });
        let columns =
            [Left("  class"), Right("to read"), Right("pieces"), Right("time"), Right("range"), Right("no gaps read")];
        text.push_str(&table(&columns, rows));
    }
    say!(
        text,
        "  this survey read {} in {} requests",
        human::bytes(report.reading.bytes),
        human::count(report.reading.requests)
    );
    if let Some(room) = &report.destination {
        say!(text, "  {}", room.sentence);
    }
    say!(text, "");
}

fn advice(text: &mut String, report: &SurveyReport) {
    wrapped(text, "RECOMMENDATION  ", &report.advice.sentence);
    for reason in &report.advice.reasons {
        wrapped(text, "  · ", reason);
    }
    next(text, &report.advice.next);
}

/// What to type next, ready to paste.
fn next(text: &mut String, commands: &[String]) {
    if !commands.is_empty() {
        say!(text, "");
        say!(text, "NEXT");
    }
    for command in commands {
        say!(text, "  {command}");
    }
}

/// Columns of a terminal that every machine has.
const COLUMNS: usize = 80;

/// A sentence behind `start`, on as many lines as it needs; the later ones stand two columns in from the first.
fn wrapped(text: &mut String, start: &str, sentence: &str) {
    let indent = " ".repeat(if start.starts_with(' ') { start.chars().count() } else { 2 });
    let mut current = start.to_owned();
    let mut has_word = false;
    for word in sentence.split(' ') {
        if has_word && current.chars().count() + 1 + word.chars().count() > COLUMNS {
            say!(text, "{current}");
            (current, has_word) = (indent.clone(), false);
        }
        if has_word {
            current.push(' ');
        }
        current.push_str(word);
        has_word = true;
    }
    say!(text, "{current}");
}
