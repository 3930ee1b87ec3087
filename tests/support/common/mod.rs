//! Test volumes from `testdata` and the reference answers beside them.

#![allow(dead_code, reason = "each test program uses its own part of this")]

pub mod damaged;
pub mod lost;

use gleaner::base::finding::Findings;
use std::collections::BTreeSet;
use std::fs;
use std::io::Read;
use std::path::PathBuf;
use std::sync::OnceLock;

fn path(file: &str) -> PathBuf {
    [env!("CARGO_MANIFEST_DIR"), "testdata", file].iter().collect()
}

fn decompressed(file: &str) -> Vec<u8> {
    let packed = fs::read(path(file)).unwrap_or_else(|e| panic!("testdata/{file}: {e}"));
    let mut bytes = Vec::new();
    let mut decoder = ruzstd::decoding::StreamingDecoder::new(&packed[..]).expect("a zstd frame");
    decoder.read_to_end(&mut bytes).expect("a sound zstd frame");
    bytes
}

/// What most tests begin with; it is unpacked once for all tests of a program.
const UNPACKED_ONCE: [&str; 3] = ["ntfs-rich", "fat16", "drive-gpt"];

/// The image `testdata/<name>.img.zst`.
pub fn fixture(name: &str) -> Vec<u8> {
    static UNPACKED: [OnceLock<Vec<u8>>; UNPACKED_ONCE.len()] = [const { OnceLock::new() }; UNPACKED_ONCE.len()];
    let unpack = || decompressed(&format!("{name}.img.zst"));
    match UNPACKED_ONCE.iter().position(|once| *once == name) {
        Some(number) => UNPACKED[number].get_or_init(unpack).clone(),
        None => unpack(),
    }
}

/// What reference parsers say of an image: `testdata/<name>.answers.json`, or the same with `.zst`.
pub fn answers(name: &str) -> serde_json::Value {
    json(&format!("{name}.answers.json"))
}

/// Any JSON document in `testdata`, plain or compressed.
pub fn json(file: &str) -> serde_json::Value {
    let bytes = fs::read(path(file)).unwrap_or_else(|_| decompressed(&format!("{file}.zst")));
    serde_json::from_slice(&bytes).unwrap_or_else(|e| panic!("testdata/{file}: {e}"))
}

/// The kinds of findings there are, each once.
pub fn codes(findings: &Findings) -> Vec<&'static str> {
    let all: BTreeSet<_> = findings.kept().iter().map(|f| f.code.id).collect();
    all.into_iter().collect()
}

/// Fails with the first difference: whole lists would be pages long.
pub fn assert_same<T: PartialEq + std::fmt::Debug>(ours: &[T], theirs: &[T], what: &str) {
    for (mine, other) in ours.iter().zip(theirs) {
        assert_eq!(mine, other, "{what}");
    }
    assert_eq!(ours.len(), theirs.len(), "{what}");
}
