//! The case's own file: which drive it belongs to, in what form its image is, which plan is current.

use super::{Attachment, CaseError, JOURNAL_NAME, write_file};
use crate::base::extent::Extent;
use crate::base::new_file::{NewFileError, Readers, write_new};
use crate::base::regular_file;
use crate::base::text::json_pretty;
use crate::base::units::SectorSize;
use crate::drive::model::DriveModel;
use crate::source::{DriveDetails, SourceIdentity, SourceKind};
use crate::store::image::ImageForm;
use crate::store::journal::JournalHeader;
use serde::{Deserialize, Serialize};
use std::io::Write;
use std::path::{Path, PathBuf};

const FORMAT: &str = "gleaner-case";
const VERSION: u32 = 2;
/// The first version, which had no `journal`.
const VERSION_1: u32 = 1;

fn journal_name() -> String {
    JOURNAL_NAME.to_owned()
}
/// No case file of ours is larger: identity places are at most 64 KiB of the drive.
const LARGEST: u64 = 1 << 20;

/// The drive a case belongs to.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CaseSource {
    /// The path it was last opened by; shown, and never used to tell drives apart.
    #[serde(serialize_with = "crate::base::text::serialize_path")]
    pub path: PathBuf,
    /// Size in bytes.
    pub bytes: u64,
    /// Logical sector size in bytes.
    pub logical_sector: u64,
    /// Physical sector size in bytes.
    pub physical_sector: u64,
    /// Model, where the kernel tells.
    pub model: Option<String>,
    /// Serial number, where the kernel tells.
    pub serial: Option<String>,
    /// What else the kernel tells; a case made by an earlier version has none of it.
    #[serde(default, skip_serializing_if = "DriveDetails::is_empty")]
    pub details: DriveDetails,
}

impl CaseSource {
    pub(super) fn new(identity: &SourceIdentity) -> CaseSource {
        CaseSource {
            path: identity.path.clone(),
            bytes: identity.bytes,
            logical_sector: identity.logical_sector.bytes(),
            physical_sector: identity.physical_sector.bytes(),
            model: identity.model.clone(),
            serial: identity.serial.clone(),
            details: identity.details.clone(),
        }
    }

    /// Refuses a drive that tells another size, model, serial number or world wide name.
    pub(super) fn check(&self, identity: &SourceIdentity) -> Result<(), CaseError> {
        let now = CaseSource::new(identity);
        let mut differences = Vec::new();
        let mut compare = |what: &str, case: String, drive: String| {
            if case != drive {
                differences.push(format!("{what} {drive}, the case's drive has {case}"));
            }
        };
        compare("size in bytes", self.bytes.to_string(), now.bytes.to_string());
        compare("logical sector", self.logical_sector.to_string(), now.logical_sector.to_string());
        // A name that one side does not know says nothing, and neither does an adapter's: the same drive may come back through
        // another one. Then its content decides.
        if !self.details.names_an_adapter() && !now.details.names_an_adapter() {
            let names = [
                ("serial number", &self.serial, &now.serial),
                ("model", &self.model, &now.model),
                ("world wide name", &self.details.wwn, &now.details.wwn),
            ];
            for (what, case, drive) in names {
                let (Some(case), Some(drive)) = (case, drive) else { continue };
                // An earlier version knew only the first 16 characters of an ATA drive's model.
                if !(what == "model" && drive.starts_with(case.as_str())) {
                    compare(what, case.clone(), drive.clone());
                }
            }
        }
        if differences.is_empty() { Ok(()) } else { Err(CaseError::OtherSource { differences }) }
    }

    /// Whether a drive's own serial number, not an adapter's, says that it is this one.
    pub(super) fn has_serial_of(&self, identity: &SourceIdentity) -> bool {
        let own = !self.details.names_an_adapter() && !identity.details.names_an_adapter();
        own && self.serial.is_some() && self.serial == identity.serial
    }

    pub(super) fn logical(&self) -> SectorSize {
        SectorSize::new(self.logical_sector).unwrap_or(SectorSize::S512)
    }

    pub(super) fn physical(&self) -> SectorSize {
        SectorSize::new(self.physical_sector).unwrap_or(SectorSize::S512)
    }

