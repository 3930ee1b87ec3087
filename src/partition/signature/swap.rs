//! Linux swap space, and the image of a suspended system in it.
//!
//! Source: Linux `include/linux/swap.h`, `union swap_header`; `kernel/power/swap.c` (from memory; held against `mkswap` and
//! `blkid` by the tests). The signature ends the first page, whose size is the machine's.

use super::sign::{Certainty, Recognised, Sign};
use super::texts::{text, uuid};
use super::volume_bytes::VolumeBytes;
use crate::base::fields::{be32, le32};

const PAGES: [u64; 5] = [4 << 10, 8 << 10, 16 << 10, 32 << 10, 64 << 10];

/// Signatures that take the place of the ordinary one while a system is suspended.
const SUSPENDED: [&[u8]; 4] = [b"S1SUSPEND", b"S2SUSPEND", b"ULSUSPEND", b"LINHIB0001"];

pub(super) fn look(volume: &VolumeBytes) -> Option<Recognised> {
    PAGES.into_iter().find_map(|page| {
        let at = page - 10;
        let sign = volume.get(at, 10)?;
        let suspended = SUSPENDED.iter().any(|other| sign.starts_with(other));
        if sign != b"SWAPSPACE2" && !suspended {
            return None;
        }
        let what = format!("{} at the end of the first page", String::from_utf8_lossy(sign).trim_end_matches('\0'));
        let kind = if suspended { Sign::Suspended } else { Sign::Swap };
        let mut found = volume.recognised(kind, at, 10, what);
        found.facts = vec![("page", format!("{page} bytes"))];
        found.certainty = Certainty::Partial;
        if let Some(header) = volume.get(1024, 44) {
            // In the byte order of the machine.
            let field = |at| if le32(header, 0) == Some(1) { le32(header, at) } else { be32(header, at) };
            let bytes = u64::from(field(4)?).checked_add(1)?.checked_mul(page)?;
            if field(0)? == 1 {
                found.uuid = uuid(header, 12);
                found.label = text(header, 28, 16);
                found.bytes = Some(bytes);
                found.certainty = Certainty::of(volume.holds(bytes), None);
            }
        }
        Some(found)
    })
}
