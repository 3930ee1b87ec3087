//! A plan's file against the project's own JSON Schema, judged by an independent validator: Python's package `jsonschema`.

use serde_json::Value;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::{LazyLock, Mutex, PoisonError};

/// Answers each list of lines, as one line of JSON, with a list of what is wrong with them.
const PROGRAM: &str = "
import json, sys, jsonschema
schema = json.load(open(sys.argv[1]))
jsonschema.Draft202012Validator.check_schema(schema)
validator = jsonschema.Draft202012Validator(schema)
for line in sys.stdin:
    print(json.dumps([error.message for value in json.loads(line) for error in validator.iter_errors(value)]), flush=True)
";

struct Validator {
    _process: Child,
    input: ChildStdin,
    output: BufReader<ChildStdout>,
}

impl Validator {
    fn start() -> Validator {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
        let python = folder.join(".venv/bin/python");
        let mut command = Command::new(&python);
        command.args(["-c", PROGRAM]).arg(folder.join("docs/formats/plan.schema.json"));
        let started = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn();
        let mut process =
            started.unwrap_or_else(|error| panic!("{}: {error}; scripts/setup makes it", python.display()));
        let input = process.stdin.take().expect("it is piped");
        let output = BufReader::new(process.stdout.take().expect("it is piped"));
        Validator { _process: process, input, output }
    }
}

/// What is wrong with lines of a plan's file.
pub fn faults(lines: &[Value]) -> Vec<String> {
    // It ends when this program does, because its input ends.
    static VALIDATOR: LazyLock<Mutex<Validator>> = LazyLock::new(|| Mutex::new(Validator::start()));
    let validator = &mut *VALIDATOR.lock().unwrap_or_else(PoisonError::into_inner);
    writeln!(validator.input, "{}", Value::from(lines)).expect("the validator runs");
    let mut answer = String::new();
    validator.output.read_line(&mut answer).expect("the validator answers");
    serde_json::from_str(&answer).expect("a list; what went wrong is above")
}
