//! The first screen of a survey: the answers, in what a terminal shows at once.

use super::NEXT_PLAN;
use super::coherence::headline;
use super::survey_full::{scheme_name, serial_of};
use crate::base::human;
use crate::base::text::shown;
use crate::cli::layout::{columns, cut, shell_lines, wrap, wrap_within};
use crate::cli::show::{time_range, verbatim};
use crate::cli::table::{Column, Overflow, fitted};
use crate::report::values::{Encrypted, FindingKind, Overview, ScopeReport, SurveyReport, VolumeLine};

/// Lines of the screen: a terminal has 24, and the command that was typed and the prompt stay in sight.
const LINES: usize = 20;
/// Most volumes, and most kinds of findings, that are listed.
const VOLUMES: usize = 6;
const FINDINGS: usize = 3;
/// So many kinds of findings are listed even where volumes have to be left out for them.
const LEAST_FINDINGS: usize = 2;

/// The answers of a survey: can the copy go on, what is on the drive, how long does it take, what to do, what to type.
pub fn survey(report: &SurveyReport) -> String {
    let overview = Overview::of(report);
    let mut blocks = [
        verdict(report, &overview),
        drive(report),
        times(report, &overview),
        vec![findings_heading(&overview)],
        recommendation(report),
    ];
    let (volumes, findings) = (1, 3);
    let room = |blocks: &[Vec<String>]| LINES.saturating_sub(blocks.iter().map(Vec::len).sum());
    // The most severe two, whatever the volumes need.
    let kinds: Vec<&FindingKind<'_>> = overview.findings.iter().filter(|kind| !overview.is_verdict(kind)).collect();
    let least = kinds.len().min(LEAST_FINDINGS);
    let listed = volume_lines(&overview, room(&blocks).saturating_sub(least));
    blocks[volumes].extend(listed);
    let most = room(&blocks).clamp(least.min(1), FINDINGS);
    blocks[findings].extend(kinds.into_iter().take(most).map(finding));
    // Empty lines where there is room for them: what to do stands apart first.
    for number in [4, 1, 2, 3] {
        if room(&blocks) > 0 {
            blocks[number].insert(0, String::new());
        }
    }
    let mut text = String::new();
    blocks.iter().flatten().for_each(|part| verbatim(&mut text, part));
    text
}

fn verdict(report: &SurveyReport, overview: &Overview<'_>) -> Vec<String> {
    let mut lines = vec![headline(&report.coherence)];
    lines.extend(wrap_within(2, "  ", &report.coherence.sentence, columns()));
    let go_on = format!("{} {}", overview.go_on.answer(), overview.failures);
    lines.extend(wrap("GO ON  ", &go_on, columns()));
    match report.kernel.as_ref().map_or(0, |facts| facts.advice.len() as u64) {
        0 => {}
        settings => {
            let settings = human::counted(settings, "setting", "settings");
            lines.push(format!("  The system has {settings} to change before the copy: --full"));
        }
    }
    lines
}

fn drive(report: &SurveyReport) -> Vec<String> {
    let source = &report.source;
    let mut about = vec![human::bytes(source.bytes), format!("table: {}", scheme_name(report))];
    about.extend(source.model.iter().cloned());
    about.extend(source.serial.iter().map(|serial| serial_of(serial, source)));
    // With what stands before and behind it, one line at most.
    let path = cut(&shown(&source.path.to_string_lossy()), columns() - 10);
    wrap_within(2, "DRIVE  ", &format!("{path} · {}", about.join(" · ")), columns())
}

/// A line a volume, in at most so many lines with what is above and below them.
fn volume_lines(overview: &Overview<'_>, most: usize) -> Vec<String> {
    let number = overview.volumes.len();
    if number == 0 {
        return vec!["  no volume is recognised".to_owned()];
    }
    // The heading, and what is said of the others.
    let room = most.saturating_sub(1).clamp(1, VOLUMES);
    let shown = if number <= room { number } else { room.saturating_sub(1).max(1) };
    use Column::{Left, Right};
    let columns = [Right("no."), Right("size"), Left("file system"), Left("label"), Right("used"), Left("encrypted")];
    let rows = overview.largest(shown).into_iter().map(volume_row);
    let table = fitted(&columns, rows, Overflow::Cut);
    // Without the line under the heading: there are few rows.
    let mut lines: Vec<String> = table.lines().map(str::to_owned).collect();
    lines.remove(1);
    if number > shown {
        lines.push(format!("  and {} smaller: --full", human::count((number - shown) as u64)));
    }
    lines
}

