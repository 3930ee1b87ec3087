//! Which drive of this machine a case belongs to, by what the kernel tells alone: no drive is opened.

use crate::case::{Attachment, CaseFile, is_case};
use crate::source::AttachedDrive;
use serde::Serialize;
use std::fs;
use std::path::{Path, PathBuf};

/// By what a case knows a drive.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum KnownBy {
    /// It was not detached since the case read it last.
    Attachment,
    /// Its own serial number and its size.
    Serial,
    /// Its size, and the serial number of the USB device that it is in or behind: another drive may be in it by now.
    UsbDevice,
}

impl KnownBy {
    /// As the end of a sentence.
    pub fn name(self) -> &'static str {
        match self {
            KnownBy::Attachment => "not detached since it was read last",
            KnownBy::Serial => "by its serial number",
            KnownBy::UsbDevice => "by the USB device's serial number; another drive may be in it by now",
        }
    }
}

impl CaseFile {
    /// By what an attached drive may be the case's; `None` where nothing says so.
    pub fn knows(&self, drive: &AttachedDrive) -> Option<KnownBy> {
        let device = drive.device.map(|(major, minor)| rustix::fs::makedev(major, minor));
        let file = drive.backing_file.as_ref().and_then(|path| fs::metadata(path).ok());
        let now = [device.and_then(Attachment::of_device), file.map(|about| Attachment::of_file(&about))];
        let instances = now.into_iter().flatten().filter_map(|attachment| attachment.instance);
        if instances.into_iter().any(|instance| self.attachment.instance.as_ref() == Some(&instance)) {
            return Some(KnownBy::Attachment);
        }
        let same = drive.bytes == self.source.bytes && drive.serial.is_some() && drive.serial == self.source.serial;
        let in_usb = self.source.details.names_an_adapter() || drive.details.names_an_adapter();
        same.then_some(if in_usb { KnownBy::UsbDevice } else { KnownBy::Serial })
    }
}

/// The folders of cases among `folders`, and of those that lie in one of them, each once and in order.
pub fn cases_in(folders: &[PathBuf]) -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> = folders.iter().flat_map(|folder| cases_at(folder)).collect();
    found.sort();
    found.dedup();
    found
}

fn cases_at(folder: &Path) -> Vec<PathBuf> {
    if is_case(folder) {
        return vec![folder.to_path_buf()];
    }
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    entries.map(|entry| entry.path()).filter(|path| is_case(path)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::units::SectorSize;
    use crate::source::{DriveDetails, SourceIdentity, SourceKind};
    use crate::store::image::ImageForm;

    #[test]
    fn a_serial_number_counts_with_the_size_and_less_behind_usb() {
        let details = |bus: &str| DriveDetails { bus: Some(bus.to_owned()), ..DriveDetails::default() };
        let case = |bus: &str| {
            let identity = SourceIdentity {
                path: "/dev/nowhere".into(),
                kind: SourceKind::BlockDevice,
                bytes: 1 << 30,
                logical_sector: SectorSize::S512,
                physical_sector: SectorSize::S512,
                model: None,
                serial: Some("FH-0042".to_owned()),
                details: details(bus),
            };
            CaseFile::new(&identity, ImageForm::Raw)
        };
        let drive = |bytes: u64, serial: Option<&str>, bus: &str| AttachedDrive {
            path: "/dev/sdx".into(),
            device: None,
            bytes,
            logical_sector: Some(512),
            read_only: None,
            model: None,
            serial: serial.map(str::to_owned),
            details: details(bus),
            backing_file: None,
            sequence: None,
        };
        let known = |case: &CaseFile, bytes, serial, bus| case.knows(&drive(bytes, serial, bus));
        let ata = case("ata");
        assert_eq!(known(&ata, 1 << 30, Some("FH-0042"), "ata"), Some(KnownBy::Serial));
        assert_eq!(known(&ata, 1 << 30, Some("FH-0042"), "usb"), Some(KnownBy::UsbDevice));
        assert_eq!(known(&case("usb"), 1 << 30, Some("FH-0042"), "ata"), Some(KnownBy::UsbDevice));
        assert_eq!(known(&ata, 1 << 31, Some("FH-0042"), "ata"), None);
        assert_eq!(known(&ata, 1 << 30, Some("FH-0043"), "ata"), None);
        let nameless = CaseFile { source: crate::case::CaseSource { serial: None, ..ata.source.clone() }, ..ata };
        assert_eq!(known(&nameless, 1 << 30, None, "ata"), None);
    }
}
