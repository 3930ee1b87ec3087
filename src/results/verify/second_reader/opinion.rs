//! What a second reader's view of a volume comes to.

use serde::Serialize;

/// Why a file or folder was not compared.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum NotCompared {
    /// The second reader cannot follow it.
    NotFollowed,
    /// The copy lacks what the second reader wanted.
    NotInCopy,
    /// The file's record is unreadable or not read yet.
    NamedOnly,
}

impl NotCompared {
    /// The same in a sentence.
    pub fn sentence(self) -> &'static str {
        match self {
            NotCompared::NotFollowed => {
                "the second reader does not follow attributes in several file records, a file at cluster 0 ($Boot), or a \
                 folder's index blocks smaller than a cluster, or it stopped with a fault of its own."
            }
            NotCompared::NotInCopy => {
                "the second reader needs bytes that the copy does not hold. It finds files by the entries of folders, gleaner \
                 by the file records."
            }
            NotCompared::NamedOnly => {
                "both know only the name, by the folder's entry: the file's own record is unreadable or damaged (gleaner \
                 counts it as lost) or not read yet."
            }
        }
    }
}

/// How one file or folder differs.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case", tag = "difference")]
pub enum Difference {
    /// Only gleaner sees it.
    OnlyOurs,
    /// Only the second reader sees it.
    OnlyTheirs,
    /// One takes it for a file, the other for a folder.
    Kind,
    /// Different sizes, in bytes; `None` for no content at all.
    Size {
        /// Gleaner's.
        ours: Option<u64>,
        /// The second reader's.
        theirs: Option<u64>,
    },
    /// Different content.
    Content {
        /// Bytes that were compared.
        bytes: u64,
    },
    /// The second reader could not read it.
    Unreadable {
        /// What it said.
        message: String,
    },
}

/// A difference, at a path.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct FolderDifference {
    /// The path on the volume.
    pub path: String,
    /// What differs.
    #[serde(flatten)]
    pub difference: Difference,
}

/// What it comes to.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case", tag = "verdict")]
pub enum Verdict {
    /// All that was compared is the same.
    Agrees,
    /// There are differences.
    Differs,
    /// It could not open the volume.
    NotOpened {
        /// What it said.
        message: String,
    },
    /// There is no second reader for this file system.
    NoReader,
}

/// What a second, independent reader sees of a volume of the copy.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct SecondOpinion {
    /// Byte of the drive where the volume starts.
    pub volume: u64,
    /// The reader, with its version.
    pub reader: &'static str,
    /// What it comes to.
    #[serde(flatten)]
    pub verdict: Verdict,
    /// Files it sees, in the folders that both see.
    pub files: u64,
    /// Folders it sees, the root among them.
    pub folders: u64,
    /// Files whose content was read through both and compared.
    pub contents_compared: u64,
    /// Bytes of those.
    pub bytes_compared: u64,
    /// Files that only gleaner can place, because their folder is lost.
    pub orphans: u64,
    /// Number of differences, those not listed among them.
    pub different: u64,
    /// The first differences.
    pub differences: Vec<FolderDifference>,
    /// Number of files and folders that were not compared, by reason.
    pub not_compared: Vec<(NotCompared, u64)>,
    /// Writes it tried, all refused.
    pub refused_writes: u64,
    /// Bytes it wanted that the copy does not hold.
    pub absent_bytes: u64,
}

/// Differences listed at most.
const LISTED: usize = 200;

impl SecondOpinion {
    pub(super) fn new(volume: u64, reader: &'static str, orphans: u64) -> SecondOpinion {
        SecondOpinion {
            volume,
            reader,
            verdict: Verdict::Agrees,
            files: 0,
            folders: 0,
            contents_compared: 0,
            bytes_compared: 0,
            orphans,
            different: 0,
            differences: Vec::new(),
            not_compared: Vec::new(),
            refused_writes: 0,
            absent_bytes: 0,
        }
    }

    pub(super) fn differ(&mut self, path: String, difference: Difference) {
        self.verdict = Verdict::Differs;
        self.different += 1;
        if self.differences.len() < LISTED {
            self.differences.push(FolderDifference { path, difference });
        }
    }

    pub(super) fn leave_out(&mut self, why: NotCompared) {
        match self.not_compared.iter_mut().find(|(known, _)| *known == why) {
            Some((_, count)) => *count += 1,
            None => {
                self.not_compared.push((why, 1));
                self.not_compared.sort_unstable();
            }
        }
    }
}
