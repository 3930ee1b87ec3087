//! `docs/commands` is made from the definition of the command line: this test holds them together and writes the pages anew
//! when asked.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::fs;
use std::path::{Path, PathBuf};

/// Columns of the help in the pages.
const WIDTH: usize = 110;

/// Where each command's matter is explained, beyond its help: a page below `docs` and what it tells.
const READ_ON: &[(&str, &[(&str, &str)])] = &[
    ("drives", &[("drives.md", "where each fact comes from")]),
    (
        "survey",
        &[
            ("coherence.md", "the verdict, and what it rests on"),
            ("classes.md", "classes and scopes"),
            ("findings.md", "every finding there is"),
        ],
    ),
    ("folders", &[("bulk.md", "what counts as bulk")]),
    ("files", &[("formats/files.md", "the list's fields")]),
    (
        "plan",
        &[
            ("classes.md", "classes, scopes, passes"),
            ("bridging.md", "when a gap is read through"),
            ("orders.md", "other orders than the usual one"),
            ("formats/plan.md", "the plan file"),
        ],
    ),
    ("export", &[("formats/exports.md", "the forms")]),
    (
        "copy",
        &[
            ("copying.md", "what is read in which order on a drive that fails"),
            ("durability.md", "what survives which failure"),
            ("formats/case.md", "the case folder"),
        ],
    ),
    ("audit", &[("bench-guide.md", "where it comes in the work")]),
    ("verify", &[("verifying.md", "what is checked, and what its words mean")]),
    ("hand-over", &[("hand-over.md", "what is in a copy, which drives are refused, in which order is written")]),
    ("take", &[("taking.md", "which files, under which names, how damaged ones are marked")]),
    ("demo", &[("bench-guide.md", "the same by hand, step by step")]),
    ("pace", &[("model.md", "the drive's model"), ("formats/model.md", "its file")]),
    ("simulate", &[("simulation.md", "what is played, and results")]),
    ("note", &[("formats/record.md", "the record's lines")]),
    ("record", &[("formats/record.md", "the record's lines")]),
    ("mend", &[("durability.md", "what survives which failure"), ("formats/case.md", "the case folder")]),
    ("report", &[("report.md", "what each page holds"), ("formats/case.md", "the case folder it is made from")]),
    ("watch", &[("watching.md", "how it works, and who can see it"), ("formats/history.md", "what it reads")]),
];

fn docs() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("docs")
}

/// The pages by file name, as they should be.
fn pages() -> BTreeMap<String, String> {
    let mut program = gleaner::cli::command().disable_help_subcommand(true).term_width(WIDTH);
    program.build();
    let mut index = String::from(
        "# Commands\n\nMade from the program's own help: `GLEANER_WRITE_DOCS=1 cargo test --test commands_doc`. In which order they are \
         used: [the bench guide](../bench-guide.md). What a command's exit code means: [exit codes](../exit-codes.md).\n\n| command | what it does |\n|---|---|\n",
    );
    let mut pages = BTreeMap::new();
    for command in program.get_subcommands_mut().filter(|c| !c.is_hide_set()) {
        let name = command.get_name().to_owned();
        let about = command.get_about().unwrap_or_else(|| panic!("{name} has no description")).to_string();
        writeln!(index, "| [`{name}`]({name}.md) | {about} |").unwrap();
        let help = command.clone().term_width(WIDTH).render_long_help().to_string();
        let help: Vec<&str> = help.lines().map(str::trim_end).collect();
        let mut page = format!("# gleaner {name}\n\n```text\n{}\n```\n", help.join("\n").trim_end());
        let links = READ_ON.iter().find(|(of, _)| *of == name).map_or(&[][..], |(_, links)| links);
        assert!(!links.is_empty(), "say in {} where the matter of `{name}` is explained", file!());
        page.push_str("\nRead on:\n");
        for (path, about) in links {
            writeln!(page, "- [{path}](../{path}): {about}").unwrap();
        }
        pages.insert(format!("{name}.md"), page);
    }
    pages.insert("README.md".to_owned(), index);
    pages
}

