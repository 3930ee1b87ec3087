//! An invented drive to try everything on: a GPT with an NTFS volume and a FAT volume, of a botanical survey office that
//! never existed.
//!
//! The NTFS volume was made by `mkntfs` and the NTFS FUSE driver and is carried in the program, compressed; the FAT
//! volume and the table are made anew each time, the same to the byte.
//!
//! Over these bytes stands a [drive that fails](failing_drive) and dies after a while of its own clock. [`compare`] says what of the
//! files a case then has, beside [the same drive read front to back](read_front_to_back).

mod compare;
mod failing;
mod front_to_back;

pub use compare::{Comparison, SafeFiles, compare};
pub use failing::{LIFE, failing_drive};
pub use front_to_back::{REQUEST_BYTES, read_front_to_back};

use fatfs::{Date, DateTime, FatType, FormatVolumeOptions, FsOptions, Time, TimeProvider};
use gpt::disk::LogicalBlockSize;
use gpt::mbr::ProtectiveMBR;
use gpt::{GptConfig, partition_types};
use std::fs::{File, OpenOptions};
use std::io::{self, Cursor, Read, Seek, SeekFrom, Write};
use std::path::Path;

static NTFS_VOLUME: &[u8] = include_bytes!("../../testdata/ntfs-rich.img.zst");

const MIB: u64 = 1 << 20;
const SECTOR: u64 = 512;
const FAT_BYTES: u64 = 48 * MIB;
/// Between the volumes, as a partition deleted long ago leaves it.
const GAP: u64 = 16 * MIB;

/// What is wanted first in the demo.
pub const WANTED: &str = "/Surveys";

/// Makes the drive as a new sparse file.
///
/// # Errors
/// What the file system says when it cannot be written.
pub fn make_drive(path: &Path) -> io::Result<()> {
    let mut volume = Vec::new();
    ruzstd::decoding::StreamingDecoder::new(NTFS_VOLUME).map_err(io::Error::other)?.read_to_end(&mut volume)?;
    let ntfs_start = MIB;
    let ntfs_bytes = volume.len() as u64;
    let fat_start = (ntfs_start + ntfs_bytes + GAP).next_multiple_of(MIB);
    let drive_bytes = fat_start + FAT_BYTES + 8 * MIB;

    let mut file = OpenOptions::new().read(true).write(true).create_new(true).open(path)?;
    file.set_len(drive_bytes)?;
    write_table(&mut file, drive_bytes, (ntfs_start, ntfs_bytes), (fat_start, FAT_BYTES))?;
    write_sparse(&mut file, ntfs_start, &volume)?;
    write_sparse(&mut file, fat_start, &fat_volume()?)?;
    file.sync_all()
}

fn write_table(file: &mut File, drive_bytes: u64, ntfs: (u64, u64), fat: (u64, u64)) -> io::Result<()> {
    let last = u32::try_from(drive_bytes / SECTOR - 1).unwrap_or(u32::MAX);
    ProtectiveMBR::with_lb_size(last).overwrite_lba0(file).map_err(io::Error::other)?;
    let guid = "a3c1d07e-5b1f-4c57-9a25-0f3de1a8b001".parse().map_err(io::Error::other)?;
    let mut table = GptConfig::new()
        .writable(true)
        .logical_block_size(LogicalBlockSize::Lb512)
        .create_from_device(file, Some(guid))
        .map_err(io::Error::other)?;
    for (number, name, (start, bytes)) in [(1, "Fernhollow Data", ntfs), (2, "Field Cards", fat)] {
        table
            .add_partition_at(name, number, start / SECTOR, bytes / SECTOR, partition_types::BASIC, 0)
            .map_err(io::Error::other)?;
    }
    let mut partitions = table.take_partitions();
    for (number, partition) in &mut partitions {
        let guid = format!("a3c1d07e-5b1f-4c57-9a25-0f3de1a8b1{number:02}");
        partition.part_guid = guid.parse().map_err(io::Error::other)?;
    }
    table.update_partitions(partitions).map_err(io::Error::other)?;
    table.write().map_err(io::Error::other)?;
    Ok(())
}

/// A camera card's worth of field photographs, some files deleted so that later ones lie in pieces.
fn fat_volume() -> io::Result<Vec<u8>> {
    let mut memory = Cursor::new(vec![0; usize::try_from(FAT_BYTES).map_err(io::Error::other)?]);
    let options =
        FormatVolumeOptions::new().fat_type(FatType::Fat16).volume_id(0x0F3D_E1A8).volume_label(*b"FIELDCARDS ");
    fatfs::format_volume(&mut memory, options)?;
    {
        let volume = fatfs::FileSystem::new(&mut memory, FsOptions::new().time_provider(&SURVEY_DAY))?;
        let root = volume.root_dir();
        for day in 1..=6 {
            let folder = root.create_dir(&format!("2019-06-{day:02} Marsh path"))?;
            for shot in 1..=8 {
                photograph(&mut folder.create_file(&format!("Fern {day}-{shot}.jpg"))?, day * 100 + shot, 180_000)?;
            }
            for shot in [2, 5, 6] {
                folder.remove(&format!("Fern {day}-{shot}.jpg"))?;
            }
            photograph(&mut folder.create_file("panorama.tif")?, day * 1000, 900_000)?;
        }
        root.create_file("NOTES.TXT")?.write_all(b"Cards copied to the office drive up to 2019-06-04.\r\n")?;
    }
    Ok(memory.into_inner())
}

/// The day on which everything in the demo happened: a clock would make each drive another.
#[derive(Debug)]
struct SurveyDay;

static SURVEY_DAY: SurveyDay = SurveyDay;

impl TimeProvider for SurveyDay {
    fn get_current_date(&self) -> Date {
        Date { year: 2019, month: 6, day: 6 }
    }

    fn get_current_date_time(&self) -> DateTime {
        DateTime { date: self.get_current_date(), time: Time { hour: 17, min: 30, sec: 0, millis: 0 } }
    }
}

/// Content that names its place, so that a misplaced piece shows.
fn photograph(file: &mut impl Write, number: u32, bytes: usize) -> io::Result<()> {
    let mut content = Vec::with_capacity(bytes + 32);
    let mut block = 0;
    while content.len() < bytes {
        writeln!(content, "field photograph {number:05} part {block:06}")?;
        block += 1;
    }
    file.write_all(&content[..bytes])
}

/// Leaves blocks of zeros as holes: the file then takes little room.
fn write_sparse(file: &mut File, start: u64, content: &[u8]) -> io::Result<()> {
    for (index, block) in content.chunks(4096).enumerate().filter(|(_, block)| block.iter().any(|byte| *byte != 0)) {
        file.seek(SeekFrom::Start(start + index as u64 * 4096))?;
        file.write_all(block)?;
    }
    Ok(())
}
