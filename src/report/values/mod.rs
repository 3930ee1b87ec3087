//! What people and programs are told: values with no markup, which the command line prints as tables or JSON.

mod advice;
mod audit_csv;
mod class_paint;
mod costs;
mod destination;
mod files;
mod folders;
mod next;
mod overview;
mod pick;
mod planning;
mod record_csv;
mod simulated;
mod strip;
mod survey;
mod trouble;
mod verify;
mod volume_titles;

pub use advice::Advice;
pub use audit_csv::{AUDIT_CSV_HEAD, audit_csv, audit_csv_line};
pub use class_paint::class_paint;
pub use costs::{ClassCost, Costs, ModelChoice, RateOrigin, ScopeReport, scope_costs};
pub use destination::{DestinationReport, destination};
pub use files::{FileLine, for_each_file};
pub use folders::{FolderLine, folders};
pub use overview::{Encrypted, FindingKind, GoOn, Overview, VolumeLine};
pub use pick::{NumberedFolder, PickError, also_matched, numbered, pick};
pub use planning::{PassSummary, PlanAdvice, PlanSummary};
pub use record_csv::record_csv;
pub use simulated::{letter, played_picture, played_strip, simulation_picture, ways};
pub use strip::Strip;
pub use survey::{AreaReport, ClassReport, FindingReport, SurveyReport, VolumeReport, findings_report, survey};
pub use trouble::Trouble;
pub use verify::{Structure, VerifyReport};
pub use volume_titles::VolumeTitles;
