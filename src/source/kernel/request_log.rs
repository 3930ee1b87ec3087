//! What the kernel says of a request: where the bad sector is, and that it reset the drive meanwhile.

use super::log::KernelLog;
use super::resets::ResetsOf;
use super::sysfs::KernelPlaces;
use crate::base::extent::Extent;
use crate::base::units::ByteOffset;
use crate::source::drive_details::device_folder;
use std::fs;
use std::path::Path;

/// The kernel counts in sectors of this many bytes whatever the drive's are (`SECTOR_SIZE`, include/linux/blk_types.h).
const KERNEL_SECTOR: u64 = 512;

/// What was logged of one request.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct LoggedRequest {
    /// The first place within a failed request that the kernel has named; `None` when it named none, as after many failures a
    /// second.
    ///
    /// A place behind the request's start is where the drive stopped. The start itself means no more than that: a drive that does
    /// not tell how far it came is logged with the start of its command.
    pub failed_place: Option<ByteOffset>,
    /// How often the kernel reset the drive, its controller or its link.
    pub resets: u64,
}

/// What the kernel's log says about requests to one device.
///
/// The log is read forward from [`KernelRequestLog::skip`], not by its times: its clock runs apart from all others by seconds a day,
/// while a request's lines are in the log before the request returns.
#[derive(Debug)]
pub struct KernelRequestLog {
    log: KernelLog,
    device: LoggedDevice,
}

/// How a device stands in the log: by the name of its whole drive, and by sectors of it.
#[derive(Clone, PartialEq, Eq, Debug)]
struct LoggedDevice {
    drive: String,
    /// Where a partition begins.
    start: u64,
    /// The sender of its resets, where that is known.
    resets: Option<ResetsOf>,
}

impl KernelRequestLog {
    /// The log for the block device at `device`, from now on; `None` when the log cannot be read, or for anything else than a
    /// block device.
    pub fn of_device(device: &Path, places: &KernelPlaces) -> Option<KernelRequestLog> {
        let (folder, partition) = device_folder(device, &places.sys)?;
        let start = match partition {
            Some(partition) => fs::read_to_string(partition.join("start")).ok()?.trim().parse().ok()?,
            None => 0u64,
        };
        let device = LoggedDevice {
            drive: folder.file_name()?.to_str()?.to_owned(),
            start: start.checked_mul(KERNEL_SECTOR)?,
            resets: ResetsOf::drive(&folder),
        };
        let mut log = KernelRequestLog { log: KernelLog::open(&places.kmsg).ok()?, device };
        log.skip();
        Some(log)
    }

    /// Passes over what the log has now: to be called right before a request.
    pub fn skip(&mut self) {
        // Where it fails, older lines are read again; a place outside the request is never taken from them.
        let _ = self.log.skip();
    }

    /// What was logged since [`KernelRequestLog::skip`] of a `request` that has just returned.
    pub fn logged(&mut self, request: Extent) -> LoggedRequest {
        let Ok(texts) = self.log.read() else { return LoggedRequest::default() };
        let resets = self.device.resets.as_ref();
        let resets = resets.map_or(0, |of| texts.iter().filter(|text| of.is_meant_by(text)).count() as u64);
        LoggedRequest { failed_place: first_failed_place(&texts, &self.device, request), resets }
    }
}

fn first_failed_place(texts: &[String], device: &LoggedDevice, request: Extent) -> Option<ByteOffset> {
    let places = texts.iter().filter_map(|text| failed_place(text, device));
    places.filter(|place| request.start <= *place && place.0 < request.end()).min()
}

