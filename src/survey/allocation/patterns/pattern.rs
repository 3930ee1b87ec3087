//! Choosing files and folders by patterns over their paths.
//!
//! A pattern is a path from the volume's root whose parts may hold `*`, `?`, `[...]` and `{...,...}` (within one name)
//! and `**` (any number of folders). Upper and lower case are ignored, as the file systems do. One that matches a
//! folder takes everything below it. A name alone is found in any folder. A path may be typed as on Windows: with `\`, a drive
//! letter, quotes around it, a separator at its end. A character in brackets means itself.
//!
//! Matching walks the folder tree with a set of "how far has each pattern come" for each folder, so that a subtree in which nothing can
//! match costs nothing, and no paths are put together.

use super::typed::{TypedPath, exact, literal, take_apart};
use crate::base::ending::{Ending, Ends};
use crate::filesystem::{Catalog, Node, NodeId, ORPHANS, Parent};
use globset::{GlobBuilder, GlobMatcher};
use std::collections::{BTreeSet, HashMap};

/// A pattern that cannot be used.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[non_exhaustive]
pub enum PatternError {
    /// Nothing in it.
    #[error("an empty pattern matches nothing; give a path such as 'Users/*/Documents'")]
    Empty,
    /// More patterns than there are lanes.
    #[error("{0} patterns given, at most 65,000 are possible")]
    TooMany(usize),
    /// The glob syntax is wrong.
    #[error("pattern '{pattern}': {reason}")]
    Syntax {
        /// The whole pattern.
        pattern: String,
        /// What is wrong with it.
        reason: String,
    },
}

enum Part {
    AnyFolders,
    Name(NameMatcher),
}

/// A list of patterns, in the order of their importance.
#[derive(Default)]
pub struct Patterns {
    texts: Vec<String>,
    patterns: Vec<Vec<Part>>,
}

impl Patterns {
    /// Compiles a list.
    ///
    /// # Errors
    /// [`PatternError`] names the first pattern that cannot be used.
    pub fn new<S: AsRef<str>>(list: &[S]) -> Result<Patterns, PatternError> {
        if list.len() > 65_000 {
            return Err(PatternError::TooMany(list.len()));
        }
        let patterns = list.iter().map(|text| compile(text.as_ref())).collect::<Result<_, _>>()?;
        Ok(Patterns { texts: list.iter().map(|text| text.as_ref().to_owned()).collect(), patterns })
    }

    /// The patterns as they were given.
    pub fn texts(&self) -> &[String] {
        &self.texts
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.patterns.is_empty()
    }

    /// For each node of the catalog the place of the first pattern that takes it, or `None`.
    pub fn choose(&self, catalog: &Catalog) -> Choice {
        let mut walk = Walk { patterns: &self.patterns, states: Vec::new(), numbers: HashMap::new() };
        let dead = walk.number(State::default());
        debug_assert_eq!(dead, 0);
        if self.is_empty() {
            return Choice { lanes: Vec::new() };
        }
        let start = walk.number(State { reached: self.starts(), lane: None });
        // What has lost its folder can be chosen by the path it is shown with, and by the folder's own where another folder names it.
        let orphans = walk.step(start, ORPHANS);
        let mut of_node: Vec<Option<u32>> = vec![None; catalog.len()];
        of_node[catalog.root().0 as usize] = Some(start);
        let mut chain = Vec::new();
        for node in catalog.nodes() {
            // Parents first, without recursion: the catalog guarantees that chains end.
            let mut at = node;
            while of_node[at.id().0 as usize].is_none() {
                chain.push(at);
                match parent_folder(&at) {
                    Some(parent) => at = catalog.node(parent),
                    None => break,
                }
            }
            while let Some(next) = chain.pop() {
                let state = walk.node_state(&next, &of_node, orphans);
                of_node[next.id().0 as usize] = Some(state);
            }
        }
        let lane = |state: &Option<u32>| state.and_then(|number| walk.states[number as usize].lane);
        Choice { lanes: of_node.iter().map(lane).collect() }
    }

