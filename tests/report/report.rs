//! The report as a page: its figures are those of `audit --json` and `survey --json`, it is well-formed by the HTML
//! standard's own parsing rules (html5ever, an implementation of the WHATWG parsing algorithm that reports its errors), and
//! nothing from the drive or the record becomes markup.

use crate::cases;

use cases::{complains_with, copy, ends_with, gleaner, passes};
use gleaner::base::extent::Extent;
use gleaner::case::{Access, Case};
use gleaner::source::{CopyStore, Failure, RangeMark};
use scraper::{ElementRef, Html, Selector};
use serde_json::Value;
use std::collections::BTreeSet;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

fn report(case: &Path, arguments: &[&str]) -> (String, Html, Value) {
    let published: Value =
        serde_json::from_str(&ends_with(0, gleaner("report", case).arg("--json").args(arguments))).unwrap();
    let text = fs::read_to_string(published["page"].as_str().unwrap()).unwrap();
    let html = Html::parse_document(&text);
    assert!(html.errors.is_empty(), "not well-formed: {:?}", html.errors);
    assert_eq!(published["page_bytes"], text.len());
    (text, html, published)
}

fn all<'h>(html: &'h Html, selector: &str) -> Vec<ElementRef<'h>> {
    let selector = Selector::parse(selector).unwrap();
    html.select(&selector).collect()
}

fn text_of(element: ElementRef<'_>) -> String {
    element.text().collect::<String>().split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The rows of the table with a caption: the text of each cell, or the number in it.
fn rows(html: &Html, caption: &str) -> Vec<Vec<String>> {
    let tables = all(html, "table");
    let of_caption = |table: &&ElementRef<'_>| {
        table.select(&Selector::parse("caption").unwrap()).any(|found| text_of(found) == caption)
    };
    let table = tables.iter().find(of_caption).unwrap_or_else(|| panic!("no table '{caption}'"));
    let data = Selector::parse("data").unwrap();
    let cell = |cell: ElementRef<'_>| match cell.select(&data).next() {
        Some(number) => number.value().attr("value").unwrap().to_owned(),
        None => text_of(cell),
    };
    table
        .select(&Selector::parse("tbody tr").unwrap())
        .map(|row| row.select(&Selector::parse("th, td").unwrap()).map(cell).collect())
        .collect()
}

/// What `audit --json` sums up, and every file.
fn audit(code: i32, case: &Path) -> (Value, Vec<Value>) {
    let mut lines: Vec<Value> =
        cases::audit(code, case).lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    (lines.pop().unwrap()["summary"].clone(), lines)
}

