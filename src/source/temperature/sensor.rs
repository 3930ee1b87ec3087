//! A temperature sensor that the kernel knows (hwmon).

use super::is_plausible;
use crate::source::drive_details::device_folder;
use std::fs;
use std::path::{Path, PathBuf};

/// A temperature sensor of a drive.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Thermometer {
    input: PathBuf,
}

impl Thermometer {
    /// The sensor of the block device at `device`, or of the drive it is a partition of. `sysfs` is where sysfs is
    /// mounted, `/sys`. `None` for anything but a block device, and where the drive has no sensor that the kernel knows.
    pub fn of_device(device: &Path, sysfs: &Path) -> Option<Thermometer> {
        Self::in_folder(&device_folder(device, sysfs)?.0)
    }

    /// The sensor of the drive called `name` there (`sda`, `nvme0n1`).
    pub fn of_drive(name: &str, sysfs: &Path) -> Option<Thermometer> {
        Self::in_folder(&sysfs.join("block").join(name))
    }

    /// Looks below a drive's own folder: SATA drives have `device/hwmon/hwmonN` (driver drivetemp), NVMe drives
    /// `device/hwmonN` or the former. The drive's own temperature is `temp1_input`.
    ///
    /// Source: Linux Documentation/hwmon/sysfs-interface.rst and drivetemp.rst, from memory.
    pub(in crate::source) fn in_folder(drive: &Path) -> Option<Thermometer> {
        let device = drive.join("device");
        [device.join("hwmon"), device].iter().find_map(|folder| {
            let mut sensors: Vec<PathBuf> = fs::read_dir(folder)
                .ok()?
                .filter_map(|entry| Some(entry.ok()?.path()))
                .filter(|path| path.file_name().is_some_and(|name| name.to_string_lossy().starts_with("hwmon")))
                .map(|path| path.join("temp1_input"))
                .filter(|path| path.exists())
                .collect();
            sensors.sort();
            sensors.into_iter().next().map(|input| Thermometer { input })
        })
    }

    /// The temperature now, in degrees Celsius; `None` when the sensor does not answer, or with something that no
    /// drive's temperature can be (outside -60 to 150).
    pub fn celsius(&self) -> Option<f64> {
        let text = fs::read_to_string(&self.input).ok()?;
        let millidegrees: i32 = text.trim().parse().ok()?;
        Some(f64::from(millidegrees) / 1000.0).filter(|celsius| is_plausible(*celsius))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sysfs(sensor: &str, reading: &str) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("block/sdq/device").join(sensor);
        fs::create_dir_all(&path).unwrap();
        fs::write(path.join("temp1_input"), reading).unwrap();
        folder
    }

    // Source: Linux Documentation/hwmon/sysfs-interface.rst: temperatures are in millidegrees Celsius (from memory).
    #[test]
    fn both_places_of_the_sensor_are_known() {
        for sensor in ["hwmon/hwmon3", "hwmon3"] {
            let sysfs = sysfs(sensor, "43500\n");
            let thermometer = Thermometer::of_drive("sdq", sysfs.path()).unwrap();
            assert_eq!(thermometer.celsius(), Some(43.5));
        }
    }

    #[test]
    fn no_sensor_and_no_sense_are_no_temperature() {
        let with_sensor = sysfs("hwmon/hwmon0", "9999999\n");
        assert_eq!(Thermometer::of_drive("sdr", with_sensor.path()), None);
        let thermometer = Thermometer::of_drive("sdq", with_sensor.path()).unwrap();
        assert_eq!(thermometer.celsius(), None);
        fs::write(&thermometer.input, "warm").unwrap();
        assert_eq!(thermometer.celsius(), None);
        fs::remove_file(&thermometer.input).unwrap();
        assert_eq!(thermometer.celsius(), None);
        assert_eq!(Thermometer::of_device(with_sensor.path(), with_sensor.path()), None);
    }
}
