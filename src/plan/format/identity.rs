//! What tells one drive from another: size, sector sizes, names, and a fingerprint of its tables and boot sectors.

use crate::base::extent::{Extent, ExtentSet};
use crate::source::SourceIdentity;
use crc::{CRC_32_CKSUM, Crc, Digest, Table};
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

/// The drive that a plan was made for.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanSource {
    /// The path it was opened by; shown, and never used to tell drives apart.
    pub path: String,
    /// Size in bytes.
    pub bytes: u64,
    /// Logical sector size in bytes. Extents of the plan start and end on its multiples.
    pub logical_sector: u64,
    /// Physical sector size in bytes.
    pub physical_sector: u64,
    /// Model, where the kernel tells.
    pub model: Option<String>,
    /// Serial number, where the kernel tells.
    pub serial: Option<String>,
    /// Of its partition tables and boot sectors.
    pub fingerprint: Fingerprint,
}

impl PlanSource {
    /// The identity of an open source, with the fingerprint that was taken of it.
    pub fn new(identity: &SourceIdentity, fingerprint: Fingerprint) -> PlanSource {
        PlanSource {
            path: identity.path.to_string_lossy().into_owned(),
            bytes: identity.bytes,
            logical_sector: identity.logical_sector.bytes(),
            physical_sector: identity.physical_sector.bytes(),
            model: identity.model.clone(),
            serial: identity.serial.clone(),
            fingerprint,
        }
    }
}

/// Two checksums over the same places of a drive, in ascending order: SHA-256 to rely on, and the POSIX `cksum` that
/// a shell can compute.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fingerprint {
    /// SHA-256, 64 lower-case hexadecimal digits.
    pub sha256: String,
    /// The sum that POSIX `cksum` prints.
    pub posix_cksum: u32,
    /// Number of bytes that were summed.
    pub bytes: u64,
    /// Where they lie, ascending.
    #[serde(with = "super::file::pairs")]
    pub extents: Vec<Extent>,
}

impl Fingerprint {
    /// Takes the fingerprint of `parts`: places with their bytes, in any order. Places that could not be read must
    /// be left out, or no later reading can agree. A place that was given before is not summed again.
    ///
    /// # Panics
    /// When a place and its bytes differ in length: a mistake in the caller.
    pub fn of<'b>(parts: impl IntoIterator<Item = (Extent, &'b [u8])>) -> Fingerprint {
        let mut parts: Vec<(Extent, &[u8])> = parts.into_iter().collect();
        parts.sort_by_key(|(extent, _)| *extent);
        let crc = Crc::<u32, Table<16>>::new(&CRC_32_CKSUM);
        let mut sums = Sums { sha: Sha256::new(), crc: crc.digest(), bytes: 0 };
        let mut summed = ExtentSet::new();
        for (extent, content) in parts {
            assert_eq!(extent.bytes, content.len() as u64, "a place and its bytes must agree");
            for new in summed.missing_from(extent) {
                let from = usize::try_from(new.start.0 - extent.start.0).expect("a place in memory");
                let count = usize::try_from(new.bytes).expect("a length in memory");
                sums.add(&content[from..from + count]);
            }
            summed.insert(extent);
        }
        sums.finish(summed.extents().to_vec())
    }
}

struct Sums<'c> {
    sha: Sha256,
    crc: Digest<'c, u32, Table<16>>,
    bytes: u64,
}

impl Sums<'_> {
    fn add(&mut self, content: &[u8]) {
        self.sha.update(content);
        self.crc.update(content);
        self.bytes += content.len() as u64;
    }

    /// `cksum` sums the length too, its bytes from the lowest up, without leading zero bytes (POSIX, cksum,
    /// DESCRIPTION).
    fn finish(mut self, extents: Vec<Extent>) -> Fingerprint {
        let length = self.bytes.to_le_bytes();
        let used = length.len() - self.bytes.leading_zeros() as usize / 8;
        self.crc.update(&length[..used]);
        Fingerprint {
            sha256: hex::encode(self.sha.finalize()),
            posix_cksum: self.crc.finalize(),
            bytes: self.bytes,
            extents,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;
    use std::process::{Command, Stdio};

    fn program(name: &str, input: &[u8]) -> String {
        let mut child = Command::new(name).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        child.stdin.take().unwrap().write_all(input).unwrap();
        String::from_utf8(child.wait_with_output().unwrap().stdout).unwrap()
    }

    fn fingerprint(content: &[u8]) -> Fingerprint {
        Fingerprint::of([(Extent::new(0, content.len() as u64).unwrap(), content)])
    }

    // Source: the programs `cksum` (POSIX) and `sha256sum`, over lengths that take zero to three bytes to write.
    #[test]
    fn sums_agree_with_the_programs() {
        for length in [0_usize, 1, 9, 255, 256, 512, 65_535, 65_536, 100_000] {
            let content: Vec<u8> = (0..length).map(|n| u8::try_from(n * 31 % 251).unwrap()).collect();
            let ours = fingerprint(&content);
            assert_eq!(program("cksum", &content).trim(), format!("{} {length}", ours.posix_cksum));
            assert_eq!(program("sha256sum", &content).split(' ').next().unwrap(), ours.sha256);
        }
    }

    // Source: the catalogue of CRC algorithms that the crc crate follows: CRC-32/CKSUM of "123456789", without the
    // length, is 765E7680. FIPS 180-4's example: SHA-256 of "abc" (from memory).
    #[test]
    fn published_values() {
        assert_eq!(Crc::<u32>::new(&CRC_32_CKSUM).checksum(b"123456789"), 0x765E_7680);
        assert_eq!(fingerprint(b"abc").sha256, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }

    #[test]
    fn order_and_overlap_do_not_matter() {
        let content: Vec<u8> = (0..=255).collect();
        let at = |from: usize, to: usize| (Extent::between(from as u64, to as u64), &content[from..to]);
        let one = Fingerprint::of([at(0, 64), at(128, 192)]);
        assert_eq!(one, Fingerprint::of([at(150, 192), at(0, 64), at(128, 160), at(32, 64)]));
        assert_eq!(one.extents, [Extent::between(0, 64), Extent::between(128, 192)]);
        assert_eq!(one.bytes, 128);
    }
}