/// The place in a line such as `critical medium error, dev sda, sector 60000 op 0x0:(READ) flags 0x800 phys_seg 1 prio class 2`.
///
/// Source: `blk_print_req_error` in block/blk-mq.c; the words before `error` differ by its kind, and older kernels put a
/// function's name in front.
fn failed_place(text: &str, device: &LoggedDevice) -> Option<ByteOffset> {
    let (_, rest) = text.split_once(" error, dev ")?;
    let (name, rest) = rest.split_once(", sector ")?;
    let digits = rest.split_once(|c: char| !c.is_ascii_digit()).map_or(rest, |(digits, _)| digits);
    if name != device.drive || rest.contains("op 0x") && !rest.contains("(READ)") {
        return None;
    }
    let place = digits.parse::<u64>().ok()?.checked_mul(KERNEL_SECTOR)?;
    place.checked_sub(device.start).map(ByteOffset)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sda() -> LoggedDevice {
        LoggedDevice { drive: "sda".into(), start: 0, resets: None }
    }

    fn at(text: &str, device: &LoggedDevice) -> Option<u64> {
        failed_place(text, device).map(|place| place.0)
    }

    // Lines of Debian's kernel 6.1.0-56 in a virtual machine (docs/kernel.md): scsi_debug, AHCI, NVMe, USB.
    #[test]
    fn the_kernels_lines_name_the_sector() {
        let medium = "critical medium error, dev sda, sector 59904 op 0x0:(READ) flags 0x800 phys_seg 32 prio class 2";
        let aborted = "I/O error, dev sda, sector 60000 op 0x0:(READ) flags 0x800 phys_seg 1 prio class 2";
        let nvme =
            "critical medium error, dev nvme0n1, sector 100000 op 0x0:(READ) flags 0x800 phys_seg 1 prio class 2";
        assert_eq!(at(medium, &sda()), Some(59_904 * 512));
        assert_eq!(at(aborted, &sda()), Some(60_000 * 512));
        assert_eq!(at(nvme, &sda()), None);
        assert_eq!(at(nvme, &LoggedDevice { drive: "nvme0n1".into(), start: 0, resets: None }), Some(100_000 * 512));
        // A drive of 4096-byte sectors whose sector 6000 failed: the kernel counts in 512 bytes all the same.
        let large = "critical medium error, dev sda, sector 48000 op 0x0:(READ) flags 0x800 phys_seg 16 prio class 2";
        assert_eq!(at(large, &sda()), Some(6_000 * 4096));
        // The other lines about the same failure.
        for other in [
            "sd 6:0:0:0: [sda] tag#109 FAILED Result: hostbyte=DID_OK driverbyte=DRIVER_OK cmd_age=0s",
            "sd 6:0:0:0: [sda] tag#109 Sense Key : Medium Error [current] ",
            "sd 6:0:0:0: [sda] tag#109 CDB: Read(10) 28 00 00 00 ea 60 00 00 08 00",
            "nvme0n1: I/O Cmd(0x2) @ LBA 100000, 8 blocks, I/O Error (sct 0x2 / sc 0x81) ",
            "ata1.00: failed command: READ FPDMA QUEUED",
        ] {
            assert_eq!(at(other, &sda()), None, "{other}");
        }
    }

    // From memory: a kernel 5.10 and a failed write; the last two cannot come from a kernel.
    #[test]
    fn other_forms_of_the_line() {
        let older = "blk_update_request: I/O error, dev sda, sector 8 op 0x0:(READ) flags 0x0 phys_seg 1 prio class 0";
        assert_eq!(at(older, &sda()), Some(4096));
        assert_eq!(at("print_req_error: I/O error, dev sda, sector 8", &sda()), Some(4096));
        assert_eq!(at("I/O error, dev sda, sector 8 op 0x1:(WRITE) flags 0x800 phys_seg 1 prio class 2", &sda()), None);
        assert_eq!(at("I/O error, dev sda1, sector 8 op 0x0:(READ)", &sda()), None);
        assert_eq!(at("I/O error, dev sda, sector 99999999999999999999 op 0x0:(READ)", &sda()), None);
        assert_eq!(at("I/O error, dev sda, sector  op 0x0:(READ)", &sda()), None);
    }

    #[test]
    fn a_partition_is_counted_from_its_start() {
        let partition = LoggedDevice { drive: "sda".into(), start: 2048 * 512, resets: None };
        assert_eq!(at("I/O error, dev sda, sector 2050 op 0x0:(READ)", &partition), Some(1024));
        assert_eq!(at("I/O error, dev sda, sector 2047 op 0x0:(READ)", &partition), None);
    }

    #[test]
    fn only_places_within_the_request_count_and_the_first_of_them() {
        let request = Extent::between(1000 * 512, 1008 * 512);
        let line = |sector: u64| format!("critical medium error, dev sda, sector {sector} op 0x0:(READ) flags 0x800");
        let first = |sectors: &[u64]| {
            let texts: Vec<String> = sectors.iter().map(|sector| line(*sector)).collect();
            first_failed_place(&texts, &sda(), request).map(|place| place.0 / 512)
        };
        assert_eq!(first(&[]), None);
        assert_eq!(first(&[999, 1008]), None);
        assert_eq!(first(&[1007, 1003, 999]), Some(1003));
        assert_eq!(first(&[1000]), Some(1000));
    }
}
