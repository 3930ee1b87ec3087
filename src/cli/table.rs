//! Tables as the terminal shows them: plain columns, a line under the heading, no boxes.

use super::layout::{columns, head};
use crate::base::text::shown;
use comfy_table::{CellAlignment, ColumnConstraint, ContentArrangement, LineStyle, Row, Table, TableStyle, Width};
use unicode_width::UnicodeWidthStr;

/// A column: heading and side its cells stand on.
pub enum Column {
    /// Words.
    Left(&'static str),
    /// Numbers.
    Right(&'static str),
}

impl Column {
    fn name(&self) -> &'static str {
        match self {
            Column::Left(name) | Column::Right(name) => name,
        }
    }
}

/// What becomes of words that a table has no room for. Numbers are always shown in full.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Overflow {
    /// They go on in the next line.
    Wrap,
    /// They end with `…`: each row has one line.
    Cut,
}

/// Lays out rows under headings in the width of the terminal, indented by two spaces.
pub fn fitted(laid_out: &[Column], rows: impl IntoIterator<Item = Vec<String>>, overflow: Overflow) -> String {
    let rows: Vec<Vec<String>> =
        rows.into_iter().map(|row| row.iter().map(|cell| shown(cell).into_owned()).collect()).collect();
    let room = columns() - 2;
    let (rows, is_narrow) = match overflow {
        Overflow::Cut => cut_words(laid_out, rows, room),
        Overflow::Wrap => {
            let is_narrow = needed(&widths(laid_out, &rows)) <= room;
            (rows, is_narrow)
        }
    };
    lay_out(laid_out, rows, |table| {
        // What fits is not divided.
        if is_narrow {
            return;
        }
        let width = u16::try_from(room).unwrap_or(u16::MAX);
        table.set_content_arrangement(ContentArrangement::Dynamic).set_width(width);
        let constraints = laid_out.iter().map(|column| match column {
            // A picture has no heading.
            Column::Right(_) | Column::Left("") => ColumnConstraint::ContentWidth,
            // The heading's longest word and the space behind the column.
            Column::Left(name) => {
                let word = name.split(' ').map(UnicodeWidthStr::width).max().unwrap_or(0);
                ColumnConstraint::LowerBoundary(Width::Fixed(u16::try_from(word + 2).unwrap_or(u16::MAX)))
            }
        });
        table.set_constraints(constraints.collect::<Vec<_>>());
        if overflow == Overflow::Cut {
            table.row_iter_mut().for_each(|row| {
                row.max_height(1);
            });
        }
    })
}

/// The widths of columns whose cells are neither cut nor wrapped.
fn widths(columns: &[Column], rows: &[Vec<String>]) -> Vec<usize> {
    let widest = |index: usize| rows.iter().filter_map(|row| row.get(index)).map(|cell| cell.width()).max();
    columns.iter().enumerate().map(|(index, column)| column.name().width().max(widest(index).unwrap_or(0))).collect()
}

/// What columns of such widths take in all: three spaces are between two.
fn needed(widths: &[usize]) -> usize {
    widths.iter().sum::<usize>() + 3 * widths.len().saturating_sub(1)
}

/// Cuts cells of words until all columns fit, those of the widest column first. Whether they fit then.
fn cut_words(columns: &[Column], mut rows: Vec<Vec<String>>, room: usize) -> (Vec<Vec<String>>, bool) {
    let mut widths = widths(columns, &rows);
    while needed(&widths) > room {
        let words = columns.iter().enumerate().filter(|(index, column)| match column {
            Column::Left(name) => !name.is_empty() && widths[*index] > name.width() + 2,
            Column::Right(_) => false,
        });
        let Some((widest, _)) = words.max_by_key(|(index, _)| widths[*index]) else { return (rows, false) };
        widths[widest] -= 1;
    }
    for row in &mut rows {
        for (cell, width) in row.iter_mut().zip(&widths) {
            if cell.width() > *width {
                *cell = format!("{}…", head(cell, width - 1));
            }
        }
    }
    (rows, true)
}

/// Stands for a space at the start of a cell, where the layout would drop it: no character, so [`shown`] leaves none of it in a cell.
const INDENT: char = '\u{FDD0}';

fn cell(text: &str) -> String {
    let rest = text.trim_start_matches(' ');
    let indent = text.len() - rest.len();
    std::iter::repeat_n(INDENT, indent).chain(rest.chars()).collect()
}

fn lay_out(
    columns: &[Column],
    rows: impl IntoIterator<Item = Vec<String>>,
    arrange: impl FnOnce(&mut Table),
) -> String {
    const LINE_UNDER_HEADING: TableStyle =
        TableStyle::new().header_separator(LineStyle::none().fill('─').junction('─'));
    let mut table = Table::new();
    table.load_style(LINE_UNDER_HEADING).set_content_arrangement(ContentArrangement::Disabled);
    table.set_header(columns.iter().map(Column::name));
    for row in rows {
        table.add_row(Row::from(row.iter().map(|text| cell(text)).collect::<Vec<_>>()));
    }
    arrange(&mut table);
    for (index, column) in columns.iter().enumerate() {
        if let Some(laid) = table.column_mut(index) {
            laid.set_padding((0, if index + 1 == columns.len() { 0 } else { 2 }));
            if matches!(column, Column::Right(_)) {
                laid.set_cell_alignment(CellAlignment::Right);
            }
        }
    }
    table.lines().map(|line| format!("  {}\n", line.replace(INDENT, " ").trim_end())).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Where nothing else gives room a name is cut by no more than it has to be.
    #[test]
    fn a_name_is_cut_at_the_last_column() {
        let columns = [Column::Left("folder"), Column::Right("files")];
        let rows = [vec![format!("  {} path/", "Marsh ".repeat(14)), "6".to_owned()]];
        let table = fitted(&columns, rows, Overflow::Cut);
        assert_eq!(table.lines().map(UnicodeWidthStr::width).max(), Some(super::columns()), "{table}");
        assert!(table.contains("    Marsh Marsh") && table.contains("…"), "{table}");
    }

    /// A folder's name with spaces in it, as wide as its column.
    #[test]
    fn the_widest_cell_keeps_its_indent() {
        let columns = [Column::Left("folder"), Column::Right("files")];
        let rows = ["/", "  2019 Marsh path/"].map(|name| vec![name.to_owned(), "6".to_owned()]);
        let table = fitted(&columns, rows, Overflow::Wrap);
        let lines: Vec<&str> = table.lines().collect();
        assert_eq!(lines[2..], ["  /                        6", "    2019 Marsh path/       6"], "{table}");
    }
}
