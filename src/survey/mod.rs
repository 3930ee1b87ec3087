//! What a drive holds: volumes come in; one class for every byte of the drive, and the verdict whether its data is consistent, come out.

pub mod allocation;
pub mod coherence;
