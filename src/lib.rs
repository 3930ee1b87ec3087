//! Gleaner reads a drive's partition tables and file systems, decides what is worth reading and in which order, and
//! then reads exactly that, once.
//!
//! Data flows one way through the modules, and a module knows only those above it in this list:
//!
//! 1. [`units`], [`extent`], [`finding`]: numbers with their units, stretches of the drive, things noticed.
//! 2. [`source`]: a file or block device, read-only; the one layer that counts and records every read.
//! 3. [`image`], [`journal`]: where copied bytes go, and the log of what was copied; both over [`storage`].
//! 4. [`partition`]: how the drive is divided.
//! 5. [`fs`]: what each volume says is used, by its allocation map and by its files' own runs.
//! 6. [`allocation`]: the two maps reconciled; one class for every byte of the drive.
//! 7. [`plan`]: which bytes are read and in which order; the plan and its file.
//! 8. [`copy`]: the plan followed, what resists come back to.
//! 9. [`export`]: a plan in forms that other programs follow.
//! 10. [`report`]: what people and programs are told, without markup.
//! 11. [`demo`]: an invented drive to try everything on.
//! 12. [`cli`]: the command line, which holds no logic of its own.
//!
//! [`write_new`] stands beside them: the one way a file is written; and [`storage`]: a file written in place.

pub mod allocation;
pub mod cli;
pub mod copy;
pub mod demo;
pub mod export;
pub mod extent;
pub mod finding;
pub mod fs;
pub mod image;
pub mod journal;
pub mod partition;
pub mod plan;
pub mod report;
pub mod source;
pub mod storage;
pub mod units;
pub mod write_new;

/// Every kind of finding there is, by the layer that makes it.
pub fn all_codes() -> Vec<(&'static str, &'static [&'static finding::Code])> {
    vec![
        ("Drive", allocation::CODES),
        ("Partitions", partition::findings::CODES),
        ("Volumes", fs::CONTENT_CODES),
        ("NTFS", fs::ntfs::CODES),
        ("FAT", fs::fat::CODES),
        ("Plan", plan::findings::CODES),
    ]
}
