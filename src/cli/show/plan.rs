//! A plan as text.

use super::{command, line, next, time_range, wrapped};
use crate::base::human;
use crate::cli::table::{Column, Overflow, fitted};
use crate::report::values::{PassSummary, PlanSummary};
use crate::simulate::UnderHead;

/// What a plan holds, pass by pass.
pub fn plan(summary: &PlanSummary) -> String {
    let mut text = String::new();
    let reads = format!(
        "reads {} in {}, in about {} ({}).",
        human::bytes(summary.bytes),
        human::counted(summary.extents, "range", "ranges"),
        human::seconds(summary.seconds),
        time_range(summary.least_seconds, summary.most_seconds)
    );
    wrapped(&mut text, "PLAN  ", &reads);
    let (model, origin) = (&summary.model.name, summary.rate_origin.name());
    wrapped(&mut text, "  ", &format!("Scope `{}`, estimated for “{model}” ({origin}).", summary.scope));
    wrapped(&mut text, "  ", &format!("Written to {}", summary.plan.to_string_lossy()));
    say!(&mut text, "");
    passes(&mut text, &summary.passes);
    if let Some(head) = &summary.under_head {
        under_head(&mut text, head);
    }
    let gaps: u64 = summary.passes.iter().map(|pass| pass.bridged_bytes).sum();
    let gaps = match summary.bridge_bytes {
        0 => "gaps are never read through".to_owned(),
        most => format!("gaps of up to {} are read through: {} in all", human::bytes(most), human::bytes(gaps)),
    };
    wrapped(&mut text, "  ", &gaps);
    let ratios: Vec<String> = summary
        .bounds
        .iter()
        .filter_map(|bound| Some(format!("{} {:.2}", bound.class, bound.ratio_structure_first()?)))
        .collect();
    if !ratios.is_empty() {
        let what = "time by class, as a multiple of the least that is possible with structure first";
        wrapped(&mut text, "  ", &format!("{what}: {}", ratios.join(", ")));
    }
    if summary.left_out.is_empty() {
        say!(&mut text, "  left out: nothing");
    } else {
        say!(&mut text, "  left out:");
        for left in &summary.left_out {
            let start = format!("    {:10} {:>9}  ", left.class, human::bytes(left.bytes));
            wrapped(&mut text, &start, &left.why.to_string());
        }
    }
    for finding in &summary.findings {
        let start = format!("  {:8} ", finding.severity);
        wrapped(&mut text, &start, &format!("{}: {}", finding.code, finding.sentence));
    }
    for advice in &summary.advice {
        say!(&mut text, "");
        wrapped(&mut text, "RECOMMENDATION  ", &advice.sentence);
        advice.commands.iter().for_each(|line| command(&mut text, line));
    }
    next(&mut text, "NEXT", &summary.next);
    text
}

fn passes(text: &mut String, passes: &[PassSummary]) {
    use Column::{Left, Right};
    let mut safe_after = 0.0;
    let rows = passes.iter().map(|pass| {
        safe_after += pass.seconds;
        vec![
            pass.number.to_string(),
            pass.class.name().to_owned(),
            pass.pattern.clone().unwrap_or_default(),
            human::bytes(pass.bytes),
            human::count(pass.extents),
            human::seconds(pass.seconds),
            human::seconds(safe_after),
        ]
    });
    let columns = [
        Right("pass"),
        Left("class"),
        Left("pattern"),
        Right("to read"),
        Right("ranges"),
        Right("time"),
        Right("safe after"),
    ];
    text.push_str(&fitted(&columns, rows, Overflow::Cut));
}

/// What a bad head means for the passes.
fn under_head(text: &mut String, head: &UnderHead) {
    use Column::{Left, Right};
    wrapped(text, "  ", &head.words);
    say!(text, "  `copy` reads what lies under it last. Under the other heads, if all of it reads:");
    let rows = head.passes.iter().map(|pass| {
        vec![
            pass.number.to_string(),
            pass.class.name().to_owned(),
            human::bytes(pass.bad_head_bytes),
            pass.others_whole_after.map_or("never".to_owned(), human::seconds),
        ]
    });
    let columns = [Right("pass"), Left("class"), Right("under the bad head"), Right("the rest safe after")];
    text.push_str(&fitted(&columns, rows, Overflow::Cut));
}
