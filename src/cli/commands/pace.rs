//! `gleaner pace`

use super::{Done, Opening, drive_model, in_session, require_case};
use crate::case::CaseError;
use crate::cli::args::PaceArguments;
use crate::cli::exit::Ending;
use crate::cli::output::json_text;
use crate::cli::show;
use crate::copy::pace::{Budget, End, PaceError, pace};
use std::time::Duration;

pub fn run(arguments: &PaceArguments) -> anyhow::Result<Ending> {
    // Refused before the first read.
    require_case(&arguments.source)?;
    drive_model(&arguments.model, None)?;
    in_session(&arguments.source, &Opening::to_work(), |session| {
        if let Some(case) = session.case.as_ref().filter(|case| case.plan_path().is_none()) {
            return Err(CaseError::NoPlan { folder: case.folder().into() }.into());
        }
        let base = drive_model(&arguments.model, session.case.as_ref())?.model;
        let budget = Budget {
            bytes: arguments.budget << 20,
            requests: arguments.requests,
            time: Duration::from_secs_f64(arguments.seconds),
        };
        let report = pace(session, &base, &budget).map_err(bare)?;
        let ending = if report.end == End::Failures { Ending::NotFinished } else { Ending::Done };
        let text = if arguments.source.json { json_text(&report)? } else { show::pace(&report) };
        Ok(Done { ending, figures: serde_json::to_value(&report)?, text })
    })
}

/// The error itself, by which the exit code is chosen.
fn bare(error: PaceError) -> anyhow::Error {
    match error {
        PaceError::Case(error) => error.into(),
        PaceError::Plan(error) => error.into(),
        PaceError::Lost(error) => error.into(),
        other => other.into(),
    }
}
