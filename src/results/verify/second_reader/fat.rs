//! The `fatfs` crate as second reader.

use super::compare::{Comparison, ListedEntry, SecondReader};
use super::opinion::{SecondOpinion, Verdict};
use super::quiet::quietly;
use super::view::View;
use crate::filesystem::{FsKind, Node, VolumeMap};
use crate::source::CopyStore;
use fatfs::{Dir, DirEntry, FatType, FileSystem, FsOptions};
use std::char::REPLACEMENT_CHARACTER;
use std::io::{self, Read};

/// Its name and version, as `Cargo.toml` asks for it.
pub(super) const READER: &str = "fatfs 0.3.6";

pub(super) fn compare(
    volume: &VolumeMap,
    store: &dyn CopyStore,
    view: &View<'_>,
    budget: u64,
    opinion: &mut SecondOpinion,
) {
    let opened = quietly(|| FileSystem::new(view.clone(), FsOptions::new()).map_err(|e| e.to_string()));
    match opened.and_then(|outcome| outcome) {
        Ok(system) if !is_same_kind(volume.kind, system.fat_type()) => {
            // It goes by the number of clusters alone.
            let message =
                format!("it takes the volume for {:?}, which is laid out as {}", system.fat_type(), volume.kind.name());
            opinion.verdict = Verdict::NotOpened { message };
        }
        Ok(system) => Comparison::new(FatReader { system: &system }, view, volume, store, budget, opinion).run(),
        Err(message) => opinion.verdict = Verdict::NotOpened { message },
    }
}

fn is_same_kind(ours: FsKind, theirs: FatType) -> bool {
    (ours == FsKind::Fat32) == (theirs == FatType::Fat32)
}

struct FatReader<'f, 's> {
    system: &'f FileSystem<View<'s>>,
}

#[derive(Clone)]
enum Place<'f, 's> {
    Root,
    Entry(DirEntry<'f, View<'s>>),
}

impl<'f, 's> FatReader<'f, 's> {
    fn folder(&self, place: &Place<'f, 's>) -> Dir<'f, View<'s>> {
        match place {
            Place::Root => self.system.root_dir(),
            Place::Entry(entry) => entry.to_dir(),
        }
    }
}

impl<'f, 's> SecondReader for FatReader<'f, 's> {
    type Place = Place<'f, 's>;

    fn root(&mut self) -> Place<'f, 's> {
        Place::Root
    }

    fn list(&mut self, folder: &Place<'f, 's>, most: usize) -> Result<Vec<ListedEntry<Place<'f, 's>>>, String> {
        let mut list = Vec::new();
        for (count, entry) in self.folder(folder).iter().enumerate() {
            if count == most {
                return Err("the folder has no end".to_owned());
            }
            let entry = entry.map_err(|e| e.to_string())?;
            let name = entry.file_name();
            if name != "." && name != ".." {
                list.push(ListedEntry { name, is_folder: entry.is_dir(), place: Place::Entry(entry) });
            }
        }
        Ok(list)
    }

    fn size(&mut self, file: &Place<'f, 's>) -> Result<Option<u64>, String> {
        let Place::Entry(entry) = file else { return Err("the root is no file".to_owned()) };
        Ok(Some(entry.len()))
    }

    fn content(
        &mut self,
        file: &Place<'f, 's>,
        bytes: u64,
        each: &mut dyn FnMut(&[u8]) -> io::Result<()>,
    ) -> Result<(), String> {
        let Place::Entry(entry) = file else { return Err("the root is no file".to_owned()) };
        let mut content = entry.to_file().take(bytes);
        let mut buffer = vec![0; 1 << 16];
        loop {
            let count = content.read(&mut buffer).map_err(|e| e.to_string())?;
            if count == 0 {
                break;
            }
            each(&buffer[..count]).map_err(|e| e.to_string())?;
        }
        match content.limit() {
            0 => Ok(()),
            left => Err(format!("its content ends {left} bytes early")),
        }
    }

    fn sees_all(&self) -> bool {
        true
    }

    fn follows(&self, _: &Node<'_>) -> bool {
        true
    }

    /// Letters beyond ASCII in short names are replaced.
    fn seen_as(&self, name: &str) -> Option<String> {
        (!name.is_ascii()).then(|| name.chars().map(|c| if c.is_ascii() { c } else { REPLACEMENT_CHARACTER }).collect())
    }
}
