//! Plan files, read without the project's own reader.

#![allow(dead_code, reason = "not every test program needs it")]

use serde_json::Value;
use std::fs;
use std::path::Path;

/// A plan file with its passes in `passes`, each with its extents. Source: docs/formats/plan.md, parsed as JSON Lines by itself.
pub fn plan_file(path: &Path) -> Value {
    let text = fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let mut lines = text.lines().map(|line| serde_json::from_str::<Value>(line).expect("a line of JSON"));
    let mut plan = lines.next().expect("a header");
    assert_eq!((&plan["format"], &plan["version"]), (&"gleaner-plan".into(), &2.into()));
    let mut passes: Vec<Value> = Vec::new();
    for line in lines {
        match line {
            Value::Object(mut line) => {
                let mut pass = line.remove("pass").expect("a pass");
                pass["extents"] = Value::Array(Vec::new());
                passes.push(pass);
            }
            Value::Array(pair) if pair[0].is_u64() => {
                let pass = passes.last_mut().expect("a pass before its extents");
                pass["extents"].as_array_mut().expect("a list").push(pair.into());
            }
            gap => assert_eq!(gap[0], "gap"),
        }
    }
    plan["passes"] = passes.into();
    plan
}
