//! Folders as text.

use super::{layout, line};
use crate::base::human;
use crate::base::text::shown;
use crate::cli::table::{Column, Overflow, fitted};
use crate::report::values::{FolderLine, NumberedFolder, VolumeTitles};

/// Columns up to which the least is shown.
const NARROW: usize = 80;

/// Folders as a tree with a bar for each one's share of its volume.
pub fn folders(lines: &[FolderLine], titles: &VolumeTitles) -> String {
    use Column::{Left, Right};
    let mut text = String::new();
    // A narrow terminal has room for one: what a copy reads, not the size of sparse and compressed files.
    let is_wide = layout::columns() > NARROW;
    let mut rest = lines;
    while let Some(first) = rest.first() {
        let count = rest.iter().take_while(|l| l.volume == first.volume).count();
        let (volume, others) = rest.split_at(count);
        rest = others;
        say!(&mut text, "{}", titles.title(first.volume));
        let all = first.on_drive.max(1);
        let some_bulk = volume.iter().any(|line| line.bulk > 0);
        let some_lost = volume.iter().any(|line| line.lost > 0);
        let rows = volume.iter().map(|l| {
            #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
            let share = (l.on_drive as f64 / all as f64).min(1.0);
            let shown = if l.depth == 0 { "/" } else { l.path.rsplit('/').next().unwrap_or(&l.path) };
            let indent = "  ".repeat(usize::try_from(l.depth).unwrap_or(0));
            let mut row = vec![
                format!("{indent}{}{}", shown, if l.depth == 0 { "" } else { "/" }),
                bar(share),
                human::bytes(l.on_drive),
                human::count(l.files),
                human::count(l.extents),
            ];
            row.extend(some_bulk.then(|| if l.bulk == 0 { String::new() } else { human::bytes(l.bulk) }));
            row.extend(is_wide.then(|| human::bytes(l.size)));
            row.extend(some_lost.then(|| if l.lost == 0 { String::new() } else { human::count(l.lost) }));
            row
        });
        let mut columns = vec![Left("folder"), Left(""), Right("on the drive"), Right("files"), Right("fragments")];
        columns.extend(some_bulk.then_some(Right("bulk")));
        columns.extend(is_wide.then_some(Right("size")));
        columns.extend(some_lost.then_some(Right("lost")));
        text.push_str(&fitted(&columns, rows, Overflow::Cut));
        text.push('\n');
    }
    text
}

/// Columns of a name in the numbered list: with the rest of the line 80.
const NAME_COLUMNS: usize = 46;

/// Folders with the numbers that they are picked by.
pub fn numbered_folders(list: &[NumberedFolder], titles: &VolumeTitles) -> String {
    use Column::{Left, Right};
    let mut text = String::new();
    for volume in list.chunk_by(|one, next| one.folder.volume == next.folder.volume) {
        say!(&mut text, "{}", titles.title(volume[0].folder.volume));
        let rows = volume.iter().map(|one| {
            let folder = &one.folder;
            let indent = "  ".repeat(usize::try_from(folder.depth.saturating_sub(1)).unwrap_or(0));
            let name = shown(folder.path.rsplit('/').next().unwrap_or(&folder.path));
            let name = shortened(&format!("{indent}{name}/"), NAME_COLUMNS);
            vec![one.number.to_string(), name, human::bytes(folder.on_drive), human::count(folder.files)]
        });
        text.push_str(&fitted(
            &[Right("no."), Left("folder"), Right("on the drive"), Right("files")],
            rows,
            Overflow::Cut,
        ));
        text.push('\n');
    }
    text
}

/// At most so many columns, by leaving out the middle.
fn shortened(text: &str, columns: usize) -> String {
    let count = text.chars().count();
    if count <= columns {
        return text.to_owned();
    }
    let end = columns / 2;
    let (head, tail) = (text.chars().take(columns - end - 1), text.chars().skip(count - end));
    head.chain(['…']).chain(tail).collect()
}

fn bar(share: f64) -> String {
    const WIDTH: usize = 10;
    const EIGHTHS: [&str; 8] = ["", "▏", "▎", "▍", "▌", "▋", "▊", "▉"];
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share, 0 to 1")]
    let steps = (share * 80.0).round() as usize;
    let mut text = "█".repeat((steps / 8).min(WIDTH));
    text.push_str(EIGHTHS[steps % 8]);
    text
}
