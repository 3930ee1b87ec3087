//! `gleaner verify`

use super::{Done, in_session, read, require_case};
use crate::cli::args::VerifyArguments;
use crate::cli::exit::Ending;
use crate::cli::output::json_text;
use crate::cli::{progress, show};
use crate::journal::read_claims;
use crate::report::VerifyReport;
use crate::session::Session;
use crate::source::SourceLost;
use crate::verify::{check_claims, owners, read_again, second_opinion, sha256};
use std::sync::atomic::Ordering;

/// How many owners of doubtful places are named.
const OWNERS_LISTED: usize = 1000;
/// How much content each volume's second reader compares with ours, in bytes.
const COMPARED: u64 = 256 << 20;

pub fn run(arguments: &VerifyArguments) -> anyhow::Result<Ending> {
    require_case(&arguments.source)?;
    anyhow::ensure!(
        arguments.read_again.is_none() || arguments.source.source.is_some(),
        "--read-again needs the drive beside the case"
    );
    in_session(&arguments.source, None, &[], |session| work(arguments, session))
}

fn work(arguments: &VerifyArguments, session: &mut Session) -> anyhow::Result<Done> {
    let quiet = arguments.source.quiet || arguments.source.json;
    let drive = read(session, quiet)?;
    let case = session.case()?;
    let store = case.store().as_ref();

    let [held, ..] = store.totals();
    let bar = progress::bytes_bar("checking the journal", held, quiet);
    let claims = read_claims(&case.journal_path())?.map(|claim| match session.stop.load(Ordering::Relaxed) {
        true => Err(SourceLost::Stopped.into()),
        false => claim.map_err(anyhow::Error::from),
    });
    let claims = check_claims(store.image(), claims, &mut |bytes| bar.inc(bytes))?;
    bar.finish_and_clear();
    let bar = progress::bytes_bar("SHA-256", drive.identity.bytes, quiet);
    let sum = sha256(store.image(), drive.identity.bytes, &session.stop, &mut |bytes| bar.inc(bytes))?;
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
    let text = if arguments.source.json { json_text(&report)? } else { show::verify(&report) };
    let ending = if report.is_sound() && !report.is_doubted() { Ending::Done } else { Ending::Incomplete };
    let figures = serde_json::json!({ "sha256": report.sum.sha256, "chunks": report.claims.chunks, "bytes": report.claims.bytes });
    Ok(Done { ending, figures, text })
}
