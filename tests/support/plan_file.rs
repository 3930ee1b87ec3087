//! Plan files, read without the project's own reader.

#![allow(dead_code, reason = "not every test program needs it")]

use serde_json::Value;
use std::fs;
use std::path::Path;

/// A plan file with its passes in `passes`, each with its extents and gaps. Source: docs/formats/plan.md, parsed as JSON Lines by itself.
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
                pass["gaps"] = Value::Array(Vec::new());
                passes.push(pass);
            }
            line => {
                let pass = passes.last_mut().expect("a pass before its extents");
                let (list, range) = match line.as_array().expect("an extent or a gap").as_slice() {
                    [start, bytes] => ("extents", [start.clone(), bytes.clone()]),
                    [gap, start, bytes] if gap == "gap" => ("gaps", [start.clone(), bytes.clone()]),
                    other => panic!("{other:?} is no line of a plan"),
                };
                pass[list].as_array_mut().expect("a list").push(range.to_vec().into());
            }
        }
    }
    plan["passes"] = passes.into();
    plan
}
