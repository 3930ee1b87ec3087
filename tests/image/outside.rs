//! The independent implementation: QEMU's `qemu-img`.

use gleaner::image::ImageForm;
use std::path::Path;
use std::process::{Command, Output};

fn run(arguments: &[&str]) -> Output {
    Command::new("qemu-img").args(arguments).output().expect("qemu-img is installed (package qemu-utils)")
}

fn succeed(arguments: &[&str]) -> String {
    let output = run(arguments);
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{arguments:?}: {said}{}", String::from_utf8_lossy(&output.stderr));
    said
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// Accepts the image without a word of errors or leaks. (It has no check for raw images, and says so.)
pub fn check(path: &Path, form: ImageForm) {
    if form == ImageForm::Vhdx {
        let said = succeed(&["check", "-f", "vhdx", text(path)]);
        assert!(said.contains("No errors were found on the image."), "{said}");
    }
    succeed(&["info", "-f", &form.to_string(), text(path)]);
}

/// The content as it reads it, compared by itself as well.
pub fn bytes(path: &Path, form: ImageForm) -> Vec<u8> {
    let plain = path.with_extension("converted");
    succeed(&["convert", "-f", &form.to_string(), "-O", "raw", text(path), text(&plain)]);
    succeed(&["compare", "-f", &form.to_string(), "-F", "raw", text(path), text(&plain)]);
    let bytes = std::fs::read(&plain).unwrap();
    std::fs::remove_file(&plain).unwrap();
    bytes
}

/// Size of the virtual disk as it sees it.
pub fn virtual_bytes(path: &Path) -> u64 {
    let said = succeed(&["info", "-f", "vhdx", "--output=json", text(path)]);
    let info: serde_json::Value = serde_json::from_str(&said).unwrap();
    info["virtual-size"].as_u64().unwrap()
}

/// Writes a dynamic VHDX with blocks of `block` MiB.
pub fn convert_to_vhdx(raw: &Path, vhdx: &Path, block: u64) {
    let options = format!("subformat=dynamic,block_size={}", block << 20);
    succeed(&["convert", "-f", "raw", "-O", "vhdx", "-o", &options, text(raw), text(vhdx)]);
}

/// A disk with sectors of 4096 bytes: versions that know them must agree with `model`, others must refuse it for that
/// reason and no other.
pub fn judge_native_sectors(path: &Path, model: &[u8]) {
    let output = run(&["info", "-f", "vhdx", text(path)]);
    if output.status.success() {
        check(path, ImageForm::Vhdx);
        assert!(bytes(path, ImageForm::Vhdx) == model);
    } else {
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(said.contains("Operation not supported"), "{said}");
    }
}
