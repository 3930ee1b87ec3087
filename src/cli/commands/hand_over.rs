//! `gleaner hand-over`

use super::{Done, Opening, in_session, read};
use crate::cli::args::{HandOverArguments, SourceArguments};
use crate::cli::exit::Ending;
use crate::cli::output::JsonLines;
use crate::cli::{progress, show};
use crate::copy::session::{Session, SessionError};
use crate::results::audit::Truth;
use crate::results::hand_over::{Following, Missing, OntoDrive, check_copy, write_image, write_onto};
use crate::source::SourceLost;
use serde::Serialize;
use serde_json::Value;
use std::path::{Path, PathBuf};

pub fn run(arguments: &HandOverArguments) -> anyhow::Result<Ending> {
    let sources = SourceArguments {
        quiet: arguments.quiet,
        ..SourceArguments::of_case(&arguments.case, arguments.json, &arguments.keys)
    };
    let list = Some(list_of(arguments));
    let outputs: &[&Option<PathBuf>] = if arguments.check.is_some() { &[] } else { &[&arguments.to, &list] };
    in_session(&sources, &Opening { outputs, ..Opening::default() }, |session| work(arguments, session))
}

/// Whether the case does not have the structure: its survey did not come so far.
fn lacks_structure(error: &anyhow::Error) -> bool {
    matches!(error.downcast_ref(), Some(SessionError::Lost(SourceLost::NotInCase { .. })))
}

/// Where the list of checksums goes.
fn list_of(arguments: &HandOverArguments) -> PathBuf {
    let beside = |path: &Path| {
        let mut name = path.as_os_str().to_owned();
        name.push(".sha256");
        PathBuf::from(name)
    };
    let list = arguments.checksums.clone().or_else(|| arguments.to.as_deref().map(beside));
    list.unwrap_or_else(|| "hand-over.sha256".into())
}

fn work(arguments: &HandOverArguments, session: &mut Session) -> anyhow::Result<Done> {
    let quiet = arguments.quiet || arguments.json;
    let drive = match read(session, quiet) {
        // An image needs no structure; a drive does, for the order of writing.
        Err(error) if lacks_structure(&error) && arguments.onto.is_none() => None,
        read => Some(read?),
    };
    let case = session.case()?;
    let drive_bytes = case.file().source.bytes;
    let bar = |what: &'static str, bytes: u64| progress::bytes_bar(what, bytes, quiet);
    if let Some(path) = &arguments.check {
        let bar = bar("comparing", drive_bytes);
        let mut progress = |bytes| bar.inc(bytes);
        let checked = check_copy(case, path, &mut Following { stop: &session.stop, progress: &mut progress });
        bar.finish_and_clear();
        let checked = checked?;
        let ending = if checked.is_same() { Ending::Done } else { Ending::Incomplete };
        let figures = serde_json::to_value(&checked)?;
        let text = if arguments.json { crate::cli::output::json_text(&checked)? } else { show::checked(&checked) };
        return Ok(Done { ending, figures, text });
    }
    let (planned, wanted) = super::planned(case)?;
    let truth = Truth { store: case.store().as_ref(), planned: &planned, wanted: &wanted };
    let missing = Missing::of(drive.as_ref(), drive_bytes, &truth);
    let list = list_of(arguments);
    let bar = bar("writing and comparing", drive_bytes.saturating_mul(2));
    let mut progress = |bytes| bar.inc(bytes);
    let mut following = Following { stop: &session.stop, progress: &mut progress };
    let (figures, mut text) = match (arguments.onto.as_ref().zip(drive.as_ref()), &arguments.to, arguments.form) {
        (Some((path, drive)), _, _) => {
            let serial = arguments.serial.as_deref().unwrap_or_default();
            let onto = OntoDrive { path, serial, overwrite: arguments.overwrite, checksums: &list };
            let written = write_onto(case, drive, onto, &mut following);
            bar.finish_and_clear();
            let written = written?;
            (serde_json::to_value(&written)?, show::written_drive(&written, &list))
        }
        (None, Some(path), Some(form)) => {
            let written = write_image(case, form, path, &list, &mut following);
            bar.finish_and_clear();
            let written = written?;
            (serde_json::to_value(&written)?, show::written_image(&written, &list))
        }
        _ => anyhow::bail!("say what to do: --to, --onto or --check"),
    };
    text.push_str(&show::missing(&missing));
    if arguments.json {
        print_json(&figures, &missing)?;
        text.clear();
    }
    let figures = serde_json::json!({
        "written": figures,
        "files_not_complete": missing.files.len(),
        "unread_bytes": missing.unread_bytes,
        "unreadable_bytes": missing.unreadable_bytes,
    });
    let ending = if missing.is_nothing() { Ending::Done } else { Ending::Incomplete };
    Ok(Done { ending, figures, text })
}

/// The files that are not complete, a line each, then what was written and the totals.
fn print_json(written: &Value, missing: &Missing) -> anyhow::Result<()> {
    #[derive(Serialize)]
    struct Sums<'s> {
        written: &'s Value,
        missing: &'s Missing,
    }
    let mut lines = JsonLines::default();
    missing.files.iter().try_for_each(|file| lines.line(file))?;
    lines.line(&Sums { written, missing })?;
    Ok(lines.finish()?)
}