fn same_figures(case: &Path, html: &Html, code: i32) {
    let (summary, files) = audit(code, case);
    let totals = &summary["totals"];
    for (row, state) in rows(html, "Files and named streams by their state").iter().zip([
        "whole",
        "damaged",
        "lost",
        "not_yet_read",
        "not_planned",
    ]) {
        assert_eq!(row[1], totals[state].to_string(), "{state}");
        assert_eq!(row[2], totals[format!("{state}_bytes")].to_string(), "bytes {state}");
    }
    let mut folders = 0;
    for volume in summary["folders"].as_array().unwrap().chunk_by(|a, b| a["volume"] == b["volume"]) {
        let start = gleaner::base::human::count(volume[0]["volume"].as_u64().unwrap());
        let shown = rows(html, &format!("Folders of the volume at byte {start}"));
        for row in &shown {
            let folder =
                volume.iter().find(|folder| folder["path"] == row[0].as_str()).unwrap_or_else(|| panic!("{row:?}"));
            let expected = ["whole", "damaged", "lost", "not_yet_read", "not_planned", "whole_bytes"]
                .map(|key| folder[key].to_string());
            assert_eq!(row[1..], expected, "{}", row[0]);
        }
        folders += shown.len();
    }
    assert!(folders > 3);
    let not_whole: Vec<&Value> = files.iter().filter(|file| file["state"] != "whole").collect();
    if !not_whole.is_empty() {
        let shown = rows(html, "Files that are not complete");
        assert_eq!(shown.len(), not_whole.len().min(2000));
        for row in &shown {
            let state = in_json(&row[0]);
            // A long path is shown by its start and end.
            let (start, end) = row[1].split_once('…').unwrap_or((&row[1], ""));
            let is_it = |file: &&Value| -> bool {
                let path = file["path"].as_str().unwrap();
                file["state"] == state.as_str()
                    && (start.starts_with(path) || path.starts_with(start))
                    && path.ends_with(end)
            };
            assert!(not_whole.iter().any(is_it), "{row:?}");
        }
    }
    let survey: Value = serde_json::from_str(&ends_with(0, gleaner("survey", case).arg("--json"))).unwrap();
    let areas: Vec<(String, String)> =
        rows(html, "Areas of the drive, in order").iter().map(|row| (row[0].clone(), row[2].clone())).collect();
    let expected: Vec<(String, String)> = survey["areas"]
        .as_array()
        .unwrap()
        .iter()
        .map(|area| (area["number"].as_u64().map_or("–".to_owned(), |n| n.to_string()), area["bytes"].to_string()))
        .collect();
    assert_eq!(areas, expected);
    let findings = rows(html, "Findings, the most severe first");
    let expected = survey["findings"].as_array().unwrap();
    assert_eq!(findings.len(), expected.len());
    for (row, finding) in findings.iter().zip(expected) {
        assert!(
            row[0].ends_with(finding["severity"].as_str().unwrap())
                && row[1].contains(finding["code"].as_str().unwrap())
        );
    }
    let verdict = text_of(all(html, "#found")[0]);
    assert!(verdict.contains(survey["coherence"]["sentence"].as_str().unwrap()), "{verdict}");
}

fn demo_case(folder: &Path, plan: &[&str]) -> (PathBuf, PathBuf) {
    let drive = folder.join("drive.img");
    gleaner::demo::make_drive(&drive).unwrap();
    let case = folder.join("case");
    cases::survey_and_plan(&drive, &case, plan);
    (drive, case)
}

#[test]
fn figures_are_those_of_audit_and_survey() {
    let folder = tempfile::tempdir().unwrap();
    let (drive, case) = demo_case(folder.path(), &["--want", "/Surveys"]);
    let (text, html, _) = report(&case, &[]);
    assert!(text.contains("Copying is not done"));
    same_figures(&case, &html, 0);
    copy(0, &drive, &case, &[]);
    ends_with(0, &mut gleaner("verify", &case));
    let (_, html, published) = report(&case, &["--hash"]);
    same_figures(&case, &html, 0);
    for (row, pass) in rows(&html, "Passes, in the order of reading").iter().zip(passes(&case)) {
        assert_eq!(
            (&row[0], &row[4], &row[5]),
            (&pass["number"].to_string(), &pass["bytes"].to_string(), &pass["bytes"].to_string())
        );
    }
    // The sum is what any checksum program says of the raw image.
    let image = fs::read(case.join("image.raw")).unwrap();
    let sum = hex::encode(<sha2::Sha256 as sha2::Digest>::digest(&image));
    assert_eq!(text_of(all(&html, "#sums")[0]).matches(&sum).count(), 2, "by --hash and from the record");
    let listed = fs::read_to_string(published["files"].as_str().unwrap()).unwrap();
    assert_eq!(listed.lines().count() as u64 - 1, audit(0, &case).1.len() as u64);
    // Nothing is overwritten: the second report has another name, and a taken name is refused.
    assert_eq!(Path::new(published["page"].as_str().unwrap()).file_name().unwrap(), "report-2.html");
    let refusal = complains_with(5, gleaner("report", &case).arg("-o").arg(case.join("report.html")));
    assert!(refusal.contains("exists already"), "{refusal}");
}

