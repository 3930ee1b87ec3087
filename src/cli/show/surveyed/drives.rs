//! The drives of this machine, as text.

use crate::base::human;
use crate::cli::show::{line, wrapped};
use crate::copy::session::KnownDrive;
use crate::source::{AttachedDrive, SerialFrom};

/// Each drive with its size, names, uses and cases.
pub fn drives(drives: &[KnownDrive]) -> String {
    let mut text = String::new();
    say!(&mut text, "DRIVES  {} on this machine; none was opened", human::count(drives.len() as u64));
    for KnownDrive { found, cases } in drives {
        let drive = &found.drive;
        say!(&mut text, "");
        let flag = if drive.read_only == Some(true) { "read-only" } else { "" };
        let bus = if drive.backing_file.is_some() { "loop" } else { drive.details.bus.as_deref().unwrap_or("") };
        let head = format!("  {:14} {:>9}  {bus:7} {flag}", drive.path.to_string_lossy(), human::bytes(drive.bytes));
        say!(&mut text, "{}", head.trim_end());
        wrapped(&mut text, "    ", &names(drive));
        found.uses.iter().for_each(|used| wrapped(&mut text, "    in use: ", &used.to_string()));
        for case in cases {
            wrapped(&mut text, "    case ", &format!("{} ({})", case.folder.to_string_lossy(), case.by.name()));
        }
    }
    text
}

fn names(drive: &AttachedDrive) -> String {
    let whose = match drive.details.serial_from {
        Some(SerialFrom::UsbDevice) => " (of the USB device)",
        _ => "",
    };
    let serial = match (&drive.serial, &drive.backing_file) {
        (Some(serial), _) => format!("serial {serial}{whose}"),
        (None, Some(file)) => format!("file {file}"),
        (None, None) => "serial not available".to_owned(),
    };
    let sector = drive.logical_sector.map(|bytes| format!("sectors of {bytes} bytes"));
    drive.model.iter().cloned().chain([serial]).chain(sector).collect::<Vec<_>>().join(", ")
}
