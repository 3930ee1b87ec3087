//! Making one request after the other, with all that must be checked between two (heat, room, resets, limits, the
//! wish to stop), and keeping what arrives.

mod heat;
pub(super) mod reading_side;
mod stop;
pub(super) mod writer;
