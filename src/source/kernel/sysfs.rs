//! The kernel's settings for a drive, from sysfs and procfs.

use super::advice::advise;
use super::facts::{Attachment, KernelFacts, WrittenSince};
use super::hidden_area::HiddenArea;
use super::log::KernelLog;
use crate::source::drive_details::{attribute, device_folder, told};
use crate::source::temperature::Thermometer;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Where the kernel shows what it knows.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct KernelPlaces {
    /// sysfs, usually `/sys`.
    pub sys: PathBuf,
    /// procfs, usually `/proc`.
    pub proc: PathBuf,
    /// The log, usually `/dev/kmsg`.
    pub kmsg: PathBuf,
}

impl Default for KernelPlaces {
    fn default() -> KernelPlaces {
        KernelPlaces { sys: "/sys".into(), proc: "/proc".into(), kmsg: "/dev/kmsg".into() }
    }
}

/// Parts of the system that mount what is attached, by their names in `/proc/PID/comm`, which has 15 characters.
const AUTOMOUNTERS: [&str; 3] = ["automount", "gvfs-udisks2-vo", "udisksd"];

impl KernelFacts {
    /// What is known about the block device at `device`, or about the drive that it is a partition of. `None` for anything else.
    pub fn of_device(device: &Path, places: &KernelPlaces) -> Option<KernelFacts> {
        let (folder, _) = device_folder(device, &places.sys)?;
        Self::in_folder(&folder, places)
    }

    fn in_folder(folder: &Path, places: &KernelPlaces) -> Option<KernelFacts> {
        let device = folder.file_name()?.to_str()?.to_owned();
        let attached = attachment(folder);
        let nvme_retries = || number(&places.sys, "module/nvme_core/parameters/max_retries");
        // The queue's own limit is what every driver goes by; it can be set where there is no `device/timeout`.
        let seconds = |path: &str, per_second: f64| number::<u32>(folder, path).map(|n| f64::from(n) / per_second);
        let mut facts = KernelFacts {
            attached,
            command_seconds: seconds("device/timeout", 1.0).or_else(|| seconds("queue/io_timeout", 1000.0)),
            recovery_seconds: seconds("device/eh_timeout", 1.0),
            retries: scsi_disk(folder).map_or_else(
                || (attached == Attachment::Nvme).then(nvme_retries).flatten(),
                |disk| number(&disk, "max_retries"),
            ),
            longest_command_bytes: number::<u64>(folder, "queue/max_sectors_kb").and_then(|n| n.checked_mul(1024)),
            command_pieces: number(folder, "queue/max_segments"),
            read_only: number::<u8>(folder, "ro").map(|flag| flag != 0),
            // A loop device keeps its counts when it gets another file.
            written: written(folder).filter(|_| attached != Attachment::Other),
            offline: attribute(folder, &["device/state"])
                .filter(|_| attached != Attachment::Nvme)
                .map(|state| state != "running"),
            automounters: automounters(&places.proc),
            hidden_area: ata_name(folder).and_then(|name| {
                let texts = KernelLog::open(&places.kmsg).and_then(|mut log| log.read()).ok()?;
                HiddenArea::in_log(&texts, &name)
            }),
            sensor: Thermometer::in_folder(folder).is_some(),
            device,
            advice: Vec::new(),
        };
        facts.advice = advise(&facts, scsi_disk(folder).and_then(|disk| Some(disk.file_name()?.to_str()?.to_owned())));
        Some(facts)
    }
}

fn number<N: std::str::FromStr>(folder: &Path, name: &str) -> Option<N> {
    attribute(folder, &[name])?.parse().ok()
}

pub(super) fn attachment(folder: &Path) -> Attachment {
    match told(folder).details.bus.as_deref() {
        Some("ata") => Attachment::Ata,
        Some("usb") => Attachment::Usb,
        Some("nvme") => Attachment::Nvme,
        Some("scsi") => Attachment::Scsi,
        _ => Attachment::Other,
    }
}

/// The folder of the SCSI disk driver, `device/scsi_disk/0:0:0:0`.
fn scsi_disk(folder: &Path) -> Option<PathBuf> {
    fs::read_dir(folder.join("device/scsi_disk")).ok()?.flatten().map(|entry| entry.path()).min()
}

