//! Devices of a ZFS pool: four labels of 256 KiB, two at the start and two at the end, each with a list of names and
//! values in XDR.
//!
//! Source: ZFS On-Disk Specification (draft, 2006), chapter 1; `module/nvpair/nvpair.c` of OpenZFS for the packed form (from
//! memory).

use crate::base::fields::{be32, be64};
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::volume_bytes::VolumeBytes;
use std::collections::BTreeMap;

pub(super) const LABEL: u64 = 256 << 10;
/// Where the list stands in a label, and what of it is looked at.
const LIST_AT: u64 = 16 << 10;
const LIST_LOOKED_AT: u64 = 16 << 10;

pub fn look(volume: &VolumeBytes) -> Option<Recognised> {
    let end = volume.bytes() / LABEL * LABEL;
    let copies = [end.checked_sub(2 * LABEL), end.checked_sub(LABEL)];
    label(volume, 0, Certainty::Consistent)
        .or_else(|| copies.into_iter().flatten().find_map(|at| label(volume, at, Certainty::Copy)))
}

fn label(volume: &VolumeBytes, label: u64, certainty: Certainty) -> Option<Recognised> {
    let at = label + LIST_AT;
    let values = list(volume.get(at, LIST_LOOKED_AT)?)?;
    let pool = values.get("pool_guid")?;
    let mut found = volume.recognised(Sign::ZfsMember, at, LIST_LOOKED_AT, "label with a pool's name and identifier");
    found.label = values.get("name").cloned();
    found.uuid = Some(pool.clone());
    for name in ["version", "guid", "vdev_children"] {
        found.facts.extend(values.get(name).map(|value| {
            let shown = match name {
                "version" => "version",
                "guid" => "device",
                _ => "groups of devices",
            };
            (shown, value.clone())
        }));
    }
    found.certainty = certainty;
    let end = volume.bytes() / LABEL * LABEL;
    found.first.extend(volume.place(0, 2 * LABEL));
    found.first.extend(end.checked_sub(2 * LABEL).and_then(|at| volume.place(at, 2 * LABEL)));
    Some(found)
}

/// The numbers and texts of a packed list, by name; `None` when it is not one. Lists within are passed over.
fn list(bytes: &[u8]) -> Option<BTreeMap<String, String>> {
    const NUMBER: u32 = 8;
    const TEXT: u32 = 9;
    // XDR, then the byte order of the machine; version 0.
    if bytes.first() != Some(&1) || bytes.get(1)? > &1 || be32(bytes, 4)? != 0 {
        return None;
    }
    let mut values = BTreeMap::new();
    let mut at = 12;
    loop {
        let length = usize::try_from(be32(bytes, at)?).ok()?;
        if length == 0 {
            return Some(values);
        }
        // What lies behind the part that was read is passed over.
        let Some(pair) = bytes.get(at..at.checked_add(length)?).filter(|pair| pair.len() >= 20) else {
            return Some(values);
        };
        let name_bytes = usize::try_from(be32(pair, 8)?).ok()?;
        let name = std::str::from_utf8(pair.get(12..12usize.checked_add(name_bytes)?)?).ok()?.to_owned();
        let behind = 12 + name_bytes.checked_next_multiple_of(4)?;
        let value = pair.get(behind + 8..);
        match (be32(pair, behind)?, value) {
            (NUMBER, Some(value)) => {
                values.insert(name, be64(value, 0)?.to_string());
            }
            (TEXT, Some(value)) => {
                let length = usize::try_from(be32(value, 0)?).ok()?;
                let text = value.get(4..4usize.checked_add(length)?)?;
                values.insert(name, String::from_utf8_lossy(text).into_owned());
            }
            _ => {}
        }
        at += length;
    }
}
