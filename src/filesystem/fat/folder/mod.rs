//! What a folder's clusters hold: entries, their long names, their code page.

pub(super) mod directory;
mod long_name;
mod oem;
