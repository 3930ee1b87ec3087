//! What differs from run to run, taken out of what is printed: times, rates, moments, random identifiers, and the spaces and
//! lines that a table needs around them.

/// The output with `[time]`, `[rate]`, `[moment]`, `[id]` in place of what the run, the machine and the day decide.
pub fn settled(printed: &str) -> String {
    let mut text = String::new();
    for line in printed.lines() {
        text.push_str(&settled_line(line));
        text.push('\n');
    }
    text
}

fn settled_line(line: &str) -> String {
    // Words with the spaces before them; tables fill with spaces, two of which say as much as ten.
    let mut words: Vec<(bool, String)> = Vec::new();
    let mut spaces = 0;
    for word in line.trim_end().split(' ') {
        if word.is_empty() {
            spaces += 1;
            continue;
        }
        let word = if word.chars().all(|c| c == '─') { "───" } else { word };
        words.push((spaces > 0, word.to_owned()));
        spaces = 0;
    }
    let mut settled: Vec<(bool, String)> = Vec::new();
    let mut at = 0;
    while at < words.len() {
        let (wide, word) = &words[at];
        let next = words.get(at + 1).filter(|(wide, _)| !wide).map(|(_, word)| word.as_str());
        let (name, used, tail) = match replaced(word, next) {
            (None, ..) if line.contains("last SHA-256") && word.len() == 64 => (Some("[id]"), 1, String::new()),
            // A report's pictures are drawn of times.
            (None, ..) if line.starts_with("report: ") && next == Some("kB)") => (Some("[size]"), 2, ")".to_owned()),
            replaced => replaced,
        };
        let word = name.map_or_else(|| word.clone(), |name| format!("{}{name}{tail}", front(word)));
        let joins = word.starts_with("[time]") && !wide && settled.last().is_some_and(|(_, last)| last == "[time]");
        if joins {
            settled.last_mut().unwrap().1 = word;
        } else {
            settled.push((*wide, word));
        }
        at += used;
    }
    let mut text = String::new();
    for (number, (wide, word)) in settled.iter().enumerate() {
        text.push_str(match (number, wide) {
            (0, false) => "",
            (_, true) => "  ",
            (_, false) => " ",
        });
        text.push_str(word);
    }
    text
}

/// What stands for a word (and the next one, its unit), how many words that are, and the punctuation behind them.
fn replaced(word: &str, next: Option<&str>) -> (Option<&'static str>, usize, String) {
    let bare = word.trim_matches(|c: char| "(),;".contains(c));
    let number = !bare.is_empty()
        && bare.starts_with(|c: char| c.is_ascii_digit())
        && bare.chars().all(|c| "0123456789.,-–".contains(c));
    if let (true, Some(unit)) = (number, next) {
        let name = match unit.trim_end_matches(|c: char| "(),;.".contains(c)) {
            "ms" | "s" | "min" | "h" | "d" => Some("[time]"),
            rate if rate.ends_with("B/s") => Some("[rate]"),
            _ => None,
        };
        let end = unit.trim_start_matches(|c: char| c.is_ascii_alphabetic() || c == '/');
        if name.is_some() {
            return (name, 2, end.to_owned());
        }
    }
    let end = word[word.trim_end_matches(|c: char| "),;.".contains(c)).len()..].to_owned();
    if formed(bare, "0000-00-00") && next.is_some_and(|next| formed(next, "00:00")) {
        return (Some("[moment]"), 2, String::new());
    }
    if formed(bare, "0000-00-00T00:00:00") {
        return (Some("[moment]"), 1, end);
    }
    if bare.len() == 32 && bare.bytes().all(|b| b.is_ascii_hexdigit()) {
        return (Some("[id]"), 1, end);
    }
    (None, 1, String::new())
}

/// Whether a word begins as a form does, in which 0 stands for any digit.
fn formed(word: &str, form: &str) -> bool {
    let same = |(is, like): (u8, u8)| if like == b'0' { is.is_ascii_digit() } else { is == like };
    word.len() >= form.len() && word.bytes().zip(form.bytes()).all(same)
}

fn front(word: &str) -> &str {
    &word[..word.len() - word.trim_start_matches('(').len()]
}

#[test]
fn only_what_varies_is_taken_out() {
    for (line, is) in [
        (
            "  this run: 13.0 MB in 22 requests and 0.1 s; 0 failed reads",
            "  this run: 13.0 MB in 22 requests and [time]; 0 failed reads",
        ),
        ("at 2.24 GB/s (measured), 12.7 ms for each", "at [rate] (measured), [time] for each"),
        ("in 3 h 05 min.", "in [time]."),
        ("a        12 MB   0.3 s       13.8 MB", "a  12 MB  [time]  13.8 MB"),
        ("  ────────────  ──", "  ───  ───"),
        ("about 1.1 s (0.8 s to 1.6 s) on", "about [time] ([time] to [time]) on"),
        ("report: r.html (129 kB)", "report: r.html ([size])"),
        ("since 2026-11-25T14:46:24Z, ok", "since [moment], ok"),
        (
            "SHA-256: 5f2a7f6508f59cba713e71c49d5890c0b8cbef3a6f93cf0296739e60bdae0211",
            "SHA-256: 5f2a7f6508f59cba713e71c49d5890c0b8cbef3a6f93cf0296739e60bdae0211",
        ),
        ("case 0123456789abcdef0123456789abcdef", "case [id]"),
        ("2019-06-01 Marsh path/  6 files", "2019-06-01 Marsh path/  6 files"),
        ("at 2019-06-01 12:30:05 by", "at [moment] by"),
        ("FAT16 5,287 clusters (10 s to go)", "FAT16 5,287 clusters ([time] to go)"),
    ] {
        assert_eq!(settled(line), format!("{is}\n"));
    }
}
