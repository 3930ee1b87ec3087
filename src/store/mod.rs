//! Where copied bytes go: bytes come in; an image and the journal of what is in it come out, and survive a pulled plug.

pub mod durable_file;
pub mod image;
pub mod journal;
