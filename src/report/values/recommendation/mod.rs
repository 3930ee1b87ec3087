//! What a survey recommends, and the next command.

pub(super) mod advice;
pub(super) mod destination;
pub(super) mod next;
pub(super) mod trouble;