/// The name that libata has for the drive in the log, `ata1.00`: its port, and the number of the drive there, which is the
/// SCSI target's. Not for drives behind a port multiplier, which are SCSI channels.
fn ata_name(folder: &Path) -> Option<String> {
    let names: Vec<&str> = folder.components().filter_map(|part| part.as_os_str().to_str()).collect();
    let at = names.iter().position(|name| {
        name.strip_prefix("ata").is_some_and(|rest| !rest.is_empty() && rest.bytes().all(|b| b.is_ascii_digit()))
    })?;
    let address = names.get(at + 1..)?.iter().find(|name| name.bytes().filter(|b| *b == b':').count() == 3)?;
    let mut parts = address.split(':').skip(1);
    let (channel, target): (u32, u32) = (parts.next()?.parse().ok()?, parts.next()?.parse().ok()?);
    (channel == 0).then(|| format!("{}.{target:02}", names[at]))
}

/// Source: Linux Documentation/block/stat.rst, from memory: the fifth field is write requests, the seventh sectors of 512 bytes
/// written.
fn written(folder: &Path) -> Option<WrittenSince> {
    let stat = attribute(folder, &["stat"])?;
    let fields: Vec<&str> = stat.split_whitespace().collect();
    let field = |at: usize| fields.get(at)?.parse::<u64>().ok();
    Some(WrittenSince { requests: field(4)?, bytes: field(6)?.saturating_mul(512) })
}

