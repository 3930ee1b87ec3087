//! The `fatfs` crate as second reader.

use super::compare::{Comparison, Entry, File, Other};
use super::opinion::{Explanation, SecondOpinion, Verdict};
use super::quiet::quietly;
use super::view::View;
use crate::filesystem::fat::{BOOT_FROM_BACKUP, TYPE_CONTRADICTED};
use crate::filesystem::{FsKind, Node, VolumeMap};
use crate::source::Store;
use fatfs::{Dir, DirEntry, FatType, FileSystem, FsOptions};
use std::char::REPLACEMENT_CHARACTER;
use std::io::{self, Read};

/// Its name and version, as `Cargo.toml` asks for it.
pub(super) const READER: &str = "fatfs 0.3.6";

pub(super) fn compare(
    volume: &VolumeMap,
    store: &dyn Store,
    view: &View<'_>,
    budget: u64,
    opinion: &mut SecondOpinion,
) {
    let opened = quietly(|| FileSystem::new(view.clone(), FsOptions::new()).map_err(|e| e.to_string()));
    match opened.and_then(|outcome| outcome) {
        Ok(system) => {
            let other = FatReader { system: &system, weakness: type_weakness(volume, system.fat_type()) };
            Comparison::new(other, view, volume, store, budget, opinion).run();
        }
        Err(message) => {
            let explanation = match () {
                () if volume.findings.count(&BOOT_FROM_BACKUP) > 0 => Some(Explanation::NoFallback),
                () if view.seen().absent_bytes > 0 => Some(Explanation::NotInCopy),
                () => None,
            };
            opinion.verdict = Verdict::NotOpened { message, explanation };
        }
    }
}

fn type_weakness(volume: &VolumeMap, theirs: FatType) -> Option<Explanation> {
    let contradicted = volume.findings.count(&TYPE_CONTRADICTED) > 0;
    (contradicted && volume.kind == FsKind::Fat32 && theirs != FatType::Fat32).then_some(Explanation::TooSmallForFat32)
}

struct FatReader<'f, 's> {
    system: &'f FileSystem<View<'s>>,
    weakness: Option<Explanation>,
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

impl<'f, 's> Other for FatReader<'f, 's> {
    type Place = Place<'f, 's>;

    fn root(&mut self) -> Place<'f, 's> {
        Place::Root
    }

    fn list(&mut self, folder: &Place<'f, 's>, most: usize) -> Result<Vec<Entry<Place<'f, 's>>>, String> {
        let mut list = Vec::new();
        for (count, entry) in self.folder(folder).iter().enumerate() {
            if count == most {
                return Err("the folder has no end".to_owned());
            }
            let entry = entry.map_err(|e| e.to_string())?;
            let name = entry.file_name();
            if name != "." && name != ".." {
                list.push(Entry { name, folder: entry.is_dir(), place: Place::Entry(entry) });
            }
        }
        Ok(list)
    }

    fn file(&mut self, file: &Place<'f, 's>) -> Result<File, String> {
        let Place::Entry(entry) = file else { return Err("the root is no file".to_owned()) };
        Ok(File { size: Some(entry.len()), weakness: None })
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

    fn weakness(&self) -> Option<Explanation> {
        self.weakness
    }

    fn folder_weakness(&self, _: &Node<'_>) -> Option<Explanation> {
        None
    }

    /// Letters beyond ASCII in short names are replaced.
    fn seen_as(&self, name: &str) -> Option<String> {
        (!name.is_ascii()).then(|| name.chars().map(|c| if c.is_ascii() { c } else { REPLACEMENT_CHARACTER }).collect())
    }
}
