//! `gleaner export`

use crate::cli::args::{ExportArguments, FormArgument};
use crate::cli::exit::Ending;
use crate::cli::output::{json_text, print};
use crate::cli::show;
use crate::plan::export::{DeviceMapper, Form, export, export_to_new_file};
use serde::Serialize;
use std::io::{self, BufWriter, Write};
use std::path::Path;

pub fn run(arguments: &ExportArguments) -> anyhow::Result<Ending> {
    let form = form(arguments);
    let Some(output) = &arguments.output else {
        let mut out = BufWriter::with_capacity(1 << 16, io::stdout().lock());
        export(&arguments.plan, &form, &mut out)?;
        out.flush()?;
        return Ok(Ending::Done);
    };
    export_to_new_file(&arguments.plan, &form, output)?;
    let bytes = std::fs::metadata(output)?.len();
    if arguments.json {
        print(&json_text(&Summary { plan: &arguments.plan, output, bytes })?)?;
    } else {
        print(&show::exported(output, bytes))?;
    }
    Ok(Ending::Done)
}

/// What was exported.
#[derive(Serialize)]
struct Summary<'a> {
    #[serde(serialize_with = "crate::base::text::serialize_path")]
    plan: &'a Path,
    #[serde(serialize_with = "crate::base::text::serialize_path")]
    output: &'a Path,
    bytes: u64,
}

fn form(arguments: &ExportArguments) -> Form {
    match arguments.form {
        FormArgument::Csv => Form::Csv,
        FormArgument::Dd => Form::Dd,
        FormArgument::DeviceMapper => {
            Form::DeviceMapper(DeviceMapper { device: arguments.device.clone(), rest: arguments.rest })
        }
    }
}