    /// The places of the patterns that are the first to take an existing file or folder.
    pub fn taking(&self, catalog: &Catalog) -> BTreeSet<u16> {
        let choice = self.choose(catalog);
        catalog.nodes().filter(|node| !node.is_deleted()).filter_map(|node| choice.lane(node.id())).collect()
    }

    /// Whether any pattern takes the file or folder at `path` (as [`crate::filesystem::Link::path`] gives it), by itself or with a
    /// folder it lies in. For telling apart the names of one file; for whole catalogs there is [`Patterns::choose`].
    pub fn takes(&self, path: &str) -> bool {
        self.lane_of(path).is_some()
    }

    /// The place of the first pattern that takes the file or folder at `path`, as [`Patterns::takes`] has it.
    pub fn lane_of(&self, path: &str) -> Option<u16> {
        let mut walk = Walk { patterns: &self.patterns, states: Vec::new(), numbers: HashMap::new() };
        let mut at = walk.number(State { reached: self.starts(), lane: None });
        for name in path.split('/').filter(|name| !name.is_empty()) {
            at = walk.step(at, name);
        }
        walk.states[at as usize].lane
    }

    fn starts(&self) -> Vec<(u16, u16)> {
        let mut reached = Vec::new();
        for (index, pattern) in self.patterns.iter().enumerate() {
            add_with_skips(&mut reached, u16::try_from(index).expect("at most 65,000 patterns"), 0, pattern);
        }
        reached
    }
}

fn parent_folder(node: &Node<'_>) -> Option<NodeId> {
    let link = node.links().next()?;
    match link.parent() {
        Parent::Folder(id) => Some(id),
        Parent::Lost(_) => link.lost_folder().map(|(folder, _)| folder),
    }
}

/// Adds a position, and those behind it that `**` lets be reached without a name.
fn add_with_skips(reached: &mut Vec<(u16, u16)>, pattern: u16, position: usize, parts: &[Part]) {
    reached.push((pattern, u16::try_from(position).expect("checked when compiled")));
    if matches!(parts.get(position), Some(Part::AnyFolders)) && position + 1 < parts.len() {
        add_with_skips(reached, pattern, position + 1, parts);
    }
}

fn compile(text: &str) -> Result<Vec<Part>, PatternError> {
    let syntax = |reason: String| PatternError::Syntax { pattern: text.to_owned(), reason };
    let TypedPath { from_root, names } = take_apart(text).ok_or(PatternError::Empty)?;
    let mut parts = Vec::new();
    if !from_root || names.is_empty() {
        parts.push(Part::AnyFolders);
    }
    for name in names {
        if name == "**" {
            if !matches!(parts.last(), Some(Part::AnyFolders)) {
                parts.push(Part::AnyFolders);
            }
            continue;
        }
        parts.push(Part::Name(NameMatcher::new(name).map_err(|error| {
            let hint =
                if name.contains(['{', '[']) { " (braces and brackets cannot reach over a separator)" } else { "" };
            syntax(format!("{}{hint}", error.kind()))
        })?));
    }
    if parts.len() > 1000 {
        return Err(syntax("more than 1000 folders deep".to_owned()));
    }
    Ok(parts)
}

/// What matches one name: the glob, and the same text as a name, for people who type `Taxes [2019]` and mean it.
pub(in crate::survey::allocation) struct NameMatcher {
    glob: GlobMatcher,
    itself: Option<GlobMatcher>,
}

impl NameMatcher {
    pub(in crate::survey::allocation) fn new(name: &str) -> Result<NameMatcher, globset::Error> {
        let compile = |glob: &str| {
            let glob = GlobBuilder::new(glob).case_insensitive(true).backslash_escape(false).build()?;
            Ok(glob.compile_matcher())
        };
        // Who writes brackets around a character knows what they mean.
        let is_as_typed = name.contains(['[', '{']) && literal(name) == name;
        let itself = is_as_typed.then(|| compile(&exact(name))).transpose()?;
        Ok(NameMatcher { glob: compile(name)?, itself })
    }

    pub(in crate::survey::allocation) fn is_match(&self, name: &str) -> bool {
        self.glob.is_match(name) || self.itself.as_ref().is_some_and(|itself| itself.is_match(name))
    }
}