    /// The drive as a source that is not there; `path` is shown in its place.
    pub(super) fn identity(&self, path: &Path) -> SourceIdentity {
        SourceIdentity {
            path: path.to_path_buf(),
            kind: SourceKind::ImageFile,
            bytes: self.bytes,
            logical_sector: self.logical(),
            physical_sector: self.physical(),
            model: self.model.clone(),
            serial: self.serial.clone(),
            details: self.details.clone(),
        }
    }
}

/// The content of `case.json`.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CaseFile {
    /// Always `gleaner-case`.
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// Random number of the case, 32 hexadecimal digits; the journal has it too.
    pub id: String,
    /// When it was made (RFC 3339, UTC).
    pub created: String,
    /// The drive.
    pub source: CaseSource,
    /// How the drive was attached when it was last read.
    pub attachment: Attachment,
    /// Places that identify the drive: tables and boot sectors, ascending.
    pub identity_places: Vec<Extent>,
    /// Whether the last reading of the structure left some of it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub structure_left: bool,
    /// File name of the journal in force.
    #[serde(default = "journal_name")]
    pub journal: String,
    /// Form of the image.
    pub image: ImageForm,
    /// File name of the image, where it is not the form's usual one: the form was changed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub image_file: Option<String>,
    /// The byte that fills unreadable sectors in the image.
    pub fill: u8,
    /// File name of the current plan.
    pub plan: Option<String>,
    /// The drive's model that was chosen, for times as long as nothing was measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chosen_model: Option<DriveModel>,
    /// The drive's rate by a survey's own large reads, in bytes a second, for times as long as no model was chosen or measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub surveyed_rate: Option<f64>,
}

impl CaseFile {
    pub(super) fn new(identity: &SourceIdentity, image: ImageForm) -> CaseFile {
        CaseFile {
            format: FORMAT.to_owned(),
            version: VERSION,
            id: uuid::Uuid::new_v4().simple().to_string(),
            created: crate::base::human::now(),
            source: CaseSource::new(identity),
            attachment: Attachment::of(identity),
            identity_places: Vec::new(),
            structure_left: false,
            journal: journal_name(),
            image,
            image_file: None,
            fill: 0,
            plan: None,
            chosen_model: None,
            surveyed_rate: None,
        }
    }

    pub(super) fn id_bytes(&self) -> Result<[u8; 16], CaseError> {
        let mut id = [0; 16];
        hex::decode_to_slice(&self.id, &mut id)
            .map_err(|e| CaseError::BadFile { path: "case.json".into(), reason: format!("id: {e}") })?;
        Ok(id)
    }

