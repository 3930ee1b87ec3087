//! A drive's own counters, as `smartctl --json -x DEVICE` prints them, as the record has them, and compared over time.
//!
//! Field names: smartctl 7.3, seen for SATA and NVMe drives of a virtual machine (`testdata/health`); device statistics, link
//! counters and SCSI logs from memory.

use crate::base::ending::{Ending, Ends};
use crate::base::regular_file;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::fmt;
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

/// Largest file that is read: what drives print has some tens of kilobytes.
const MOST_BYTES: u64 = 4 << 20;
/// Most counters that a note has. Drives have up to about 200.
const MOST_COUNTERS: usize = 400;
/// Longest name or raw text, in characters.
const MOST_CHARACTERS: usize = 80;

/// Why a file is not taken.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum HealthError {
    /// It cannot be read.
    #[error("{path}: cannot be read: {error}")]
    Io {
        /// The file.
        path: PathBuf,
        /// Why.
        error: io::Error,
    },
    /// It is no JSON.
    #[error("{path}: is not JSON: {error}; give what `smartctl --json -x DEVICE` prints")]
    NotJson {
        /// The file.
        path: PathBuf,
        /// Why.
        error: serde_json::Error,
    },
    /// There is no counter in it.
    #[error("{path}: has no counters{}; give what `smartctl --json -x DEVICE` prints, behind USB perhaps with `-d sat`", message.as_deref().map(|text| format!(" (it says: {text})")).unwrap_or_default())]
    NoCounters {
        /// The file.
        path: PathBuf,
        /// What it says itself.
        message: Option<String>,
    },
}

/// A drive's counters at one time.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct HealthReading {
    /// When they were read (RFC 3339, UTC).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken: Option<String>,
    /// The drive's model, by its own account.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub model: Option<String>,
    /// Its serial number; behind USB another than the bridge's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// Its firmware.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub firmware: Option<String>,
    /// Whether the drive calls itself healthy.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub passed: Option<bool>,
    /// The counters, in the order of the file.
    pub counters: Vec<HealthCounter>,
    /// Counters that were too many to keep.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub left_out: u64,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde's signature")]
fn is_zero(number: &u64) -> bool {
    *number == 0
}

/// One counter.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct HealthCounter {
    /// Its name; for an ATA attribute with its number in front.
    pub name: String,
    /// Its value.
    pub value: i64,
    /// How it is written where that is not the plain number: makers pack several figures into one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<String>,
    /// The drive's own mark for an ATA attribute, and the mark below which it calls itself failing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mark: Option<[u8; 2]>,
}

impl HealthCounter {
    /// The value as people read it.
    pub fn shown(&self) -> String {
        self.raw.clone().unwrap_or_else(|| self.value.to_string())
    }

    /// Whether the drive's own mark has reached the one at which it calls itself failing; 0 there means none.
    pub fn is_failing(&self) -> bool {
        self.mark.is_some_and(|[mark, threshold]| threshold > 0 && mark <= threshold)
    }
}

impl HealthReading {
    /// Reads a file.
    ///
    /// # Errors
    /// [`HealthError`].
    pub fn read(path: &Path) -> Result<HealthReading, HealthError> {
        let bytes =
            regular_file::read(path, MOST_BYTES).map_err(|error| HealthError::Io { path: path.into(), error })?;
        let value: Value =
            serde_json::from_slice(&bytes).map_err(|error| HealthError::NotJson { path: path.into(), error })?;
        HealthReading::of_json(&value).ok_or_else(|| {
            let message = value.pointer("/smartctl/messages/0/string").and_then(Value::as_str).map(short);
            HealthError::NoCounters { path: path.into(), message }
        })
    }

