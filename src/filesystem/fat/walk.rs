//! What FAT has of its own in the tree of folders: labels, entries for "." and "..", parts of long names.

use super::boot::sector::FatBoot;
use super::findings::{
    BEHIND_END, CHAIN_BROKEN, CHAIN_LONG, CHAIN_LOOP, CHAIN_SHORT, CROSS_LINK, DOT_ENTRIES, ENTRY_IMPLAUSIBLE,
    FIRST_CLUSTER, FOLDER_TOO_LONG, FOLDER_TWICE, FOLDER_UNREADABLE, LONG_NAME_ORPHANS, TOO_MANY_ENTRIES,
};
use super::folder::directory::{self, ENTRY_BYTES, Item};
use super::table::FatTable;
use crate::base::extent::Extent;
use crate::base::units::ByteOffset;
use crate::filesystem::folder_content::{Content, Placed};
use crate::filesystem::folder_tree::{Folder, FolderFormat, FolderTree, ListedTree, TreeCodes};
use crate::source::SourceLost;

/// Folders as FAT writes them.
pub(super) struct FatFolders {
    /// Whether first clusters have 32 bits.
    wide: bool,
    /// The label entry of the root folder.
    label: Option<String>,
    long_name_orphans: u64,
    first_orphans_in: Option<ByteOffset>,
}

impl FatFolders {
    pub fn new(boot: &FatBoot) -> FatFolders {
        FatFolders { wide: boot.fat32.is_some(), label: None, long_name_orphans: 0, first_orphans_in: None }
    }
}

/// Walks the tree; the second value is the label entry of the root folder.
pub(super) fn read(
    mut tree: FolderTree<'_, FatFolders>,
    boot: &FatBoot,
) -> Result<(ListedTree, Option<String>), SourceLost> {
    let root = match boot.fat32 {
        Some(fields) => tree.add_root(fields.root_cluster),
        None => tree.add_fixed_root(Extent::between(boot.root_start(), boot.heap_start())),
    };
    let node = root.node;
    tree.walk(vec![root])?;
    if let Some(place) = tree.format.first_orphans_in {
        let sentence = format!("{} parts of long names belong to no file.", tree.format.long_name_orphans);
        tree.note(&LONG_NAME_ORPHANS, place, sentence);
    }
    let (listed, format) = tree.finish(node);
    Ok((listed, format.label))
}

impl FolderFormat for FatFolders {
    type Table = FatTable;

    /// Folders hold at most 65,536 entries (Linux fs/fat, FAT_MAX_DIR_ENTRIES, from memory); a chain that goes on longer
    /// has run into a file's.
    const FOLDER_BYTES: u64 = 65_536 * ENTRY_BYTES;
    const SIZED_FOLDERS: bool = false;
    const TABLE_IS_MAP: bool = true;
    const CODES: TreeCodes = TreeCodes {
        chain_broken: &CHAIN_BROKEN,
        chain_long: &CHAIN_LONG,
        chain_loop: &CHAIN_LOOP,
        chain_short: &CHAIN_SHORT,
        cross_link: &CROSS_LINK,
        entry_implausible: &ENTRY_IMPLAUSIBLE,
        first_cluster: &FIRST_CLUSTER,
        folder_too_long: &FOLDER_TOO_LONG,
        folder_twice: &FOLDER_TWICE,
        folder_unreadable: &FOLDER_UNREADABLE,
        // Never used: all content has a chain.
        run_outside: &FIRST_CLUSTER,
        too_many_entries: &TOO_MANY_ENTRIES,
    };

    fn list(tree: &mut FolderTree<'_, Self>, folder: &Folder, content: &Content, below: &mut Vec<Folder>) {
        let (mut itself, mut above) = (None, None);
        let passed = directory::scan(content, tree.format.wide, |item| match item {
            Item::Entry(entry) => tree.add(folder, entry, below),
            Item::Label(label) if folder.is_root() => {
                tree.format.label.get_or_insert(label);
            }
            Item::Label(_) => {}
            Item::Itself(cluster) => itself = Some(cluster),
            Item::Above(cluster) => above = Some(cluster),
        });
        if !content.bytes.is_empty() && passed.unreadable == 0 {
            check_dots(tree, folder, itself, above);
        }
        tree.note_passed(folder, content, &passed);
        let start = folder.start();
        if passed.behind_end > 0 {
            let sentence = format!("Folder {:?} holds {} entries behind its end mark.", folder.name, passed.behind_end);
            tree.note(&BEHIND_END, passed.first_behind_end.unwrap_or(start), sentence);
        }
        if passed.strays > 0 {
            tree.format.long_name_orphans += passed.strays;
            tree.format.first_orphans_in.get_or_insert(start);
        }
    }
}

fn check_dots(tree: &mut FolderTree<'_, FatFolders>, folder: &Folder, itself: Option<u32>, above: Option<u32>) {
    let Some(parent) = folder.parent_cluster else { return };
    if itself == Some(folder.own_cluster) && above == Some(parent) {
        return;
    }
    let told = |cluster: Option<u32>| cluster.map_or("nothing".to_owned(), |n| format!("cluster {n}"));
    let sentence = format!(
        "Folder {:?} gives {} as itself and {} as its parent, where cluster {} and cluster {parent} (0 for the root) \
         would be right.",
        folder.name,
        told(itself),
        told(above),
        folder.own_cluster,
    );
    tree.note(&DOT_ENTRIES, folder.start(), sentence);
}
