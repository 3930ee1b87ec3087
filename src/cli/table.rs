//! Tables as the terminal shows them: plain columns, a line under the heading, no boxes.

use super::layout::columns;
use crate::text::shown;
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
    lay_out(laid_out, rows, |table| {
        let width = u16::try_from(columns() - 2).unwrap_or(u16::MAX);
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
        table.add_row(Row::from(row.iter().map(|cell| shown(cell)).collect::<Vec<_>>()));
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
    table.lines().map(|line| format!("  {}\n", line.trim_end())).collect()
}
