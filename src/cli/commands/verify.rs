//! `gleaner verify`

use super::{Done, Opening, in_session, read, require_case};
use crate::cli::args::VerifyArguments;
use crate::cli::exit::Ending;
use crate::cli::output::{json_text, tell};
use crate::cli::{progress, show};
use crate::copy::session::Session;
use crate::report::values::{Structure, VerifyReport};
use crate::results::verify::{check_whole, owners, read_again, second_opinion};
use crate::source::SourceLost;
use crate::store::journal::standing_chunks;
use std::sync::Arc;
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
    in_session(&arguments.source, &Opening::default(), |session| work(arguments, session))
}

fn work(arguments: &VerifyArguments, session: &mut Session) -> anyhow::Result<Done> {
    let quiet = arguments.source.quiet || arguments.source.json;
    let case = session.case()?;
    let store = Arc::clone(case.store());

    // What the image holds is judged before anything in it is believed.
    let [held, ..] = store.totals();
    let journal = case.journal_state()?;
    let drive_bytes = session.reader.identity().bytes;
    if !quiet {
        tell(&show::verify_begins(held, drive_bytes));
    }
    let bar = progress::bytes_bar("checking the image", drive_bytes, quiet);
    let journal_path = case.journal_path();
    let chunks = standing_chunks(&journal_path)?.map(|chunk| match session.stop.load(Ordering::Relaxed) {
        true => Err(SourceLost::Stopped.into()),
        false => chunk.map_err(anyhow::Error::from),
    });
    let mut progress = |bytes| bar.inc(bytes);
    let checked = check_whole(store.image(), chunks, drive_bytes, &session.stop, &mut progress);
    bar.finish_and_clear();
    let (claims, sum) = checked?;
    let sum = sum.map_err(SourceLost::Store)?;
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
    let structure = match read(session, quiet) {
        Ok(drive) => Structure::Read {
            opinions: drive.volumes().map(|(_, volume)| second_opinion(volume, store.as_ref(), COMPARED)).collect(),
            owners: owners(&drive, &doubtful, OWNERS_LISTED),
        },
        // A changed image may point anywhere; what differs is known without it.
        Err(error) if !doubtful.is_empty() => Structure::NotRead { why: format!("{error:#}") },
        Err(error) => return Err(error),
    };
    let report = VerifyReport { claims, journal, sum, again, structure };
    let sector = session.reader.identity().logical_sector;
    let text = if arguments.source.json { json_text(&report)? } else { show::verify(&report, sector) };
    let ending = if report.is_sound() && !report.is_doubted() { Ending::Done } else { Ending::Incomplete };
    let figures = serde_json::json!({
        "sha256": report.sum.sha256,
        "journal": report.journal,
        "chunks": report.claims.chunks,
        "bytes": report.claims.bytes,
    });
    Ok(Done { ending, figures, text })
}
