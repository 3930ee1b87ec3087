//! Tables as the terminal shows them: plain columns, a line under the heading, no boxes.

use crate::text::shown;
use comfy_table::{CellAlignment, ContentArrangement, LineStyle, Table, TableStyle};

/// A column: heading and side its cells stand on.
pub enum Column {
    /// Words.
    Left(&'static str),
    /// Numbers.
    Right(&'static str),
}

/// Lays out rows under headings, indented by two spaces.
pub fn table(columns: &[Column], rows: impl IntoIterator<Item = Vec<String>>) -> String {
    const LINE_UNDER_HEADING: TableStyle =
        TableStyle::new().header_separator(LineStyle::none().fill('─').junction('─'));
    let mut table = Table::new();
    table.load_style(LINE_UNDER_HEADING).set_content_arrangement(ContentArrangement::Disabled);
    table.set_header(columns.iter().map(|c| match c {
        Column::Left(name) | Column::Right(name) => *name,
    }));
    for row in rows {
        table.add_row(row.iter().map(|cell| shown(cell)));
    }
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
