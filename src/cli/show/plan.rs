//! A plan as text.

use super::{line, next, time_range, wrapped};
use crate::cli::table::{Column, table};
use crate::human;
use crate::report::PlanSummary;

/// What a plan holds, pass by pass.
pub fn plan(summary: &PlanSummary) -> String {
    use Column::{Left, Right};
    let mut text = String::new();
    say!(
        &mut text,
        "PLAN  {}: scope `{}`, {} in {} pieces, about {} ({}) on the model “{}” ({})",
        &summary.plan.to_string_lossy(),
        summary.scope,
        human::bytes(summary.bytes),
        human::count(summary.extents),
        human::seconds(summary.seconds),
        time_range(summary.least_seconds, summary.most_seconds),
        &summary.model.name,
        summary.rate_origin.name()
    );
    let mut safe_after = 0.0;
    let rows = summary.passes.iter().map(|pass| {
        safe_after += pass.seconds;
        let what = pass.pattern.as_ref().map_or(String::new(), |p| p.clone());
        vec![
            pass.number.to_string(),
            pass.class.name().to_owned(),
            what,
            human::bytes(pass.bytes),
            human::count(pass.extents),
            human::bytes(pass.bridged_bytes),
            human::seconds(pass.seconds),
            time_range(safe_after * summary.model.spread.least, safe_after * summary.model.spread.most),
        ]
    });
    let columns = [
        Right("pass"),
        Left("class"),
        Left("pattern"),
        Right("bytes"),
        Right("pieces"),
        Right("gaps in it"),
        Right("time"),
        Right("safe after"),
    ];
    text.push_str(&table(&columns, rows));
    if let Some(head) = &summary.under_head {
        say!(&mut text, "  {}", head.words);
        say!(&mut text, "  `copy` reads what lies under it last. Under the other heads, if all of it reads:");
        let rows = head.passes.iter().map(|pass| {
            vec![
                pass.number.to_string(),
                pass.class.name().to_owned(),
                human::bytes(pass.bad_head_bytes),
                pass.others_whole_after.map_or("never".to_owned(), human::seconds),
            ]
        });
        let columns = [Right("pass"), Left("class"), Right("under the bad head"), Right("the rest safe after")];
        text.push_str(&table(&columns, rows));
    }
    if summary.bridge_bytes == 0 {
        say!(&mut text, "  gaps are never read through");
    } else {
        say!(&mut text, "  gaps of up to {} are read through", human::bytes(summary.bridge_bytes));
    }
    let ratios: Vec<String> = summary
        .bounds
        .iter()
        .filter_map(|bound| Some(format!("{} {:.2}", bound.class, bound.ratio_structure_first()?)))
        .collect();
    if !ratios.is_empty() {
        say!(
            &mut text,
            "  time over the least that an order that begins with structure could take, class by class: {}",
            ratios.join(", ")
        );
    }
    if summary.left_out.is_empty() {
        say!(&mut text, "  left out: nothing");
    } else {
        say!(&mut text, "  left out:");
        for left in &summary.left_out {
            say!(&mut text, "    {:10} {:>9}  {}", left.class, human::bytes(left.bytes), left.why);
        }
    }
    for finding in &summary.findings {
        say!(&mut text, "  {:8} {}: {}", finding.severity, finding.code, &finding.sentence);
    }
    for advice in &summary.advice {
        say!(&mut text, "");
        wrapped(&mut text, "RECOMMENDATION  ", &advice.sentence);
        for command in &advice.commands {
            say!(&mut text, "  {command}");
        }
    }
    next(&mut text, &summary.next);
    text
}
