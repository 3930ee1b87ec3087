//! `gleaner verify`

use super::{open, print, print_json, read_open, record};
use crate::cli::args::VerifyArguments;
use crate::cli::exit::Ending;
use crate::cli::{progress, show};
use crate::journal::read_claims;
use crate::report::VerifyReport;
use crate::verify::{check_claims, owners, read_again, second_opinion, sha256};
use anyhow::Context;

/// How many owners of doubtful places are named.
const OWNERS_LISTED: usize = 1000;
/// How much content each volume's second reader compares with ours, in bytes.
const COMPARED: u64 = 256 << 20;

pub fn run(arguments: &VerifyArguments) -> anyhow::Result<Ending> {
    let quiet = arguments.source.quiet || arguments.source.json;
    let mut session = open(&arguments.source, None, &[])?;
    let drive = read_open(&mut session, quiet)?;
    let case = session.case.as_ref().context("verify needs a case: give it with --case")?;
    let store = case.store().as_ref();
    anyhow::ensure!(
        arguments.read_again.is_none() || session.has_drive,
        "--read-again needs the drive beside the case"
    );

    let [held, ..] = store.totals();
    let bar = progress::bytes_bar("checking the journal", held, quiet);
    let claims = check_claims(store.image(), read_claims(&case.journal_path())?, &mut |bytes| bar.inc(bytes))?;
    bar.finish_and_clear();
    let bar = progress::bytes_bar("SHA-256", drive.identity.bytes, quiet);
    let sum = sha256(store.image(), drive.identity.bytes, &mut |bytes| bar.inc(bytes))?;
    bar.finish_and_clear();
    let again = match arguments.read_again {
        Some(mebibytes) => {
            let bytes = mebibytes.saturating_mul(1 << 20);
            let bar = progress::bytes_bar("reading the drive again", bytes, quiet);
            let check = read_again(&session.reader, store, bytes, &mut |bytes| bar.inc(bytes));
            bar.finish_and_clear();
            Some(check?)
        }
        None => None,
    };
    let opinions = drive.volumes().map(|(_, volume)| second_opinion(volume, store, COMPARED)).collect();
    let doubtful = claims.doubtful();
    let owners = owners(&drive, &doubtful, OWNERS_LISTED);
    let report = VerifyReport { claims, owners, sum, again, opinions };
    if arguments.source.json {
        print_json(&report)?;
    } else {
        print(&show::verify(&report))?;
    }
    let ending = if report.is_sound() && !report.is_doubted() { Ending::Done } else { Ending::Incomplete };
    let figures = serde_json::json!({ "sha256": report.sum.sha256, "chunks": report.claims.chunks, "bytes": report.claims.bytes });
    record(&session, ending, figures)?;
    Ok(ending)
}
