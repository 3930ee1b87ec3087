//! A verification as text.

use crate::base::extent::ExtentSet;
use crate::base::human;
use crate::base::units::SectorSize;
use crate::cli::show::line;
use crate::cli::table::{Column, Overflow, fitted};
use crate::report::values::{Structure, VerifyReport};
use crate::results::verify::{DISK_RATE, Expected, Owner, OwnerKind, Owners, SecondOpinion, Verdict};

/// How many owners are named.
const SHOWN: usize = 30;

/// What is going to be done, and how long it will take.
pub fn verify_begins(held: u64, drive_bytes: u64) -> String {
    let expected = Expected::of(held, drive_bytes);
    format!(
        "gleaner: reads the {} that the image holds once, and hashes {}: about {} ({} for reading at {} a second, {} for hashing on this computer)",
        human::bytes(held),
        human::bytes(drive_bytes),
        human::seconds(expected.seconds()),
        human::seconds(expected.reading_seconds),
        human::bytes(DISK_RATE),
        human::seconds(expected.hashing_seconds)
    )
}

/// The image, whose places differ, and the second readers' views.
pub fn verify(report: &VerifyReport, sector: SectorSize) -> String {
    let mut text = String::new();
    let claims = &report.claims;
    let verdict = if report.is_sound() { "the image holds what was read from the drive" } else { "the image DIFFERS" };
    say!(&mut text, "VERIFY  {verdict}");
    say!(
        &mut text,
        "  {} in {} read back against the journal's hashes: {} differ, {} could not be read back",
        human::bytes(claims.bytes),
        human::counted(claims.chunks, "chunk", "chunks"),
        human::bytes(claims.differing.bytes()),
        human::bytes(claims.unreadable.bytes())
    );
    if let Some(error) = &claims.first_error {
        say!(&mut text, "  the first of those: {}", error);
    }
    say!(&mut text, "  SHA-256 of the whole image ({} bytes): {}", human::count(report.sum.bytes), report.sum.sha256);
    if let Some(again) = &report.again {
        say!(
            &mut text,
            "  {} of the drive read again: {} differ from the image, {} cannot be read any more",
            human::bytes(again.bytes),
            human::bytes(again.differing.bytes()),
            human::bytes(again.unreadable.bytes())
        );
    }
    places(&mut text, "THESE RANGES OF THE IMAGE DIFFER FROM WHAT WAS READ", &claims.differing, sector);
    places(&mut text, "THESE RANGES OF THE IMAGE COULD NOT BE READ BACK", &claims.unreadable, sector);
    match &report.structure {
        Structure::Read { owners, opinions } => {
            show_owners(&mut text, owners);
            say!(&mut text, "");
            say!(&mut text, "SECOND READER");
            opinions.iter().for_each(|opinion| show_opinion(&mut text, opinion));
        }
        Structure::NotRead { why } => {
            say!(&mut text, "");
            say!(&mut text, "The files that are affected cannot be named: {}", why);
        }
    }
    text
}

fn places(text: &mut String, title: &str, set: &ExtentSet, sector: SectorSize) {
    use Column::Right;
    if set.is_empty() {
        return;
    }
    say!(text, "");
    say!(text, "{title}");
    let rows = set.extents().iter().take(SHOWN).map(|place| {
        vec![place.start.0.to_string(), (place.start.0 / sector.bytes()).to_string(), place.bytes.to_string()]
    });
    text.push_str(&fitted(&[Right("byte"), Right("LBA"), Right("bytes")], rows, Overflow::Wrap));
    if set.extents().len() > SHOWN {
        say!(text, "  … and {} more; --json lists them", human::count((set.extents().len() - SHOWN) as u64));
    }
}

fn show_owners(text: &mut String, owners: &Owners) {
    use Column::{Left, Right};
    if owners.listed.is_empty() {
        return;
    }
    say!(text, "");
    say!(text, "FILES IN THE RANGES THAT DIFFER");
    let rows = owners.listed.iter().take(SHOWN).map(owner);
    text.push_str(&fitted(&[Right("byte"), Right("bytes"), Left("is"), Left("of")], rows, Overflow::Wrap));
    let more = owners.more + owners.listed.len().saturating_sub(SHOWN) as u64;
    if more > 0 {
        say!(text, "  … and {} more; --json lists them", human::count(more));
    }
}

fn show_opinion(text: &mut String, opinion: &SecondOpinion) {
    let seen = format!(
        "{} in {}",
        human::counted(opinion.files, "file", "files"),
        human::counted(opinion.folders, "folder", "folders")
    );
    let words = match &opinion.verdict {
        Verdict::Agrees => format!("sees the same: {seen}"),
        Verdict::Differs => format!("sees something else: {seen}"),
        Verdict::NotOpened { message } => format!("could not open it: {message}"),
        Verdict::NoReader => "knows this file system; it was not compared".to_owned(),
    };
    say!(text, "  volume at byte {}: {} {words}", opinion.volume, opinion.reader);
    if opinion.contents_compared > 0 {
        say!(
            text,
            "    contents of {} read through both: {}",
            human::counted(opinion.contents_compared, "file", "files"),
            human::bytes(opinion.bytes_compared)
        );
    }
    for (why, count) in &opinion.not_compared {
        let what = human::counted(*count, "file or folder", "files and folders");
        say!(text, "    {what} not compared: {}", why.sentence());
    }
    if opinion.different > 0 {
        say!(text, "    {}, the first:", human::counted(opinion.different, "difference", "differences"));
        for found in opinion.differences.iter().take(10) {
            let what = serde_json::to_string(&found.difference).unwrap_or_default();
            say!(text, "      {} {what}", &found.path);
        }
    }
}

fn owner(owner: &Owner) -> Vec<String> {
    let kind = match owner.kind {
        OwnerKind::Content => "content",
        OwnerKind::Slack => "slack",
        OwnerKind::Record => "record",
        OwnerKind::Metadata => "metadata",
        OwnerKind::Nobody => "no file's",
    };
    let whose = match (&owner.holder, owner.class) {
        (Some(holder), _) => {
            let stream = holder.stream.as_ref().map_or(String::new(), |s| format!(" ({})", s));
            format!("{}{stream}", &holder.path)
        }
        (None, Some(class)) => class.name().to_owned(),
        (None, None) => String::new(),
    };
    vec![owner.place.start.0.to_string(), owner.place.bytes.to_string(), kind.to_owned(), whose]
}
