//! How the kernel logs that it reset a drive, its controller or its link.

use std::path::Path;

/// The sender of a drive's resets in the log.
///
/// Source: lines of Debian's kernel 6.1.0-56 in a virtual machine (docs/kernel.md); the drivers are libata, usbcore, nvme and sd.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum ResetsOf {
    /// A port of libata, `ata1`.
    AtaPort(String),
    /// A USB device, `1-1.2`.
    UsbDevice(String),
    /// An NVMe controller, `nvme0`.
    NvmeController(String),
    /// A SCSI device by its address, `0:0:0:0`.
    ScsiDevice(String),
}

impl ResetsOf {
    /// Of the drive with this folder in sysfs, with all links resolved.
    pub(super) fn drive(folder: &Path) -> Option<ResetsOf> {
        let names: Vec<&str> = folder.components().filter_map(|part| part.as_os_str().to_str()).collect();
        let last = |is: &dyn Fn(&str) -> bool| names.iter().rfind(|name| is(name)).map(|name| (*name).to_owned());
        // A USB bridge is a SCSI host too, so the way to the drive is looked at from its outermost part.
        last(&|name| numbered(name, "ata"))
            .map(ResetsOf::AtaPort)
            .or_else(|| last(&is_usb_device).map(ResetsOf::UsbDevice))
            .or_else(|| last(&|name| numbered(name, "nvme")).map(ResetsOf::NvmeController))
            .or_else(|| last(&is_scsi_address).map(ResetsOf::ScsiDevice))
    }

    /// Whether a line of the log says that it was reset.
    pub(super) fn is_meant_by(&self, line: &str) -> bool {
        match self {
            ResetsOf::AtaPort(port) => line.strip_prefix(port.as_str()).is_some_and(|rest| {
                rest.starts_with([':', '.']) && (rest.contains("hard resetting") || rest.contains("soft resetting"))
            }),
            ResetsOf::UsbDevice(name) => said_by(line, "usb", name).is_some_and(|rest| rest.starts_with("reset ")),
            ResetsOf::NvmeController(name) => {
                said_by(line, "nvme", name).is_some_and(|rest| rest.ends_with("reset controller"))
            }
            ResetsOf::ScsiDevice(name) => {
                said_by(line, "sd", name).is_some_and(|rest| rest.contains("device reset occurred"))
            }
        }
    }
}

/// What stands behind `driver name: `.
fn said_by<'l>(line: &'l str, driver: &str, name: &str) -> Option<&'l str> {
    line.strip_prefix(driver)?.strip_prefix(' ')?.strip_prefix(name)?.strip_prefix(": ")
}

fn numbered(name: &str, prefix: &str) -> bool {
    name.strip_prefix(prefix).is_some_and(is_number)
}

fn is_number(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit())
}

/// `1-1.2`, without the interface's `:1.0` behind it.
fn is_usb_device(name: &str) -> bool {
    name.split_once('-').is_some_and(|(bus, ports)| is_number(bus) && ports.split('.').all(is_number))
}

/// `0:0:0:0`.
fn is_scsi_address(name: &str) -> bool {
    name.split(':').count() == 4 && name.split(':').all(is_number)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(folder: &str) -> Option<ResetsOf> {
        ResetsOf::drive(Path::new(folder))
    }

    // Paths and lines as in the virtual machine of docs/kernel.md; the last line of each is about another drive.
    #[test]
    fn each_drivers_resets_are_known() {
        let sata = of("/sys/devices/pci0000:00/0000:00:1f.2/ata1/host0/target0:0:0/0:0:0:0/block/sda").unwrap();
        assert_eq!(sata, ResetsOf::AtaPort("ata1".into()));
        assert!(sata.is_meant_by("ata1: hard resetting link"));
        assert!(sata.is_meant_by("ata1.00: hard resetting link"));
        assert!(sata.is_meant_by("ata1: soft resetting link"));
        assert!(!sata.is_meant_by("ata1: SATA link up 1.5 Gbps (SStatus 113 SControl 300)"));
        assert!(!sata.is_meant_by("ata11: hard resetting link"));

        let usb =
            of("/sys/devices/pci0000:00/0000:00:1d.7/usb1/1-1/1-1:1.0/host6/target6:0:0/6:0:0:0/block/sdb").unwrap();
        assert_eq!(usb, ResetsOf::UsbDevice("1-1".into()));
        assert!(usb.is_meant_by("usb 1-1: reset high-speed USB device number 2 using ehci-pci"));
        assert!(!usb.is_meant_by("usb 1-1: new high-speed USB device number 2 using ehci-pci"));
        assert!(!usb.is_meant_by("usb 1-1.4: reset high-speed USB device number 5 using ehci-pci"));

        let nvme = of("/sys/devices/pci0000:00/0000:00:04.0/nvme/nvme0/nvme0n1").unwrap();
        assert_eq!(nvme, ResetsOf::NvmeController("nvme0".into()));
        assert!(nvme.is_meant_by("nvme nvme0: I/O 12 QID 1 timeout, reset controller"));
        assert!(!nvme.is_meant_by("nvme nvme0: I/O 12 QID 1 timeout, aborting"));
        assert!(!nvme.is_meant_by("nvme nvme1: I/O 12 QID 1 timeout, reset controller"));

        let debug = of("/sys/devices/pseudo_0/adapter0/host4/target4:0:0/4:0:0:0/block/sda").unwrap();
        assert_eq!(debug, ResetsOf::ScsiDevice("4:0:0:0".into()));
        assert!(debug.is_meant_by("sd 4:0:0:0: Power-on or device reset occurred"));
        assert!(!debug.is_meant_by("sd 5:0:0:0: Power-on or device reset occurred"));

        assert_eq!(of("/sys/devices/virtual/block/loop0"), None);
    }
}
