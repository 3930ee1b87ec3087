//! The names on a drive that come nearest to a pattern which matches nothing.
//!
//! A path is compared name by name: each name with the one at the same level, upper and lower case ignored. What that costs is an edit
//! distance: characters that were left out, put in, replaced, or exchanged with their neighbour. Other errors cost a fixed
//! number of edits: a folder that was left out before the path, a name that has no counterpart.

use super::pattern::NameMatcher;
use super::typed::{exact, literal, take_apart};
use crate::filesystem::{Catalog, Link, NodeId, NodeKind, Parent, Purpose};
use crate::survey::allocation::DriveMap;
use strsim::osa_distance;

/// A path on the drive that may have been meant.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct NearName {
    /// Edits between what was typed and this.
    pub edits: u32,
    /// The area of the drive that its volume is.
    pub area: usize,
    /// The pattern that matches it alone.
    pub pattern: String,
}

/// At most so many are named.
const NAMED: usize = 5;
/// Those that need so many more edits than the nearest are not named.
const FURTHER: u32 = 2;
/// A path that begins in another folder than the root.
const ELSEWHERE: u32 = 1;
/// A name that contains the other.
const CONTAINED: u32 = 3;
/// A name without counterpart: then only the folder before it is named.
const LEFT_OUT: u32 = 5;

/// The paths nearest to `pattern` in the areas chosen, the nearest first; none when no name is like one of the pattern's.
pub fn nearest(pattern: &str, drive: &DriveMap, areas: Option<&[usize]>) -> Vec<NearName> {
    let Some(search) = Search::new(pattern) else { return Vec::new() };
    let mut found = Vec::new();
    for (area, volume) in drive.volumes().filter(|(index, _)| areas.is_none_or(|chosen| chosen.contains(index))) {
        search.look_in(&volume.catalog, &mut |edits, link| keep_best(&mut found, edits, area, link));
    }
    found
}

fn keep_best(found: &mut Vec<NearName>, edits: u32, area: usize, link: Link<'_>) {
    let is_full = found.len() == NAMED;
    if found.first().is_some_and(|best| edits > best.edits + FURTHER) || is_full && edits > found[NAMED - 1].edits {
        return;
    }
    found.push(NearName { edits, area, pattern: exact(&link.path()) });
    found.sort();
    let most = found[0].edits + FURTHER;
    found.retain(|near| near.edits <= most);
    found.truncate(NAMED);
}

/// A name of the pattern.
struct Typed {
    is_any_folders: bool,
    matcher: Option<NameMatcher>,
    text: String,
}

impl Typed {
    fn new(name: &str) -> Typed {
        Typed { is_any_folders: name == "**", matcher: NameMatcher::new(name).ok(), text: literal(name).to_lowercase() }
    }

    /// The edits that make one name of the other; `None` when they have nothing in common.
    fn edits(&self, name: &str) -> Option<u32> {
        if self.matcher.as_ref().is_some_and(|matcher| matcher.is_match(name)) {
            return Some(0);
        }
        edits(&self.text, &name.to_lowercase())
    }
}

fn edits(one: &str, other: &str) -> Option<u32> {
    let (ones, others) = (one.chars().count(), other.chars().count());
    let shorter = ones.min(others);
    let contained = shorter >= 3 && (one.contains(other) || other.contains(one));
    let most = (shorter / 2).max(1);
    let near = (ones.abs_diff(others) <= most).then(|| osa_distance(one, other)).filter(|distance| *distance <= most);
    let near = near.map(|distance| u32::try_from(distance).unwrap_or(u32::MAX));
    if contained { Some(near.map_or(CONTAINED, |near| near.min(CONTAINED))) } else { near }
}

struct Search {
    parts: Vec<Typed>,
    from_root: bool,
}

/// For each number of the pattern's names: the edits with which a path accounts for so many of them.
type Edits = Vec<Option<u32>>;

impl Search {
    fn new(pattern: &str) -> Option<Search> {
        let mut typed = take_apart(pattern)?;
        // All below a folder: the folder is what is looked for.
        while typed.names.pop_if(|name| *name == "**").is_some() {}
        Some(Search { parts: typed.names.into_iter().map(Typed::new).collect(), from_root: typed.from_root })
    }

