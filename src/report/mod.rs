//! What people and programs are told: maps, plans and cases come in; values, then pictures of them, then pages come out.

pub mod document;
pub mod picture;
pub mod values;
pub mod watch;