#[test]
fn the_pages_are_the_programs_help() {
    let folder = docs().join("commands");
    let pages = pages();
    if std::env::var_os("GLEANER_WRITE_DOCS").is_some() {
        fs::create_dir_all(&folder).unwrap();
        for (name, page) in &pages {
            fs::write(folder.join(name), page).unwrap();
        }
        for stray in fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap()) {
            if !pages.contains_key(stray.file_name().to_str().unwrap()) {
                fs::remove_file(stray.path()).unwrap();
            }
        }
    }
    let again = "GLEANER_WRITE_DOCS=1 cargo test --test commands_doc";
    let mut there: Vec<String> =
        fs::read_dir(&folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    there.sort();
    assert_eq!(there, pages.keys().cloned().collect::<Vec<_>>(), "{again}");
    for (name, page) in &pages {
        let written = fs::read_to_string(folder.join(name)).unwrap();
        assert!(written == *page, "docs/commands/{name} is out of date: {again}");
    }
}

/// Every Markdown file that a person reads in the repository.
fn markdown() -> Vec<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut folders = vec![docs()];
    let mut found = vec![root.join("README.md"), root.join("DEVELOPERS.md")];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "md") {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

#[test]
fn every_link_in_the_manual_leads_somewhere() {
    let mut links = 0;
    for page in markdown() {
        let text = fs::read_to_string(&page).unwrap();
        for after in text.split("](").skip(1) {
            let target = after.split(')').next().unwrap();
            let path = target.split('#').next().unwrap();
            if path.is_empty() || path.contains("://") || path.contains(char::is_whitespace) {
                continue;
            }
            links += 1;
            let lead = page.parent().unwrap().join(path);
            assert!(lead.exists(), "{}: {target} leads nowhere", page.display());
        }
    }
    assert!(links > 50, "only {links} links found: this test no longer sees them");
}

#[test]
fn every_command_is_in_the_readme() {
    let readme = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap();
    let program = gleaner::cli::command();
    for name in program.get_subcommands().filter(|c| !c.is_hide_set()).map(clap::Command::get_name) {
        let shown = [' ', '`'].iter().any(|end| readme.contains(&format!("`gleaner {name}{end}")));
        assert!(shown, "README.md does not show `gleaner {name}`");
    }
}

/// The architecture's diagram names every room that `lib.rs` has.
#[test]
fn the_diagram_has_every_room() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let page = fs::read_to_string(docs().join("architecture.md")).unwrap();
    let diagram = page.split("```mermaid").nth(1).expect("a diagram").split("```").next().unwrap();
    let library = fs::read_to_string(root.join("src/lib.rs")).unwrap();
    let modules: Vec<&str> =
        library.lines().filter_map(|line| line.strip_prefix("pub mod ")?.strip_suffix(';')).collect();
    assert!(modules.len() > 12, "{modules:?}");
    for module in modules {
        let named = diagram.split(|c: char| !c.is_alphanumeric() && c != '_').any(|word| word == module);
        assert!(named, "the diagram in docs/architecture.md lacks `{module}`");
    }
}

/// What a new user looks for comes first: commands in the order of the work, what most commands have at the end, and no drive where
/// the case is enough.
#[test]
fn the_help_shows_first_what_matters() {
    let mut program = gleaner::cli::command();
    program.build();
    let names: Vec<&str> = program.get_subcommands().map(clap::Command::get_name).collect();
    assert!(
        names.starts_with(&[
            "drives",
            "survey",
            "folders",
            "plan",
            "copy",
            "audit",
            "report",
            "take",
            "verify",
            "hand-over"
        ]),
        "{names:?}"
    );
    for command in program.get_subcommands_mut().filter(|command| command.get_name() != "help") {
        let name = command.get_name().to_owned();
        let help = command.render_help().to_string();
        let option = |option: &str| help.lines().position(|line| line.trim_start().starts_with(option));
        let common = help.lines().position(|line| line == "Common options:");
        for (later, earlier) in [(option("--json"), common), (common, option("--case")), (common, option("-h, --help"))]
        {
            assert!(later.is_none() || later > earlier, "{name}:\n{help}");
        }
        if let (Some(case), Some(options)) = (option("--case"), help.lines().position(|line| line == "Options:")) {
            assert_eq!(case, options + 1, "{name}: the case is the first option\n{help}");
        }
        let takes_source = ["survey", "folders", "plan", "copy", "verify", "pace", "files", "mend"].contains(&&*name);
        assert_eq!(help.contains("SOURCE"), takes_source, "{name}:\n{help}");
    }
    // It may be typed all the same.
    let typed = gleaner::cli::command().try_get_matches_from(["gleaner", "audit", "drive.img", "--case", "case"]);
    assert!(typed.is_ok());
}