    pub(super) fn read(path: &Path) -> Result<CaseFile, CaseError> {
        let bad = |reason: String| CaseError::BadFile { path: path.to_path_buf(), reason };
        let text = match regular_file::read(path, LARGEST) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
                return Err(CaseError::Missing { folder: path.parent().unwrap_or(path).to_path_buf() });
            }
            Err(e) => return Err(CaseError::io(path, e)),
        };
        let mut file: CaseFile = serde_json::from_slice(&text).map_err(|e| bad(e.to_string()))?;
        if file.format != FORMAT || ![VERSION_1, VERSION].contains(&file.version) {
            return Err(bad(format!(
                "format {} version {}, expected {FORMAT} version {VERSION_1} or {VERSION}",
                file.format, file.version
            )));
        }
        file.version = VERSION;
        let sectors = [file.source.logical_sector, file.source.physical_sector];
        if sectors.iter().any(|bytes| SectorSize::new(*bytes).is_none()) {
            return Err(bad(format!("sector sizes {sectors:?}")));
        }
        let leaves = |name: &String| name.contains('/') || name.is_empty() || name == "." || name == "..";
        if file.plan.iter().chain(&file.image_file).chain([&file.journal]).any(leaves) {
            return Err(bad("plan, image and journal must lie in the case's folder".to_owned()));
        }
        if let Some(Err(error)) = file.chosen_model.as_ref().map(DriveModel::check) {
            return Err(bad(error.to_string()));
        }
        if file.surveyed_rate.is_some_and(|rate| !(1.0..=1e12).contains(&rate)) {
            return Err(bad("surveyed_rate must be between 1 and 10^12 bytes a second".to_owned()));
        }
        let beyond = |place: &Extent| place.start.0.checked_add(place.bytes).is_none_or(|end| end > file.source.bytes);
        if file.identity_places.iter().any(beyond) {
            return Err(bad("a place that identifies the drive lies beyond its end".to_owned()));
        }
        Ok(file)
    }

    /// The journal's path in a case's folder.
    pub fn journal_path(&self, folder: &Path) -> PathBuf {
        folder.join(&self.journal)
    }

    /// The image's file name.
    pub fn image_name(&self) -> &str {
        self.image_file.as_deref().unwrap_or(self.image.file_name())
    }

    /// Whether nothing shows that the case was ever worked on.
    pub(super) fn is_fresh(&self) -> bool {
        self.identity_places.is_empty() && self.plan.is_none() && self.journal == JOURNAL_NAME
    }

    /// Refuses the journal of another case.
    pub(super) fn check_journal(&self, header: &JournalHeader) -> Result<(), CaseError> {
        if *header == self.journal_header()? { Ok(()) } else { Err(CaseError::OtherJournal) }
    }

    /// Refuses an image of another length. A VHDX's is a multiple of the sector, so it may be somewhat longer.
    pub(super) fn check_image(&self, bytes: u64) -> Result<(), CaseError> {
        if bytes < self.source.bytes || bytes - self.source.bytes >= self.source.logical_sector {
            return Err(CaseError::ImageSize { image: bytes, source_bytes: self.source.bytes });
        }
        Ok(())
    }

    fn text(&self) -> Vec<u8> {
        (json_pretty(self).expect("plain values") + "\n").into_bytes()
    }

    /// Writes it where there is none yet.
    pub(super) fn write_new(&self, path: &Path) -> Result<(), NewFileError> {
        write_new(path, Readers::OwnerOnly, |out| {
            out.write_all(&self.text()).map_err(|error| NewFileError::Io { path: path.into(), error })
        })
    }

    /// Writes it in place of what it was. Only under the lock.
    pub(super) fn write(&self, path: &Path) -> Result<(), CaseError> {
        write_file(path, &self.text())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::source::MemorySource;
    use crate::source::Source;

    fn attached(bus: &str, model: &str, serial: &str) -> SourceIdentity {
        let details = DriveDetails { bus: Some(bus.to_owned()), ..DriveDetails::default() };
        let identity = MemorySource::new(vec![0; 4096], SectorSize::S512).identity().clone();
        SourceIdentity { model: Some(model.to_owned()), serial: Some(serial.to_owned()), details, ..identity }
    }

    #[test]
    fn a_drive_that_comes_back_through_an_adapter_is_not_refused_by_name() {
        let direct = CaseSource::new(&attached("ata", "FERNHOLLOW 4000", "FERN-1"));
        assert!(direct.check(&attached("ata", "FERNHOLLOW 4000", "FERN-1")).is_ok());
        let refused = direct.check(&attached("ata", "FERNHOLLOW 4000", "FERN-2")).unwrap_err().to_string();
        assert!(refused.contains("serial number FERN-2, the case's drive has FERN-1"), "{refused}");
        assert!(direct.check(&attached("ata", "FERNHOLLOW 4000 DESKTOP", "FERN-1")).is_ok());
        assert!(direct.check(&attached("ata", "FERNHOLLOW 3000", "FERN-1")).is_err());
        assert!(direct.check(&attached("usb", "Adapter", "000001")).is_ok());
        let behind = CaseSource::new(&attached("usb", "Adapter", "000001"));
        assert!(behind.check(&attached("usb", "Another adapter", "ABC")).is_ok());
        assert!(behind.check(&attached("ata", "FERNHOLLOW 4000", "FERN-1")).is_ok());
        let longer = MemorySource::new(vec![0; 8192], SectorSize::S512).identity().clone();
        assert!(behind.check(&longer).is_err(), "the size is the drive's own");
    }

    /// As an earlier version wrote it.
    #[test]
    fn a_case_without_details_is_read() {
        let text = r#"{"path":"/dev/sdx","bytes":4096,"logical_sector":512,"physical_sector":512,"model":null,"serial":"FERN-1"}"#;
        let source: CaseSource = serde_json::from_str(text).unwrap();
        assert!(source.details.is_empty() && serde_json::to_string(&source).unwrap() == text);
    }
}
