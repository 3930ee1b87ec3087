//! Which folders lead to something wanted: without them no driver opens its path.

use super::patterns::pattern::Choice;
use crate::filesystem::{Catalog, Node, NodeId, Parent};

/// For each node of a catalog the first pattern that chose it, or anything that lies below it.
pub(super) fn leading(catalog: &Catalog, chosen: &Choice) -> Vec<Option<u16>> {
    let mut lanes: Vec<Option<u16>> = vec![None; catalog.len()];
    let mut above: Vec<NodeId> = Vec::new();
    for node in catalog.nodes().filter(|node| !node.is_deleted()) {
        let Some(lane) = chosen.lane(node.id()) else { continue };
        lower(&mut lanes[node.id().0 as usize], lane);
        above.extend(folders_of(&node));
        // A folder is gone through again only for a lower lane, so each at most once for each pattern.
        while let Some(folder) = above.pop() {
            if lower(&mut lanes[folder.0 as usize], lane) {
                above.extend(folders_of(&catalog.node(folder)));
            }
        }
    }
    lanes
}

/// Whether it was higher.
fn lower(slot: &mut Option<u16>, lane: u16) -> bool {
    let was_higher = slot.is_none_or(|before| before > lane);
    if was_higher {
        *slot = Some(lane);
    }
    was_higher
}

/// The folders that its names stand in.
fn folders_of<'c>(node: &Node<'c>) -> impl Iterator<Item = NodeId> + use<'c> {
    node.links().filter_map(|link| match link.parent() {
        Parent::Folder(folder) => Some(folder),
        Parent::Lost(_) => None,
    })
}
