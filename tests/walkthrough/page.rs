//! The commands of a page, and what it shows of their output.

use super::same::settled;

/// A command in a `console` block.
pub struct Step {
    /// Its line in the page.
    pub line: usize,
    /// What is typed.
    pub command: String,
    /// The exit code it must end with: 0 unless the command's comment says `# ends with N`.
    pub code: i32,
    /// Whether its comment says that its figures vary: then only the lines shown are held.
    pub varies: bool,
    /// The lines shown below it; `...` stands for any lines.
    pub shown: Vec<String>,
}

/// The steps of a Markdown page.
pub fn steps(text: &str) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::new();
    let mut inside = false;
    for (number, line) in text.lines().enumerate() {
        if line.starts_with("```") {
            inside = line == "```console";
        } else if let (true, Some(command)) = (inside, line.strip_prefix("$ ")) {
            let code =
                command.split("# ends with ").nth(1).map_or(0, |code| code.trim().parse().expect("an exit code"));
            steps.push(Step {
                line: number + 1,
                command: command.to_owned(),
                code,
                varies: command.contains("# figures vary"),
                shown: Vec::new(),
            });
        } else if inside {
            steps.last_mut().expect("a command before its output").shown.push(line.to_owned());
        }
    }
    steps
}

/// Whether the lines shown are in the output, in their order; what is between two `...` must stand together. Nothing shown
/// asks for nothing.
pub fn shows(shown: &[String], printed: &str) -> Result<(), String> {
    let printed: Vec<&str> = printed.lines().collect();
    let mut from = 0;
    let mut anchored = true;
    for group in shown.split(|line| line == "...") {
        let group: Vec<String> = group.iter().map(|line| settled(line).trim_end().to_owned()).collect();
        if !group.is_empty() {
            let places = if anchored { from..from + 1 } else { from..printed.len() };
            let stands = |at: &usize| printed[*at..].len() >= group.len() && printed[*at..*at + group.len()] == group;
            match places.filter(|at| *at < printed.len()).find(stands) {
                Some(at) => from = at + group.len(),
                None => return Err(group.join("\n")),
            }
        }
        anchored = false;
    }
    let ends_open = shown.last().is_none_or(|line| line == "...");
    if ends_open || from == printed.len() { Ok(()) } else { Err(format!("(an end after line {from})")) }
}

#[test]
fn what_is_not_printed_is_noticed() {
    let shown = |lines: &str| lines.lines().map(str::to_owned).collect::<Vec<_>>();
    let printed = "one\ntwo\nthree\nfour";
    for good in ["", "one\n...", "...\ntwo\nthree\n...", "...\nfour", "one\n...\nthree\nfour", "one\ntwo\nthree\nfour"]
    {
        assert_eq!(shows(&shown(good), printed), Ok(()), "{good}");
    }
    for bad in [
        "two\n...",
        "...\ntwo\nfour\n...",
        "...\nthree",
        "one",
        "...\nthree\n...\ntwo\n...",
        "...\nfive\n...",
        "one\ntwo\nthree\nfour\nfive",
    ] {
        assert!(shows(&shown(bad), printed).is_err(), "{bad}");
    }
}

#[test]
fn commands_are_found_with_their_codes() {
    let page = "text\n$ not this\n```console\n$ a b\nout\n$ c # ends with 9\n```\n```sh\n$ nor this\n```\n";
    let steps = steps(page);
    let seen: Vec<_> = steps.iter().map(|s| (s.line, s.command.as_str(), s.code, s.shown.len())).collect();
    assert_eq!(seen, [(4, "a b", 0, 1), (6, "c # ends with 9", 9, 0)]);
}