#[test]
fn figures_of_a_damaged_case() {
    let folder = tempfile::tempdir().unwrap();
    let (drive, case) = demo_case(folder.path(), &[]);
    // Every eleventh stretch of the files cannot be read in its middle.
    let mut lost = 0;
    {
        let open = Case::open(&case, Access::Work).unwrap();
        for pass in passes(&case).iter().filter(|pass| pass["class"] == "files") {
            for pair in pass["extents"].as_array().unwrap().iter().step_by(11) {
                let middle = (pair[0].as_u64().unwrap() + pair[1].as_u64().unwrap() / 2) / 512 * 512;
                let extent = Extent::new(middle, 1024).unwrap();
                open.store().mark(RangeMark::Unreadable { extent, tries: 1, failure: Failure::default() }).unwrap();
                lost += 1024;
            }
        }
        open.store().commit().unwrap();
    }
    assert!(lost > 0);
    copy(10, &drive, &case, &[]);
    let (text, html, published) = report(&case, &[]);
    same_figures(&case, &html, 10);
    assert!(text.contains("could not be read. In the image those sectors hold the byte 0x00"));
    let shown: u64 = rows(&html, "Could not be read").iter().map(|row| row[3].parse::<u64>().unwrap()).sum();
    assert_eq!(shown, lost, "{:?}", rows(&html, "Could not be read"));
    let listed = fs::read_to_string(published["ranges"].as_str().unwrap()).unwrap();
    let listed: u64 = listed.lines().skip(1).map(|line| line.split(',').nth(1).unwrap().parse::<u64>().unwrap()).sum();
    assert_eq!(listed, lost);
}

/// The swatch of each legend entry, and the name beside it.
fn swatches(html: &Html) -> BTreeSet<(String, String)> {
    let of_picture = |picture: ElementRef<'_>| {
        let id = picture.value().attr("aria-labelledby").unwrap().split("-title").next().unwrap().to_owned();
        let parts: Vec<ElementRef<'_>> = picture.children().filter_map(ElementRef::wrap).collect();
        let entry = |parts: &[ElementRef<'_>]| {
            let sign = parts[0].value();
            let look = match (sign.name(), sign.attr("width")) {
                ("rect", Some("14")) => sign.attr("fill").or(sign.attr("class"))?.replace(&format!("{id}-"), ""),
                ("path", _) if sign.attr("d")?.ends_with("h16") => sign.attr("class")?.to_owned(),
                _ => return None,
            };
            let name = parts[1..].iter().find(|part| part.value().name() == "text").map(|part| text_of(*part))?;
            (look != "edge").then(|| (look, name.trim_end_matches(", each range marked above").to_owned()))
        };
        parts.windows(3).filter_map(entry).collect::<Vec<_>>()
    };
    all(html, "svg").into_iter().flat_map(of_picture).collect()
}

