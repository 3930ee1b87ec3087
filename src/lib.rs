//! Gleaner reads a drive's partition tables and file systems, decides what is worth reading and in which order, and
//! then reads exactly that, once.
//!
//! Data flows one way through the modules, and a module knows only those above it in this list:
//!
//! 1. [`text`], [`units`], [`extent`], [`fields`], [`finding`], [`human`]: text made neutral, numbers with their units, ranges of the drive,
//!    words of on-disk structures, things noticed, figures as people read them; [`picture`]: pictures of figures, as text; [`clock`]: the one
//!    clock, real or simulated.
//! 2. [`model`]: a drive as a few figures: how long it takes to get somewhere and to read there.
//! 3. [`source`]: a file or block device, read-only; the one layer that counts and records every read; [`sick`]: a simulated drive that fails; [`heads`]: which bands of a
//!    drive one bad head reads, from what became of reads;
//!    [`host`]: what this machine does with the drive, and whether a place lies on it.
//! 4. [`image`], [`journal`]: where copied bytes go, and the log of what was copied; both over [`storage`].
//! 5. [`case`]: the folder that holds all there is about one drive.
//! 6. [`signs`]: what is recognised by its published signature, and read no further.
//! 7. [`partition`]: how the drive is divided.
//! 8. [`fs`]: what each volume says is used, by its allocation map and by its files' own runs.
//! 9. [`allocation`]: the two maps reconciled; one class for every byte of the drive.
//! 10. [`coherence`]: whether the drive's data is consistent, before anything is copied.
//! 11. [`plan`]: which bytes are read and in which order; the plan and its file.
//! 12. [`simulate`]: what following a plan comes to, played on a drive's model.
//! 13. [`session`]: opening a drive, its case, or both, and leaving the case in order.
//! 14. [`mend`]: putting a case right whose files were damaged or lost.
//! 15. [`pace`]: measuring a drive's pace by what its plan wants anyway.
//! 16. [`audit`]: file by file what is complete and what is not; how many of the wanted files are safe.
//! 17. [`copy`]: following a plan: what reads easily first, then what is difficult.
//! 18. [`history`]: how copying went, over time.
//! 19. [`content`]: a file's content as a case holds it.
//! 20. [`verify`]: the copy held against the journal's hashes and against a second reader.
//! 21. [`take`]: chosen files out of a case into a folder.
//! 22. [`hand_over`]: a case's content as an image or onto another drive, the one place that writes to a drive.
//! 23. [`export`]: a plan in forms that other programs follow.
//! 24. [`report`]: what people and programs are told, without markup.
//! 25. [`dossier`]: the report of a case as a page, with pictures.
//! 26. [`watch`]: a page on this machine that shows how a copy goes.
//! 27. [`case_copy`]: copying in a case, by a new plan when structure arrives late.
//! 28. [`demo`]: an invented drive to try everything on, and one that fails.
//! 29. [`cli`]: the command line, which holds no logic of its own.
//!
//! [`new_file`] stands beside them: the one way a file is written; [`regular_file`]: how ours are opened; and [`storage`]: a file written in place.

// `cli::output` prints; these end the process where a terminal has gone away.
#![warn(clippy::print_stdout, clippy::print_stderr)]

pub mod allocation;
pub mod audit;
pub mod case;
pub mod case_copy;
mod chance;
pub mod cli;
pub mod clock;
pub mod coherence;
pub mod content;
pub mod copy;
pub mod demo;
pub mod dossier;
pub mod export;
pub mod extent;
pub mod fields;
pub mod finding;
pub mod fs;
pub mod hand_over;
pub mod heads;
pub mod history;
pub mod host;
pub mod human;
pub mod image;
pub mod journal;
pub mod mend;
pub mod model;
pub mod new_file;
pub mod pace;
pub mod partition;
pub mod picture;
pub mod plan;
pub mod regular_file;
pub mod report;
pub mod session;
pub mod sick;
pub mod signs;
pub mod simulate;
pub mod source;
pub mod storage;
pub mod take;
pub mod text;
pub mod units;
pub mod verify;
pub mod watch;

/// Every kind of finding there is, by the layer that makes it.
pub fn all_codes() -> Vec<(&'static str, &'static [&'static finding::Code])> {
    vec![
        ("Kernel", source::kernel::CODES),
        ("Drive", allocation::CODES),
        ("Partitions", partition::findings::CODES),
        ("Volumes", fs::CONTENT_CODES),
        ("NTFS", fs::ntfs::CODES),
        ("FAT", fs::fat::CODES),
        ("exFAT", fs::exfat::CODES),
        ("Coherence", coherence::CODES),
        ("Plan", plan::findings::CODES),
    ]
}
