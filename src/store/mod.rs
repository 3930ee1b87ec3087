//! Where copied bytes go: bytes come in; an image and the journal of what is in it come out, and survive a pulled plug.
//! When what arrived is made durable: `case::store::commit_rule`.

pub mod durable_file;
pub mod image;
pub mod journal;
