//! Plans: what they read, in which order, and how long it takes.

mod allocated_scope;
#[path = "../support/class_maps.rs"]
mod class_maps;
#[path = "../support/common/mod.rs"]
mod common;
mod export;
#[path = "../support/layouts.rs"]
mod layouts;
mod plan;
mod plan_schema;
mod simulate;
mod wanted;
