//! What a second reader's view of a volume comes to.

use serde::Serialize;

/// Why a difference says more about the second reader than about the copy.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Explanation {
    /// The file's attributes are spread over several records.
    AttributeList,
    /// $MFT's own description is spread over several records.
    TableList,
    /// The file starts at cluster 0.
    ClusterZero,
    /// The folder's index blocks are smaller than clusters.
    SmallIndexBlocks,
    /// The first copy of a structure is damaged.
    NoFallback,
    /// The copy lacks what the reader wanted.
    NotInCopy,
    /// It stopped inside its own code.
    Panicked,
    /// Short names with letters beyond ASCII.
    ShortNameLetters,
    /// The volume calls itself FAT32 and has too few clusters for it.
    TooSmallForFat32,
    /// The file's record is unreadable or not read yet.
    NamedOnly,
}

impl Explanation {
    /// All.
    pub const ALL: [Explanation; 10] = [
        Explanation::AttributeList,
        Explanation::TableList,
        Explanation::ClusterZero,
        Explanation::SmallIndexBlocks,
        Explanation::NoFallback,
        Explanation::NotInCopy,
        Explanation::Panicked,
        Explanation::ShortNameLetters,
        Explanation::TooSmallForFat32,
        Explanation::NamedOnly,
    ];

    /// The same in a sentence.
    pub fn sentence(self) -> &'static str {
        match self {
            Explanation::AttributeList => {
                "The file's attributes are spread over several records; the second reader takes the parts of such a file \
                 for separate streams or for empty ones."
            }
            Explanation::TableList => {
                "$MFT's own description is spread over several records; the second reader knows only the part of $MFT that \
                 the first record describes."
            }
            Explanation::ClusterZero => {
                "The file starts at cluster 0 of the volume ($Boot does); the second reader takes that for a hole."
            }
            Explanation::SmallIndexBlocks => {
                "The folder's index blocks are smaller than a cluster; the second reader looks for all but the first in the \
                 wrong place."
            }
            Explanation::NoFallback => {
                "The first boot sector or file record is damaged and its copy was used; the second reader knows only the \
                 first."
            }
            Explanation::NotInCopy => {
                "The second reader asked for bytes that the copy does not hold, and was given zeros. It finds files by the \
                 entries of folders, where gleaner goes by the file records."
            }
            Explanation::Panicked => {
                "The second reader stopped with a fault of its own; this says nothing about the copy."
            }
            Explanation::ShortNameLetters => {
                "The second reader cannot show letters beyond ASCII in short names; the files are the same."
            }
            Explanation::TooSmallForFat32 => {
                "The volume has fewer clusters than FAT32 may have; the second reader goes by their number alone and takes \
                 it for FAT16 or FAT12."
            }
            Explanation::NamedOnly => {
                "Both know these files by their folders' entries alone: their own records are unreadable or damaged (gleaner \
                 counts them as lost) or not read yet."
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
    /// Why that says nothing about the copy; `None` when that is not known.
    pub explanation: Option<Explanation>,
}

/// What it comes to.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case", tag = "verdict")]
pub enum Verdict {
    /// Everything it sees is the same.
    Agrees,
    /// All differences are known weaknesses of the second reader.
    AgreesWhereItCan,
    /// There are differences that no known weakness explains.
    Differs,
    /// It could not open the volume.
    NotOpened {
        /// What it said.
        message: String,
        /// Why that says nothing about the copy; `None` when that is not known.
        explanation: Option<Explanation>,
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
    /// The first differences.
    pub differences: Vec<FolderDifference>,
    /// Differences that nothing explains, those not listed among them.
    pub unexplained: u64,
    /// Number of differences by explanation, in the order of [`Explanation::ALL`].
    pub explained: Vec<(Explanation, u64)>,
    /// Writes it tried, all refused.
    pub refused_writes: u64,
    /// Bytes it asked for that the copy does not hold.
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
            differences: Vec::new(),
            unexplained: 0,
            explained: Vec::new(),
            refused_writes: 0,
            absent_bytes: 0,
        }
    }

    pub(super) fn differ(&mut self, path: String, difference: Difference, explanation: Option<Explanation>) {
        match explanation {
            None => self.unexplained += 1,
            Some(why) => match self.explained.iter_mut().find(|(known, _)| *known == why) {
                Some((_, count)) => *count += 1,
                None => {
                    self.explained.push((why, 1));
                    self.explained.sort_unstable();
                }
            },
        }
        if self.differences.len() < LISTED {
            self.differences.push(FolderDifference { path, difference, explanation });
        }
    }

    pub(super) fn settle(&mut self) {
        self.verdict = match (self.unexplained, self.explained.is_empty()) {
            (0, true) => Verdict::Agrees,
            (0, false) => Verdict::AgreesWhereItCan,
            _ => Verdict::Differs,
        };
    }
}
