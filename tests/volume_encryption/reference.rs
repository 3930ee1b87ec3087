//! What the tests encrypt, libbde and dissect.fve open: to the same bytes as here. Runs where the Python environment with both is
//! (`scripts/setup` makes it).

use super::encrypted::{Conversion, Form, Lock, Recipe, startup_key_file};
use super::{free_places, prepared};
use sha2::{Digest, Sha256};
use std::io::Write;
use std::path::Path;
use std::process::Command;

/// A key that needs no stretching, which the libraries take long for.
const KEY: [u8; 32] = [0x2B; 32];
/// So many bytes of which the first 4096 are compared: few where there is a diffuser, which one of the libraries takes long for.
fn step(recipe: &Recipe) -> usize {
    if recipe.method < 0x8002 { 1 << 20 } else { 65536 }
}

/// A recipe that the key opens.
fn with_key((plain, mut recipe): (Vec<u8>, Recipe)) -> (Vec<u8>, Recipe) {
    recipe.locks = vec![Lock::StartupKey(KEY)];
    (plain, recipe)
}

fn sums(python: &Path, recipe: &Recipe, plain: &[u8]) -> Vec<(String, String)> {
    let scratch = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let image = scratch.path().join("encrypted.img");
    std::fs::write(&image, recipe.encrypt(plain)).unwrap();
    let key = scratch.path().join("key.bek");
    std::fs::write(&key, startup_key_file(KEY)).unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/reference/volume_encryption.py");
    let output = Command::new(python)
        .arg("-B")
        .arg(script)
        .arg(&image)
        .args(["--step", &step(recipe).to_string(), "--startup-key"])
        .arg(&key)
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let lines = text.lines().filter_map(|line| line.split_once(' '));
    lines.map(|(library, sum)| (library.to_owned(), sum.to_owned())).collect()
}

#[test]
fn reference_libraries_open_what_the_tests_encrypt() {
    let python = Path::new(env!("CARGO_MANIFEST_DIR")).join(".venv/bin/python");
    if !python.is_file() {
        let line = "reference libraries for encrypted volumes: not run, there is no .venv (scripts/setup)\n";
        std::io::stderr().write_all(line.as_bytes()).unwrap();
        return;
    }
    let assert_opened = |recipe: &Recipe, plain: &[u8], by: &[&str], what: &str| {
        let mut sum = Sha256::new();
        recipe.plain_of(plain).chunks(step(recipe)).for_each(|step| sum.update(&step[..4096]));
        let expected = hex::encode(sum.finalize());
        let sums = sums(&python, recipe, plain);
        for library in by {
            assert!(sums.contains(&((*library).to_owned(), expected.clone())), "{what}, {library}: {sums:?}");
        }
    };
    let both = ["libbde", "dissect.fve"];
    for method in [0x8000, 0x8001, 0x8002, 0x8003, 0x8004, 0x8005] {
        let (plain, recipe) = with_key(prepared("ntfs-cluster-512", method));
        assert_opened(&recipe, &plain, &both, &format!("method {method:#x}"));
    }
    let (plain, mut recipe) = with_key(prepared("ntfs-cluster-512", 0x8002));
    recipe.conversion = Conversion::Below(recipe.relocated.1 + 65536 + 1024);
    assert_opened(&recipe, &plain, &both, "partly converted");
    let places = free_places("ntfs-cluster-512", &plain, 65536, 8);
    recipe.conversion = Conversion::Maps {
        chunk: 32768,
        clear: vec![1, 2, 3, 100, 101, 200, recipe.relocated.1 / 32768],
        descriptors: [places[4], places[5]],
        map: places[6],
        log: places[7],
    };
    assert_opened(&recipe, &plain, &["dissect.fve"], "converted by maps");
    let (plain, mut recipe) = with_key(prepared("ntfs-cluster-512", 0x8000));
    recipe.form = Form::First;
    recipe.relocated = (0, 0);
    // libbde leaves the field of the boot sector as it is in which NTFS has the place of its mirror.
    assert_opened(&recipe, &plain, &["dissect.fve"], "first version");
}