#[test]
fn of_many_damaged_files_the_clients_page_names_some_and_its_list_all() {
    let folder = tempfile::tempdir().unwrap();
    let (drive, case) = demo_case(folder.path(), &["--want", "/Surveys"]);
    {
        // The second half of whatever holds files.
        let open = Case::open(&case, Access::Work).unwrap();
        for pass in passes(&case).iter().filter(|pass| pass["class"] == "files" || pass["class"] == "wanted") {
            for pair in pass["extents"].as_array().unwrap() {
                let (start, bytes) = (pair[0].as_u64().unwrap(), pair[1].as_u64().unwrap());
                let middle = (start + bytes / 2).next_multiple_of(512);
                let extent = Extent::new(middle, (start + bytes - middle).max(512)).unwrap();
                open.store().mark(RangeMark::Unreadable { extent, tries: 1, failure: Failure::default() }).unwrap();
            }
        }
        open.store().commit().unwrap();
    }
    copy(10, &drive, &case, &[]);
    let (summary, files) = audit(10, &case);
    let (_, html, published) = report(&case, &["--for", "client"]);
    let bad = summary["totals"]["damaged"].as_u64().unwrap() + summary["totals"]["lost"].as_u64().unwrap();
    let wanted = &summary["wanted"][0];
    let of_wanted = wanted["damaged"].as_u64().unwrap();
    assert!(bad > 50 && of_wanted > 3, "{bad} {wanted}");
    assert!(text_of(all(&html, "#note")[0]).contains("A file that is not complete is in the image all the same"));
    let complete = wanted["safe"].as_u64().unwrap() + wanted["folder_damaged"].as_u64().unwrap();
    let line = format!("Surveys {complete} of {} complete, {of_wanted} damaged", wanted["files"]);
    assert_eq!(text_of(all(&html, "#summary li")[0]), line);
    let named = rows(&html, "Damaged or lost files, those that you asked for first");
    assert_eq!(named.len(), 40);
    let first = usize::try_from(of_wanted).unwrap().min(40);
    assert!(named[..first].iter().all(|row| row[0].starts_with("/Surveys/")), "{named:?}");
    let list = Path::new(published["files"].as_str().unwrap());
    let rest = format!("… and {} more, in {}.", bad - 40, list.file_name().unwrap().to_str().unwrap());
    assert!(text_of(all(&html, "#damaged")[0]).contains(&rest), "{rest}");
    // The list beside it has every file in its state.
    let listed = fs::read_to_string(list).unwrap();
    assert_eq!(listed.lines().count() - 1, files.len());
    for (line, file) in listed.lines().skip(1).zip(&files) {
        let stream = file["stream"].as_str().unwrap_or("");
        let expected =
            format!("{},{},{stream:?},{},", file["volume"], file["path"], file["size"]).replace("\\\"", "\"\"");
        let rest = line.strip_prefix(&expected).unwrap_or_else(|| panic!("{line} instead of {expected}"));
        assert_eq!(in_json(rest.split(',').next().unwrap()), file["state"].as_str().unwrap());
    }
    // On each page a swatch has one meaning, and each picture of the drive and of the volume marks what could not be read, in
    // both its widths.
    for (page, pictures) in [(html, 2), (report(&case, &[]).1, 4)] {
        let swatches = swatches(&page);
        let looks: BTreeSet<&str> = swatches.iter().map(|(look, _)| look.as_str()).collect();
        assert!(looks.len() == swatches.len() && looks.len() > 1, "{swatches:?}");
        assert_eq!(all(&page, "svg path[data-marks]").len(), pictures);
    }
}

/// A state's name for people as it stands in JSON.
fn in_json(name: &str) -> String {
    match name {
        "complete" => "whole".to_owned(),
        "not read yet" => "not-yet-read".to_owned(),
        other => other.replace(' ', "-"),
    }
}

const NAME: &str = "Ottoline Fernhollow";

#[test]
fn the_clients_page_has_nothing_personal_and_loads_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (drive, case) = demo_case(folder.path(), &["--want", "/Surveys"]);
    copy(0, &drive, &case, &[]);
    let mut note = gleaner("note", &case);
    note = {
        let mut plain = std::process::Command::new(note.get_program());
        plain
            .args(["note", "--case"])
            .arg(&case)
            .env("USER", "bench-hand")
            .env_remove("LOGNAME")
            .env_remove("SUDO_USER");
        plain
    };
    ends_with(
        0,
        note.args([
            "--on",
            "client",
            "--field",
            "reference=F-17",
            "--field",
            &format!("name={NAME}"),
            "--personal",
            "name",
            "--personal",
            "text",
            "the key is with the caretaker",
        ]),
    );
    let (bench, _, _) = report(&case, &[]);
    let (client, html, published) = report(&case, &["--for", "client"]);
    let path = folder.path().to_str().unwrap();
    for secret in [NAME, "the key is with the caretaker", "bench-hand", path] {
        assert!(bench.contains(secret), "{secret} is missing from the bench's page");
        for file in ["page", "files", "ranges"] {
            let text = fs::read_to_string(published[file].as_str().unwrap()).unwrap();
            assert!(!text.contains(secret), "{secret} is in the client's {file}");
        }
    }
    assert!(text_of(all(&html, "h1")[0]).contains("F-17"));
    let top: Vec<String> = all(&html, "#summary li").into_iter().map(text_of).collect();
    assert_eq!(top, ["Surveys 344 of 344 complete"]);
    // Nothing that only a technician can use.
    for word in ["LBA", "exit code", "gleaner report", "--case", "losetup", "mount "] {
        assert!(bench.contains(word), "{word} is missing from the technician's page");
        assert!(!client.contains(word), "{word} is in the client's page");
    }
    assert!(
        !client.contains("gleaner ")
            || client.matches("gleaner ").count() == client.matches("Made by gleaner ").count()
    );
    for element in all(&html, "*") {
        for (name, value) in element.value().attrs() {
            assert!(
                !matches!(name, "src" | "srcset" | "data" | "poster" | "action") && !name.starts_with("on"),
                "{name}={value}"
            );
            assert!(name != "href" || value.starts_with('#'), "{name}={value}");
        }
        assert!(!["link", "iframe", "object", "embed", "img"].contains(&element.value().name()));
    }
    let style: String = all(&html, "style").into_iter().map(text_of).collect();
    assert!(!style.contains("url(") && !style.contains("@import"));
}

