//! `gleaner simulate`

use super::drive_model;
use crate::base::new_file::{NewFileError, Readers, check_new, write_new};
use crate::case::{Access, Case};
use crate::cli::args::SimulateArguments;
use crate::cli::exit::Ending;
use crate::cli::output::{json_text, print};
use crate::cli::show;
use crate::plan::load_plan;
use crate::report::values::simulation_picture;
use crate::simulate::{Assumptions, BadHead, Law, Pieces, simulate};
use anyhow::Context;
use std::io::Write;

pub fn run(arguments: &SimulateArguments) -> anyhow::Result<Ending> {
    if let Some(svg) = &arguments.svg {
        check_new(svg)?;
    }
    let case = arguments.case.as_deref().map(|folder| Case::open(folder, Access::Look)).transpose()?;
    let plan = match (&arguments.plan, &case) {
        (Some(plan), _) => plan.clone(),
        (None, Some(case)) => case.plan_path().context("the case has no plan yet: make one with `gleaner plan`")?,
        (None, None) => unreachable!("the arguments demand a plan or a case"),
    };
    let model = drive_model(&arguments.model, case.as_ref())?.model;
    let pieces = Pieces::of_plan(&load_plan(&plan)?);
    let bad_head = case.as_ref().and_then(|case| {
        let planned = || pieces.list.iter().map(|piece| (piece.extent, None)).collect();
        BadHead::known(pieces.drive_bytes, case.store().as_ref(), planned)
    });
    let request_bytes = arguments.request << 10;
    let simulation = simulate(pieces, &Assumptions { model, request_bytes, law: law(arguments), bad_head });
    if let Some(svg) = &arguments.svg {
        let io = |error| NewFileError::Io { path: svg.clone(), error };
        write_new(svg, Readers::AsUsual, |out| out.write_all(simulation_picture(&simulation).as_bytes()).map_err(io))?;
    }
    if arguments.json {
        print(&json_text(&simulation)?)?;
    } else {
        print(&show::simulated(&plan.to_string_lossy(), &simulation, arguments.full))?;
    }
    Ok(Ending::Done)
}

fn law(arguments: &SimulateArguments) -> Option<Law> {
    let seconds = |hours: f64| hours * 3600.0;
    match (arguments.mean_life, arguments.dies_after, arguments.bad_region) {
        (Some(hours), _, _) => Some(Law::Steady { mean_life_seconds: seconds(hours) }),
        (None, Some(hours), _) => Some(Law::DiesAfter { seconds: seconds(hours) }),
        (None, None, Some(region)) => Some(Law::BadRegion { region }),
        (None, None, None) => None,
    }
}
