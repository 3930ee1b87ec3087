//! All that a survey says.

use super::{NEXT_PLAN, coherence, kernel};
use crate::base::human;
use crate::cli::show::{line, next, time_range, wrapped};
use crate::cli::table::{Column, Overflow, fitted};
use crate::filesystem::VolumeState;
use crate::partition::signature::{Certainty, Recognised};
use crate::report::values::{
    AreaReport, FindingReport, ScopeReport, SpaceReport, SurveyReport, SurveyStrip, VolumeReport,
};
use crate::source::{SerialFrom, SourceIdentity};
use crate::survey::allocation::{Census, DeletedCensus, MapComparison, Share};

/// The survey as text, in full.
pub fn survey_full(report: &SurveyReport) -> String {
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

fn drive(text: &mut String, report: &SurveyReport) {
    let source = &report.source;
    wrapped(text, "DRIVE  ", &source.path.to_string_lossy());
    let mut about = vec![
        format!("{} ({} bytes)", human::bytes(source.bytes), human::count(source.bytes)),
        format!("sectors of {} bytes logical, {} physical", source.logical_sector, source.physical_sector),
    ];
    about.extend(source.model.iter().map(|model| format!("model {}", model)));
    about.extend(source.serial.iter().map(|serial| serial_of(serial, source)));
    about.extend(source.details.firmware.iter().map(|revision| format!("firmware {revision}")));
    about.extend(source.details.wwn.iter().map(|name| format!("WWN {name}")));
    about.extend(source.details.bus.iter().map(|bus| format!("by {bus}")));
    wrapped(text, "  ", &about.join(" · "));
    say!(text, "  table: {}, counted in sectors of {} bytes", scheme_name(report), report.table_sector_bytes);
    say!(text, "");
    survey_strip(text, &report.strip);
}

/// A serial number, and whose it is where that is not certain.
pub(in crate::cli::show) fn serial_of(serial: &str, source: &SourceIdentity) -> String {
    match source.details.serial_from {
        Some(SerialFrom::UsbDevice) => format!("serial {serial} (of the USB device, which may be the adapter's)"),
        _ => format!("serial {serial}"),
    }
}

pub(in crate::cli::show) fn scheme_name(report: &SurveyReport) -> &'static str {
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
fn survey_strip(text: &mut String, strip: &SurveyStrip) {
    const HEIGHTS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let height = |share: &f64| {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share, 0 to 1")]
        let step = (share * 8.0).ceil() as usize;
        HEIGHTS[step.min(8)]
    };
    let used: String = strip.in_use.iter().map(height).collect();
    let structure: String = strip.structure.iter().map(|share| if *share > 0.0 { '·' } else { ' ' }).collect();
    say!(text, "  used       │{used}│");
    say!(text, "  structure  │{structure}│");
    say!(text, "             start {:>width$}", "end", width = strip.in_use.len().saturating_sub(4));
    say!(text, "             one column is {}, its height the share that is used", human::bytes(strip.place_bytes));
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
            volume.map(|v| v.fullness).or(area.space.as_ref().map(|s| s.fullness)).map_or(String::new(), human::share),
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
        Right("used"),
    ];
    text.push_str(&fitted(&columns, rows, Overflow::Wrap));
    say!(text, "");
}

/// Something that is not read file by file: copied in full, or what is in use by its allocation map.
fn recognised(text: &mut String, area: &AreaReport, found: &Recognised) {
    let number = area.number.map_or(String::new(), |n| format!(" {n}"));
    let label = found.label.as_deref().map_or(String::new(), |label| format!(" “{}”", label));
    let encrypted = if found.encrypted { ", encrypted" } else { "" };
    let what = format!("{}{label}{encrypted}, {}", found.kind.name(), human::bytes(area.bytes));
    let heading = if area.space.is_some() { "VOLUME" } else { "COPIED IN FULL" };
    wrapped(text, &format!("{heading}{number}  "), &format!("{what} at byte {}", area.start));
    let mut about: Vec<String> = found.uuid.iter().map(|uuid| format!("identifier {}", uuid)).collect();
    about.extend(found.bytes.map(|bytes| format!("size in its own fields {}", human::bytes(bytes))));
    about.extend(found.facts.iter().map(|(name, value)| format!("{name} {}", value)));
    if !about.is_empty() {
        wrapped(text, "  ", &about.join(" · "));
    }
    let how = match found.certainty {
        Certainty::Checksummed => "its checksum is OK",
        Certainty::Consistent => "its fields agree with each other and with where it lies",
        Certainty::Copy => "only this copy is left",
        Certainty::Partial => "not all of it is in order",
    };
    let evidence = &found.evidence;
    wrapped(text, "  ", &format!("recognised by {} at byte {}: {how}", evidence.what, evidence.place.start.0));
    let first: u64 = found.first.iter().map(|extent| extent.bytes).sum();
    if first > 0 {
        say!(text, "  read before the rest: {} on which the rest depends", human::bytes(first));
    }
    if let Some(space) = &area.space {
        self::space(text, space);
    }
    say!(text, "");
}

