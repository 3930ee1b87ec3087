//! `docs/findings.md` is made from the code: this test holds them together and writes the page anew when asked.

use gleaner::base::finding::Code;
use std::collections::BTreeSet;
use std::fmt::Write;
use std::path::Path;

fn page() -> String {
    let mut text = String::from(
        "# Findings\n\nWhat gleaner can notice, by the layer that notices it. Every finding in a report has its code, its severity, its place (byte and\n\
         LBA) where it has one, and a sentence with the figures. This page is made from the code: `GLEANER_WRITE_DOCS=1 cargo test --test findings_doc`.\n\n\
         Severities: **note**, nothing is lost; **caution**, something does not agree and the plan allows for it; **damage**, structure or client data\n\
         is damaged or could not be read; **blocking**, a volume or table cannot be understood this way and the plan falls back to all of it.\n",
    );
    for (layer, codes) in gleaner::all_codes() {
        write!(text, "\n## {layer}\n\n| code | severity | what it means for the client's data |\n|---|---|---|\n")
            .unwrap();
        for code in codes {
            let meaning: Vec<&str> = code.meaning.split_whitespace().collect();
            writeln!(text, "| `{}` | {} | {} |", code.id, code.severity, meaning.join(" ").replace('|', "\\|"))
                .unwrap();
        }
    }
    text
}

#[test]
fn the_page_lists_what_the_code_has() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/findings.md");
    if std::env::var_os("GLEANER_WRITE_DOCS").is_some() {
        std::fs::write(&path, page()).unwrap();
    }
    let written = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(written == page(), "docs/findings.md is out of date: GLEANER_WRITE_DOCS=1 cargo test --test findings_doc");
}

#[test]
fn codes_are_unique_stable_names_with_a_meaning() {
    let mut seen = BTreeSet::new();
    for code in gleaner::all_codes().iter().flat_map(|(_, codes)| codes.iter()) {
        let Code { id, meaning, .. } = code;
        assert!(seen.insert(*id), "{id} is there twice");
        assert!(id.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-'), "{id}");
        assert!(meaning.ends_with('.') && meaning.len() > 40, "{id}: {meaning}");
    }
    assert!(seen.len() > 30);
}
