//! The command to type next, ready to paste into a shell.

use crate::copy::session::Workplace;
use crate::drive::model::PRESETS;
use crate::drive::model::RateOrigin;
use crate::plan::Scope;
use crate::report::values::costs::Costs;
use std::path::{Path, PathBuf};

/// The case that commands name as long as there is none.
const NEW_CASE: &str = "case";

/// As one word for a shell.
fn word(path: &Path) -> String {
    let text = path.to_string_lossy();
    // Only a name with a null byte cannot be quoted, and no path has one.
    shlex::try_quote(&text).map_or_else(|_| text.to_string(), std::borrow::Cow::into_owned)
}

/// What is read: the case when there is one, else the drive.
fn what(at: &Workplace) -> String {
    let place = match &at.case {
        Some(case) => format!("--case {}", word(case)),
        None => word(&at.drive),
    };
    place + &keys(at)
}

/// The keys are needed each time. One that was typed is not, because commands may be joined by a pipe.
fn keys(at: &Workplace) -> String {
    let name = |file: &PathBuf| if file.as_os_str() == "-" { "FILE".to_owned() } else { word(file) };
    at.key_files.iter().map(|file| format!(" --key {}", name(file))).collect()
}

/// A scope, unless it is the usual one.
fn add_scope(plan: &mut String, scope: &str) {
    if scope != Scope::Allocated.name() {
        plan.push_str(&format!(" --scope {scope}"));
    }
}

/// Picking folders.
fn pick(at: &Workplace) -> String {
    format!("gleaner folders {} --pick |", what(at))
}

/// From a survey to a plan.
pub(in crate::report::values) fn next_plan(at: &Workplace, scope: &str, has_files: bool, costs: &Costs) -> Vec<String> {
    let mut plan = format!("gleaner plan {}", what(at));
    if at.case.is_none() {
        plan.push_str(&format!(" --case {NEW_CASE}"));
        // A case remembers the choice.
        let chosen = PRESETS.iter().find(|kind| kind.name == costs.model.name);
        if let (RateOrigin::Chosen, Some(kind)) = (costs.rate_origin, chosen) {
            plan.push_str(&format!(" --drive {}", kind.key));
        }
    }
    add_scope(&mut plan, scope);
    if has_files { vec![pick(at), format!("  {plan} --want-from -")] } else { vec![plan] }
}

/// From a plan to a copy.
pub(in crate::report::values) fn next_copy(at: &Workplace) -> Vec<String> {
    let case = at.case.as_deref().unwrap_or(Path::new(NEW_CASE));
    vec![format!("gleaner copy --case {} {}{}", word(case), word(&at.drive), keys(at))]
}

/// To make a plan again with folders first.
pub(in crate::report::values) fn next_picked_plan(at: &Workplace, scope: Scope) -> Vec<String> {
    let mut plan = format!("  gleaner plan {}", what(at));
    if at.case.is_none() {
        plan.push_str(&format!(" --case {NEW_CASE}"));
    }
    add_scope(&mut plan, scope.name());
    vec![pick(at), plan + " --want-from -"]
}
