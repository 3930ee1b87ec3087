//! What the kernel knows about a drive: its settings for it, and what its log says.
//!
//! Nothing here changes a setting. [`KernelFacts`] says what is set and how a person can change it; [`KernelRequestLog`] says where
//! in a failed request the bad sector is, and whether the drive was reset. `docs/kernel.md` has the measurements behind both.

mod advice;
mod facts;
mod hidden_area;
mod log;
mod rate;
mod request_log;
mod resets;
mod sysfs;

pub use facts::{Advice, Attachment, KernelFacts, WrittenSince};
pub use hidden_area::{CODES, HIDDEN_AREA, HiddenArea};
pub use rate::can_be_the_drives;
pub use request_log::{KernelRequestLog, LoggedRequest};
pub use sysfs::KernelPlaces;
