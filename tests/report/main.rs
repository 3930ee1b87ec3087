//! Reports, and the page of a running copy.

#[path = "../support/cases.rs"]
mod cases;
mod report;
mod report_page;
mod watch;
