//! Figures of many drives as tables of a page.

use gleaner::base::human;
use std::fmt::Write;

/// The middle value and the one that a tenth of the values do not reach.
#[derive(Clone, Copy, Debug)]
pub struct Spread {
    pub median: f64,
    pub worst_tenth: f64,
}

impl Spread {
    /// Of values of which more is better.
    pub fn of(mut values: Vec<f64>) -> Spread {
        values.sort_by(f64::total_cmp);
        Spread { median: values[values.len() / 2], worst_tenth: values[values.len() / 10] }
    }

    pub fn shares(&self) -> String {
        format!("{} ({})", human::share(self.median), human::share(self.worst_tenth))
    }
}

pub fn heading(out: &mut String, cells: &[&str]) {
    row(out, &cells.iter().map(|cell| (*cell).to_owned()).collect::<Vec<_>>());
    writeln!(out, "|---|{}", "---:|".repeat(cells.len() - 1)).unwrap();
}

pub fn row(out: &mut String, cells: &[String]) {
    writeln!(out, "| {} |", cells.join(" | ")).unwrap();
}

/// Replaces what stands between `<!-- name -->` and `<!-- end -->` in the page, when that is wanted.
pub fn publish(name: &str, table: &str) {
    println!("{name}\n\n{table}");
    if std::env::var_os("GLEANER_WRITE_DOCS").is_none() {
        return;
    }
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/sick-drives.md");
    let page = std::fs::read_to_string(path).unwrap();
    let mark = format!("<!-- {name} -->\n");
    let from = page.find(&mark).unwrap_or_else(|| panic!("no {mark} in the page")) + mark.len();
    let to = from + page[from..].find("<!-- end -->").expect("an end");
    std::fs::write(path, format!("{}{table}{}", &page[..from], &page[to..])).unwrap();
}
