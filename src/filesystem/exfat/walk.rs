//! What exFAT has of its own in the tree of folders: the root folder that names the bitmaps, the up-case table and the
//! label, and sets of entries with a checksum.

use super::bitmap::Bitmap;
use super::boot::sector::ExFatBoot;
use super::entry::{self, Item, Special};
use super::findings::{
    BEHIND_END, CHAIN_BROKEN, CHAIN_LONG, CHAIN_LOOP, CHAIN_SHORT, CROSS_LINK, ENTRY_IMPLAUSIBLE, FIRST_CLUSTER,
    FOLDER_TOO_LONG, FOLDER_TWICE, FOLDER_UNREADABLE, RUN_OUTSIDE, SET_CHECKSUM, STRAY_ENTRIES, TOO_MANY_ENTRIES,
    UP_CASE, VALID_LENGTH,
};
use super::table::ExFatTable;
use super::up_case;
use crate::filesystem::chain::ChainEnd;
use crate::filesystem::folder_content::{Content, Placed, read_batch};
use crate::filesystem::folder_tree::{Folder, FolderEntry, FolderFormat, FolderTree, ListedTree, Subject, TreeCodes};
use crate::filesystem::{ClusterRun, NodeId};
use crate::source::SourceLost;

/// Folders as exFAT writes them.
pub(super) struct ExFatFolders;

/// The root folder, read before everything else: it says where the bitmap is.
pub(super) struct Root {
    folder: Folder,
    content: Content,
    bitmaps: Vec<Special>,
    up_case: Option<Special>,
    label: Option<String>,
}

impl Root {
    /// Follows the root folder's chain and reads it.
    pub fn read(tree: &mut FolderTree<'_, ExFatFolders>, boot: &ExFatBoot) -> Result<Root, SourceLost> {
        let folder = tree.add_root(boot.root_cluster);
        let window = tree.heap.window;
        window.reader().announce("root folder", folder.bytes());
        let content = read_batch(window, &[folder.extents()])?.pop().expect("one folder gives one content");
        let mut root = Root { folder, content, bitmaps: Vec::new(), up_case: None, label: None };
        entry::scan(&root.content, |item| match item {
            // A volume has two at most; a flood of them is not kept.
            Item::Bitmap(special) if root.bitmaps.len() < 2 => root.bitmaps.push(special),
            Item::UpCase(special) => root.up_case = root.up_case.or(Some(special)),
            Item::Label(label) if root.label.is_none() => root.label = Some(label),
            _ => {}
        });
        Ok(root)
    }

    /// The bitmaps' entries.
    pub fn bitmaps(&self) -> Vec<Special> {
        self.bitmaps.clone()
    }
}

/// Walks the tree; the second value is the label entry of the root folder.
pub(super) fn read(
    mut tree: FolderTree<'_, ExFatFolders>,
    root: Root,
    bitmaps: &[Bitmap],
) -> Result<(ListedTree, Option<String>), SourceLost> {
    // A root folder without the bitmap's entry is not complete: files' entries may be gone in the same way.
    tree.incomplete |= bitmaps.is_empty();
    let node = root.folder.node;
    add_system_files(&mut tree, node, bitmaps, root.up_case)?;
    let mut below = Vec::new();
    ExFatFolders::list(&mut tree, &root.folder, &root.content, &mut below);
    tree.walk(below)?;
    Ok((tree.finish(node).0, root.label))
}

