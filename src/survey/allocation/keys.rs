//! Whether the client's keys open what is encrypted.

use super::drive::DriveMap;
use crate::base::ending::{Ending, Ends};
use crate::filesystem::Content;
use crate::filesystem::volume_encryption::{METADATA_LOST, Secret};
use crate::partition::signature::Sign;
use crate::source::Keys;

/// A key that opens no volume.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum KeyError {
    /// There is nothing that it could open.
    #[error("a key was given, and no volume of this drive is encrypted by Windows: leave --key out")]
    NothingEncrypted,
    /// It is another volume's, or mistyped.
    #[error("key {number} opens none of the encrypted volumes: {volumes}{hint}. Check it, or leave it out")]
    OpensNothing {
        /// Which of the keys given, from 1.
        number: usize,
        /// The volumes, and what opens each.
        volumes: String,
        /// What may be wrong.
        hint: String,
    },
}

impl DriveMap {
    /// The volumes that a key could open: their number, first byte, and what opens them; opened ones among them.
    fn encrypted(&self) -> impl Iterator<Item = (u32, u64, String)> + '_ {
        self.areas.iter().filter_map(|area| {
            let opens_with = match area.content.as_ref()? {
                Content::Volume(volume) => volume.encryption.as_ref()?.opened_by.name().to_owned(),
                content => {
                    let found = content.recognised().filter(|found| found.kind == Sign::VolumeEncryption)?;
                    let fact = found.facts.iter().find(|(name, _)| *name == "opens with");
                    fact.map_or_else(|| "not known".to_owned(), |(_, what)| what.clone())
                }
            };
            Some((area.number().unwrap_or_default(), area.area.extent.start.0, opens_with))
        })
    }

    /// The volumes that are encrypted by Windows and closed: number and first byte.
    pub fn closed_volumes(&self) -> impl Iterator<Item = (u32, u64)> + '_ {
        self.areas.iter().filter_map(|area| {
            let found = area.content.as_ref()?.recognised()?;
            (found.kind == Sign::VolumeEncryption)
                .then(|| (area.number().unwrap_or_default(), area.area.extent.start.0))
        })
    }

    /// Whether each of the keys has opened a volume, or may once the drive answers.
    ///
    /// # Errors
    /// [`KeyError`] for the first that has not.
    pub fn check_keys(&self, keys: &Keys) -> Result<(), KeyError> {
        let Some(number) = keys.of_no_use().first().copied() else { return Ok(()) };
        let encrypted: Vec<(u32, u64, String)> = self.encrypted().collect();
        let lacks_metadata = self.areas.iter().any(|area| {
            matches!(&area.content, Some(Content::Opaque { findings, .. }) if findings.count(&METADATA_LOST) > 0)
        });
        // Where the drive may still answer nothing is settled; the findings tell.
        if lacks_metadata || (encrypted.is_empty() && !self.unread.is_empty()) {
            return Ok(());
        }
        if encrypted.is_empty() {
            return Err(KeyError::NothingEncrypted);
        }
        let volumes: Vec<String> = encrypted
            .iter()
            .map(|(volume, start, with)| format!("volume {volume} (from byte {start}) opens with: {with}"))
            .collect();
        let content = keys.contents().nth(number - 1).unwrap_or_default();
        let hint = Secret::mistyped_group(content).map_or_else(String::new, |group| {
            format!("; group {group} of the recovery password is mistyped, as it cannot be divided by 11")
        });
        Err(KeyError::OpensNothing { number, volumes: volumes.join("; "), hint })
    }
}

impl Ends for KeyError {
    fn ending(&self) -> Ending {
        Ending::Key
    }
}