/// A FAT volume whose names hold what means something in HTML. The driver refuses such names, so that they are put in
/// afterwards: private-use characters (U+E0F1 ...) are exchanged for them in the long-name entries, which bear no sum of
/// the long name.
fn hostile_drive(path: &Path) {
    let mut memory = std::io::Cursor::new(vec![0; 8 << 20]);
    fatfs::format_volume(&mut memory, fatfs::FormatVolumeOptions::new()).unwrap();
    {
        let volume = fatfs::FileSystem::new(&mut memory, fatfs::FsOptions::new()).unwrap();
        let folder = volume.root_dir().create_dir("\u{E0F1}img id=x\u{E0F2}\u{E0F3} '").unwrap();
        folder
            .create_file("\u{E0F1}script\u{E0F2}alert(1)\u{E0F1}-\u{E0F4}\u{E0F5}.txt")
            .unwrap()
            .write_all(&[7; 9000])
            .unwrap();
    }
    let mut bytes = memory.into_inner();
    let with = [
        (0xF1u8, [0x3C, 0x00]),
        (0xF2, [0x3E, 0x00]),
        (0xF3, [0x22, 0x00]),
        (0xF4, [0x2E, 0x20]),
        (0xF5, [0x26, 0x00]),
    ];
    let mut exchanged = 0;
    for at in 0..bytes.len() - 1 {
        if let Some((_, to)) = with.iter().find(|(from, _)| bytes[at] == *from && bytes[at + 1] == 0xE0) {
            bytes[at..at + 2].copy_from_slice(to);
            exchanged += 1;
        }
    }
    assert_eq!(exchanged, 8);
    fs::write(path, bytes).unwrap();
}

#[test]
fn names_and_notes_never_become_markup() {
    let folder = tempfile::tempdir().unwrap();
    let (drive, case) = (folder.path().join("drive.img"), folder.path().join("case"));
    hostile_drive(&drive);
    cases::survey_and_plan(&drive, &case, &["--scope", "structure", "--want", "/{<img id=x>*,<b id=want>}"]);
    let mut note = std::process::Command::new(env!("CARGO_BIN_EXE_gleaner"));
    ends_with(
        0,
        note.args(["note", "--case"]).arg(&case).args([
            "--on",
            "arrival",
            "--field",
            "condition=<i id=x>",
            "</td><script id=x>alert(1)</script>",
        ]),
    );
    let (_, html, _) = report(&case, &[]);
    assert_eq!(all(&html, "#x, #want, main script, main img").len(), 0);
    let shown = text_of(all(&html, "body")[0]);
    // U+202D turns the direction of writing: shown as what it is.
    for text in ["<img id=x>\" '", "<script>alert(1)<-", "<i id=x>", "</td><script id=x>alert(1)</script>"] {
        assert!(shown.contains(text), "{text} is not shown as text");
    }
    let name = rows(&html, "Files that are not complete")[0][1].clone();
    assert!(name.ends_with("\\u{202e}&.txt"), "{name}");
}
