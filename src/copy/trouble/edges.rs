//! From the edges inward: what can be read around a bad place arrives before the bad place itself is asked again.

use super::Ladder;
use crate::copy::halt::Halt;
use crate::copy::run::{Answer, Run};
use crate::extent::Extent;
use std::collections::VecDeque;

/// Reads a spot from its start on until a sector fails, then from its end backward until a sector fails. Requests
/// shrink on failure and grow on success. What lies between, and the two sectors, stay deferred.
///
/// One direction runs until it has found its sector before the other starts: the second then never asks for that
/// sector, and where it is the only bad one, the second meets no failure at all.
pub(super) fn trim(run: &mut Run<'_>, ladder: &Ladder, spot: Vec<Extent>) -> Result<(), Halt> {
    let mut spot = VecDeque::from(spot);
    // A spot begins with the request that failed in the sweep.
    let mut rung = spot.front().map_or_else(|| ladder.top(), |first| ladder.below(*first));
    while let Some(place) = spot.pop_front() {
        let request = ladder.head(&rung, place);
        let behind = Extent::between(request.end(), place.end());
        match run.attempt(request, true)? {
            Answer::Arrived { .. } => ladder.arrived(&mut rung, request),
            Answer::Failed { .. } if ladder.is_single(request) => {
                put_front(&mut spot, behind);
                break;
            }
            Answer::Failed { .. } => {
                ladder.failed(&mut rung, request);
                spot.push_front(place);
                continue;
            }
        }
        put_front(&mut spot, behind);
    }
    let mut rung = ladder.top();
    while let Some(place) = spot.pop_back() {
        let request = ladder.tail(&rung, place);
        match run.attempt(request, true)? {
            Answer::Arrived { .. } => {
                ladder.arrived(&mut rung, request);
                let before = Extent::between(place.start.0, request.start.0);
                if !before.is_empty() {
                    spot.push_back(before);
                }
            }
            Answer::Failed { .. } if ladder.is_single(request) => return Ok(()),
            Answer::Failed { .. } => {
                ladder.failed(&mut rung, request);
                spot.push_back(place);
            }
        }
    }
    Ok(())
}

fn put_front(spot: &mut VecDeque<Extent>, place: Extent) {
    if !place.is_empty() {
        spot.push_front(place);
    }
}