fn automounters(proc: &Path) -> Vec<String> {
    let Ok(entries) = fs::read_dir(proc) else { return Vec::new() };
    let is_process = |name: &str| name.bytes().all(|b| b.is_ascii_digit());
    let processes = entries.flatten().filter(|entry| entry.file_name().to_str().is_some_and(is_process));
    let names = processes.filter_map(|entry| attribute(&entry.path(), &["comm"]));
    let found: BTreeSet<String> = names.filter(|name| AUTOMOUNTERS.contains(&name.as_str())).collect();
    found.into_iter().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    /// A kernel's folders, made up: what each attribute holds is as a Debian kernel 6.1.0-56 shows it (docs/kernel.md).
    struct Kernel {
        root: tempfile::TempDir,
    }

    impl Kernel {
        fn new() -> Kernel {
            Kernel { root: tempfile::tempdir().unwrap() }
        }

        fn write(&self, path: &str, text: &str) {
            let path = self.root.path().join(path);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, text).unwrap();
        }

        fn places(&self) -> KernelPlaces {
            let root = self.root.path();
            KernelPlaces { sys: root.join("sys"), proc: root.join("proc"), kmsg: root.join("kmsg") }
        }

        /// A SCSI disk below a host; `above` is the way to the host's folder.
        fn scsi_disk(&self, above: &str, name: &str) -> String {
            let device = format!("sys/devices/{above}/host0/target0:0:0/0:0:0:0");
            let folder = format!("{device}/block/{name}");
            for (attribute, value) in
                [("timeout", "30"), ("eh_timeout", "10"), ("state", "running"), ("model", "A drive")]
            {
                self.write(&format!("{device}/{attribute}"), &format!("{value}\n"));
            }
            self.write(&format!("{device}/scsi_disk/0:0:0:0/max_retries"), "5\n");
            self.write(&format!("{folder}/queue/max_sectors_kb"), "128\n");
            self.write(&format!("{folder}/queue/max_segments"), "168\n");
            self.write(&format!("{folder}/queue/io_timeout"), "30000\n");
            self.write(&format!("{folder}/ro"), "0\n");
            self.write(
                &format!("{folder}/stat"),
                "      10        0       80        3        0        0        0        0        0        0        3\n",
            );
            symlink("../..", self.root.path().join(&folder).join("device")).unwrap();
            self.subsystem(&device, "bus/scsi");
            folder
        }

        /// What the device in `folder` is to the kernel.
        fn subsystem(&self, folder: &str, subsystem: &str) {
            let target = self.root.path().join("sys").join(subsystem);
            fs::create_dir_all(&target).unwrap();
            symlink(target, self.root.path().join(folder).join("subsystem")).unwrap();
        }

        fn facts(&self, folder: &str) -> KernelFacts {
            KernelFacts::in_folder(&self.root.path().join(folder), &self.places()).unwrap()
        }
    }

    const AHCI: &str = "pci0000:00/0000:00:1f.2/ata1";
    const USB: &str = "pci0000:00/0000:00:02.0/usb2/2-1";

    fn sentences(facts: &KernelFacts) -> String {
        facts.advice.iter().map(|advice| format!("{}\n", advice.sentence)).collect()
    }

    fn commands(facts: &KernelFacts) -> Vec<&str> {
        facts.advice.iter().flat_map(|advice| &advice.commands).map(String::as_str).collect()
    }

    #[test]
    fn a_sata_drive_as_the_kernel_sets_it() {
        let kernel = Kernel::new();
        let facts = kernel.facts(&kernel.scsi_disk(AHCI, "sda"));
        let expected = KernelFacts {
            device: "sda".into(),
            attached: Attachment::Ata,
            command_seconds: Some(30.0),
            recovery_seconds: Some(10.0),
            retries: Some(5),
            longest_command_bytes: Some(128 << 10),
            command_pieces: Some(168),
            read_only: Some(false),
            written: Some(WrittenSince { requests: 0, bytes: 0 }),
            offline: Some(false),
            automounters: Vec::new(),
            hidden_area: None,
            sensor: false,
            advice: facts.advice.clone(),
        };
        assert_eq!(facts, expected);
        assert_eq!(
            commands(&facts),
            [
                "blockdev --setro /dev/sda",
                "echo 10 > /sys/block/sda/device/timeout",
                "echo 0 > /sys/class/scsi_disk/0:0:0:0/max_retries",
                "modprobe drivetemp",
            ]
        );
        let text = sentences(&facts);
        assert!(text.contains("waits 30 s for the answer to a command and sends it again up to 5 times"), "{text}");
        assert!(text.contains("as 8 commands at once"), "{text}");
        assert!(text.contains("--request 128."), "{text}");
    }

    #[test]
    fn a_drive_behind_usb_has_no_driver_for_its_temperature() {
        let kernel = Kernel::new();
        kernel.write(&format!("sys/devices/{USB}/idVendor"), "46f4\n");
        let facts = kernel.facts(&kernel.scsi_disk(&format!("{USB}/2-1:1.0"), "sdb"));
        assert_eq!(facts.attached, Attachment::Usb);
        assert!(!commands(&facts).contains(&"modprobe drivetemp"));
        assert!(sentences(&facts).contains("copy --temperature-from COMMAND"));
    }

    #[test]
    fn an_nvme_drive_has_its_limits_elsewhere() {
        let kernel = Kernel::new();
        let folder = "sys/devices/pci0000:00/0000:00:03.0/nvme/nvme0/nvme0n1";
        kernel.write(&format!("{folder}/queue/io_timeout"), "30000\n");
        kernel.write("sys/module/nvme_core/parameters/max_retries", "5\n");
        kernel.write("sys/devices/pci0000:00/0000:00:03.0/nvme/nvme0/hwmon0/temp1_input", "49850\n");
        kernel.write("sys/devices/pci0000:00/0000:00:03.0/nvme/nvme0/state", "live\n");
        symlink("..", kernel.root.path().join(folder).join("device")).unwrap();
        kernel.subsystem("sys/devices/pci0000:00/0000:00:03.0/nvme/nvme0", "class/nvme");
        let facts = kernel.facts(folder);
        assert_eq!((facts.attached, facts.command_seconds, facts.retries), (Attachment::Nvme, Some(30.0), Some(5)));
        assert_eq!((facts.offline, facts.sensor, facts.recovery_seconds), (None, true, None));
        assert_eq!(
            commands(&facts),
            [
                "echo 10000 > /sys/block/nvme0n1/queue/io_timeout",
                "echo 0 > /sys/module/nvme_core/parameters/max_retries"
            ]
        );
    }

    #[test]
    fn settings_that_a_person_has_made_are_not_proposed() {
        let kernel = Kernel::new();
        let folder = kernel.scsi_disk(AHCI, "sda");
        let device = "sys/devices/pci0000:00/0000:00:1f.2/ata1/host0/target0:0:0/0:0:0:0";
        kernel.write(&format!("{device}/timeout"), "10\n");
        kernel.write(&format!("{device}/scsi_disk/0:0:0:0/max_retries"), "0\n");
        kernel.write(&format!("{device}/hwmon/hwmon1/temp1_input"), "30000\n");
        kernel.write(&format!("{folder}/ro"), "1\n");
        kernel.write(&format!("{folder}/queue/max_sectors_kb"), "1280\n");
        assert_eq!(kernel.facts(&folder).advice, []);

        // 168 pages are 672 KiB; the kernel's documentation calls them elements of a scatter/gather list (queue/max_segments in
        // Documentation/ABI/stable/sysfs-block, from memory).
        if rustix::param::page_size() == 4096 {
            assert_eq!(kernel.facts(&folder).one_command_bytes(), Some(512 << 10));
        }
        kernel.write(&format!("{folder}/queue/max_sectors_kb"), "128\n");
        assert_eq!(kernel.facts(&folder).one_command_bytes(), Some(128 << 10));
        kernel.write(&format!("{folder}/queue/max_sectors_kb"), "1280\n");

        // A limit that is not above the drive's own is worse than none.
        kernel.write(&format!("{device}/timeout"), "7\n");
        let facts = kernel.facts(&folder);
        assert_eq!(commands(&facts), ["echo 10 > /sys/block/sda/device/timeout"]);
        assert!(sentences(&facts).contains("must be longer than the drive itself tries"));
    }

    #[test]
    fn what_calls_for_care() {
        let kernel = Kernel::new();
        let folder = kernel.scsi_disk(AHCI, "sda");
        kernel.write(&format!("{folder}/stat"), "10 0 80 3 2 0 24 1 0 3 3\n");
        kernel.write("sys/devices/pci0000:00/0000:00:1f.2/ata1/host0/target0:0:0/0:0:0:0/state", "offline\n");
        kernel.write("kmsg", "6,1,2,-;ata2.00: HPA detected: current 1, native 5\n6,2,3,-;ata1.00: HPA detected: current 100, native 105\n");
        kernel.write("proc/1/comm", "systemd\n");
        kernel.write("proc/400/comm", "udisksd\n");
        kernel.write("proc/401/comm", "udisksd\n");
        kernel.write("proc/sys/comm", "automount\n");
        let facts = kernel.facts(&folder);
        assert_eq!(facts.written, Some(WrittenSince { requests: 2, bytes: 24 * 512 }));
        assert_eq!((facts.offline, facts.automounters.clone()), (Some(true), vec!["udisksd".to_owned()]));
        assert_eq!(facts.hidden_area, Some(HiddenArea { current_sectors: 100, native_sectors: 105 }));
        let text = sentences(&facts);
        for part in [
            "12.3 kB were written to the drive in 2 requests since it was attached",
            "can mount the drive's volumes by itself: udisksd.",
            "taken the drive offline",
            "libata.ignore_hpa=1",
        ] {
            assert!(text.contains(part), "{part}: {text}");
        }
        assert!(commands(&facts).contains(&"systemctl mask --now --runtime udisks2.service"));
        assert!(commands(&facts).contains(&"echo running > /sys/block/sda/device/state"));
    }

    #[test]
    fn nothing_known_is_no_fault() {
        let kernel = Kernel::new();
        kernel.write("sys/devices/virtual/block/loop0/ro", "mixed\n");
        kernel.write("sys/devices/virtual/block/loop0/stat", "10 0 80 3 2 0 24 1 0 3 3\n");
        let facts = kernel.facts("sys/devices/virtual/block/loop0");
        assert_eq!((facts.attached, facts.read_only, facts.retries), (Attachment::Other, None, None));
        assert_eq!((facts.command_seconds, facts.written, facts.hidden_area), (None, None, None));
        assert_eq!(KernelFacts::of_device(kernel.root.path(), &kernel.places()), None);
    }

    #[test]
    fn libatas_name_is_the_port_and_the_drive_there() {
        let name = |path: &str| ata_name(Path::new(path));
        assert_eq!(name("/sys/devices/pci0/ata11/host10/target10:0:1/10:0:1:0/block/sdk"), Some("ata11.01".into()));
        assert_eq!(name("/sys/devices/pci0/ata3/link3.2/host2/target2:2:0/2:2:0:0/block/sda"), None);
        assert_eq!(name("/sys/devices/pci0/usb2/2-1/2-1:1.0/host6/target6:0:0/6:0:0:0/block/sda"), None);
    }
}
