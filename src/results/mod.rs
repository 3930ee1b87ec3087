//! What a copy has brought: a case comes in; files with their states, their contents, the copy's verification, and images for others come out.

pub mod audit;
pub mod content;
pub mod hand_over;
pub mod take;
pub mod verify;