/// Which pattern takes each node.
pub struct Choice {
    lanes: Vec<Option<u16>>,
}

impl Choice {
    /// The place of the first pattern that takes a node.
    pub fn lane(&self, node: NodeId) -> Option<u16> {
        self.lanes.get(node.0 as usize).copied().flatten()
    }

    /// How many nodes a pattern takes.
    pub fn count(&self, lane: u16) -> usize {
        self.lanes.iter().filter(|chosen| **chosen == Some(lane)).count()
    }
}

/// How far the patterns have come at a node: positions inside patterns, and the first pattern that is complete.
#[derive(Clone, PartialEq, Eq, Hash, Default, Debug)]
struct State {
    reached: Vec<(u16, u16)>,
    lane: Option<u16>,
}

struct Walk<'p> {
    patterns: &'p [Vec<Part>],
    states: Vec<State>,
    numbers: HashMap<State, u32>,
}

impl Walk<'_> {
    fn number(&mut self, state: State) -> u32 {
        if let Some(number) = self.numbers.get(&state) {
            return *number;
        }
        let number = u32::try_from(self.states.len()).expect("far fewer states than nodes");
        self.states.push(state.clone());
        self.numbers.insert(state, number);
        number
    }

    fn node_state(&mut self, node: &Node<'_>, of_node: &[Option<u32>], orphans: u32) -> u32 {
        let mut best: Option<u32> = None;
        if node.links().next().is_none() {
            best = Some(self.step(orphans, &node.number().to_string()));
        }
        for link in node.links() {
            let from = match link.parent() {
                Parent::Folder(parent) => of_node[parent.0 as usize],
                Parent::Lost(number) => {
                    let shown = self.step(orphans, &number.to_string());
                    let named = link.lost_folder().and_then(|(above, name)| Some((of_node[above.0 as usize]?, name)));
                    Some(match named.map(|(above, name)| self.step(above, name)) {
                        Some(named) => self.both(shown, named),
                        None => shown,
                    })
                }
            };
            let Some(from) = from else { continue };
            let state = self.step(from, link.name());
            let lane = |number: u32| self.states[number as usize].lane.unwrap_or(u16::MAX);
            if best.is_none_or(|b| lane(state) < lane(b)) {
                best = Some(state);
            }
        }
        best.unwrap_or(0)
    }

    /// The state of what has two paths.
    fn both(&mut self, one: u32, other: u32) -> u32 {
        let (one, other) = (&self.states[one as usize], &self.states[other as usize]);
        let lane = [one.lane, other.lane].into_iter().flatten().min();
        let mut reached = [&one.reached[..], &other.reached[..]].concat();
        reached.retain(|(pattern, _)| lane.is_none_or(|lane| *pattern < lane));
        reached.sort_unstable();
        reached.dedup();
        self.number(State { reached, lane })
    }

    fn step(&mut self, from: u32, name: &str) -> u32 {
        let state = &self.states[from as usize];
        if state.reached.is_empty() {
            return from;
        }
        let mut next = State { reached: Vec::new(), lane: state.lane };
        for &(pattern, position) in &state.reached {
            let parts = &self.patterns[usize::from(pattern)];
            let position = usize::from(position);
            match &parts[position] {
                Part::AnyFolders => {
                    add_with_skips(&mut next.reached, pattern, position, parts);
                    if position + 1 == parts.len() {
                        next.complete(pattern);
                    }
                }
                Part::Name(matcher) if matcher.is_match(name) => {
                    if position + 1 == parts.len() {
                        next.complete(pattern);
                    } else {
                        add_with_skips(&mut next.reached, pattern, position + 1, parts);
                        // "folder/**" takes the folder itself too: everything below it is wanted.
                        if position + 2 == parts.len() && matches!(parts[position + 1], Part::AnyFolders) {
                            next.complete(pattern);
                        }
                    }
                }
                Part::Name(_) => {}
            }
        }
        // Patterns that come behind one that is complete already can change nothing below.
        let lane = next.lane;
        next.reached.retain(|(pattern, _)| lane.is_none_or(|lane| *pattern < lane));
        next.reached.sort_unstable();
        next.reached.dedup();
        self.number(next)
    }
}

