//! What of a plan lies under the bad head, in figures and in words.

use super::map::HeadMap;
use crate::base::extent::Extent;
use crate::base::human;
use crate::drive::model::to_f64;
use std::collections::BTreeSet;

/// What of a plan lies under the bad head, as far as is known.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct HeadLoad {
    /// Planned bytes.
    pub bytes: u64,
    /// Of those, in suspect bands.
    pub suspect_bytes: u64,
    /// Files with planned bytes.
    pub files: u64,
    /// Of those, with any byte in a suspect band.
    pub suspect_files: u64,
}

impl HeadLoad {
    /// Of planned extents in any order, each with the number of the file that it belongs to, if to any.
    pub fn of(map: &HeadMap<'_>, planned: impl IntoIterator<Item = (Extent, Option<u32>)>) -> HeadLoad {
        let bands = map.all_bands();
        let mut load = HeadLoad::default();
        let (mut files, mut suspect_files) = (BTreeSet::new(), BTreeSet::new());
        for (extent, file) in planned {
            let first = bands.partition_point(|band| band.end() <= extent.start.0);
            let own = bands[first..].iter().map_while(|band| band.intersection(&extent));
            let suspect: u64 = own.map(|part| part.bytes).sum();
            load.bytes += extent.bytes;
            load.suspect_bytes += suspect;
            files.extend(file);
            suspect_files.extend(file.filter(|_| suspect > 0));
        }
        (load.files, load.suspect_files) = (files.len() as u64, suspect_files.len() as u64);
        load
    }
}

impl HeadMap<'_> {
    /// What a technician is told: what fails, what of the plan lies under it, and how strong the evidence is.
    pub fn in_words(&self, load: &HeadLoad) -> String {
        let evidence = self.evidence();
        let what = if self.is_whole_head() {
            let heads = self.heads();
            format!("One of about {heads} heads fails or reads slowly.")
        } else {
            "One surface is damaged in one place; nothing shows that its head is bad elsewhere.".to_owned()
        };
        let share = human::share(to_f64(load.suspect_bytes) / to_f64(load.bytes.max(1)));
        let mut lies = format!(
            "Under it lie {} of the {} that are planned ({share})",
            human::bytes(load.suspect_bytes),
            human::bytes(load.bytes)
        );
        if load.files > 0 {
            let files = human::counted(load.files, "planned file", "planned files");
            lies += &format!(", among them bytes of {} of {files}", human::count(load.suspect_files));
        }
        let bands = human::counted(evidence.bands, "band", "bands");
        format!(
            "{what} {lies}. Evidence: reads failed or were slow in {bands} at regular distances; without a bad head that would \
             be e^{:.0} times less likely (BIC {:.0} better; above 10 is very strong).",
            evidence.log_ratio, evidence.bic
        )
    }
}
