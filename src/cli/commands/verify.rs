//! `gleaner verify`

use super::{open, print, print_json, read_open, record};
use crate::case::Access;
use crate::cli::args::VerifyArguments;
use crate::cli::exit::Ending;
use crate::cli::{progress, show};
use crate::journal::standing_chunks;
use crate::report::{Structure, VerifyReport};
use crate::verify::{check_chunks, owners, read_again, second_opinion, sha256};
use anyhow::Context;

/// How many owners of doubtful places are named.
const OWNERS_LISTED: usize = 1000;
/// How much content each volume's second reader compares with ours, in bytes.
const COMPARED: u64 = 256 << 20;

pub fn run(arguments: &VerifyArguments) -> anyhow::Result<Ending> {
    let quiet = arguments.source.quiet || arguments.source.json;
    let mut session = open(&arguments.source, Access::Look, None, &[])?;
    let case = session.case.as_ref().context("verify needs a case: give it with --case")?;
    let store = std::sync::Arc::clone(case.store());
    anyhow::ensure!(
        arguments.read_again.is_none() || session.has_drive,
        "--read-again needs the drive beside the case"
    );

    // What the image holds is judged before anything in it is believed.
    let [held, ..] = store.totals();
    let journal = case.journal_state()?;
    let bar = progress::bytes_bar("checking the journal", held, quiet);
    let claims = check_chunks(store.image(), standing_chunks(&case.journal_path())?, &mut |bytes| bar.inc(bytes))?;
    bar.finish_and_clear();
    let drive_bytes = session.reader.identity().bytes;
    let bar = progress::bytes_bar("SHA-256", drive_bytes, quiet);
    let sum = sha256(store.image(), drive_bytes, &mut |bytes| bar.inc(bytes))?;
    bar.finish_and_clear();
    let again = match arguments.read_again {
        Some(mebibytes) => {
            let bytes = mebibytes.saturating_mul(1 << 20);
            let bar = progress::bytes_bar("reading the drive again", bytes, quiet);
            let check = read_again(&session.reader, store.as_ref(), bytes, &mut |bytes| bar.inc(bytes));
            bar.finish_and_clear();
            Some(check?)
        }
        None => None,
    };
    let doubtful = claims.doubtful();
    let structure = match read_open(&mut session, quiet) {
        Ok(drive) => Structure::Read {
            opinions: drive.volumes().map(|(_, volume)| second_opinion(volume, store.as_ref(), COMPARED)).collect(),
            owners: owners(&drive, &doubtful, OWNERS_LISTED),
        },
        // A changed image may point anywhere; what differs is known without it.
        Err(error) if !doubtful.is_empty() => Structure::NotRead { why: format!("{error:#}") },
        Err(error) => return Err(error),
    };
    let report = VerifyReport { claims, journal, sum, again, structure };
    if arguments.source.json {
        print_json(&report)?;
    } else {
        print(&show::verify(&report, session.reader.identity().logical_sector))?;
    }
    let ending = if report.is_sound() && !report.is_doubted() { Ending::Done } else { Ending::Incomplete };
    let figures = serde_json::json!({
        "sha256": report.sum.sha256,
        "journal": report.journal,
        "chunks": report.claims.chunks,
        "bytes": report.claims.bytes,
    });
    record(&session, ending, figures)?;
    Ok(ending)
}