    fn of_json(value: &Value) -> Option<HealthReading> {
        let text = |name: &str| value.get(name).and_then(Value::as_str).map(short).filter(|text| !text.is_empty());
        let mut counters = counters(value);
        let left_out = counters.len().saturating_sub(MOST_COUNTERS) as u64;
        counters.truncate(MOST_COUNTERS);
        if counters.is_empty() {
            return None;
        }
        Some(HealthReading {
            taken: value.pointer("/local_time/time_t").and_then(Value::as_u64).and_then(moment),
            model: text("model_name").or_else(|| text("scsi_model_name")),
            serial: text("serial_number"),
            firmware: text("firmware_version"),
            passed: value.pointer("/smart_status/passed").and_then(Value::as_bool),
            counters,
            left_out,
        })
    }

    fn counter(&self, name: &str) -> Option<&HealthCounter> {
        self.counters.iter().find(|counter| counter.name == name)
    }
}

impl fmt::Display for HealthReading {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} counters", self.counters.len())?;
        if let Some(serial) = &self.serial {
            write!(f, " of the drive with serial number {serial}")?;
        }
        if let Some(taken) = &self.taken {
            write!(f, ", read {taken}")?;
        }
        match self.passed {
            Some(true) => f.write_str("; the drive calls itself healthy"),
            Some(false) => f.write_str("; the drive calls itself failing"),
            None => Ok(()),
        }
    }
}

/// The year 9999 is the last that RFC 3339 can write.
fn moment(seconds: u64) -> Option<String> {
    const YEAR_10000: u64 = 253_402_300_800;
    let time = SystemTime::UNIX_EPOCH.checked_add(Duration::from_secs(seconds)).filter(|_| seconds < YEAR_10000)?;
    Some(humantime::format_rfc3339_seconds(time).to_string())
}

fn short(text: &str) -> String {
    text.trim().chars().take(MOST_CHARACTERS).collect()
}

fn counters(value: &Value) -> Vec<HealthCounter> {
    let mut list = Vec::new();
    let mut add = |name: &str, number: Option<&Value>| {
        if let Some(number) = number.and_then(Value::as_i64) {
            list.push(HealthCounter { name: short(name), value: number, raw: None, mark: None });
        }
    };
    let at = |path: &str| value.pointer(path);
    add("power-on hours", at("/power_on_time/hours"));
    add("power cycles", at("/power_cycle_count"));
    add("temperature (°C)", at("/temperature/current"));
    add(
        "errors in the drive's log",
        at("/ata_smart_error_log/extended/count").or(at("/ata_smart_error_log/summary/count")),
    );
    add("pending sectors, by log", at("/ata_pending_defects_log/count"));
    add("grown defects", at("/scsi_grown_defect_list"));
    for (name, number) in entries(at("/nvme_smart_health_information_log")) {
        add(&name.replace('_', " "), Some(number));
    }
    for (operation, counts) in entries(at("/scsi_error_counter_log")) {
        for (name, number) in entries(Some(counts)) {
            add(&format!("{operation}: {}", name.replace('_', " ")), Some(number));
        }
    }
    for page in items(at("/ata_device_statistics/pages")) {
        let title = page.get("name").and_then(Value::as_str).unwrap_or_default();
        for entry in items(page.get("table")) {
            let valid = entry.pointer("/flags/valid").and_then(Value::as_bool) != Some(false);
            if let Some(name) = entry.get("name").and_then(Value::as_str).filter(|_| valid) {
                add(&format!("{title}: {name}"), entry.get("value"));
            }
        }
    }
    for entry in items(at("/sata_phy_event_counters/table")) {
        if let Some(name) = entry.get("name").and_then(Value::as_str) {
            add(&format!("link: {name}"), entry.get("value"));
        }
    }
    list.extend(items(at("/ata_smart_attributes/table")).filter_map(attribute));
    list
}

