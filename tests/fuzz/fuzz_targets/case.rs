//! A case folder of which one file is the fuzzer's: the case file, the record, the journal or the current plan.

#![no_main]

use gleaner::case::{Access, Case, Entry, RECORD_NAME, Word};
use gleaner::store::image::ImageForm;
use gleaner::source::{MemorySource, Reader, Source};
use gleaner::base::units::SectorSize;
use libfuzzer_sys::fuzz_target;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::LazyLock;
use tempfile::TempDir;

static FOLDER: LazyLock<TempDir> = LazyLock::new(|| tempfile::tempdir().expect("a folder"));

fn source() -> MemorySource {
    MemorySource::new(vec![7; 64 << 10], SectorSize::S512)
}

/// The files of a sound case, to start each run from.
static SOUND: LazyLock<BTreeMap<PathBuf, Vec<u8>>> = LazyLock::new(|| {
    let folder = FOLDER.path().join("case");
    let case = Case::open_or_create(&folder, source().identity(), ImageForm::Raw).expect("a case");
    drop(case);
    let files = std::fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").path());
    files.map(|path| (path.clone(), std::fs::read(path).expect("a file"))).collect()
});

fuzz_target!(init: { LazyLock::force(&SOUND); }, |input: &[u8]| {
    let Some((which, content)) = input.split_first() else { return };
    let folder = FOLDER.path().join("case");
    for (path, bytes) in SOUND.iter() {
        std::fs::write(path, bytes).expect("room");
    }
    let _ = std::fs::remove_file(folder.join(RECORD_NAME));
    let name = ["case.json", RECORD_NAME, "journal"][usize::from(*which) % 3];
    std::fs::write(folder.join(name), content).expect("room");
    let entry = Entry {
        command: "fuzz".to_owned(),
        arguments: Vec::new(),
        outcome: "ok".to_owned(),
        figures: Default::default(),
    };
    let Ok(mut case) = Case::open(&folder, Access::Work) else { return };
    case.record(&entry).expect("the record takes a line whatever it holds");
    case.record(&entry).expect("and another");
    let _ = case.plan_path();
    let reader = Reader::new(Box::new(source()), None);
    let _ = case.confirm(&reader, Word::default());
    let _ = case.remember_reading(source().identity(), false);
});