impl State {
    fn complete(&mut self, pattern: u16) {
        self.lane = Some(self.lane.map_or(pattern, |lane| lane.min(pattern)));
    }
}

impl Ends for PatternError {
    fn ending(&self) -> Ending {
        Ending::Usage
    }
}

#[cfg(test)]
pub(in crate::survey::allocation) mod tests {
    use super::*;
    use crate::filesystem::{CatalogBuilder, NodeKind, NodeSpec, Purpose};

    /// A small tree; paths ending in `/` are folders.
    pub fn tree(paths: &[&str]) -> Catalog {
        let mut build = CatalogBuilder::default();
        let spec = |kind| NodeSpec { number: 0, kind, purpose: Purpose::Client, deleted: false };
        let root = build.add_node(spec(NodeKind::Folder));
        let mut known: HashMap<String, NodeId> = HashMap::from([(String::new(), root)]);
        for path in paths {
            let clean = path.trim_end_matches('/');
            let (folder, name) = clean.rsplit_once('/').unwrap();
            let kind = if path.ends_with('/') { NodeKind::Folder } else { NodeKind::File };
            let node = build.add_node(spec(kind));
            build.add_link(node, Parent::Folder(known[folder]), name);
            known.insert(clean.to_owned(), node);
        }
        build.finish(root)
    }

    fn chosen(patterns: &[&str]) -> Vec<(String, u16)> {
        let catalog = tree(&[
            "/Users/",
            "/Users/ida/",
            "/Users/ida/Documents/",
            "/Users/ida/Documents/plan.ODT",
            "/Users/tom/",
            "/Users/tom/Documents/",
            "/Users/tom/Documents/a.txt",
            "/Photos/",
            "/Photos/2019/",
            "/Photos/2019/fern.jpg",
            "/pagefile.sys",
            "/Users/tom/pagefile.sys",
        ]);
        let choice = Patterns::new(patterns).unwrap().choose(&catalog);
        catalog.nodes().filter_map(|n| Some((n.path(), choice.lane(n.id())?))).collect()
    }

    fn paths(patterns: &[&str]) -> Vec<String> {
        chosen(patterns).into_iter().map(|(path, _)| path).collect()
    }

