//! The reader of plan files. What it accepts must be written and read again as the same.

#![no_main]

use gleaner::plan::{read_plan, write_plan};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| {
    let Ok(plan) = read_plan(input) else { return };
    assert!(plan.find_overlap().is_none());
    let mut written = Vec::new();
    write_plan(&plan, &mut written).expect("memory does not fill up");
    assert!(read_plan(&written[..]).expect("what it has written") == plan);
});
