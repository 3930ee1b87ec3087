//! How a drive is divided, held against tables that other programs wrote and against damage of every kind.

mod building;
mod fixtures;
mod gpt_tables;
mod mbr_tables;
mod properties;
mod search;
mod search_scale;
mod undivided;
