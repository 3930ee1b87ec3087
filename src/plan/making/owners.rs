//! Which planned extent belongs to which file.

use crate::base::extent::{Extent, ExtentSet};
use crate::filesystem::{NodeKind, Purpose};
use crate::survey::allocation::DriveMap;

/// The planned extents, each with a number of the file that has it, where a file does.
pub fn planned_with_files(drive: &DriveMap, planned: &ExtentSet) -> Vec<(Extent, Option<u32>)> {
    let mut list = Vec::new();
    let mut of_files = ExtentSet::new();
    let mut number = 0;
    for (_, volume) in drive.volumes() {
        let files = volume
            .catalog
            .nodes()
            .filter(|node| node.kind() == NodeKind::File && node.purpose() == Purpose::Client && !node.is_deleted());
        for file in files {
            number += 1;
            let places = file.streams().flat_map(|stream| stream.runs());
            let places = places.filter_map(|run| volume.geometry.extent(run));
            for place in places.flat_map(|place| volume.on_drive(place)) {
                for part in planned.intersection(place) {
                    list.push((part, Some(number)));
                    of_files.insert(part);
                }
            }
        }
    }
    list.extend(planned.extents().iter().flat_map(|extent| of_files.missing_from(*extent)).map(|part| (part, None)));
    list
}
