//! Putting a case right: its files ([`crate::case::mend`]), then which of its plans is the current one.

use crate::case::{Case, Known, Mended, refuse_source_in_case};
use crate::copy::session::SessionError;
use crate::plan::load_plan_header;
use crate::source::host::Host;
use crate::source::{Reader, open};
use std::path::{Path, PathBuf};

/// What was put right in a case.
#[derive(Clone, PartialEq, Eq, Debug, serde::Serialize)]
pub struct MendReport {
    /// Its files.
    #[serde(flatten)]
    pub mended: Mended,
    /// Bytes held, skipped and unreadable.
    pub held_bytes: u64,
    /// Skipped.
    pub skipped_bytes: u64,
    /// Unreadable.
    pub unreadable_bytes: u64,
    /// The plan that is current, where one is.
    pub plan: Option<String>,
    /// Files in the folder that are no part of the case.
    pub leftovers: Vec<PathBuf>,
}

/// Puts the case in `folder` right. `drive` is its drive, when that is at hand; it is compared with what the case holds.
///
/// # Errors
/// [`SessionError`].
pub fn mend(
    folder: &Path,
    drive: Option<&Path>,
    mounted: bool,
    known: &Known,
) -> Result<(Case, MendReport), SessionError> {
    let reader = match drive {
        Some(path) => {
            let source = open(path, None)?;
            let host = Host::look(source.identity())?;
            host.refuse_place(folder, false)?;
            refuse_source_in_case(folder, source.identity())?;
            if !mounted {
                host.refuse_used(source.is_exclusive())?;
            }
            Some(Reader::new(source, None))
        }
        None => None,
    };
    let (mut case, mended) = crate::case::mend(folder, reader.as_ref(), known)?;
    if mended.case_file
        && let Some(plan) = latest_plan(&case)
    {
        case.set_plan(&plan)?;
    }
    let [held_bytes, skipped_bytes, unreadable_bytes] = case.store().totals();
    let (plan, leftovers) = (case.file().plan.clone(), crate::case::leftovers(folder, case.file())?);
    Ok((case, MendReport { mended, held_bytes, skipped_bytes, unreadable_bytes, plan, leftovers }))
}

/// The last of the case's plans that is sound and for its drive.
fn latest_plan(case: &Case) -> Option<PathBuf> {
    let there = (1..).map_while(|number| case.plan_numbered(number));
    let fits =
        |path: &PathBuf| load_plan_header(path).is_ok_and(|header| header.source.bytes == case.file().source.bytes);
    there.filter(fits).last()
}