/// The files of the file system itself.
fn add_system_files(
    tree: &mut FolderTree<'_, ExFatFolders>,
    root: NodeId,
    bitmaps: &[Bitmap],
    up_case: Option<Special>,
) -> Result<(), SourceLost> {
    let add = |tree: &mut FolderTree<'_, _>, name: &str, special: &Special, runs: &[ClusterRun], end: ChainEnd| {
        let has: u64 = runs.iter().map(|run| run.count).sum();
        let wanted = special.bytes.div_ceil(tree.heap.geometry.cluster_bytes);
        let incomplete = has < wanted || !matches!(end, ChainEnd::Sound | ChainEnd::CutInShared);
        tree.add_system_file(root, name, special.bytes, runs, incomplete);
    };
    for bitmap in bitmaps {
        let name = if bitmap.special.second { "<allocation bitmap 2>" } else { "<allocation bitmap>" };
        add(tree, name, &bitmap.special, &bitmap.chain.runs, bitmap.chain.end);
    }
    let Some(special) = up_case else {
        let sentence = "The root folder has no entry for the up-case table.".to_owned();
        tree.note(&UP_CASE, tree.heap.window.absolute(0), sentence);
        return Ok(());
    };
    let wanted = special.bytes.div_ceil(tree.heap.geometry.cluster_bytes);
    let chain = tree.chains.follow(special.first_cluster, wanted);
    let subject = Subject { name: "the up-case table", place: special.place };
    tree.note_chain(&chain, special.first_cluster, subject);
    let mut runs = chain.runs;
    up_case::check(&special, &mut runs, &mut tree.heap, tree.findings)?;
    add(tree, "<up-case table>", &special, &runs, chain.end);
    Ok(())
}

impl FolderFormat for ExFatFolders {
    type Table = ExFatTable;

    /// The largest folder (7.6.6, `DataLength`: 256 MiB, from memory).
    const FOLDER_BYTES: u64 = 256 << 20;
    const SIZED_FOLDERS: bool = true;
    const TABLE_IS_MAP: bool = false;
    const CODES: TreeCodes = TreeCodes {
        chain_broken: &CHAIN_BROKEN,
        chain_long: &CHAIN_LONG,
        chain_loop: &CHAIN_LOOP,
        chain_short: &CHAIN_SHORT,
        // What files share is found when all are known: most of them have no chain.
        cross_link: &CROSS_LINK,
        entry_implausible: &ENTRY_IMPLAUSIBLE,
        first_cluster: &FIRST_CLUSTER,
        folder_too_long: &FOLDER_TOO_LONG,
        folder_twice: &FOLDER_TWICE,
        folder_unreadable: &FOLDER_UNREADABLE,
        run_outside: &RUN_OUTSIDE,
        too_many_entries: &TOO_MANY_ENTRIES,
    };

    fn list(tree: &mut FolderTree<'_, Self>, folder: &Folder, content: &Content, below: &mut Vec<Folder>) {
        let passed = entry::scan(content, |item| {
            // Entries of the volume itself count in the root folder alone, and were taken there.
            if let Item::Entry(entry) = item {
                check_entry(tree, &entry);
                tree.add(folder, entry, below);
            }
        });
        tree.note_passed(folder, content, &passed);
        let (name, start) = (&folder.name, folder.start());
        tree.incomplete |= passed.strays > 0 || passed.behind_end > 0;
        if passed.strays > 0 {
            let sentence = format!("Folder {name:?} holds {} parts of entries by themselves.", passed.strays);
            tree.note(&STRAY_ENTRIES, passed.first_stray.unwrap_or(start), sentence);
        }
        if passed.behind_end > 0 {
            let sentence = format!("Folder {name:?} holds {} files behind its end mark.", passed.behind_end);
            tree.note(&BEHIND_END, passed.first_behind_end.unwrap_or(start), sentence);
        }
    }
}

fn check_entry(tree: &mut FolderTree<'_, ExFatFolders>, entry: &FolderEntry) {
    let (name, content) = (&entry.name, &entry.content);
    if !entry.sound {
        let sentence = format!("The entry of {name:?} does not fit its checksum or lacks a part.");
        tree.note(&SET_CHECKSUM, entry.place, sentence);
    }
    if !entry.is_folder && !entry.deleted && content.valid > content.size {
        let sentence = format!("File {name:?} is said to have {} written bytes of {}.", content.valid, content.size);
        tree.note(&VALID_LENGTH, entry.place, sentence);
    }
}
