//! How much of the drive a plan reads.

use crate::survey::allocation::Class;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::fmt;

/// A scope takes its class and all before it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "lowercase")]
pub enum Scope {
    /// Tables and file-system structure.
    Structure,
    /// And the chosen folders.
    Wanted,
    /// And all other existing files.
    Files,
    /// And all else that is marked as used.
    Allocated,
    /// And where deleted files lay, free space and what is in no partition.
    Whole,
}

impl Scope {
    /// All, from the smallest to the largest.
    pub const ALL: [Scope; 5] = [Scope::Structure, Scope::Wanted, Scope::Files, Scope::Allocated, Scope::Whole];

    /// The name used in plans and on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Scope::Structure => "structure",
            Scope::Wanted => "wanted",
            Scope::Files => "files",
            Scope::Allocated => "allocated",
            Scope::Whole => "whole",
        }
    }

    /// The last class that the scope takes.
    pub fn last_class(self) -> Class {
        match self {
            Scope::Structure => Class::Structure,
            Scope::Wanted => Class::Wanted,
            Scope::Files => Class::Files,
            Scope::Allocated => Class::Unclaimed,
            Scope::Whole => Class::Outside,
        }
    }
}

impl fmt::Display for Scope {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// Classes that may be added to a scope.
pub const ADDABLE: [Class; 2] = [Class::Deleted, Class::Outside];

/// Classes that may be dropped from a scope. What every file is found by, and what was requested by name, stays.
pub const DROPPABLE: [Class; 6] =
    [Class::Files, Class::Bulk, Class::Unclaimed, Class::Deleted, Class::Free, Class::Outside];

/// Why a scope cannot be changed as asked.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ScopeError {
    /// Only some classes can be added.
    #[error("`{0}` cannot be added to a scope: only `deleted` and `outside` can; for more, take a larger scope")]
    NotAddable(Class),
    /// Only some classes can be dropped.
    #[error(
        "`{0}` cannot be dropped from a plan: only `files`, `bulk`, `unclaimed`, `deleted`, `free` and `outside` can; for less, take a smaller scope"
    )]
    NotDroppable(Class),
    /// Added and dropped at once.
    #[error("`{0}` is both added and dropped: leave one of the two out")]
    Contradiction(Class),
}

/// The classes that a scope takes, with `also` added and `without` dropped. Dropping a class that the scope does
/// not take changes nothing.
///
/// # Errors
/// [`ScopeError`] for a class that cannot be added or dropped.
pub fn classes(scope: Scope, also: &[Class], without: &[Class]) -> Result<BTreeSet<Class>, ScopeError> {
    if let Some(class) = also.iter().find(|c| !ADDABLE.contains(c)) {
        return Err(ScopeError::NotAddable(*class));
    }
    if let Some(class) = without.iter().find(|c| !DROPPABLE.contains(c)) {
        return Err(ScopeError::NotDroppable(*class));
    }
    if let Some(class) = without.iter().find(|c| also.contains(c)) {
        return Err(ScopeError::Contradiction(*class));
    }
    let taken = |class: &Class| (*class <= scope.last_class() || also.contains(class)) && !without.contains(class);
    Ok(Class::ALL.into_iter().filter(taken).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(scope: Scope, also: &[Class], without: &[Class]) -> String {
        let taken = classes(scope, also, without).unwrap();
        taken.iter().map(|c| c.name()).collect::<Vec<_>>().join(" ")
    }

    // Source: the definition of the scopes, which is this project's own.
    #[test]
    fn a_scope_takes_its_class_and_all_before_it() {
        assert_eq!(names(Scope::Structure, &[], &[]), "tables structure");
        assert_eq!(names(Scope::Wanted, &[], &[]), "tables structure wanted");
        assert_eq!(names(Scope::Files, &[], &[]), "tables structure wanted files");
        assert_eq!(names(Scope::Allocated, &[], &[]), "tables structure wanted files bulk unclaimed");
        assert_eq!(names(Scope::Whole, &[], &[]), "tables structure wanted files bulk unclaimed deleted free outside");
        assert_eq!(
            names(Scope::Allocated, &[Class::Deleted, Class::Outside], &[Class::Bulk]),
            "tables structure wanted files unclaimed deleted outside"
        );
        assert_eq!(names(Scope::Structure, &[], &[Class::Bulk]), "tables structure");
    }

    #[test]
    fn structure_stays_and_contradictions_are_named() {
        assert_eq!(classes(Scope::Files, &[Class::Free], &[]), Err(ScopeError::NotAddable(Class::Free)));
        assert_eq!(classes(Scope::Whole, &[], &[Class::Structure]), Err(ScopeError::NotDroppable(Class::Structure)));
        let both = classes(Scope::Files, &[Class::Deleted], &[Class::Deleted]);
        assert_eq!(both, Err(ScopeError::Contradiction(Class::Deleted)));
        assert_eq!(
            ScopeError::NotAddable(Class::Free).to_string(),
            "`free` cannot be added to a scope: only `deleted` and `outside` can; for more, take a larger scope"
        );
        assert_eq!(
            ScopeError::NotDroppable(Class::Tables).to_string(),
            "`tables` cannot be dropped from a plan: only `files`, `bulk`, `unclaimed`, `deleted`, `free` and `outside` can; for less, take a smaller scope"
        );
        assert_eq!(
            ScopeError::Contradiction(Class::Deleted).to_string(),
            "`deleted` is both added and dropped: leave one of the two out"
        );
    }
}
