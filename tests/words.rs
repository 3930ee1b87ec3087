//! Phrases that a reader in a hurry, or in a second language, does not understand at once: none stands in a string, document, comment
//! or name of the project. Each has a plainer word: request, retry, skip, estimate, severity, overwritten, "data is consistent".

use std::fs;
use std::path::{Path, PathBuf};

/// For each phrase its words in order, each in its forms. Written apart, so that this list is not found.
const PHRASES: [&[&[&str]]; 14] = [
    &[&["come", "comes", "came", "coming"], &["back"], &["to"]],
    &[&["put", "puts", "putting"], &["off"]],
    &[&[concat!("le", "st")]],
    &[&[concat!("rec", "kon"), concat!("rec", "kons"), concat!("rec", "koned"), concat!("rec", "koning")]],
    &[&[concat!("res", "ist"), concat!("res", "ists"), concat!("res", "isted"), concat!("res", "isting")]],
    &[&["ask", "asks", "asked", "asking"], &["for"], &["again"]],
    &[&["take", "takes", "taken", "took", "taking"], &["up"], &["again"]],
    &[&["how"], &["grave"]],
    &[&[concat!("gra", "ver"), concat!("gra", "vest")]],
    &[&[concat!("vo", "uch"), concat!("vo", "uches"), concat!("vo", "uched"), concat!("vo", "uching")]],
    &[&["give", "gives", "gave", "given", "giving"], &["away"]],
    &[&["read", "reads", "reading"], &["sanely"]],
    &[&["nobody"], &["know", "knows", "knew"]],
    &[&["is", "are", "was", "were", "be", "been", "being"], &["asked"], &["for"]],
];

/// The texts below a folder, without what others wrote or what is data.
fn texts(path: &Path, found: &mut Vec<PathBuf>) {
    const OTHERS: [&str; 5] = ["node_modules", "licences", "target", "corpus", "artifacts"];
    if path.is_file() {
        found.push(path.to_owned());
        return;
    }
    for entry in fs::read_dir(path).unwrap() {
        let path = entry.unwrap().path();
        if !OTHERS.iter().any(|name| path.file_name().unwrap() == *name) {
            texts(&path, found);
        }
    }
}

/// The words of a text in lower case, each with its line; an empty one where a phrase cannot go on. A phrase goes on over the end of a
/// line, past the mark of a comment or of a quotation, and in a name.
fn words(text: &str) -> Vec<(usize, String)> {
    let mut words = Vec::new();
    for (line, content) in (1..).zip(text.lines()) {
        let content = content.trim_start().trim_start_matches(['/', '!', '#', '>', '*']);
        let mut word = String::new();
        for letter in content.chars().chain([' ']) {
            if letter.is_alphanumeric() {
                word.extend(letter.to_lowercase());
                continue;
            }
            if !word.is_empty() {
                words.push((line, std::mem::take(&mut word)));
            }
            if ![' ', '_', '-', '\\', '\t', '`', '*'].contains(&letter) {
                words.push((line, word.clone()));
            }
        }
    }
    words
}

/// The phrases in a text, with their lines.
fn phrases(text: &str) -> Vec<(usize, String)> {
    let words = words(text);
    let mut found = Vec::new();
    for phrase in PHRASES {
        for part in words.windows(phrase.len()) {
            if part.iter().zip(phrase).all(|((_, word), forms)| forms.contains(&word.as_str())) {
                let said: Vec<&str> = part.iter().map(|(_, word)| word.as_str()).collect();
                found.push((part[0].0, said.join(" ")));
            }
        }
    }
    found
}

#[test]
fn a_phrase_is_found_in_each_form_and_in_names_and_over_lines() {
    let found = |text: &str| phrases(text).len();
    assert_eq!(found(concat!("/// It was put", "\n    /// off, and nothing else.")), 1);
    assert_eq!(found(concat!("fn nothing_is_asked", "_for_twice() {")), 1);
    assert_eq!(found(concat!("| Re", "ckoned beforehand |")), 1);
    assert_eq!(found(concat!("\"no copy vou", "ches for it\"")), 1);
    assert_eq!(found("as asked, for a client; it is put. Off it goes, at least for now"), 0);
}

#[test]
fn no_checked_phrase_is_anywhere() {
    let project = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut files = Vec::new();
    for part in ["src", "tests", "docs", "scripts", "README.md", "DEVELOPERS.md"] {
        texts(&project.join(part), &mut files);
    }
    let mut wrong = Vec::new();
    let mut read = 0;
    for file in files {
        // What is no text is data.
        let Ok(text) = String::from_utf8(fs::read(&file).unwrap()) else { continue };
        read += 1;
        let name = file.strip_prefix(project).unwrap().display().to_string();
        wrong.extend(phrases(&text).into_iter().map(|(line, phrase)| format!("{name}:{line}: {phrase}")));
    }
    assert!(read > 400, "only {read} files were read");
    assert!(wrong.is_empty(), "{} phrases to say more plainly:\n{}", wrong.len(), wrong.join("\n"));
}
