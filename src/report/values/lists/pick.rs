//! Folders chosen by number.

use crate::base::ending::{Ending, Ends};
use crate::report::values::FolderLine;
use crate::survey::allocation::exact;
use serde::Serialize;

/// A folder that can be chosen, with its number.
#[derive(Serialize, Debug, PartialEq, Eq, Clone)]
pub struct NumberedFolder {
    /// Its number, from 1.
    pub number: usize,
    /// The pattern that matches it: its path, with what has a meaning in patterns in brackets.
    pub pattern: String,
    /// The folder.
    #[serde(flatten)]
    pub folder: FolderLine,
}

/// The folders in the order of the list. A volume's root has no number: it is all of the volume.
pub fn numbered(lines: &[FolderLine]) -> Vec<NumberedFolder> {
    let below_root = lines.iter().filter(|line| line.depth > 0);
    let with_number = |(at, line): (usize, &FolderLine)| NumberedFolder {
        number: at + 1,
        pattern: exact(&line.path),
        folder: line.clone(),
    };
    below_root.enumerate().map(with_number).collect()
}

/// Numbers that name no folder.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[non_exhaustive]
pub enum PickError {
    /// Not a number or a range.
    #[error("`{0}` is not a number of the list, nor a range such as 7-9")]
    NotANumber(String),
    /// A number that the list does not have.
    #[error("there is no folder {asked}: the list goes from 1 to {last}")]
    OutOfList {
        /// The number.
        asked: usize,
        /// The last one.
        last: usize,
    },
    /// Nothing to choose from.
    #[error("there is no folder to pick: `gleaner survey` says why")]
    NoFolder,
}

/// The folders that numbers and ranges such as `3,7-9` name, in that order, each once. Commas, spaces and ends of lines stand
/// between them.
///
/// # Errors
/// [`PickError`] for the first that names none.
pub fn pick<'n>(list: &'n [NumberedFolder], text: &str) -> Result<Vec<&'n NumberedFolder>, PickError> {
    let mut picked: Vec<&NumberedFolder> = Vec::new();
    for word in text.split([',', ' ', '\t', '\n', '\r', ';']).filter(|word| !word.is_empty()) {
        let number = |text: &str| text.parse::<usize>().map_err(|_| PickError::NotANumber(word.to_owned()));
        let (first, last) = match word.split_once('-') {
            Some((first, last)) => (number(first)?, number(last)?),
            None => (number(word)?, number(word)?),
        };
        if first > last {
            return Err(PickError::NotANumber(word.to_owned()));
        }
        if let Some(asked) = [first, last].into_iter().find(|asked| !(1..=list.len()).contains(asked)) {
            return Err(PickError::OutOfList { asked, last: list.len() });
        }
        for folder in &list[first - 1..last] {
            if !picked.iter().any(|before| before.number == folder.number) {
                picked.push(folder);
            }
        }
    }
    Ok(picked)
}

/// The folders of other volumes that the picked patterns match as well: a pattern means a path on every volume.
pub fn also_matched<'n>(list: &'n [NumberedFolder], picked: &[&NumberedFolder]) -> Vec<&'n NumberedFolder> {
    let path = |folder: &NumberedFolder| folder.folder.path.to_lowercase();
    let is_picked = |one: &NumberedFolder| picked.iter().any(|folder| folder.number == one.number);
    let has_twin = |one: &NumberedFolder| picked.iter().any(|folder| path(folder) == path(one));
    list.iter().filter(|one| !is_picked(one) && has_twin(one)).collect()
}

impl Ends for PickError {
    fn ending(&self) -> Ending {
        Ending::Usage
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn list() -> Vec<NumberedFolder> {
        let line = |volume, path: &str, depth| FolderLine {
            volume,
            path: path.to_owned(),
            depth,
            files: 1,
            size: 1,
            on_drive: 1,
            extents: 1,
            bulk: 0,
            lost: 0,
        };
        numbered(&[
            line(0, "/", 0),
            line(0, "/Photos [2019]", 1),
            line(0, "/Users", 1),
            line(0, "/Users/anna", 2),
            line(9, "/", 0),
            line(9, "/users", 1),
        ])
    }

    fn numbers(text: &str) -> Result<Vec<usize>, PickError> {
        Ok(pick(&list(), text)?.iter().map(|folder| folder.number).collect())
    }

    #[test]
    fn numbers_and_ranges_name_folders() {
        assert_eq!(
            list().iter().map(|f| f.pattern.as_str()).collect::<Vec<_>>(),
            ["/Photos [[]2019[]]", "/Users", "/Users/anna", "/users"]
        );
        assert_eq!(numbers("3,1-2"), Ok(vec![3, 1, 2]));
        assert_eq!(numbers(" 2\n2 ; 4,\r\n"), Ok(vec![2, 4]));
        assert_eq!(numbers(""), Ok(Vec::new()));
        assert_eq!(numbers("0"), Err(PickError::OutOfList { asked: 0, last: 4 }));
        assert_eq!(numbers("3-5"), Err(PickError::OutOfList { asked: 5, last: 4 }));
        for wrong in ["x", "4-3", "1-", "-1", "1.5", "99999999999999999999"] {
            assert_eq!(numbers(wrong), Err(PickError::NotANumber(wrong.to_owned())));
        }
    }

    #[test]
    fn a_path_on_two_volumes_is_told() {
        let list = list();
        let picked = pick(&list, "2").unwrap();
        assert_eq!(also_matched(&list, &picked).iter().map(|folder| folder.number).collect::<Vec<_>>(), [4]);
        assert!(also_matched(&list, &pick(&list, "2,4").unwrap()).is_empty());
    }
}