/// What a volume's own marks say.
fn state(state: VolumeState) -> String {
    let dirty = match state.dirty {
        Some(true) => "marked as not cleanly unmounted",
        Some(false) => "cleanly unmounted",
        None => "clean or not: was not read",
    };
    let errors = if state.errors_noted == Some(true) { " · marked as having met errors" } else { "" };
    format!("{dirty}{errors}")
}

/// What is in use by the allocation map.
fn space(text: &mut String, space: &SpaceReport) {
    let blocks = format!("{} blocks of {}", human::count(space.total.clusters), human::unit_size(space.block_bytes));
    #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
    let share = |part: u64| human::share(part as f64 / space.total.clusters.max(1) as f64);
    let of = |part: Share| format!("{} ({})", human::bytes(part.bytes), share(part.clusters));
    let mut said = vec![format!("used by its allocation map: {}", of(space.used)), format!("free: {}", of(space.free))];
    if space.unknown.clusters > 0 {
        said.push(format!("mark not readable or not believed, planned as used: {}", of(space.unknown)));
    }
    if space.outside_bytes > 0 {
        said.push(format!("outside the map, planned as used: {}", human::bytes(space.outside_bytes)));
    }
    if space.state.dirty.is_some() {
        said.push(state(space.state));
    }
    wrapped(text, "  ", &format!("{blocks} · {}", said.join(" · ")));
    say!(text, "  its files are not read one by one: no folders can be chosen there");
}

fn volume(text: &mut String, area: &AreaReport, volume: &VolumeReport) {
    let number = area.number.map_or(String::new(), |n| format!(" {n}"));
    let label = volume.label.as_deref().map_or(String::new(), |label| format!(" “{}”", label));
    let what = format!("{}{label}, {} at byte {}", volume.file_system, human::bytes(area.bytes), area.start);
    wrapped(text, &format!("VOLUME{number}  "), &what);
    let serial =
        if volume.serial.is_empty() { "no serial number".to_owned() } else { format!("serial {}", volume.serial) };
    let clusters = format!("{} clusters of {}", human::count(volume.clusters), human::unit_size(volume.cluster_bytes));
    wrapped(text, "  ", &format!("{clusters} · {serial} · {}", state(volume.state)));
    if !volume.facts.is_empty() {
        let facts: Vec<String> = volume.facts.iter().map(|(name, value)| format!("{name} {}", value)).collect();
        wrapped(text, "  ", &facts.join(" · "));
    }
    census(text, &volume.census);
    deleted(text, &volume.deleted);
    two_maps(text, &volume.reconciliation);
    wrapped(text, "  → ", &volume.reconciliation.suggests);
    say!(text, "");
}

#[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
fn share(part: u64, of: u64) -> f64 {
    if of == 0 { 0.0 } else { part as f64 / of as f64 }
}

/// What files there are.
fn census(text: &mut String, c: &Census) {
    let files = format!("{} ({})", human::counted(c.files, "file", "files"), human::bytes(c.file_bytes));
    let folders = human::counted(c.folders, "folder", "folders");
    wrapped(text, "  ", &format!("{files}, {folders}, {} deleted", human::count(c.deleted)));
    let fragments = format!(
        "fragments: {} of {} files with clusters ({}) have more than one extent; {} in all, at most {} in one file",
        human::count(c.fragmented_files),
        human::count(c.files_with_clusters),
        human::share(share(c.fragmented_files, c.files_with_clusters)),
        human::counted(c.extents, "extent", "extents"),
        human::count(c.most_extents)
    );
    wrapped(text, "  ", &fragments);
    let special = human::counts([
        (c.resident_files, "in their records"),
        (c.named_streams, "named streams"),
        (c.compressed_files, "compressed"),
        (c.sparse_files, "sparse"),
        (c.encrypted_files, "encrypted"),
        (c.further_names, "further names (hard links)"),
        (c.orphans, "orphans"),
        (c.incomplete_files, "with incomplete run lists"),
    ]);
    if !special.is_empty() {
        wrapped(text, "  ", &format!("among them: {}", special.join(", ")));
    }
}

/// What is left of deleted files.
fn deleted(text: &mut String, d: &DeletedCensus) {
    if d.with_runs > 0 {
        let left = human::counts([
            (d.whole, "wholly in free clusters"),
            (d.disputed, "wholly in free clusters that another deleted file names too"),
            (d.partly, "partly overwritten"),
            (d.gone, "wholly overwritten"),
            (d.without_runs, "without clusters"),
        ])
        .join(", ");
        wrapped(text, "  ", &format!("deleted: {left}; {} in free clusters", human::bytes(d.free_bytes)));
    }
}

