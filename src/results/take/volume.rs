//! The chosen files of one volume.

use super::destination::{Destination, FolderId, set_modified};
use super::error::{TakeError, ends_all};
use super::file::Writing;
use super::taken::{MissingRange, Note, Taken, TakenState};
use super::{Take, file, names};
use crate::base::text::json_pretty;
use crate::filesystem::{FsKind, Link, Node, NodeId, NodeKind, ORPHANS, Parent, Purpose, Role, Stream, VolumeMap};
use crate::results::content::Contents;
use crate::source::CopyStore;
use crate::survey::allocation::Patterns;
use serde::Serialize;
use std::collections::HashMap;
use std::io::{self, Write};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};

/// The files and folders that patterns choose among those in use.
fn chosen_nodes<'v>(map: &'v VolumeMap, chosen: &Patterns) -> impl Iterator<Item = Node<'v>> + use<'v> {
    let choice = chosen.choose(&map.catalog);
    let taken = move |node: &Node<'_>| {
        !node.is_deleted() && node.purpose() == Purpose::Client && choice.lane(node.id()).is_some()
    };
    map.catalog.nodes().filter(taken)
}

/// The streams of content of the chosen files and folders.
pub(super) fn chosen_streams<'v>(map: &'v VolumeMap, chosen: &Patterns) -> impl Iterator<Item = Stream<'v>> + use<'v> {
    chosen_nodes(map, chosen).flat_map(|node| node.streams()).filter(|stream| stream.role() == Role::Data)
}

/// What lies beside a file that is not what it seems.
#[derive(Serialize)]
struct Companion<'t> {
    path: &'t str,
    stream: Option<&'t str>,
    bytes: u64,
    state: TakenState,
    missing: &'t [MissingRange],
    notes: &'t [Note],
}

pub(super) struct VolumeTake<'t> {
    map: &'t VolumeMap,
    contents: Contents<'t>,
    chosen: &'t Patterns,
    fill: u8,
    stop: &'t AtomicBool,
    destination: &'t mut Destination,
    progress: &'t mut dyn FnMut(u64),
    each: &'t mut dyn FnMut(&Taken),
    /// Folders of the volume that were made.
    folders: HashMap<NodeId, FolderId>,
    /// Lost folders, by the number the file system had for each.
    lost: HashMap<u32, FolderId>,
    orphans: Option<FolderId>,
    top: FolderId,
}

