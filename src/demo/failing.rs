//! The drive of the demo: one that fails, then dies.

use crate::base::extent::Extent;
use crate::base::units::SectorSize;
use crate::drive::model::{preset, to_f64};
use crate::drive::sick::{Ailment, Content, DriveSpec, HeadOrder, Heat, SickDrive, Zone};
use crate::source::{self, OpenError};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

const MIB: u64 = 1 << 20;

/// The kind of drive that it once was.
const KIND: &str = "usb2-bridge";

/// How many times as long as on a sound drive of its kind a read takes, because the drive itself retries.
const SLOWNESS: f64 = 30.0;

/// The time on its clock at which it dies.
pub const LIFE: Duration = Duration::from_secs(300);

/// Bytes in three photographs and in one of the wanted files.
const BAD_SECTORS: [u64; 4] = [41_943_040, 45_088_768, 60_817_408, 37_957_632];

/// A failing drive that holds the bytes of `image`, which [`super::make_drive`] has made. What is wrong with it:
///
/// - every read takes thirty times as long as it should, and a failed one 30 s, as behind a USB bridge;
/// - two places early on the drive cannot be read at all: 7 MiB where nothing lies that exists, 3 MiB of photographs;
/// - some sectors cannot be read, each alone: three in photographs, one in what is wanted;
/// - it dies [`LIFE`] after power on, whatever it was used for.
///
/// All of that is made up. It is small, as the image is, so its life is short as well.
///
/// # Errors
/// [`OpenError`] when the image cannot be opened.
pub fn failing_drive(image: &Path) -> Result<SickDrive, OpenError> {
    let content: Arc<dyn source::Source> = source::open(image, None)?.into();
    let bytes = content.identity().bytes;
    let model = preset(KIND).expect("one of the presets").model();
    let ailments = vec![
        Ailment::SlowPlace { extent: Extent::between(0, bytes), slowness: SLOWNESS },
        Ailment::DeadPlace(Extent::between(2 * MIB, 9 * MIB)),
        Ailment::DeadPlace(Extent::between(12 * MIB, 15 * MIB)),
        Ailment::BadSectors(BAD_SECTORS.to_vec()),
        Ailment::Dying { after: LIFE },
    ];
    Ok(SickDrive::new(DriveSpec {
        zones: Zone::in_steps(&model, bytes, 4, to_f64(bytes), &[1.0]),
        order: HeadOrder::Same,
        model,
        logical_sector: SectorSize::S512,
        physical_sector: SectorSize::S4096,
        ailments,
        heat: Heat::OPEN_BENCH,
        seed: 1,
        content: Content::Of(content),
    }))
}
