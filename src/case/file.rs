//! The case's own file: which drive it belongs to, in what form its image is, which plan is current.

use super::{Attachment, CaseError, write_file};
use crate::extent::Extent;
use crate::image::ImageForm;
use crate::model::DriveModel;
use crate::source::{SourceIdentity, SourceKind};
use crate::units::SectorSize;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

const FORMAT: &str = "gleaner-case";
const VERSION: u32 = 1;

/// The drive a case belongs to.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CaseSource {
    /// The path it was last opened by; shown, and never used to tell drives apart.
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
}

impl CaseSource {
    fn new(identity: &SourceIdentity) -> CaseSource {
        CaseSource {
            path: identity.path.clone(),
            bytes: identity.bytes,
            logical_sector: identity.logical_sector.bytes(),
            physical_sector: identity.physical_sector.bytes(),
            model: identity.model.clone(),
            serial: identity.serial.clone(),
        }
    }

    /// Refuses a drive that tells another size, model or serial number.
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
        // A name that one side does not know says nothing: the same drive may come back through another adapter.
        if let (Some(case), Some(drive)) = (&self.serial, &now.serial) {
            compare("serial number", case.clone(), drive.clone());
        }
        if let (Some(case), Some(drive)) = (&self.model, &now.model) {
            compare("model", case.clone(), drive.clone());
        }
        if differences.is_empty() { Ok(()) } else { Err(CaseError::OtherSource { differences }) }
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
    /// Random number of the case, 32 hexadecimal digits; the journal bears it too.
    pub id: String,
    /// When it was made (RFC 3339, UTC).
    pub created: String,
    /// The drive.
    pub source: CaseSource,
    /// How the drive was attached when it was last read.
    pub attachment: Attachment,
    /// Places that identify the drive: tables and boot sectors, ascending.
    pub identity_places: Vec<Extent>,
    /// Form of the image.
    pub image: ImageForm,
    /// The byte that fills unreadable sectors in the image.
    pub fill: u8,
    /// File name of the current plan.
    pub plan: Option<String>,
    /// The drive's model that was chosen, for times as long as nothing was measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chosen_model: Option<DriveModel>,
}

impl CaseFile {
    pub(super) fn new(identity: &SourceIdentity, image: ImageForm) -> CaseFile {
        CaseFile {
            format: FORMAT.to_owned(),
            version: VERSION,
            id: uuid::Uuid::new_v4().simple().to_string(),
            created: super::record::now(),
            source: CaseSource::new(identity),
            attachment: Attachment::of(identity),
            identity_places: Vec::new(),
            image,
            fill: 0,
            plan: None,
            chosen_model: None,
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
        let text = match std::fs::read(path) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
                return Err(CaseError::Missing { folder: path.parent().unwrap_or(path).to_path_buf() });
            }
            Err(e) => return Err(CaseError::io(path, e)),
        };
        let file: CaseFile = serde_json::from_slice(&text).map_err(|e| bad(e.to_string()))?;
        if file.format != FORMAT || file.version != VERSION {
            return Err(bad(format!(
                "format {} version {}, expected {FORMAT} version {VERSION}",
                file.format, file.version
            )));
        }
        let sectors = [file.source.logical_sector, file.source.physical_sector];
        if sectors.iter().any(|bytes| SectorSize::new(*bytes).is_none()) {
            return Err(bad(format!("sector sizes {sectors:?}")));
        }
        let plan_leaves = |name: &String| name.contains('/') || name == "..";
        if file.plan.as_ref().is_some_and(plan_leaves) {
            return Err(bad("the plan must lie in the case's folder".to_owned()));
        }
        if let Some(Err(error)) = file.chosen_model.as_ref().map(DriveModel::check) {
            return Err(bad(error.to_string()));
        }
        let beyond = |place: &Extent| place.start.0.checked_add(place.bytes).is_none_or(|end| end > file.source.bytes);
        if file.identity_places.iter().any(beyond) {
            return Err(bad("a place that identifies the drive lies beyond its end".to_owned()));
        }
        Ok(file)
    }

    pub(super) fn write(&self, path: &Path) -> Result<(), CaseError> {
        let mut text = serde_json::to_vec_pretty(self).expect("plain values");
        text.push(b'\n');
        write_file(path, &text)
    }
}