fn two_maps(text: &mut String, r: &MapComparison) {
    say!(text, "  the two maps of what is used:");
    let rows = [
        ("marked used", r.allocated),
        ("in files' extents", r.owned),
        ("both", r.both),
        ("used, no known file", r.only_allocated),
        ("in files, marked free", r.only_owned),
        ("marked free, planned all the same", r.doubtful),
        ("in several files", r.shared),
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
    text.push_str(&fitted(
        &[Left("  map"), Right("clusters"), Right("size"), Right("of volume")],
        rows.map(|mut row| {
            row[0].insert_str(0, "  ");
            row
        }),
        Overflow::Wrap,
    ));
}

/// Findings as a list.
fn findings(text: &mut String, list: &[FindingReport], not_listed: &[(String, u64)]) {
    if list.is_empty() {
        say!(text, "FINDINGS  none");
        say!(text, "");
        return;
    }
    say!(text, "FINDINGS");
    for (number, finding) in list.iter().enumerate() {
        let place = match (finding.byte, finding.lba) {
            (Some(byte), Some(lba)) => format!(" [byte {byte}, LBA {lba}]"),
            _ => String::new(),
        };
        let start = format!("  {:8} ", finding.severity);
        wrapped(text, &start, &format!("{}: {}{place}", finding.code, finding.sentence));
        // What it means, and what to do: once, behind the last of its kind in a row.
        if list.get(number + 1).is_none_or(|next| next.code != finding.code) {
            wrapped(text, &format!("{:11}→ ", ""), finding.meaning);
        }
    }
    for (code, count) in not_listed {
        say!(text, "  … and {} more of {code}", human::count(*count));
    }
    say!(text, "");
}

fn costs(text: &mut String, report: &SurveyReport) {
    let costs = &report.costs;
    let model = format!("on the model “{}” ({})", costs.model.name, costs.rate_origin.name());
    wrapped(text, "COST OF READING  ", &model);
    say!(
        text,
        "  {}/s on the whole, {:.1} ms for an average seek with half a turn",
        human::bytes(costs.pace.bytes_per_second),
        costs.pace.reposition_seconds() * 1000.0
    );
    scope_table(text, &report.scopes);
    gap_table(text, &report.scopes);
    if let Some(all) = report.scopes.last() {
        class_table(text, all);
    }
    let requests = human::counted(report.reading.requests, "request", "requests");
    say!(text, "  this survey read {} in {requests}", human::bytes(report.reading.bytes));
    if let Some(room) = &report.destination {
        wrapped(text, "  ", &room.sentence);
    }
    say!(text, "");
}

fn scope_table(text: &mut String, scopes: &[ScopeReport]) {
    use Column::{Left, Right};
    let rows = scopes.iter().map(|scope| {
        vec![
            scope.scope.name().to_owned(),
            human::bytes(scope.bytes),
            human::share(scope.share),
            human::seconds(scope.seconds),
            time_range(scope.least_seconds, scope.most_seconds),
        ]
    });
    let columns = [Left("scope"), Right("to read"), Right("of drive"), Right("time"), Right("range")];
    text.push_str(&fitted(&columns, rows, Overflow::Wrap));
}

fn gap_table(text: &mut String, scopes: &[ScopeReport]) {
    use Column::{Left, Right};
    say!(text, "  gaps are read through where that is quicker than a seek:");
    let rows = scopes.iter().map(|scope| {
        vec![
            format!("  {}", scope.scope.name()),
            human::count(scope.extents),
            human::bytes(scope.unasked_bytes),
            human::count(scope.unbridged_extents),
            human::seconds(scope.unbridged_seconds),
        ]
    });
    let columns =
        [Left("  scope"), Right("ranges"), Right("gaps read through"), Right("ranges without"), Right("time without")];
    text.push_str(&fitted(&columns, rows, Overflow::Wrap));
}

fn class_table(text: &mut String, scope: &ScopeReport) {
    use Column::{Left, Right};
    say!(text, "  class by class, in the order of reading (scope `{}`):", scope.scope);
    let rows = scope.classes.iter().map(|class| {
        vec![
            format!("  {}", class.bridged.class.name()),
            human::bytes(class.bridged.bytes),
            human::count(class.bridged.extents),
            human::seconds(class.bridged.seconds),
            human::seconds(class.unbridged_seconds),
        ]
    });
    let columns =
        [Left("  class"), Right("to read"), Right("ranges"), Right("time"), Right("time without gaps read through")];
    text.push_str(&fitted(&columns, rows, Overflow::Wrap));
}

fn advice(text: &mut String, report: &SurveyReport) {
    wrapped(text, "RECOMMENDATION  ", &report.advice.sentence);
    for reason in &report.advice.reasons {
        wrapped(text, "  · ", reason);
    }
    next(text, NEXT_PLAN, &report.advice.next);
}
