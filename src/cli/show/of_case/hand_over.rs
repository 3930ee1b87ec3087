//! What was handed over, as text.

use crate::base::human;
use crate::cli::show::{line, wrapped};
use crate::results::audit::FileState;
use crate::results::hand_over::{CopyCheck, Missing, WrittenDrive, WrittenImage};
use crate::store::image::ImageForm;
use std::path::Path;

/// How many files that are not complete are named.
const SHOWN: usize = 20;

/// An image.
pub fn written_image(written: &WrittenImage, list: &Path) -> String {
    let mut text = String::new();
    let bytes = written.comparison.whole.bytes;
    let what = format!("{}, {} image of {} ({bytes} bytes)", written.path.display(), written.form, human::bytes(bytes));
    wrapped(&mut text, "HANDED OVER  ", &what);
    wrapped(&mut text, "  ", "read back and compared with the case: the same");
    checksum(&mut text, &written.file_sha256);
    wrapped(&mut text, "  list: ", &format!("{} (check it with sha256sum --check)", list.display()));
    if written.form == ImageForm::Raw && written.logical_sector != 512 {
        let sentence = format!(
            "Its sectors have {} bytes, which a raw image does not tell: open it with losetup --sector-size {}.",
            written.logical_sector, written.logical_sector
        );
        wrapped(&mut text, "  ", &sentence);
    }
    text
}

/// A drive.
pub fn written_drive(written: &WrittenDrive, list: &Path) -> String {
    let mut text = String::new();
    let bytes = written.comparison.whole.bytes;
    wrapped(
        &mut text,
        "HANDED OVER  ",
        &format!("{}, {} ({bytes} bytes)", written.path.display(), human::bytes(bytes)),
    );
    wrapped(&mut text, "  ", "read back past the page cache and compared with the case: the same");
    checksum(&mut text, &written.comparison.whole.sha256);
    let path = written.path.display();
    wrapped(&mut text, "  list: ", &format!("{}; check it with", list.display()));
    crate::cli::show::command(&mut text, &format!("  head -c {bytes} {path} | sha256sum --check {}", list.display()));
    if written.drive_bytes > bytes {
        let sentence = "The drive is larger than the client's. What lies behind the copy was left as it was, but for its own tables.";
        wrapped(&mut text, "  ", sentence);
    }
    text
}

fn checksum(text: &mut String, sha256: &str) {
    say!(text, "  SHA-256 {sha256}");
}

/// What is not in it, and the files that this concerns.
pub fn missing(missing: &Missing) -> String {
    let mut text = String::new();
    #[allow(clippy::cast_precision_loss, reason = "three digits are shown")]
    let part = |bytes: u64| human::share(bytes as f64 / missing.drive_bytes.max(1) as f64);
    let share = |bytes: u64| format!("{} ({} of the drive)", human::bytes(bytes), part(bytes));
    say!(&mut text, "NOT IN IT  {} not read yet (zeros)", share(missing.unread_bytes));
    if missing.unreadable_bytes > 0 {
        say!(&mut text, "  {} unreadable", share(missing.unreadable_bytes));
    }
    if !missing.structure_is_read {
        wrapped(&mut text, "  ", "Not all structure is read: there may be files that are not listed here.");
    }
    for volume in &missing.audit.unlisted {
        wrapped(&mut text, "  ", &volume.sentence());
    }
    let totals: Vec<String> = FileState::ALL[1..]
        .iter()
        .map(|state| (state, missing.files.iter().filter(|file| file.state == *state).count() as u64))
        .filter(|(_, files)| *files > 0)
        .map(|(state, files)| format!("{} {}", human::counted(files, "file", "files"), state.name()))
        .collect();
    if totals.is_empty() {
        let known = if missing.structure_is_read && missing.audit.unlisted.is_empty() {
            "all files are complete"
        } else {
            "no file is known to be incomplete"
        };
        say!(&mut text, "  {known}");
        return text;
    }
    say!(&mut text, "  {}", totals.join(", "));
    for file in missing.files.iter().take(SHOWN) {
        let stream = file.stream.as_ref().map_or(String::new(), |stream| format!(" (stream {stream})"));
        wrapped(&mut text, &format!("  {:12} ", file.state.name()), &format!("{}{stream}", file.path));
    }
    if missing.files.len() > SHOWN {
        let more = human::count((missing.files.len() - SHOWN) as u64);
        say!(&mut text, "  … and {more} more; --json lists them all, and so does gleaner audit --csv");
    }
    text
}

/// A second copy that was compared.
pub fn checked(checked: &CopyCheck) -> String {
    let mut text = String::new();
    let is = if checked.is_same() { "the same as the case" } else { "not the same as the case" };
    wrapped(&mut text, "CHECKED  ", &format!("{}: {is}", checked.path.display()));
    checksum(&mut text, &checked.comparison.whole.sha256);
    say!(&mut text, "  of the case's content as a drive, {} bytes", checked.comparison.whole.bytes);
    if !checked.size_fits {
        say!(&mut text, "  its size does not fit: {} bytes", checked.copy_bytes);
    }
    let CopyCheck { comparison, .. } = checked;
    if comparison.differing_bytes > 0 {
        say!(&mut text, "  {} differ:", human::bytes(comparison.differing_bytes));
        let first = comparison.differing.iter().take(SHOWN);
        first.for_each(|place| say!(&mut text, "    {} bytes from byte {}", place.bytes, place.start.0));
    }
    if comparison.unreadable_bytes > 0 {
        say!(&mut text, "  {} of them cannot be read", human::bytes(comparison.unreadable_bytes));
    }
    text
}
