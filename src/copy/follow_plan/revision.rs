//! The plan made again from what the case holds by now, and followed in place of the old one.

use super::{CaseCopyError, case};
use crate::base::new_file::{NewFileError, Readers, write_new};
use crate::copy::reading::Event;
use crate::copy::session::Session;
use crate::partition::signature::Sign;
use crate::plan::{Plan, make_again, write_plan};
use serde::Serialize;
use std::path::PathBuf;

/// A plan made anew while copying.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Revision {
    /// The new plan's file.
    #[serde(serialize_with = "crate::base::text::serialize_path")]
    pub plan: PathBuf,
    /// Bytes that arrived late and led to it; 0 where the names of lost folders did.
    pub late_bytes: u64,
    /// Bytes that the plan before read.
    pub bytes_before: u64,
    /// Bytes that the new one reads.
    pub bytes_now: u64,
}

impl Revision {
    pub(super) fn event(&self) -> Event {
        let Revision { late_bytes, bytes_before, bytes_now, .. } = *self;
        Event::PlanRevised { late_bytes, bytes_before, bytes_now }
    }
}

/// What came of making a plan again.
pub(super) enum Revised {
    /// It would read the same.
    Same,
    /// The plan before knew what an encrypted volume holds, and without its key the new one would not.
    Closed {
        /// The volume's number.
        volume: u32,
    },
    /// It is followed from now on.
    Now(Revision),
}

/// Makes the plan again.
pub(super) fn revise(session: &mut Session, before: &Plan, late_bytes: u64) -> Result<Revised, CaseCopyError> {
    session.reader.forget();
    let drive = session.read_drive()?;
    let closed = drive.closed_volumes().find(|(_, start)| {
        let known = before.header.volumes.iter().find(|volume| volume.start == *start);
        known.is_some_and(|volume| volume.file_system.as_deref() != Some(Sign::VolumeEncryption.name()))
    });
    if let Some((volume, _)) = closed {
        return Ok(Revised::Closed { volume });
    }
    let now = make_again(&session.reader, &drive, &before.header)?;
    if same_reads(before, &now) {
        return Ok(Revised::Same);
    }
    let path = case(session).next_plan_path();
    write_new(&path, Readers::OwnerOnly, |out| -> Result<(), NewFileError> {
        write_plan(&now, out).map_err(|error| NewFileError::Io { path: path.clone(), error })
    })?;
    if let Some(case) = &mut session.case {
        case.set_plan(&path)?;
    }
    Ok(Revised::Now(Revision { plan: path, late_bytes, bytes_before: before.bytes(), bytes_now: now.bytes() }))
}

/// Whether two plans read the same bytes in the same order.
fn same_reads(one: &Plan, other: &Plan) -> bool {
    one.passes.len() == other.passes.len()
        && one.passes.iter().zip(&other.passes).all(|(a, b)| {
            (a.header.class, a.header.lane) == (b.header.class, b.header.lane) && a.extents() == b.extents()
        })
}