impl<'t> VolumeTake<'t> {
    pub(super) fn new(
        map: &'t VolumeMap,
        store: &'t dyn CopyStore,
        take: &Take<'t>,
        destination: &'t mut Destination,
        progress: &'t mut dyn FnMut(u64),
        each: &'t mut dyn FnMut(&Taken),
    ) -> VolumeTake<'t> {
        VolumeTake {
            map,
            contents: Contents::new(map, store),
            chosen: take.chosen,
            fill: take.fill,
            stop: take.stop,
            destination,
            progress,
            each,
            folders: HashMap::new(),
            lost: HashMap::new(),
            orphans: None,
            top: Destination::TOP,
        }
    }

    /// Takes the chosen files, below a folder named `top` if given.
    pub(super) fn run(mut self, top: Option<String>) -> Result<(), TakeError> {
        let mut nodes = chosen_nodes(self.map, self.chosen).peekable();
        if let (Some(name), Some(_)) = (top, nodes.peek()) {
            self.top = self.destination.make_folder(Destination::TOP, &name, None)?;
        }
        for node in nodes {
            self.take(&node)?;
        }
        Ok(())
    }

    fn take(&mut self, node: &Node<'t>) -> Result<(), TakeError> {
        let links = chosen_links(node, self.chosen);
        let first = links.first().copied();
        let path = first.map_or_else(|| node.path(), |link| link.path());
        let parent = match first {
            Some(link) => self.parent_folder(link.parent())?,
            None => self.orphans()?,
        };
        let name = first.map_or_else(|| node.number().to_string(), |link| names::safe(link.name()));
        if node.kind() == NodeKind::Folder {
            self.folder(node.id())?;
        }
        let notes = self.reparse_notes(node)?;
        let mut own = None;
        for stream in node.streams().filter(|stream| stream.role() == Role::Data) {
            let name = match stream.name() {
                None => name.clone(),
                Some(stream) => names::safe(&format!("{name}.stream.{stream}")),
            };
            let begun = Taken {
                stream: stream.name().map(str::to_owned),
                bytes: stream.size(),
                // A named stream is no stand-in for anything: it may be the content itself.
                notes: if stream.name().is_none() { notes.clone() } else { Vec::new() },
                ..self.nothing_of(path.clone())
            };
            let taken = self.stream(node, &stream, parent, &name, begun)?;
            if stream.name().is_none() {
                own = Some(taken);
            } else {
                (self.each)(&taken);
            }
        }
        match own {
            Some(mut taken) => {
                self.other_names(parent, &links, &mut taken)?;
                (self.each)(&taken);
            }
            None if node.kind() == NodeKind::File => {
                let taken = Taken { notes: [&notes[..], &[Note::NoContent]].concat(), ..self.nothing_of(path) };
                (self.each)(&taken);
            }
            // A mount point: the folder is made, and what it leads to is not followed.
            None if !notes.is_empty() => {
                let folder = self.folder(node.id())?;
                let written_to = Some(self.destination.path_of(folder));
                let taken = Taken { state: TakenState::Complete, written_to, notes, ..self.nothing_of(path) };
                (self.each)(&taken);
            }
            None => {}
        }
        Ok(())
    }

    /// A file of which there is nothing to write.
    fn nothing_of(&self, path: String) -> Taken {
        Taken {
            volume: self.map.extent.start.0,
            path,
            stream: None,
            written_to: None,
            other_names: Vec::new(),
            bytes: 0,
            sha256: None,
            state: TakenState::Damaged,
            missing: Vec::new(),
            notes: Vec::new(),
            failure: None,
        }
    }

    fn reparse_notes(&mut self, node: &Node<'_>) -> Result<Vec<Note>, TakeError> {
        if self.map.kind != FsKind::Ntfs {
            return Ok(Vec::new());
        }
        let tag = self.contents.reparse_tag(node).map_err(|e| TakeError::io(node.path(), e))?;
        Ok(tag.map(Note::of_tag).into_iter().collect())
    }

    /// Writes one stream, and completes what is known of it before. Only what would stop the next file too is an error.
    fn stream(
        &mut self,
        node: &Node<'_>,
        stream: &Stream<'_>,
        folder: FolderId,
        name: &str,
        mut taken: Taken,
    ) -> Result<Taken, TakeError> {
        if self.stop.load(Ordering::Relaxed) {
            return Err(TakeError::Stopped { path: self.destination.full_path_of(Destination::TOP) });
        }
        taken.state = TakenState::Complete;
        if stream.is_encrypted() {
            taken.notes.push(Note::Encrypted);
        }
        if let Err(error) = self.write(node, stream, folder, name, &mut taken) {
            if error.kind() == io::ErrorKind::Interrupted {
                return Err(TakeError::Stopped { path: self.destination.full_path_of(Destination::TOP) });
            }
            if ends_all(&error) {
                return Err(TakeError::io(self.destination.full_path_of(folder).join(name), error));
            }
            taken.state = TakenState::Failed;
            taken.written_to = None;
            taken.sha256 = None;
            taken.failure = Some(error.to_string());
        }
        Ok(taken)
    }

    fn write(
        &mut self,
        node: &Node<'_>,
        stream: &Stream<'_>,
        folder: FolderId,
        name: &str,
        taken: &mut Taken,
    ) -> io::Result<()> {
        let (out, part) = self.destination.new_part(folder)?;
        let is_summed = stream.size() <= self.map.extent.bytes;
        let writing = Writing::new(&out, self.fill, is_summed, self.stop, self.progress);
        let put = writing.write(&mut self.contents, node, stream).and_then(|written| {
            taken.state = file::state(&written.missing);
            taken.missing = written.missing;
            taken.sha256 = written.sha256;
            if stream.is_incomplete() {
                taken.state = TakenState::Damaged;
                taken.notes.push(Note::RunListIncomplete);
            }
            if let Some(modified) = node.modified() {
                // A file system that cannot hold the time still holds the file.
                let _ = set_modified(&out, modified);
            }
            let marked = taken.mark().map_or_else(|| name.to_owned(), |mark| names::marked(name, mark));
            let own = self.destination.name_for(folder, &marked);
            self.destination.put(folder, &part, &own)?;
            Ok(own)
        });
        let own = put.inspect_err(|_| self.destination.discard(folder, &part))?;
        taken.written_to = Some(self.destination.path_of(folder).join(&own));
        if taken.mark().is_some() { self.companion(folder, &own, taken) } else { Ok(()) }
    }

    /// Writes beside a file what is missing from it.
    fn companion(&mut self, folder: FolderId, own: &str, taken: &Taken) -> io::Result<()> {
        let (out, part) = self.destination.new_part(folder)?;
        let Taken { path, stream, bytes, state, missing, notes, .. } = taken;
        let companion = Companion { path, stream: stream.as_deref(), bytes: *bytes, state: *state, missing, notes };
        let text = json_pretty(&companion).map_err(io::Error::from);
        let put = text.and_then(|text| (&out).write_all((text + "\n").as_bytes())).and_then(|()| {
            let name = self.destination.name_for(folder, &format!("{own}.missing.json"));
            self.destination.put(folder, &part, &name)
        });
        put.inspect_err(|_| self.destination.discard(folder, &part))
    }

    /// Gives the file its further chosen names.
    fn other_names(&mut self, folder: FolderId, links: &[Link<'t>], taken: &mut Taken) -> Result<(), TakeError> {
        let Some(own) = taken.written_to.as_ref().and_then(|p| p.file_name()).and_then(|n| n.to_str()) else {
            return Ok(());
        };
        let own = own.to_owned();
        for link in links.iter().skip(1) {
            let to = self.parent_folder(link.parent())?;
            let safe = names::safe(link.name());
            let name = taken.mark().map_or_else(|| safe.clone(), |mark| names::marked(&safe, mark));
            let name = self.destination.name_for(to, &name);
            let path: PathBuf = self.destination.path_of(to).join(&name);
            match self.destination.second_name((folder, &own), (to, &name)) {
                Ok(()) => taken.other_names.push((link.path(), path)),
                Err(error) if ends_all(&error) => return Err(TakeError::io(path, error)),
                Err(error) => taken.failure = Some(format!("its further name {}: {error}", link.path())),
            }
        }
        Ok(())
    }

    fn parent_folder(&mut self, parent: Parent) -> Result<FolderId, TakeError> {
        match parent {
            Parent::Folder(node) => self.folder(node),
            Parent::Lost(number) => self.lost_folder(number),
        }
    }

    /// The folder for a folder of the volume, made with those above it where it is not there yet.
    fn folder(&mut self, node: NodeId) -> Result<FolderId, TakeError> {
        let mut way = Vec::new();
        let mut at = node;
        let mut made = loop {
            if at == self.map.catalog.root() {
                break self.top;
            }
            if let Some(made) = self.folders.get(&at) {
                break *made;
            }
            way.push(at);
            // The catalog guarantees that chains end.
            match self.map.catalog.node(at).links().next().map(|link| link.parent()) {
                Some(Parent::Folder(parent)) => at = parent,
                Some(Parent::Lost(number)) => break self.lost_folder(number)?,
                None => break self.orphans()?,
            }
        };
        for id in way.into_iter().rev() {
            let node = self.map.catalog.node(id);
            let name = node.links().next().map_or_else(|| node.number().to_string(), |link| names::safe(link.name()));
            made = self.destination.make_folder(made, &name, node.modified())?;
            self.folders.insert(id, made);
        }
        Ok(made)
    }

    fn orphans(&mut self) -> Result<FolderId, TakeError> {
        if let Some(made) = self.orphans {
            return Ok(made);
        }
        let made = self.destination.make_folder(self.top, &names::safe(ORPHANS), None)?;
        self.orphans = Some(made);
        Ok(made)
    }

    fn lost_folder(&mut self, number: u32) -> Result<FolderId, TakeError> {
        if let Some(made) = self.lost.get(&number) {
            return Ok(*made);
        }
        let orphans = self.orphans()?;
        let made = self.destination.make_folder(orphans, &number.to_string(), None)?;
        self.lost.insert(number, made);
        Ok(made)
    }
}

/// The names of a node that patterns take: of several hard links only those that were requested.
fn chosen_links<'c>(node: &Node<'c>, chosen: &Patterns) -> Vec<Link<'c>> {
    let all: Vec<Link<'c>> = node.links().collect();
    if all.len() < 2 {
        return all;
    }
    let taken: Vec<Link<'c>> = all.iter().copied().filter(|link| chosen.takes(&link.path())).collect();
    // One in a lost folder may be chosen by the name that the folder had.
    if taken.is_empty() { all } else { taken }
}
