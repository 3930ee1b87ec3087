//! What people and programs are told: values with no markup, which the command line prints as tables or JSON.
//! What the columns of strips show: `place_shares`.

mod area_density;
mod class_paint;
mod costs;
mod lists;
mod overview;
mod place_shares;
mod planning;
mod recommendation;
mod simulated;
mod state_shares;
mod survey;
mod survey_strip;
mod verify;

pub use area_density::AreaDensity;
pub use class_paint::class_paint;
pub use costs::{ClassCost, Costs, ScopeReport, scope_costs};
pub use lists::audit_csv::{AUDIT_CSV_HEAD, audit_csv, audit_csv_line};
pub use lists::files::{FileLine, for_each_file};
pub use lists::folders::{FolderLine, folders};
pub use lists::pick::{NumberedFolder, PickError, also_matched, numbered, pick};
pub use lists::record_csv::record_csv;
pub use lists::volume_titles::VolumeTitles;
pub use overview::{Encrypted, FindingKind, GoOn, Overview, VolumeLine};
pub use place_shares::Places;
pub use planning::{PassSummary, PlanAdvice, PlanSummary};
pub use recommendation::advice::Advice;
pub use recommendation::destination::{DestinationReport, destination};
pub use recommendation::trouble::Trouble;
pub use simulated::{letter, played_picture, played_strip, simulation_picture, ways};
pub use state_shares::StateShares;
pub use survey::{
    AreaReport, ClassReport, FindingReport, SpaceReport, SurveyReport, VolumeReport, findings_report, survey,
};
pub use survey_strip::SurveyStrip;
pub use verify::{Structure, VerifyReport};