    /// Hands every path that accounts for the whole pattern to `found`, with its edits.
    fn look_in(&self, catalog: &Catalog, found: &mut dyn FnMut(u32, Link<'_>)) {
        let mut below: Vec<Vec<(NodeId, usize)>> = vec![Vec::new(); catalog.len()];
        for node in catalog.nodes().filter(|node| !node.is_deleted() && node.purpose() == Purpose::Client) {
            // A folder has one name; several would lead in circles.
            let names = if node.kind() == NodeKind::Folder { 1 } else { usize::MAX };
            for (at, link) in node.links().enumerate().take(names) {
                if let Parent::Folder(folder) = link.parent() {
                    below[folder.0 as usize].push((node.id(), at));
                }
            }
        }
        let mut open = vec![(catalog.root(), self.begin(0))];
        while let Some((folder, before)) = open.pop() {
            for (id, at) in std::mem::take(&mut below[folder.0 as usize]) {
                let link = catalog.node(id).links().nth(at).expect("it was there before");
                let (edits, is_end) = self.step(&before, link.name());
                if let Some(edits) = edits[self.parts.len()].filter(|_| is_end) {
                    found(edits, link);
                }
                if id != catalog.root() && !below[id.0 as usize].is_empty() {
                    open.push((id, edits));
                }
            }
        }
    }

    /// At a folder where the path may begin.
    fn begin(&self, edits: u32) -> Edits {
        let mut begun = vec![None; self.parts.len() + 1];
        begun[0] = Some(edits);
        self.pass_over(&mut begun);
        begun
    }

    /// What `**` may leave out.
    fn pass_over(&self, edits: &mut Edits) {
        for (at, part) in self.parts.iter().enumerate() {
            if part.is_any_folders {
                edits[at + 1] = least(edits[at + 1], edits[at]);
            }
        }
    }

    /// One name further down, and whether this name accounts for one of the pattern's.
    fn step(&self, before: &Edits, name: &str) -> (Edits, bool) {
        let mut after = self.begin(if self.from_root { ELSEWHERE } else { 0 });
        let mut is_end = false;
        for (at, part) in self.parts.iter().enumerate() {
            let Some(so_far) = before[at] else { continue };
            if part.is_any_folders {
                after[at] = least(after[at], Some(so_far));
            } else if let Some(edits) = part.edits(name) {
                let rest = &self.parts[at + 1..];
                after[at + 1] = least(after[at + 1], Some(so_far + edits));
                is_end |= rest.is_empty();
                // Only its beginning is there.
                if !rest.is_empty() && rest.iter().all(|part| !part.is_any_folders) {
                    let all = u32::try_from(rest.len()).unwrap_or(u32::MAX).saturating_mul(LEFT_OUT);
                    let end = self.parts.len();
                    after[end] = least(after[end], Some(so_far.saturating_add(edits).saturating_add(all)));
                    is_end = true;
                }
            }
        }
        self.pass_over(&mut after);
        (after, is_end)
    }
}

fn least(one: Option<u32>, other: Option<u32>) -> Option<u32> {
    one.into_iter().chain(other).min()
}

#[cfg(test)]
mod tests {
    use super::super::pattern::tests::tree;
    use super::*;

    // Source: the worked examples of Wagner and Fischer's distance that textbooks and the article "Levenshtein distance" give
    // (from memory): kitten and sitting 3, Saturday and Sunday 3; an exchange of neighbours is one edit (Damerau 1964).
    #[test]
    fn edits_of_names() {
        assert_eq!(edits("kitten", "sitting"), Some(3));
        assert_eq!(edits("saturday", "sunday"), Some(3));
        assert_eq!(edits("docuemnts", "documents"), Some(1));
        assert_eq!(edits("documents", "my documents"), Some(3));
        assert_eq!(edits("photos", "surveys"), None);
    }

    fn near(pattern: &str) -> Vec<(u32, String)> {
        let catalog = tree(&[
            "/Users/",
            "/Users/anna/",
            "/Users/anna/Documents/",
            "/Users/anna/Documents/letters/",
            "/Users/anna/Pictures/",
            "/Users/Öztürk/",
            "/Users/Öztürk/Documents/",
            "/Photos [2019]/",
            "/Photos [2019]/fern.jpg",
        ]);
        let mut found = Vec::new();
        Search::new(pattern).unwrap().look_in(&catalog, &mut |edits, link| keep_best(&mut found, edits, 0, link));
        found.into_iter().map(|near| (near.edits, near.pattern)).collect()
    }

    #[test]
    fn the_nearest_names_come_first() {
        let documents = "/Users/anna/Documents".to_owned();
        assert_eq!(near(r"C:\Users\ana\Documents")[0], (1, documents.clone()));
        assert_eq!(near(r"C:\User\Ana\Docuemnts")[0], (3, documents.clone()));
        assert_eq!(near(r"anna\Documents"), [(1, documents.clone())], "a folder was left out before it");
        assert_eq!(near("Documets").iter().map(|n| n.0).collect::<Vec<_>>(), [1, 1], "anywhere");
        assert_eq!(near("/Users/öztürk/Dokuments")[0], (1, "/Users/Öztürk/Documents".to_owned()));
        assert_eq!(near("/Users/anna/Music"), [(5, "/Users/anna".to_owned())], "only the folder before it is there");
        assert_eq!(near("/photos 2019/*.jpg")[0], (2, "/Photos [[]2019[]]/fern.jpg".to_owned()));
        assert_eq!(near("/Users/**/leters")[0], (1, "/Users/anna/Documents/letters".to_owned()));
        assert_eq!(near("/Usrs/**"), [(1, "/Users".to_owned())]);
        assert_eq!(near("/Zeppelin"), []);
    }
}
