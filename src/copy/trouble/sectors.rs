//! The core of a bad place, sector by sector.

use super::Ladder;
use crate::copy::halt::Halt;
use crate::copy::run::{Answer, Run};
use crate::extent::Extent;

/// Asks for every sector of a spot. It starts with single sectors; where they answer, requests grow, because the core
/// between two bad sectors can be long and sound. Afterwards every sector that is still deferred has failed alone;
/// if this is the `last` attempt it is unreadable.
pub(super) fn every_sector(run: &mut Run<'_>, ladder: &Ladder, spot: &[Extent], last: bool) -> Result<(), Halt> {
    let mut rung = ladder.bottom();
    for place in spot {
        let mut rest = *place;
        while !rest.is_empty() {
            let request = ladder.head(&rung, rest);
            match run.attempt(request, true)? {
                Answer::Arrived { .. } => ladder.arrived(&mut rung, request),
                Answer::Failed { failure, .. } if ladder.is_single(request) => {
                    rung = ladder.bottom();
                    if last {
                        run.unreadable(request, 1, failure)?;
                    }
                }
                Answer::Failed { .. } => {
                    ladder.failed(&mut rung, request);
                    continue;
                }
            }
            rest = Extent::between(request.end(), rest.end());
        }
    }
    Ok(())
}

/// Retry `number` of each sector; if it is the `last`, what fails is unreadable.
pub(super) fn retry(run: &mut Run<'_>, ladder: &Ladder, spot: &[Extent], number: u32, last: bool) -> Result<(), Halt> {
    let single = ladder.bottom();
    for place in spot {
        let mut rest = *place;
        while !rest.is_empty() {
            let request = ladder.head(&single, rest);
            if let (Answer::Failed { failure, .. }, true) = (run.attempt(request, true)?, last) {
                run.unreadable(request, 1 + number, failure)?;
            }
            rest = Extent::between(request.end(), rest.end());
        }
    }
    Ok(())
}
