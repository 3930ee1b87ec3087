//! Whether a drive is the one whose serial number was typed: decided on what the kernel tells, so that a table tests it.

use super::Refusal;
use crate::source::AttachedDrive;

/// By what a drive is told from all others: its serial number. A loop device has none; the path of its file stands for it.
fn serial(drive: &AttachedDrive) -> Option<&str> {
    let serial = drive.backing_file.as_ref().or(drive.serial.as_ref())?.trim();
    (!serial.is_empty()).then_some(serial)
}

/// The whole drive of number `device`, if its serial number is `typed` and that of no other drive.
pub(super) fn choose(drives: &[AttachedDrive], device: (u32, u32), typed: &str) -> Result<AttachedDrive, Refusal> {
    let chosen = drives.iter().find(|drive| drive.device == Some(device)).ok_or(Refusal::NotADrive)?;
    let is = serial(chosen).ok_or(Refusal::NoSerial)?;
    if is != typed {
        return Err(Refusal::OtherSerial { is: is.to_owned(), typed: typed.to_owned() });
    }
    let twin = drives.iter().find(|drive| drive.device != Some(device) && serial(drive) == Some(is));
    if let Some(twin) = twin {
        let others = twin.path.to_string_lossy().into_owned();
        return Err(Refusal::SerialNotUnique { serial: is.to_owned(), others });
    }
    if chosen.read_only != Some(false) {
        return Err(Refusal::ReadOnly);
    }
    Ok(chosen.clone())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::source::DriveDetails;

    fn drive(minor: u32, serial: Option<&str>) -> AttachedDrive {
        AttachedDrive {
            path: format!("/dev/sd{minor}").into(),
            device: Some((8, minor)),
            bytes: 1 << 30,
            logical_sector: Some(512),
            read_only: Some(false),
            model: None,
            serial: serial.map(str::to_owned),
            details: DriveDetails::default(),
            backing_file: None,
            sequence: Some(7),
        }
    }

    #[test]
    fn only_the_drive_with_the_typed_number_and_no_other_like_it() {
        let one = [drive(0, Some("FH-1")), drive(16, Some("FH-2")), drive(32, None), drive(48, Some(" "))];
        assert_eq!(choose(&one, (8, 16), "FH-2").unwrap(), one[1]);
        assert!(matches!(choose(&one, (8, 16), "FH-1"), Err(Refusal::OtherSerial { .. })));
        assert!(matches!(choose(&one, (8, 16), ""), Err(Refusal::OtherSerial { .. })));
        for nameless in [32, 48] {
            for typed in ["", " ", "FH-1"] {
                assert!(matches!(choose(&one, (8, nameless), typed), Err(Refusal::NoSerial)), "{nameless} {typed:?}");
            }
        }
        // A partition, or a drive that is gone.
        assert!(matches!(choose(&one, (8, 17), "FH-2"), Err(Refusal::NotADrive)));
        let twins = [drive(0, Some("FH-1")), drive(16, Some("FH-1"))];
        assert!(matches!(choose(&twins, (8, 16), "FH-1"), Err(Refusal::SerialNotUnique { .. })));
        for read_only in [None, Some(true)] {
            let other = [AttachedDrive { read_only, ..drive(0, Some("FH-1")) }];
            assert!(matches!(choose(&other, (8, 0), "FH-1"), Err(Refusal::ReadOnly)));
        }
    }
}
