//! A path as people type it: from a note, from the address line of a window, from another list.
//!
//! Source: Microsoft, "Naming Files, Paths, and Namespaces" (from memory): `\` and `/` both separate names; a path may begin with
//! a drive letter and a colon, and before that with `\\?\` or `\\.\`; a name holds none of `" * / : < > ? \ |`; `.` is the folder
//! itself. Other file systems than Windows' own use allow more: [`exact`] writes any name so that it means itself.

use crate::base::text::is_plain;

/// The names of a path in their order, and where it begins.
#[derive(PartialEq, Eq, Debug)]
pub(in crate::survey::allocation) struct TypedPath<'t> {
    /// Whether it begins at the volume's root. Else its first name may stand in any folder.
    pub from_root: bool,
    /// The names; none for the root itself.
    pub names: Vec<&'t str>,
}

/// Takes a path apart: quotes around it, a prefix, a drive letter, separators of both kinds, at its end too. `None` when there
/// is nothing in it. A name alone may stand anywhere; `/name`, `\name` and `C:name` stand in the root.
pub(in crate::survey::allocation) fn take_apart(text: &str) -> Option<TypedPath<'_>> {
    let text = without_quotes(text);
    let text = [r"\\?\", r"\\.\"].iter().find_map(|prefix| text.strip_prefix(prefix)).unwrap_or(text);
    let (has_drive, path) = match text.as_bytes() {
        [letter, b':', ..] if letter.is_ascii_alphabetic() => (true, &text[2..]),
        _ => (false, text),
    };
    let names: Vec<&str> = split(path).into_iter().filter(|name| !matches!(*name, "" | ".")).collect();
    let from_root = has_drive || path.starts_with(['/', '\\']) || names.len() > 1;
    (from_root || !names.is_empty()).then_some(TypedPath { from_root, names })
}

/// The pairs of quotes that people and their programs put around a path.
const QUOTES: [(char, char); 5] = [('"', '"'), ('\'', '\''), ('“', '”'), ('„', '“'), ('‘', '’')];

/// Without quotes around it. What a Windows shell makes of `"C:\Users\"` has one at its end alone.
fn without_quotes(text: &str) -> &str {
    let inner = |(open, close): &(char, char)| {
        let inner = text.strip_prefix(*open)?.strip_suffix(*close)?;
        (!inner.contains([*open, *close])).then_some(inner)
    };
    QUOTES.iter().find_map(inner).or_else(|| single(text)).unwrap_or(text)
}

fn single(text: &str) -> Option<&str> {
    text.strip_suffix('"').filter(|rest| !rest.ends_with('[') && !rest.contains('"'))
}

/// At each separator, but not at the `\` of `[\]`, which means itself.
fn split(path: &str) -> Vec<&str> {
    let bytes = path.as_bytes();
    let mut names = Vec::new();
    let mut start = 0;
    for (at, byte) in bytes.iter().enumerate() {
        let is_itself = *byte == b'\\' && bytes[..at].ends_with(b"[") && bytes[at + 1..].starts_with(b"]");
        if matches!(byte, b'/' | b'\\') && !is_itself {
            names.push(&path[start..at]);
            start = at + 1;
        }
    }
    names.push(&path[start..]);
    names
}

/// The patterns of a list, one a line. Empty lines and those that begin with `#` are left out, as is the mark (U+FEFF) that some
/// editors put first. A name that begins with `#` can be written as a path, `/#name`.
pub fn patterns_of_list(text: &str) -> Vec<String> {
    let lines = text.strip_prefix('\u{FEFF}').unwrap_or(text).lines();
    lines.filter(|line| !line.trim().is_empty() && !line.starts_with('#')).map(str::to_owned).collect()
}

/// Characters that mean something in a pattern or around it.
const SPECIAL: [char; 8] = ['[', ']', '{', '}', '*', '?', '\\', '"'];

/// The pattern that matches a path and nothing else: what has a meaning in patterns stands in brackets. For a character
/// that does not show as itself stands `?`, so that the pattern is one line of plain text.
pub fn exact(path: &str) -> String {
    let mut pattern = String::with_capacity(path.len());
    for c in path.chars() {
        match c {
            c if SPECIAL.contains(&c) => pattern.extend(['[', c, ']']),
            c if is_plain(c) => pattern.push(c),
            _ => pattern.push('?'),
        }
    }
    pattern
}

/// A name as it stands on the drive, from a pattern's: the other way from [`exact`].
pub(in crate::survey::allocation) fn literal(name: &str) -> String {
    SPECIAL.iter().fold(name.to_owned(), |name, c| name.replace(&format!("[{c}]"), &c.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(text: &str) -> Option<(bool, Vec<&str>)> {
        take_apart(text).map(|path| (path.from_root, path.names))
    }

    // Source: the rules of "Naming Files, Paths, and Namespaces" (Microsoft, from memory), with the examples' own forms.
    #[test]
    fn a_path_means_the_same_however_it_is_typed() {
        let anna = Some((true, vec!["Users", "anna", "Documents"]));
        for typed in [
            r"C:\Users\anna\Documents",
            r"c:\Users\anna\Documents\",
            r"D:Users\anna\Documents",
            "C:/Users/anna/Documents/",
            r"\Users\anna\Documents",
            r"Users\anna\Documents",
            r"\\?\C:\Users\anna\Documents",
            r"\\.\C:\Users\anna\Documents",
            r#""C:\Users\anna\Documents""#,
            r#""C:\Users\anna\Documents\""#,
            r#"C:\Users\anna\Documents""#,
            r"'C:\Users\anna\Documents'",
            r"“C:\Users\anna\Documents”",
            r".\Users\.\anna\\Documents",
            "/Users/anna/Documents",
            r"/Users\anna/Documents",
        ] {
            assert_eq!(of(typed), anna, "{typed}");
        }
        assert_eq!(
            [of("Documents"), of(r"Documents\"), of("Documents/")],
            [(); 3].map(|()| Some((false, vec!["Documents"])))
        );
        assert_eq!([of(r"C:\"), of("/"), of("C:"), of(r"'C:\'")], [(); 4].map(|()| Some((true, Vec::new()))));
        assert_eq!([of(""), of("''"), of(".")], [None, None, None]);
    }

    #[test]
    fn a_list_has_one_pattern_a_line() {
        let list = "\u{FEFF}# from the client\r\nC:\\Users\\anna\r\n\r\n  \n/#tags\n/a b ";
        assert_eq!(patterns_of_list(list), [r"C:\Users\anna", "/#tags", "/a b "]);
    }

    #[test]
    fn what_a_person_types_as_a_name_stays_one() {
        assert_eq!(of("it's"), Some((false, vec!["it's"])));
        assert_eq!(of("'a' and 'b'"), Some((false, vec!["'a' and 'b'"])));
        assert_eq!(of(r"Users\*\Documents"), Some((true, vec!["Users", "*", "Documents"])));
        assert_eq!(of(r"/a[\]b/c"), Some((true, vec![r"a[\]b", "c"])));
        assert_eq!(of("10:30"), Some((false, vec!["10:30"])));
    }
}
