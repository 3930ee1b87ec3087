//! Independent implementations: QEMU's `qemu-img` and `qemu-io`, and 7-Zip's reader.

use gleaner::store::image::ImageForm;
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

/// Makes an empty dynamic VHDX with blocks of `block` MiB.
pub fn create_vhdx(path: &Path, bytes: u64, block: u64) {
    let options = format!("subformat=dynamic,block_size={}", block << 20);
    succeed(&["create", "-f", "vhdx", "-o", &options, text(path), &bytes.to_string()]);
}

/// `qemu-io` with one command; gives what it said.
fn io(path: &Path, command: &str) -> String {
    let output = Command::new("qemu-io").args(["-f", "vhdx", "-c", command, text(path)]).output();
    let output = output.expect("qemu-io is installed (package qemu-utils)");
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{command}: {said}{}", String::from_utf8_lossy(&output.stderr));
    said
}

/// Requires that so many bytes from `at` are all `fill`.
pub fn expect_pattern(path: &Path, at: u64, bytes: u64, fill: u8) {
    let said = io(path, &format!("read -P {fill} {at} {bytes}"));
    assert!(said.contains(&format!("read {bytes}/{bytes} bytes at offset {at}")), "{said}");
    assert!(!said.contains("Pattern verification failed"), "{said}");
}

/// Writes `fill` to so many bytes from `at`.
pub fn write_pattern(path: &Path, at: u64, bytes: u64, fill: u8) {
    let said = io(path, &format!("write -P {fill} {at} {bytes}"));
    assert!(said.contains(&format!("wrote {bytes}/{bytes} bytes at offset {at}")), "{said}");
}

/// The content as 7-Zip reads it.
pub fn unpacked(path: &Path) -> Vec<u8> {
    let output = Command::new("7zz").args(["x", "-so", "-tVHDX", text(path)]).output();
    let output = output.expect("7zz is installed (package 7zip)");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    output.stdout
}