fn volume_row(volume: &VolumeLine<'_>) -> Vec<String> {
    let least = if volume.used_is_least { "at least " } else { "" };
    let used = volume.used.map(|(bytes, share)| format!("{least}{} ({})", human::bytes(bytes), human::share(share)));
    let encrypted = match volume.encrypted {
        Encrypted::No => "no".to_owned(),
        Encrypted::Yes => "yes".to_owned(),
        Encrypted::Opened => "yes, opened".to_owned(),
        Encrypted::Files(files) => human::counted(files, "file", "files"),
        Encrypted::NotKnown => "not known".to_owned(),
    };
    vec![
        volume.number.to_string(),
        human::bytes(volume.bytes),
        volume.holds.to_owned(),
        volume.label.to_owned(),
        used.unwrap_or_else(|| "not known".to_owned()),
        encrypted,
    ]
}

fn times(report: &SurveyReport, overview: &Overview<'_>) -> Vec<String> {
    let costs = &report.costs;
    let model = format!("estimated for “{}” ({})", costs.model.name, costs.rate_origin.name());
    let mut lines = wrap("TIME  ", &model, columns());
    if let Some((first, each_gb)) = overview.wanted_seconds {
        let (first, each_gb) = (human::seconds(first), human::seconds(each_gb));
        lines.push(format!("  wanted  first, from {first} on; each GB of wanted folders takes about {each_gb}"));
    }
    lines.extend(overview.used.iter().flat_map(|used| scope("used", used)));
    lines.extend(scope("all", overview.all));
    if let Some(room) = &report.destination {
        lines.extend(wrap_within(2, "  ", &room.sentence, columns()));
    }
    lines
}

/// Its bytes are more than those in use: gaps are read through.
fn scope(name: &str, scope: &ScopeReport) -> Vec<String> {
    let range = time_range(scope.least_seconds, scope.most_seconds);
    let gaps = match scope.unasked_bytes {
        0 => String::new(),
        bytes => format!(", {} of it in gaps", human::bytes(bytes)),
    };
    let start = format!("  {name:6}  {:>7} ", human::bytes(scope.bytes));
    wrap(&start, &format!("in about {} ({range}){gaps}", human::seconds(scope.seconds)), columns())
}

fn findings_heading(overview: &Overview<'_>) -> String {
    let all: u64 = overview.severities.iter().map(|(_, count)| count).sum();
    let counts = overview.severities.iter().map(|(severity, count)| format!("{severity} {}", human::count(*count)));
    match all {
        0 => "FINDINGS  none. All details: --full".to_owned(),
        all => {
            let counts = counts.collect::<Vec<_>>().join(", ");
            format!("FINDINGS  {} ({counts}). All details: --full", human::count(all))
        }
    }
}

/// The first finding of a kind, and how many more there are.
fn finding(kind: &FindingKind<'_>) -> String {
    let more = match kind.count {
        0 | 1 => String::new(),
        count => format!(" (and {} more)", human::count(count - 1)),
    };
    let start = format!("  {:8} ", kind.first.severity);
    let room = columns().saturating_sub(start.len() + more.len());
    format!("{start}{}{more}", cut(&shown(&kind.first.sentence), room))
}

fn recommendation(report: &SurveyReport) -> Vec<String> {
    let mut lines = wrap("RECOMMENDATION  ", &report.advice.sentence, columns());
    if report.advice.next.is_empty() {
        lines.push("NEXT  no command yet: do first what is recommended".to_owned());
        return lines;
    }
    lines.push(NEXT_PLAN.to_owned());
    let commands = report.advice.next.iter().flat_map(|command| shell_lines(&format!("  {command}"), columns()));
    lines.extend(commands);
    lines
}
