//! A drive surveyed and planned, as `gleaner plan` does it with gaps never read through.

use gleaner::base::extent::ExtentSet;
use gleaner::plan::{BridgeRule, PlanRequest, Scope, make};
use gleaner::source::{Keys, ReadTotals, Reader, Source};
use gleaner::survey::allocation::{DriveMap, read_drive};
use gleaner::survey::coherence::{Verdict, judge};
use std::sync::{Arc, LazyLock};
use zeroize::Zeroizing;

/// What came of it.
pub struct Survey {
    pub drive: DriveMap,
    /// What the plan of scope `allocated` reads.
    pub planned: ExtentSet,
    /// What the survey itself asked for.
    pub asked: ExtentSet,
    /// What it left because of trouble.
    pub left: ExtentSet,
    pub totals: ReadTotals,
    /// Whether the drive's data is consistent; looked at after everything else, as `gleaner survey` does.
    pub verdict: Verdict,
}

/// The key of the fixture that is encrypted.
pub const PASSWORD: &str = "tern and gull";

/// For that fixture. One for all, so that the password is stretched once.
static KEYS: LazyLock<Arc<Keys>> =
    LazyLock::new(|| Arc::new(Keys::new([Zeroizing::new(PASSWORD.as_bytes().to_vec())])));

pub fn survey(source: impl Source + 'static) -> Survey {
    survey_of(Box::new(source))
}

pub fn survey_of(source: Box<dyn Source>) -> Survey {
    let reader = Reader::new(source, None).with_keys(Arc::clone(&KEYS));
    let drive = read_drive(&reader).expect("memory does not vanish");
    let request = PlanRequest { bridge: BridgeRule::OFF, ..PlanRequest::new(Scope::Allocated) };
    let plan = make(&reader, &drive, &request, &[]).expect("a plan in every case");
    let planned = plan.ascending().collect();
    let (asked, left, totals) = (reader.asked(), reader.not_read_yet(), reader.totals());
    let verdict = judge(&drive, &reader).expect("memory does not vanish").verdict;
    Survey { drive, planned, asked, left, totals, verdict }
}
