//! Gleaner reads a drive's partition tables and file systems, decides what is worth reading and in which order, and
//! then reads exactly that, once.
//!
//! Data flows one way through the rooms, and a room knows only those above it in this list (`tests/layering.rs` has the order
//! within each):
//!
//! 1. [`base`]: what every room uses: units, extents, findings, exit codes, text, the clock.
//! 2. [`source`]: a file or block device, read-only; the one layer that counts and records every read; what this machine does with it,
//!    and that nothing is written to a place on it.
//! 3. [`drive`]: what a drive is like: a model of its pace, the bands of a bad head, a simulated drive that fails.
//! 4. [`store`]: where copied bytes go: the image, and the journal of what was copied.
//! 5. [`case`]: the folder that holds all there is about one drive; what of it is safe, and when.
//! 6. [`partition`]: how the drive is divided, and what is recognised by its published signature and read no further.
//! 7. [`filesystem`]: what each volume says is used, by its allocation map and by its files' own runs.
//! 8. [`survey`]: the two maps compared and reconciled, one class for every byte of the drive; whether its data is consistent.
//! 9. [`plan`]: which bytes are read and in which order; the plan, its file, and forms that other programs follow.
//! 10. [`simulate`]: what following a plan comes to, played on a drive's model.
//! 11. [`results`]: file by file what is whole; files' contents; the copy verified, taken out of the case, handed over.
//! 12. [`copy`]: the act of copying: what reads easily first, then what is difficult, by a new plan where structure arrives late.
//! 13. [`report`]: what people and programs are told: values, pictures, pages.
//! 14. [`demo`]: an invented drive to try everything on, and one that fails.
//! 15. [`cli`]: the command line, which holds no logic of its own.

// `cli::output` prints; these end the process where a terminal has gone away.
#![warn(clippy::print_stdout, clippy::print_stderr)]

pub mod base;
pub mod case;
pub mod cli;
pub mod copy;
pub mod demo;
pub mod drive;
pub mod filesystem;
pub mod partition;
pub mod plan;
pub mod report;
pub mod results;
pub mod simulate;
pub mod source;
pub mod store;
pub mod survey;

/// Every kind of finding there is, by the layer that makes it.
pub fn all_codes() -> Vec<(&'static str, &'static [&'static base::finding::Code])> {
    vec![
        ("Kernel", source::kernel::CODES),
        ("Drive", survey::allocation::CODES),
        ("Partitions", partition::findings::CODES),
        ("Volumes", filesystem::CONTENT_CODES),
        ("Volumes read by their allocation map", filesystem::space_map::findings::CODES),
        ("Encrypted volumes", filesystem::volume_encryption::CODES),
        ("NTFS", filesystem::ntfs::CODES),
        ("FAT", filesystem::fat::CODES),
        ("exFAT", filesystem::exfat::CODES),
        ("Coherence", survey::coherence::CODES),
        ("Plan", plan::findings::CODES),
    ]
}
