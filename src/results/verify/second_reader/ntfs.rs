//! The `ntfs` crate as second reader.

use super::compare::{Comparison, Entry, File, Other};
use super::opinion::{Explanation, SecondOpinion, Verdict};
use super::quiet::quietly;
use super::view::View;
use crate::filesystem::ntfs::{BOOT_BACKUP_USED, TABLE_BY_MIRROR};
use crate::filesystem::{Node, Role, VolumeMap};
use crate::source::Store;
use ::ntfs::structured_values::NtfsFileNamespace;
use ::ntfs::{KnownNtfsFileRecordNumber, Ntfs, NtfsAttributeType, NtfsFile, NtfsReadSeek};
use std::io;

/// Its name and version, as `Cargo.toml` asks for it.
pub(super) const READER: &str = "ntfs 0.4";

/// Bytes of an index block, as formatters make it (common practice, no source).
const INDEX_BLOCK: u64 = 4096;

pub(super) fn compare(
    volume: &VolumeMap,
    store: &dyn Store,
    view: &View<'_>,
    budget: u64,
    opinion: &mut SecondOpinion,
) {
    let mut disk = view.clone();
    let opened = quietly(|| {
        let ntfs = Ntfs::new(&mut disk).map_err(|e| e.to_string())?;
        // Whether the table's own description goes on in other records.
        let listed = ntfs.file(&mut disk, 0).map(|table| has_list(&table)).map_err(|e| e.to_string())?;
        Ok((ntfs, listed))
    });
    match opened.and_then(|outcome| outcome) {
        Ok((ntfs, listed)) => {
            let other = NtfsReader { ntfs: &ntfs, disk, listed };
            Comparison::new(other, view, volume, store, budget, opinion).run();
        }
        Err(message) => {
            let fell_back = [&BOOT_BACKUP_USED, &TABLE_BY_MIRROR].iter().any(|c| volume.findings.count(c) > 0);
            let explanation = match () {
                () if fell_back => Some(Explanation::NoFallback),
                () if view.seen().absent_bytes > 0 => Some(Explanation::NotInCopy),
                () => None,
            };
            opinion.verdict = Verdict::NotOpened { message, explanation };
        }
    }
}

struct NtfsReader<'n, 's> {
    ntfs: &'n Ntfs,
    disk: View<'s>,
    /// Whether $MFT has an attribute list.
    listed: bool,
}

fn has_list(file: &NtfsFile<'_>) -> bool {
    // Its iterators give the same error again and again.
    file.attributes_raw().map_while(Result::ok).any(|a| a.ty().is_ok_and(|ty| ty == NtfsAttributeType::AttributeList))
}

fn told(error: ::ntfs::NtfsError) -> String {
    error.to_string()
}

impl Other for NtfsReader<'_, '_> {
    type Place = u64;

    fn root(&mut self) -> u64 {
        KnownNtfsFileRecordNumber::RootDirectory as u64
    }

    fn list(&mut self, folder: &u64, most: usize) -> Result<Vec<Entry<u64>>, String> {
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
                let folder = name.is_directory();
                list.push(Entry { name: name.name().to_string_lossy(), folder, place: number });
            }
        }
        Err("the folder has no end".to_owned())
    }

    fn file(&mut self, file: &u64) -> Result<File, String> {
        let record = self.ntfs.file(&mut self.disk, *file).map_err(told)?;
        let weakness = has_list(&record).then_some(Explanation::AttributeList);
        let size = match record.data(&mut self.disk, "") {
            None => None,
            Some(item) => Some(item.and_then(|item| Ok(item.to_attribute()?.value_length())).map_err(told)?),
        };
        Ok(File { size, weakness })
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

    fn weakness(&self) -> Option<Explanation> {
        self.listed.then_some(Explanation::TableList)
    }

    fn folder_weakness(&self, folder: &Node<'_>) -> Option<Explanation> {
        let index = folder.streams().find(|s| s.role() == Role::FolderIndex);
        let several = index.is_some_and(|index| index.size() > INDEX_BLOCK);
        (several && u64::from(self.ntfs.cluster_size()) > INDEX_BLOCK).then_some(Explanation::SmallIndexBlocks)
    }

    fn seen_as(&self, _: &str) -> Option<String> {
        None
    }
}
