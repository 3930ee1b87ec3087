//! Gleaner reads a drive's partition tables and file systems, decides what is worth reading and in which order, and
//! then reads exactly that, once.
//!
//! Data flows one way through the modules, and a module knows only those above it in this list:
//!
//! 1. [`units`], [`extent`], [`finding`]: numbers with their units, stretches of the drive, things noticed.
//! 2. [`source`]: a file or block device, read-only; the one layer that counts and records every read.
//! 3. [`partition`]: how the drive is divided.
//! 4. [`fs`]: what each volume says is used, by its allocation map and by its files' own runs.
//! 5. [`allocation`]: the two maps reconciled; one class for every byte of the drive.
//! 6. [`plan`]: which bytes are read and in which order; the plan and its file.
//! 7. [`export`]: a plan in forms that other programs follow.
//! 8. [`report`]: what people and programs are told, without markup.
//! 9. [`demo`]: an invented drive to try everything on.
//! 10. [`cli`]: the command line, which holds no logic of its own.
//!
//! [`write_new`] stands beside them: the one way a file is written.

pub mod allocation;
pub mod cli;
pub mod demo;
pub mod export;
pub mod extent;
pub mod finding;
pub mod fs;
pub mod partition;
pub mod plan;
pub mod report;
pub mod source;
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
