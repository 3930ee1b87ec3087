//! Kinds of drives with the figures that are known of them.

use super::{DriveModel, SeekCurve, Spread};

/// A kind of drive.
#[derive(Clone, Copy, Debug)]
pub struct Preset {
    /// The name it is chosen by.
    pub key: &'static str,
    /// What it is.
    pub name: &'static str,
    seek: [f64; 3],
    rpm: f64,
    rates: [f64; 3],
    request_ms: f64,
    failed_seconds: f64,
    sources: &'static [(&'static str, &'static str)],
}

const PRACTICE: &str = "common practice, no source";
const LATENCY: &str = "60,000 / rpm; spec sheets print 4.16 ms (7200 rpm) and 5.5 ms (5400 rpm) for half a turn";
const CAPPED: &str = "drives with capped retries give up after 7 s (Linux RAID wiki, Timeout_Mismatch)";
const TIMER: &str = "the Linux SCSI command timer, 30 s (/sys/block/*/device/timeout)";

/// All kinds, from the fastest.
pub static PRESETS: [Preset; 5] = [
    Preset {
        key: "sata-ssd",
        name: "SATA SSD",
        seek: [0.05, 0.05, 0.05],
        rpm: 0.0,
        rates: [500e6, 500e6, 550e6],
        request_ms: 0.05,
        failed_seconds: 7.0,
        sources: &[
            ("seek", PRACTICE),
            ("turn_ms", "nothing turns"),
            ("rates", PRACTICE),
            (
                "interface_rate",
                "SATA 6 Gb/s with 8b/10b coding carries 600 MB/s; what is left of it in use: common practice, no source",
            ),
            ("failed_seconds", CAPPED),
        ],
    },
    Preset {
        key: "desktop-7200",
        name: "3.5-inch drive at 7200 rpm",
        seek: [0.8, 8.5, 17.0],
        rpm: 7200.0,
        rates: [200e6, 100e6, 550e6],
        request_ms: 0.1,
        failed_seconds: 7.0,
        sources: &[
            ("seek.shortest_ms", PRACTICE),
            ("seek.average_ms", "spec sheets give 7.4 to 8.5 ms"),
            ("seek.longest_ms", "twice the average: common practice, no source"),
            ("turn_ms", LATENCY),
            (
                "rates",
                "200 to 280 MB/s outside, half of it inside (from memory); a spec sheet of 2005 gives 64.8 and 31.0 MB/s, ratio 2.09",
            ),
            ("request_ms", PRACTICE),
            ("failed_seconds", CAPPED),
        ],
    },
    Preset {
        key: "notebook-5400",
        name: "2.5-inch drive at 5400 rpm",
        seek: [1.0, 12.0, 20.0],
        rpm: 5400.0,
        rates: [120e6, 60e6, 550e6],
        request_ms: 0.1,
        failed_seconds: 7.0,
        sources: &[
            ("seek", "spec sheets give 1.0 ms to the next track, 12 ms on average, 20 ms for the full stroke"),
            ("turn_ms", LATENCY),
            ("rates", "outer rate: common practice, no source; half of it inside (from memory)"),
            ("request_ms", PRACTICE),
            ("failed_seconds", CAPPED),
        ],
    },
    Preset {
        key: "usb2-bridge",
        name: "2.5-inch drive behind a USB 2 bridge",
        seek: [1.0, 12.0, 20.0],
        rpm: 5400.0,
        rates: [120e6, 60e6, 35e6],
        request_ms: 0.3,
        failed_seconds: 30.0,
        sources: &[
            ("seek", "as the 2.5-inch drive"),
            ("turn_ms", LATENCY),
            (
                "interface_rate",
                "USB 2 disks read at 30 to 42 MB/s, mostly in the mid-thirties (published measurements)",
            ),
            ("request_ms", PRACTICE),
            ("failed_seconds", TIMER),
        ],
    },
    Preset {
        key: "failing",
        name: "failing drive",
        seek: [1.0, 14.0, 25.0],
        rpm: 5400.0,
        rates: [30e6, 15e6, 35e6],
        request_ms: 1.0,
        failed_seconds: 30.0,
        sources: &[
            ("seek.average_ms", "14 ms is the largest average that spec sheets of 2.5-inch drives give"),
            ("turn_ms", LATENCY),
            ("rates", "a quarter of a sound drive's: common practice, no source"),
            ("request_ms", PRACTICE),
            ("failed_seconds", TIMER),
        ],
    },
];

/// The preset that stands for a drive of which nothing is known: a 3.5-inch drive at 7200 rpm. The commonest drive on a
/// bench next to the 2.5-inch one, and between that and an SSD in pace (common practice, no source).
pub const UNKNOWN_DRIVE: &str = "desktop-7200";

/// The preset of a name.
pub fn preset(key: &str) -> Option<&'static Preset> {
    PRESETS.iter().find(|preset| preset.key == key)
}

impl Preset {
    /// The model.
    pub fn model(&self) -> DriveModel {
        let [shortest_ms, average_ms, longest_ms] = self.seek;
        let [first_rate, last_rate, interface_rate] = self.rates;
        DriveModel {
            name: self.name.to_owned(),
            seek: SeekCurve { shortest_ms, average_ms, longest_ms },
            turn_ms: if self.rpm > 0.0 { 60_000.0 / self.rpm } else { 0.0 },
            first_rate,
            last_rate,
            interface_rate,
            request_ms: self.request_ms,
            failed_seconds: self.failed_seconds,
            spread: Spread::UNMEASURED,
            sources: self.sources.iter().map(|(figure, source)| ((*figure).to_owned(), (*source).to_owned())).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: rotational latency = 30,000 / rpm ms; 4.17 and 5.56 by hand.
    #[test]
    fn half_a_turn() {
        for (key, ms) in [("desktop-7200", 4.17), ("notebook-5400", 5.56), ("sata-ssd", 0.0)] {
            assert!((preset(key).unwrap().model().turn_ms / 2.0 - ms).abs() < 0.005);
        }
        assert!(preset("no such drive").is_none());
    }
}
