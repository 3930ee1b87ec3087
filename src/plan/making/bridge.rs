//! Bridging: reading through a small gap between two extents of a pass when that is cheaper than a seek.
//!
//! `docs/bridging.md` has the rule, its figures and where they come from.

use crate::drive::model::{DriveModel, UNKNOWN_DRIVE, preset};
use crate::plan::Pace;
use serde::{Deserialize, Serialize};

/// Which gaps are read through.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BridgeRule {
    /// The largest gap that is read through, in bytes; 0 for none.
    pub gap_bytes: u64,
    /// The pace of the model that the figure follows from; `None` when it was given as such.
    pub pace: Option<Pace>,
    /// The name of that model.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub model: Option<String>,
}

impl BridgeRule {
    /// Gaps from a model are rounded down to a multiple of this: the physical sector of nearly all drives, and the
    /// cluster size of nearly all volumes.
    const UNIT: u64 = 4096;

    /// No gap is read through.
    pub const OFF: BridgeRule = BridgeRule { gap_bytes: 0, pace: None, model: None };

    /// Gaps of up to `gap_bytes`.
    pub fn fixed(gap_bytes: u64) -> BridgeRule {
        BridgeRule { gap_bytes, pace: None, model: None }
    }

    /// Gaps of up to the model's break-even gap at the middle of a drive of `drive_bytes`, rounded down to a multiple of
    /// 4096 bytes.
    pub fn from_model(model: &DriveModel, drive_bytes: u64) -> BridgeRule {
        BridgeRule {
            gap_bytes: model.break_even_gap(drive_bytes / 2, drive_bytes) / Self::UNIT * Self::UNIT,
            pace: Some(Pace::of_model(model)),
            model: Some(model.name.clone()),
        }
    }
}

impl Default for BridgeRule {
    /// That of an unknown drive of 1 TB.
    fn default() -> BridgeRule {
        let unknown = preset(UNKNOWN_DRIVE).expect("one of the presets");
        BridgeRule::from_model(&unknown.model(), 1_000_000_000_000)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::model::PRESETS;

    // Source: the table in docs/bridging.md, whose products were computed by hand: rate in the middle x (shortest seek +
    // half a turn + request), and a little more for a seek that is not quite the shortest.
    #[test]
    fn figures() {
        let gap = |key: &str, drive| BridgeRule::from_model(&preset(key).unwrap().model(), drive).gap_bytes;
        let table = [
            ("sata-ssd", 49_152),
            ("desktop-7200", 757_760),
            ("notebook-5400", 598_016),
            ("usb2-bridge", 237_568),
            ("failing", 167_936),
        ];
        assert_eq!(table.map(|row| row.0), PRESETS.map(|kind| kind.key));
        for (key, bytes) in table {
            assert_eq!(gap(key, 1_000_000_000_000), bytes, "{key}");
            assert_eq!(gap(key, 500_000_000_000) % 4096, 0);
        }
        assert_eq!(BridgeRule::default().gap_bytes, 757_760);
    }

    // Source: the product rate x time, computed by hand: 35 MB/s x 12.8 ms = 448,000 bytes, 109 x 4096 = 446,464.
    #[test]
    fn given_figures_take_the_place_of_the_models() {
        let model = preset("desktop-7200").unwrap().model().at_one_rate(35e6).with_reposition(12.7);
        assert_eq!(BridgeRule::from_model(&model, 1 << 40).gap_bytes, 446_464);
        let still = DriveModel { request_ms: 0.0, ..model.with_reposition(0.0) };
        assert_eq!(BridgeRule::from_model(&still, 1 << 40).gap_bytes, 0);
        assert_eq!(BridgeRule::from_model(&still, 0).gap_bytes, 0);
    }
}
