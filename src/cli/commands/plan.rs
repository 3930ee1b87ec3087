//! `gleaner plan`

use super::{bulk_patterns, bytes_per_second, print, print_json, read, record};
use crate::allocation::Class;
use crate::cli::args::{AlsoArgument, PlanArguments, ScopeArgument, WithoutArgument};
use crate::cli::exit::Ending;
use crate::cli::show;
use crate::partition::Scheme;
use crate::plan::{self, BridgeRule, PlanRequest, Scope};
use crate::report;
use crate::write_new::{check_new, write_new};

pub fn run(arguments: &PlanArguments) -> anyhow::Result<Ending> {
    // Everything that can be refused is refused before the first read.
    let request = request(arguments)?;
    request.check()?;
    if let Some(output) = &arguments.output {
        check_new(output)?;
    }
    let (mut session, drive) = read(&arguments.source, &[&arguments.output])?;
    let made = plan::make(&session.reader, &drive, &request, &arguments.volume)?;
    let output = match (&arguments.output, &session.case) {
        (Some(path), _) => path.clone(),
        (None, Some(case)) => case.next_plan_path(),
        (None, None) => anyhow::bail!("give the plan a place with --output, or use --case"),
    };
    write_new(&output, |out| -> anyhow::Result<()> { Ok(plan::write_plan(&made, out)?) })?;
    if let (None, Some(case)) = (&arguments.output, &mut session.case) {
        case.set_plan(&output)?;
    }
    let summary = report::PlanSummary::new(&made, &output, &pace(arguments));
    if arguments.source.json {
        print_json(&summary)?;
    } else {
        print(&show::plan(&summary))?;
    }
    session.reader.flush_trace()?;
    let nothing = drive.layout.scheme == Scheme::Unrecognised && drive.volumes().next().is_none();
    let ending = if nothing { Ending::NothingRecognised } else { Ending::Done };
    let figures = serde_json::json!({ "plan": output, "scope": summary.scope, "bytes": summary.bytes, "extents": summary.extents });
    record(&session, ending, figures)?;
    Ok(ending)
}

fn pace(arguments: &PlanArguments) -> plan::Pace {
    report::Costs::new(arguments.model.rate.map(bytes_per_second), None, arguments.model.reposition.unwrap_or(12.7)).pace
}

fn request(arguments: &PlanArguments) -> anyhow::Result<PlanRequest> {
    let scope = match arguments.scope {
        ScopeArgument::Structure => Scope::Structure,
        ScopeArgument::Wanted => Scope::Wanted,
        ScopeArgument::Files => Scope::Files,
        ScopeArgument::Allocated => Scope::Allocated,
        ScopeArgument::Whole => Scope::Whole,
    };
    let also = arguments.also.iter().map(|class| match class {
        AlsoArgument::Deleted => Class::Deleted,
        AlsoArgument::Outside => Class::Outside,
    });
    let without = arguments.without.iter().map(|class| match class {
        WithoutArgument::Files => Class::Files,
        WithoutArgument::Bulk => Class::Bulk,
        WithoutArgument::Unclaimed => Class::Unclaimed,
        WithoutArgument::Deleted => Class::Deleted,
        WithoutArgument::Free => Class::Free,
        WithoutArgument::Outside => Class::Outside,
    });
    let bridge = match (arguments.bridge, arguments.model.rate) {
        (Some(bytes), _) => BridgeRule::fixed(bytes),
        (None, Some(_)) => BridgeRule::at_rate(pace(arguments).bytes_per_second),
        (None, None) => BridgeRule::default(),
    };
    Ok(PlanRequest {
        also: also.collect(),
        without: without.collect(),
        bridge,
        wants: arguments.want.clone(),
        bulk: bulk_patterns(&arguments.bulk),
        ..PlanRequest::new(scope)
    })
}