fn attribute(entry: &Value) -> Option<HealthCounter> {
    let name = entry.get("name")?.as_str()?;
    let value = entry.pointer("/raw/value")?.as_i64()?;
    let written = entry.pointer("/raw/string").and_then(Value::as_str).map(short);
    let mark = |name: &str| entry.get(name).and_then(Value::as_u64).and_then(|mark| u8::try_from(mark).ok());
    Some(HealthCounter {
        name: short(&format!("{} {}", entry.get("id")?.as_u64()?, name.replace('_', " "))),
        value,
        raw: written.filter(|text| *text != value.to_string()),
        mark: mark("value").zip(mark("thresh")).map(|(value, threshold)| [value, threshold]),
    })
}

fn entries(value: Option<&Value>) -> impl Iterator<Item = (&String, &Value)> {
    value.and_then(Value::as_object).into_iter().flatten()
}

fn items(value: Option<&Value>) -> impl Iterator<Item = &Value> {
    value.and_then(Value::as_array).into_iter().flatten()
}

/// A counter in two readings.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct HealthChange {
    /// Its name.
    pub name: String,
    /// How it stood first; `None` when it was not there.
    pub before: Option<HealthCounter>,
    /// How it stands last.
    pub after: Option<HealthCounter>,
}

impl HealthChange {
    /// The counters that differ, in the order of the later reading, then those that it no longer has.
    pub fn between(before: &HealthReading, after: &HealthReading) -> Vec<HealthChange> {
        let of = |counter: &HealthCounter| HealthChange {
            name: counter.name.clone(),
            before: before.counter(&counter.name).cloned(),
            after: after.counter(&counter.name).cloned(),
        };
        let gone = before.counters.iter().filter(|counter| after.counter(&counter.name).is_none());
        after.counters.iter().chain(gone).map(of).filter(|change| change.before != change.after).collect()
    }

    /// By how much it changed, where both are plain numbers.
    pub fn difference(&self) -> Option<i64> {
        let plain = |counter: &Option<HealthCounter>| counter.as_ref().filter(|c| c.raw.is_none()).map(|c| c.value);
        plain(&self.after)?.checked_sub(plain(&self.before)?)
    }
}

