//! `gleaner plan`

use super::{Done, Opening, bulk_patterns, costs, drive_model, in_session, read, remember_chosen_drive, trouble};
use crate::base::new_file::{Readers, check_new, write_new};
use crate::base::text::of_os;
use crate::cli::args::{AlsoArgument, PlanArguments, WithoutArgument};
use crate::cli::exit::Ending;
use crate::cli::input::{TextError, text_of};
use crate::cli::output::json_text;
use crate::cli::show;
use crate::copy::session::Session;
use crate::partition::Scheme;
use crate::plan::{self, BridgeRule, ESTIMATED_REQUEST, PlanRequest};
use crate::report::values;
use crate::simulate::{BadHead, plan_under_head};
use crate::survey::allocation::{Class, patterns_of_list};

pub fn run(arguments: &PlanArguments) -> anyhow::Result<Ending> {
    // Everything that can be refused is refused before the first read.
    let request = request(arguments)?;
    request.check()?;
    drive_model(&arguments.model, None)?;
    if let Some(output) = &arguments.output {
        check_new(output)?;
    }
    in_session(&arguments.source, &Opening { outputs: &[&arguments.output], ..Opening::to_work() }, |session| {
        work(arguments, request, session)
    })
}

pub(super) fn work(arguments: &PlanArguments, mut request: PlanRequest, session: &mut Session) -> anyhow::Result<Done> {
    let drive = read(session, arguments.source.quiet || arguments.source.json)?;
    let costs = costs(&arguments.model, session)?;
    remember_chosen_drive(&arguments.model, session.case.as_mut())?;
    request.bridge = match arguments.bridge {
        Some(bytes) => BridgeRule::fixed(bytes),
        None => costs.bridge.clone(),
    };
    let made = plan::make(&session.reader, &drive, &request, &arguments.volume)?;
    let output = match (&arguments.output, &session.case) {
        (Some(path), _) => path.clone(),
        (None, Some(case)) => case.next_plan_path(),
        (None, None) => anyhow::bail!("give the plan a place with --output, or use --case"),
    };
    let readers = if arguments.output.is_some() { Readers::AsUsual } else { Readers::OwnerOnly };
    write_new(&output, readers, |out| -> anyhow::Result<()> { Ok(plan::write_plan(&made, out)?) })?;
    if let (None, Some(case)) = (&arguments.output, &mut session.case) {
        case.set_plan(&output)?;
    }
    let in_case = arguments.output.is_none();
    let mut summary =
        values::PlanSummary::new(&made, &output, &costs, &trouble(session), (&session.workplace(), in_case));
    if let Some(case) = &session.case {
        let planned = || plan::planned_with_files(&drive, &made.ascending().collect());
        let head = BadHead::known(drive.identity.bytes, case.store().as_ref(), planned);
        summary.under_head = head.map(|head| plan_under_head(&made, &costs.model, ESTIMATED_REQUEST, &head));
    }
    let text = if arguments.source.json { json_text(&summary)? } else { show::plan(&summary) };
    let nothing = drive.layout.scheme == Scheme::Unrecognised && drive.volumes().next().is_none();
    let ending = if nothing { Ending::NothingRecognised } else { Ending::Done };
    let output = of_os(output.as_os_str());
    let figures = serde_json::json!({ "plan": output, "scope": summary.scope, "bytes": summary.bytes, "extents": summary.extents });
    Ok(Done { ending, figures, text })
}

/// The patterns that were typed, then those of the list.
fn wants(arguments: &PlanArguments) -> anyhow::Result<Vec<String>> {
    let mut wants = arguments.want.clone();
    if let Some(path) = &arguments.want_from {
        let listed = patterns_of_list(&text_of(path)?);
        if listed.is_empty() {
            return Err(TextError::Empty { path: path.clone(), holds: "pattern" }.into());
        }
        wants.extend(listed);
    }
    Ok(wants)
}

pub(super) fn request(arguments: &PlanArguments) -> anyhow::Result<PlanRequest> {
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
    Ok(PlanRequest {
        also: also.collect(),
        without: without.collect(),
        wants: wants(arguments)?,
        bulk: bulk_patterns(&arguments.bulk),
        order: plan::Order { pick_up: arguments.pick_up, prefer: arguments.prefer },
        ..PlanRequest::new(arguments.scope)
    })
}
