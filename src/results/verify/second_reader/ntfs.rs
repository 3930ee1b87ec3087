//! The `ntfs` crate as second reader.

use super::compare::{Comparison, ListedEntry, SecondReader};
use super::opinion::{SecondOpinion, Verdict};
use super::quiet::quietly;
use super::view::View;
use crate::base::units::Lcn;
use crate::filesystem::{Node, NodeKind, Role, VolumeMap};
use crate::source::CopyStore;
use ::ntfs::structured_values::NtfsFileNamespace;
use ::ntfs::{KnownNtfsFileRecordNumber, Ntfs, NtfsAttributeType, NtfsFile, NtfsReadSeek};
use std::io;

/// Its name and version, as `Cargo.toml` asks for it.
pub(super) const READER: &str = "ntfs 0.4";

/// Bytes of an index block, as formatters make it (common practice, no source).
const INDEX_BLOCK: u64 = 4096;

pub(super) fn compare(
    volume: &VolumeMap,
    store: &dyn CopyStore,
    view: &View<'_>,
    budget: u64,
    opinion: &mut SecondOpinion,
) {
    let mut disk = view.clone();
    let opened = quietly(|| {
        let ntfs = Ntfs::new(&mut disk).map_err(|e| e.to_string())?;
        let all_records = ntfs.file(&mut disk, 0).map(|table| !has_list(&table)).map_err(|e| e.to_string())?;
        Ok((ntfs, all_records))
    });
    match opened.and_then(|outcome| outcome) {
        Ok((ntfs, all_records)) => {
            let reader = NtfsReader { ntfs: &ntfs, disk, all_records };
            Comparison::new(reader, view, volume, store, budget, opinion).run();
        }
        Err(message) => opinion.verdict = Verdict::NotOpened { message },
    }
}

struct NtfsReader<'n, 's> {
    ntfs: &'n Ntfs,
    disk: View<'s>,
    /// Whether the first record describes all of $MFT; it follows no further ones.
    all_records: bool,
}

fn has_list(file: &NtfsFile<'_>) -> bool {
    // Its iterators give the same error again and again.
    file.attributes_raw().map_while(Result::ok).any(|a| a.ty().is_ok_and(|ty| ty == NtfsAttributeType::AttributeList))
}

fn told(error: ::ntfs::NtfsError) -> String {
    error.to_string()
}

impl SecondReader for NtfsReader<'_, '_> {
    type Place = u64;

    fn root(&mut self) -> u64 {
        KnownNtfsFileRecordNumber::RootDirectory as u64
    }

    fn list(&mut self, folder: &u64, most: usize) -> Result<Vec<ListedEntry<u64>>, String> {
        let file = self.ntfs.file(&mut self.disk, *folder).map_err(told)?;
        let index = file.directory_index(&mut self.disk).map_err(told)?;
        let mut entries = index.entries();
        let mut list = Vec::new();
        for _ in 0..most {
            let Some(entry) = entries.next(&mut self.disk) else { return Ok(list) };
            let entry = entry.map_err(told)?;
            let Some(name) = entry.key() else { continue };
            let name = name.map_err(told)?;
            let number = entry.file_reference().file_record_number();
            // The root holds an entry for itself; an 8.3 name is no path of its own.
            if number != *folder && name.namespace() != NtfsFileNamespace::Dos {
                let is_folder = name.is_directory();
                list.push(ListedEntry { name: name.name().to_string_lossy(), is_folder, place: number });
            }
        }
        Err("the folder has no end".to_owned())
    }

    fn size(&mut self, file: &u64) -> Result<Option<u64>, String> {
        let record = self.ntfs.file(&mut self.disk, *file).map_err(told)?;
        let data = record.data(&mut self.disk, "");
        data.map(|item| item.and_then(|item| Ok(item.to_attribute()?.value_length())).map_err(told)).transpose()
    }

    fn content(&mut self, file: &u64, bytes: u64, each: &mut dyn FnMut(&[u8]) -> io::Result<()>) -> Result<(), String> {
        let record = self.ntfs.file(&mut self.disk, *file).map_err(told)?;
        let item = record.data(&mut self.disk, "").ok_or("no content")?.map_err(told)?;
        let attribute = item.to_attribute().map_err(told)?;
        let mut value = attribute.value(&mut self.disk).map_err(told)?;
        let mut buffer = vec![0; 1 << 16];
        let mut left = bytes;
        while left > 0 {
            let part = usize::try_from(left).map_or(buffer.len(), |left| left.min(buffer.len()));
            let count = value.read(&mut self.disk, &mut buffer[..part]).map_err(told)?;
            if count == 0 {
                return Err(format!("its content ends {left} bytes early"));
            }
            each(&buffer[..count]).map_err(|e| e.to_string())?;
            left -= count as u64;
        }
        Ok(())
    }

    fn sees_all(&self) -> bool {
        self.all_records
    }

    /// Not files whose attributes are spread over several records, nor one at cluster 0, which it takes for a hole; nor folders
    /// with index blocks smaller than clusters, of which it looks for all but the first in the wrong place.
    fn follows(&self, node: &Node<'_>) -> bool {
        let small_blocks = u64::from(self.ntfs.cluster_size()) > INDEX_BLOCK;
        node.streams().all(|stream| match node.kind() {
            NodeKind::Folder => stream.role() != Role::FolderIndex || stream.size() <= INDEX_BLOCK || !small_blocks,
            NodeKind::File => {
                stream.role() != Role::AttributeList && stream.runs().next().is_none_or(|run| run.first != Lcn(0))
            }
        })
    }

    fn seen_as(&self, _: &str) -> Option<String> {
        None
    }
}
