//! Text laid out for the width of a terminal.

use crate::base::text::shown;
use std::os::fd::AsFd;
use unicode_width::UnicodeWidthStr;

/// Columns of a terminal that every machine has; also where there is no terminal, so that the same bytes give the same text.
const COLUMNS: usize = 80;

/// Columns of the terminal that standard output is.
pub fn columns() -> usize {
    columns_of(std::io::stdout())
}

/// Columns of the terminal that standard error is.
pub fn error_columns() -> usize {
    columns_of(std::io::stderr())
}

fn columns_of(stream: impl AsFd) -> usize {
    let terminal = rustix::termios::tcgetwinsize(stream).ok().map(|size| usize::from(size.ws_col));
    // Below the least nothing can be laid out; above the most, lines are hard to read.
    terminal.filter(|columns| *columns > 0).map_or(COLUMNS, |columns| columns.clamp(60, 120))
}

/// Text that is cut at its end, between words where it has several, to stand in so many columns.
pub fn cut(text: &str, columns: usize) -> String {
    if text.width() <= columns {
        return text.to_owned();
    }
    let mut kept = head(text, columns.saturating_sub(1));
    if !text[kept.len()..].starts_with(' ') {
        kept = kept.rsplit_once(' ').map_or(kept, |(words, _)| words);
    }
    format!("{}…", kept.trim_end_matches([' ', ',', ';', ':']))
}

/// The longest beginning of a text that stands in so many columns.
pub(super) fn head(text: &str, columns: usize) -> &str {
    let mut used = 0;
    let end = text.char_indices().find(|(_, letter)| {
        used += letter.to_string().width();
        used > columns
    });
    end.map_or(text, |(at, _)| &text[..at])
}

/// A sentence behind `start`, on as many lines as it needs; the later ones stand two columns in from the first. A word is divided
/// only where no line has room for it.
pub fn wrap(start: &str, sentence: &str, columns: usize) -> Vec<String> {
    let indent = if start.starts_with(' ') { start.width() } else { 2 };
    let mut lines = Vec::new();
    let mut line = start.to_owned();
    let mut has_word = false;
    for mut word in words(&shown(sentence)) {
        if has_word && line.width() + 1 + word.width() > columns {
            lines.push(std::mem::replace(&mut line, " ".repeat(indent)));
            has_word = false;
        }
        while line.width() + word.width() + usize::from(has_word) > columns {
            let part = head(word, columns.saturating_sub(line.width()).max(2));
            lines.push(line + part);
            (line, word) = (" ".repeat(indent), &word[part.len()..]);
        }
        if has_word {
            line.push(' ');
        }
        line.push_str(word);
        has_word = true;
    }
    lines.push(line);
    lines
}

/// The words of a sentence; a number is one with the unit behind it.
fn words(sentence: &str) -> Vec<&str> {
    const UNITS: [&str; 15] =
        ["%", "s", "ms", "min", "h", "d", "B", "kB", "MB", "GB", "TB", "KiB", "MiB", "MB/s", "°C"];
    let is_number = |word: &str| word.trim_start_matches('(').starts_with(|first: char| first.is_ascii_digit());
    let is_unit = |word: &str| UNITS.contains(&word.trim_end_matches([',', ';', ':', '.', ')']));
    let mut words: Vec<&str> = Vec::new();
    let (mut from, mut number) = (0, false);
    for word in sentence.split(' ') {
        let to = from + word.len();
        match words.last_mut().filter(|_| number && is_unit(word)) {
            Some(last) => *last = &sentence[from - 1 - last.len()..to],
            None => words.push(word),
        }
        number = is_number(word);
        from = to + 1;
    }
    words
}

/// As [`wrap`], on at most so many lines; what is left out shows as `…`.
pub fn wrap_within(most: usize, start: &str, sentence: &str, columns: usize) -> Vec<String> {
    let mut lines = wrap(start, sentence, columns);
    if lines.len() > most {
        let next = lines[most].trim_start().to_owned();
        lines.truncate(most);
        if let Some(last) = lines.last_mut() {
            *last = cut(&format!("{last} {next}"), columns.min(last.width() + 1));
        }
    }
    lines
}

/// A line for a shell, continued on further lines where it is too long. It is divided between words only, never inside quotes.
pub fn shell_lines(command: &str, columns: usize) -> Vec<String> {
    if command.width() <= columns {
        return vec![command.to_owned()];
    }
    let mut lines = Vec::new();
    let indent = command.len() - command.trim_start().len();
    let mut line = " ".repeat(indent);
    for word in shell_arguments(command.trim_start()) {
        // Two columns for the mark that the line goes on.
        if line.width() > indent && line.width() + 1 + word.width() + 2 > columns {
            lines.push(line + " \\");
            line = " ".repeat(indent + 4);
        } else if line.width() > indent {
            line.push(' ');
        }
        line.push_str(word);
    }
    lines.push(line);
    lines
}

/// The words of a command as they are written, quotes and all; an option stands together with its value.
fn shell_arguments(command: &str) -> Vec<&str> {
    let mut words = Vec::new();
    let (mut from, mut quote, mut is_escaped) = (0, None, false);
    for (at, letter) in command.char_indices() {
        match letter {
            _ if is_escaped => is_escaped = false,
            '\\' if quote != Some('\'') => is_escaped = true,
            '\'' | '"' if quote == Some(letter) => quote = None,
            '\'' | '"' if quote.is_none() => quote = Some(letter),
            ' ' if quote.is_none() => {
                let word = &command[from..at];
                let has_value = word.starts_with("--") && !word.contains(' ') && !command[at..].starts_with(" --");
                if !has_value {
                    words.push(word);
                    from = at + 1;
                }
            }
            _ => {}
        }
    }
    words.push(&command[from..]);
    words.retain(|word| !word.is_empty());
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_cut_between_words_and_at_its_end() {
        assert_eq!(cut("Annual accounts", 15), "Annual accounts");
        assert_eq!(cut("Annual accounts", 14), "Annual…");
        assert_eq!(cut("Annual accounts", 7), "Annual…");
        assert_eq!(cut("/Users/anna/Documents", 10), "/Users/an…");
        // Two columns each (East Asian Width W, Unicode Standard Annex 11).
        assert_eq!(cut("写真写真写真", 8), "写真写…");
    }

    #[test]
    fn no_line_is_too_long_and_nothing_is_lost() {
        let sentence = "a bb ccc dddd eeeee ffffffffffffffffffffffffffffffffffffff ggg";
        for columns in 12..40 {
            let lines = wrap("START  ", sentence, columns);
            assert!(lines.iter().all(|line| line.width() <= columns), "{lines:?}");
            let all: String = lines.concat().replace(' ', "");
            assert_eq!(all, format!("START{}", sentence.replace(' ', "")));
        }
        let lines = wrap_within(2, "  ", "one two three four five six", 10);
        assert_eq!(lines, ["  one two", "  three…"]);
    }

    #[test]
    fn a_long_command_is_the_same_command() {
        let command = "  gleaner plan --case '/srv/cases of the year/it'\\''s' --scope whole \"a b\" --want-from -";
        let lines = shell_lines(command, 40);
        assert!(lines.len() > 2 && lines[..lines.len() - 1].iter().all(|line| line.ends_with(" \\")), "{lines:?}");
        assert_eq!(shlex::split(&lines.join("\n").replace("\\\n", "")), shlex::split(command));
        assert_eq!(shell_lines(command, 100), [command]);
    }
}
