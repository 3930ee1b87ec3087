//! `docs/licences` names every crate in the program with its licence. When dependencies change:
//! `GLEANER_WRITE_DOCS=1 cargo test --test licences` writes the table anew.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::Command;

const TABLE: &str = "| crate | its licence | used under |\n|---|---|---|\n";

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Licences by crate, as cargo has them for the program on Linux.
fn licences() -> BTreeMap<String, String> {
    let options = ["--offline", "--locked", "--package", "gleaner", "--edges", "normal", "--prefix", "none"];
    let mut cargo = Command::new(env!("CARGO"));
    cargo.arg("tree").args(options).args(["--target", "x86_64-unknown-linux-gnu", "--format", "{p}|{l}"]);
    let output = cargo.current_dir(root()).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let lines = String::from_utf8(output.stdout).unwrap();
    let crates = lines.lines().map(|line| {
        let (package, licence) = line.trim_end_matches(" (*)").split_once('|').unwrap();
        (package.split(' ').next().unwrap().to_owned(), licence.to_owned())
    });
    crates.filter(|(name, _)| name != "gleaner").collect()
}

/// Under which of the licences that a crate offers it is used here; each has its text in `docs/licences`.
fn used_under(name: &str, licence: &str) -> &'static str {
    let offers = |wanted: &str| licence.split(['/', ' ', '(', ')']).any(|word| word == wanted);
    match licence {
        _ if licence.ends_with(" AND Unicode-3.0") && offers("Apache-2.0") => "Apache-2.0 and Unicode-3.0",
        _ if licence.contains(" AND ") => panic!("{name}: {licence} needs a text in docs/licences, and a line here"),
        _ if offers("Apache-2.0") => "Apache-2.0",
        _ if offers("MIT") => "MIT",
        // One crate; its text bears its notice.
        "BSD-3-Clause" if name == "subtle" => "BSD-3-Clause",
        _ => panic!("{name}: {licence} needs a text in docs/licences, and a line here"),
    }
}

#[test]
fn every_crate_in_the_program_is_named_with_its_licence() {
    let licences = licences();
    assert!(licences.len() > 50, "only {} crates found: this test no longer sees them", licences.len());
    let path = root().join("docs/licences/README.md");
    let page = fs::read_to_string(&path).unwrap();
    let head = page.split(TABLE).next().unwrap();
    let rows =
        licences.iter().map(|(name, licence)| format!("| `{name}` | {licence} | {} |\n", used_under(name, licence)));
    let expected = format!("{head}{TABLE}{}", rows.collect::<String>());
    if std::env::var_os("GLEANER_WRITE_DOCS").is_some() {
        fs::write(&path, &expected).unwrap();
    } else {
        assert!(page == expected, "the table is out of date: GLEANER_WRITE_DOCS=1 cargo test --test licences");
    }
}

/// The MIT licence wants each author's notice handed on.
#[test]
fn every_crate_used_under_mit_has_its_notice() {
    let notices = fs::read_to_string(root().join("docs/licences/MIT-notices.txt")).unwrap();
    for (name, _) in licences().iter().filter(|(name, licence)| used_under(name, licence) == "MIT") {
        let notice = notices.split(&format!("\n{name}\n")).nth(1);
        let notice =
            notice.unwrap_or_else(|| panic!("{name}: copy its copyright line into docs/licences/MIT-notices.txt"));
        assert!(notice.starts_with("    "), "{name} has no notice");
    }
}

#[test]
fn the_texts_are_there_and_the_manifest_names_them() {
    let manifest = fs::read_to_string(root().join("Cargo.toml")).unwrap();
    let list = manifest.lines().find_map(|line| line.strip_prefix("licence-texts = ")).unwrap();
    let named: Vec<String> = serde_json::from_str(list).unwrap();
    assert_eq!(named, ["docs/licences/MIT.txt", "docs/licences/Apache-2.0.txt"]);
    // How each text begins or what it is called: SPDX licence list.
    let beginnings = [
        (&named[0][..], "MIT License"),
        (&named[1], "Apache License"),
        ("docs/licences/Unicode-3.0.txt", "UNICODE LICENSE V3"),
        ("docs/licences/BSD-3-Clause.txt", "Copyright (c)"),
    ];
    for (path, title) in beginnings {
        let text = fs::read_to_string(root().join(path)).unwrap();
        assert!(text.trim_start().starts_with(title), "{path}");
    }
    // A package without the volume of the demo does not compile.
    let mut cargo = Command::new(env!("CARGO"));
    cargo.args(["package", "--list", "--offline", "--allow-dirty", "--package", "gleaner"]);
    let output = cargo.current_dir(root()).output().unwrap();
    let files = String::from_utf8(output.stdout).unwrap();
    for needed in ["testdata/ntfs-rich.img.zst", "docs/licences/MIT.txt", "docs/licences/README.md"] {
        assert!(files.lines().any(|file| file == needed), "{needed} is not in the package");
    }
}