impl Ends for HealthError {
    fn ending(&self) -> Ending {
        Ending::Usage
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn sample(name: &str) -> PathBuf {
        [env!("CARGO_MANIFEST_DIR"), "testdata", "health", name].iter().collect()
    }

    fn shown(reading: &HealthReading, name: &str) -> Option<String> {
        reading.counter(name).map(HealthCounter::shown)
    }

    // What smartctl printed of drives of a virtual machine: testdata/README.md.
    #[test]
    fn a_sata_drives_attributes_are_read() {
        let reading = HealthReading::read(&sample("sata.json")).unwrap();
        assert_eq!(reading.taken.as_deref(), Some("2026-11-26T17:45:58Z"));
        assert_eq!((reading.serial.as_deref(), reading.passed), (Some("GLNC7B29539"), Some(true)));
        assert_eq!(shown(&reading, "5 Reallocated Sector Ct").as_deref(), Some("0"));
        assert_eq!(shown(&reading, "190 Airflow Temperature Cel").as_deref(), Some("31 (Min/Max 31/31)"));
        assert_eq!(shown(&reading, "errors in the drive's log").as_deref(), Some("0"));
        assert_eq!(reading.counter("1 Raw Read Error Rate").unwrap().mark, Some([100, 6]));
        assert!(!reading.counters.iter().any(HealthCounter::is_failing));
    }

    #[test]
    fn what_changed_on_an_nvme_drive_is_told() {
        let before = HealthReading::read(&sample("nvme-before.json")).unwrap();
        let after = HealthReading::read(&sample("nvme-after.json")).unwrap();
        let changes = HealthChange::between(&before, &after);
        let told: Vec<_> = changes.iter().map(|change| (change.name.as_str(), change.difference())).collect();
        assert_eq!(told, [("data units read", Some(60)), ("host reads", Some(59))]);
        assert_eq!(HealthChange::between(&after, &after), []);
    }

    #[test]
    fn a_file_without_counters_is_refused_with_what_it_says() {
        let error = HealthReading::read(&sample("unknown-bridge.json")).unwrap_err().to_string();
        assert!(
            error.contains("has no counters (it says: /dev/sdc: Unknown USB bridge [0x46f4:0x0001 (0x000)])"),
            "{error}"
        );
        let folder = tempfile::tempdir().unwrap();
        let refuse = |text: &str| {
            let path = folder.path().join("file");
            std::fs::write(&path, text).unwrap();
            HealthReading::read(&path).unwrap_err()
        };
        assert!(matches!(refuse("no JSON"), HealthError::NotJson { .. }));
        assert!(matches!(refuse("[1, 2]"), HealthError::NoCounters { message: None, .. }));
        assert!(matches!(refuse(&"[".repeat(100_000)), HealthError::NotJson { .. }));
        assert!(refuse(&" ".repeat(5 << 20)).to_string().contains("is larger than 4194304 bytes"));
        assert!(
            HealthReading::read(folder.path()).unwrap_err().to_string().contains("is a folder, not a regular file")
        );
        assert!(matches!(HealthReading::read(&folder.path().join("none")).unwrap_err(), HealthError::Io { .. }));
    }

    /// Field names from memory of what smartctl prints for these logs.
    #[test]
    fn the_other_logs_give_counters_too() {
        let value = json!({
            "power_on_time": { "hours": 31_000 }, "temperature": { "current": 39 },
            "ata_pending_defects_log": { "size": 255, "count": 3 },
            "ata_device_statistics": { "pages": [
                { "number": 4, "name": "General Errors Statistics", "revision": 1, "table": [
                    { "offset": 8, "name": "Number of Reported Uncorrectable Errors", "size": 4, "value": 17, "flags": { "valid": true } },
                    { "offset": 16, "name": "Not kept", "size": 4, "value": 5, "flags": { "valid": false } } ] } ] },
            "sata_phy_event_counters": { "table": [ { "id": 1, "name": "Command failed due to ICRC error", "size": 2, "value": 4 } ] },
            "scsi_grown_defect_list": 2,
            "scsi_error_counter_log": { "read": { "total_uncorrected_errors": 9, "gigabytes_processed": "12.5" } },
        });
        let reading = HealthReading::of_json(&value).unwrap();
        let found: Vec<_> = reading.counters.iter().map(|counter| (counter.name.as_str(), counter.value)).collect();
        assert_eq!(
            found,
            [
                ("power-on hours", 31_000),
                ("temperature (°C)", 39),
                ("pending sectors, by log", 3),
                ("grown defects", 2),
                ("read: total uncorrected errors", 9),
                ("General Errors Statistics: Number of Reported Uncorrectable Errors", 17),
                ("link: Command failed due to ICRC error", 4),
            ]
        );
    }

    #[test]
    fn an_attribute_at_its_threshold_and_a_hostile_file_are_no_surprise() {
        let attribute = |id: u64, value: u64, thresh: u64, raw: u64| {
            json!({ "id": id, "name": "Reallocated_Sector_Ct", "value": value, "thresh": thresh,
                    "raw": { "value": raw, "string": raw.to_string() } })
        };
        let table = |list: Vec<Value>| json!({ "ata_smart_attributes": { "table": list }, "local_time": { "time_t": u64::MAX } });
        let before = HealthReading::of_json(&table(vec![attribute(5, 100, 10, 0)])).unwrap();
        let after = HealthReading::of_json(&table(vec![attribute(5, 10, 10, 900)])).unwrap();
        assert_eq!((before.counters[0].is_failing(), after.counters[0].is_failing()), (false, true));
        assert_eq!(HealthChange::between(&before, &after)[0].difference(), Some(900));
        assert_eq!(after.taken, None);
        let many = HealthReading::of_json(&table((0..1000).map(|id| attribute(id, 1, 0, 0)).collect())).unwrap();
        assert_eq!((many.counters.len(), many.left_out), (400, 600));
        let huge = table(vec![attribute(5, 100, 10, u64::MAX)]);
        assert_eq!(HealthReading::of_json(&huge), None);
    }
}
