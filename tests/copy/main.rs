//! Copying, on drives that read well and on drives that do not.

#[path = "../support/cases.rs"]
mod cases;
#[path = "../support/class_maps.rs"]
mod class_maps;
#[path = "../support/common/mod.rs"]
mod common;
mod copy;
mod copy_witness;
mod late_structure;
mod returning;
mod wanted_counts;
#[path = "../support/witness.rs"]
mod witness;
