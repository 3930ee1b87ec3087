//! Sectors at a drive's end that it hides (a host protected area), as the kernel's log tells them.

use crate::base::finding::{Code, Finding, Severity};
use crate::base::human;
use crate::base::units::SectorSize;
use serde::Serialize;

/// The drive has more sectors than it shows.
pub static HIDDEN_AREA: Code = Code {
    id: "drive-hidden-area",
    severity: Severity::Caution,
    meaning: "Sectors at the drive's end are hidden by a setting of the drive, and no plan has them. A maker may \
              keep \
              recovery data there; a volume or a table's copy may reach into them. docs/kernel.md says how to show them.",
};

/// The codes of what the kernel tells.
pub static CODES: &[&Code] = &[&HIDDEN_AREA];

/// A drive's size as it is set, and as it was built, in logical sectors.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct HiddenArea {
    /// Sectors that the drive shows.
    pub current_sectors: u64,
    /// Sectors that it has.
    pub native_sectors: u64,
}

impl HiddenArea {
    /// The latest that the log says about the ATA device `name`, as libata numbers them: `ata1.00`.
    ///
    /// Source: `ata_hpa_resize` in drivers/ata/libata-core.c; the format text was seen in Debian's libata 6.1.
    pub(super) fn in_log(texts: &[String], name: &str) -> Option<HiddenArea> {
        texts.iter().rev().find_map(|text| {
            let rest = text.strip_prefix(name)?.strip_prefix(": HPA detected: current ")?;
            let (current, native) = rest.split_once(", native ")?;
            let area =
                HiddenArea { current_sectors: current.parse().ok()?, native_sectors: native.trim().parse().ok()? };
            (area.current_sectors < area.native_sectors).then_some(area)
        })
    }

    /// The finding that it is.
    pub fn finding(&self, sector: SectorSize) -> Finding {
        let hidden = self.native_sectors - self.current_sectors;
        let bytes = hidden.saturating_mul(sector.bytes());
        let sentence = format!(
            "the drive hides {} sectors ({}) behind LBA {}: it shows {} of {} sectors, by the kernel's log",
            human::count(hidden),
            human::bytes(bytes),
            self.current_sectors.saturating_sub(1),
            human::count(self.current_sectors),
            human::count(self.native_sectors)
        );
        Finding::general(&HIDDEN_AREA, sentence)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(text: &str, name: &str) -> Option<HiddenArea> {
        HiddenArea::in_log(&[text.to_owned()], name)
    }

    #[test]
    fn the_line_of_libata_is_understood() {
        let line = "ata1.00: HPA detected: current 976771055, native 976773168";
        let area = HiddenArea { current_sectors: 976_771_055, native_sectors: 976_773_168 };
        assert_eq!(of(line, "ata1.00"), Some(area));
        assert_eq!(of(line, "ata1.01"), None);
        assert_eq!(of(line, "ata11.00"), None);
        assert_eq!(
            area.finding(SectorSize::S512).sentence,
            "the drive hides 2,113 sectors (1.08 MB) behind LBA 976771054: it shows 976,771,055 of 976,773,168 sectors, by the kernel's log"
        );
    }

    #[test]
    fn sizes_that_make_no_sense_are_no_hidden_area() {
        assert_eq!(of("ata1.00: HPA detected: current 20, native 10", "ata1.00"), None);
        assert_eq!(of("ata1.00: HPA detected: current 10, native ", "ata1.00"), None);
        assert_eq!(of("ata1.00: HPA detected: current 10, native 99999999999999999999", "ata1.00"), None);
        assert_eq!(of("ata1.00: HPA unlocked: 10 -> 20, native 20", "ata1.00"), None);
    }
}
