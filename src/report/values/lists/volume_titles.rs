//! What a volume is called above a list: its number and label as on the survey's screen, and where it starts.

use crate::survey::allocation::DriveMap;
use std::collections::BTreeMap;

/// The titles of a drive's volumes.
pub struct VolumeTitles(BTreeMap<u64, String>);

impl VolumeTitles {
    /// Those of all volumes that are read file by file.
    pub fn of(drive: &DriveMap) -> VolumeTitles {
        let mut titles = BTreeMap::new();
        for (area, volume) in drive.volumes() {
            let number = drive.areas[area].number().map_or_else(String::new, |number| format!(" {number}"));
            let label = volume.label.as_ref().map_or_else(String::new, |label| format!(" “{label}”"));
            let start = volume.extent.start.0;
            let title = format!("VOLUME{number}  {}{label}, at byte {start}", volume.kind.name());
            titles.entry(start).or_insert(title);
        }
        VolumeTitles(titles)
    }

    /// The title of the volume that starts at this byte.
    pub fn title(&self, start: u64) -> String {
        self.0.get(&start).cloned().unwrap_or_else(|| format!("VOLUME at byte {start}"))
    }
}
