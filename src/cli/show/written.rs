//! Files that a command wrote, as text.

use super::wrapped;
use crate::base::human;
use crate::report::document::Published;
use std::path::Path;

/// A plan in another form.
pub fn exported(output: &Path, bytes: u64) -> String {
    let mut text = String::new();
    wrapped(&mut text, "EXPORT  ", &format!("{}: {}", output.to_string_lossy(), human::bytes(bytes)));
    text
}

/// A report and its lists.
pub fn published(published: &Published) -> String {
    let mut text = String::new();
    let page = format!("{} ({})", published.page.to_string_lossy(), human::bytes(published.page_bytes));
    wrapped(&mut text, "report: ", &page);
    wrapped(&mut text, "lists:  ", &published.files.to_string_lossy());
    wrapped(&mut text, "        ", &published.ranges.to_string_lossy());
    text
}
