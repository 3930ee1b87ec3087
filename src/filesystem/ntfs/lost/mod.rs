//! What is done where the boot sectors or the place of $MFT are lost: both are found by the file records themselves.

pub(super) mod by_numbers;
pub(super) mod infer;
