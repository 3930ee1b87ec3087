//! Whether a drive is the one a case belongs to: how it is attached, by what a case knows it, and reading to confirm it.

mod attachment;
mod confirm;
mod known_cases;

pub use attachment::Attachment;
pub use confirm::{Confirmed, Word};
pub use known_cases::{KnownBy, cases_in};
