//! Lists of files, folders, records, as values and as CSV.

pub(super) mod audit_csv;
pub(super) mod files;
pub(super) mod folders;
pub(super) mod pick;
pub(super) mod record_csv;
pub(super) mod volume_titles;
