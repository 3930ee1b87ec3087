//! Where the samples are, and unpacking them.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Names the folder of the samples, when it is not the one beside the project.
pub const VARIABLE: &str = "GLEANER_SAMPLES";

/// The folder with the samples; without one, says so in a line that is always seen.
pub fn folder(test: &str) -> Option<PathBuf> {
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/real-volumes");
    let folder = std::env::var_os(VARIABLE).map_or(beside, PathBuf::from);
    if folder.is_dir() {
        return Some(folder);
    }
    // Written past what captures the output of tests that pass.
    let line = format!("{test}: not run, there is no folder {} (testdata/README.md, samples)\n", folder.display());
    std::io::stderr().write_all(line.as_bytes()).expect("standard error");
    None
}

/// Unpacks one file of the folder by the system's own programs into `into`; the images that it holds, by their names.
pub fn unpack(file: &Path, into: &Path) -> Vec<(String, PathBuf)> {
    let name = file.file_name().and_then(|name| name.to_str()).expect("a name");
    assert!(file.is_file(), "{} is missing: testdata/README.md says where to get it", file.display());
    if name.ends_with(".tar.xz") {
        run(Command::new("tar").arg("-xJSf").arg(file).arg("-C").arg(into));
        return images_below(into);
    }
    let program = match name.rsplit_once('.') {
        Some((_, "gz")) => "gzip",
        Some((_, "bz2")) => "bzip2",
        Some((_, "xz")) => "xz",
        _ => return vec![(name.to_owned(), file.to_owned())],
    };
    let stem = name.rsplit_once('.').expect("an ending").0;
    let image = into.join(stem);
    // Zeros stay holes, as a drive's image has them.
    let pipe = "set -o pipefail; \"$1\" -dc \"$2\" | dd of=\"$3\" bs=64k conv=sparse status=none";
    run(Command::new("bash").args(["-c", pipe, "unpack", program]).arg(file).arg(&image));
    let Some(plain) = stem.strip_suffix(".vhdx") else { return vec![(stem.to_owned(), image)] };
    let raw = into.join(format!("{plain}.img"));
    run(Command::new("qemu-img").args(["convert", "-f", "vhdx", "-O", "raw"]).arg(&image).arg(&raw));
    vec![(stem.to_owned(), raw)]
}

fn run(program: &mut Command) {
    let output = program.output().unwrap_or_else(|error| panic!("{program:?}: {error}; scripts/setup installs it"));
    assert!(output.status.success(), "{program:?}: {}", String::from_utf8_lossy(&output.stderr));
}

/// The disk images in a folder and below it: what is neither a list nor a key file.
fn images_below(folder: &Path) -> Vec<(String, PathBuf)> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        let name = path.file_name().and_then(|name| name.to_str()).expect("a name").to_owned();
        if path.is_dir() {
            found.extend(images_below(&path));
        } else if !name.ends_with(".conf") && !name.ends_with(".BEK") {
            found.push((name, path));
        }
    }
    found.sort();
    found
}