    #[test]
    fn folders_take_what_is_below_them() {
        let ida = ["/Users/ida", "/Users/ida/Documents", "/Users/ida/Documents/plan.ODT"];
        assert_eq!(paths(&["/Users/ida"]), ida);
        assert_eq!(paths(&["users/IDA/"]), ida);
        assert_eq!(paths(&[r#""C:\Users\Ida\""#]), ida);
        assert_eq!(paths(&[r"Users\*\Documents"]).len(), 4);
        assert_eq!(paths(&[r"ida\"]), ida);
        assert_eq!(paths(&["Users/ida/**"]), ida);
        assert_eq!(paths(&["Users/*/Documents"]).len(), 4);
        assert_eq!(paths(&["**/documents/*.odt"]), ["/Users/ida/Documents/plan.ODT"]);
        assert_eq!(paths(&["Users/**/a.txt"]), ["/Users/tom/Documents/a.txt"]);
        assert_eq!(paths(&["Users/{ida,nobody}/*"]), &ida[1..]);
        assert_eq!(paths(&["/"]).len(), 12);
    }

    #[test]
    fn a_bare_name_is_found_anywhere_and_an_anchored_one_only_there() {
        assert_eq!(paths(&["*.jpg"]), ["/Photos/2019/fern.jpg"]);
        assert_eq!(paths(&["/pagefile.sys"]), ["/pagefile.sys"]);
        assert_eq!(paths(&["pagefile.sys"]).len(), 2);
    }

    #[test]
    fn what_lost_its_folder_is_chosen_by_the_path_it_is_shown_with() {
        let mut build = CatalogBuilder::default();
        let spec = |kind, number| NodeSpec { number, kind, purpose: Purpose::Client, deleted: false };
        let root = build.add_node(spec(NodeKind::Folder, 5));
        let folder = build.add_node(spec(NodeKind::Folder, 60));
        let below = build.add_node(spec(NodeKind::File, 61));
        build.add_node(spec(NodeKind::File, 62));
        build.add_link(folder, Parent::Lost(52), "Letters");
        build.add_link(below, Parent::Folder(folder), "a.txt");
        let catalog = build.finish(root);
        let count = |pattern: &str| {
            let patterns = Patterns::new(&[pattern]).unwrap();
            let choice = patterns.choose(&catalog);
            let chosen: Vec<_> = catalog.nodes().filter(|n| choice.lane(n.id()).is_some()).collect();
            assert!(chosen.iter().all(|node| patterns.takes(&node.path()) || node.id() == root), "{pattern}");
            chosen.len()
        };
        assert_eq!([count("/"), count("*.txt"), count("<orphans>/52"), count("<orphans>/62")], [3, 1, 2, 1]);
    }

    #[test]
    fn a_path_is_taken_when_its_node_would_be() {
        let patterns = Patterns::new(&["Users/*/Documents", "*.jpg"]).unwrap();
        for (path, taken) in [
            ("/Users/ida/Documents", true),
            ("/Users/ida/Documents/deep/below.txt", true),
            ("/Users/ida", false),
            ("/Photos/FERN.JPG", true),
            ("/", false),
        ] {
            assert_eq!(patterns.takes(path), taken, "{path}");
        }
    }

    #[test]
    fn the_first_pattern_wins() {
        let lanes = chosen(&["*.txt", "Users", "Users/ida"]);
        assert!(lanes.contains(&("/Users/tom/Documents/a.txt".into(), 0)));
        assert!(lanes.contains(&("/Users/ida/Documents/plan.ODT".into(), 1)));
    }

    #[test]
    fn a_name_with_special_characters_can_be_written_so_that_it_means_itself() {
        let names = [
            "a[1]", "a1", "b*", "bb", "c?", "cc", "{d,e}", "d", r"f\g", "f", "\"h\"", "'i'", "**", "[!x]", "]", "[",
            "}", "j\nk",
        ];
        let paths: Vec<String> = names.iter().map(|name| format!("/{name}")).collect();
        let catalog = tree(&paths.iter().map(String::as_str).collect::<Vec<_>>());
        for path in &paths {
            let pattern = exact(path);
            let choice = Patterns::new(&[&pattern]).unwrap().choose(&catalog);
            let taken: Vec<String> =
                catalog.nodes().filter(|n| choice.lane(n.id()).is_some()).map(|n| n.path()).collect();
            assert_eq!(taken, [path.as_str()], "{pattern}");
            assert!(path.contains('\n') || format!("/{}", literal(&pattern[1..])) == *path);
        }
        assert_eq!([exact("/a[1]/*"), exact("/j\nk")], ["/a[[]1[]]/[*]", "/j?k"]);
    }

    #[test]
    fn a_name_with_brackets_is_found_as_it_is_typed() {
        let catalog = tree(&["/Taxes [2019]/", "/Taxes 2/", "/{a,b}/", "/a/", "/c/"]);
        let paths = |pattern: &str| {
            let choice = Patterns::new(&[pattern]).unwrap().choose(&catalog);
            catalog.nodes().filter(|n| choice.lane(n.id()).is_some()).map(|n| n.path()).collect::<Vec<_>>()
        };
        assert_eq!(paths(r"C:\taxes [2019]"), ["/Taxes [2019]", "/Taxes 2"]);
        assert_eq!(paths("/{a,b}"), ["/{a,b}", "/a"]);
        assert_eq!(paths("/[{]a,b[}]"), ["/{a,b}"]);
    }

    #[test]
    fn bad_patterns_are_refused_with_the_reason() {
        assert_eq!(Patterns::new(&[""]).err(), Some(PatternError::Empty));
        let error = Patterns::new(&["a/{b/c}"]).err().unwrap().to_string();
        assert!(error.contains("cannot reach over"), "{error}");
    }
}
