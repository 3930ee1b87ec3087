//! What the kernel knows about a drive, as values.

use super::hidden_area::HiddenArea;
use serde::Serialize;

/// Which of the kernel's drivers a drive hangs on.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Attachment {
    /// libata: SATA and PATA.
    Ata,
    /// A USB bridge.
    Usb,
    /// NVMe.
    Nvme,
    /// Another SCSI driver.
    Scsi,
    /// Anything else: a virtual drive, a card, a loop device.
    Other,
}

/// What was written to a drive since it was attached.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct WrittenSince {
    /// Requests.
    pub requests: u64,
    /// Bytes.
    pub bytes: u64,
}

/// What the kernel knows about one drive. What it does not tell is `None`.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct KernelFacts {
    /// The whole drive's name, such as `sda`.
    pub device: String,
    /// What it hangs on.
    pub attached: Attachment,
    /// How long the kernel waits for the answer to a command, in seconds.
    pub command_seconds: Option<f64>,
    /// How long it waits for the answer to a command of its recovery, in seconds.
    pub recovery_seconds: Option<f64>,
    /// How often it sends a command again after a failure that may pass; -1 for ever.
    pub retries: Option<i64>,
    /// A longer request is sent as several commands, in bytes.
    pub longest_command_bytes: Option<u64>,
    /// A command reads into so many pieces of memory at most.
    pub command_pieces: Option<u64>,
    /// Whether it refuses to write to the drive.
    pub read_only: Option<bool>,
    /// What was written since the drive was attached, by any program.
    pub written: Option<WrittenSince>,
    /// Whether it has taken the drive offline: then every read fails at once.
    pub offline: Option<bool>,
    /// Running programs that mount drives by themselves.
    pub automounters: Vec<String>,
    /// Sectors that the drive hides, where the log says so. A log that has lost its beginning says nothing.
    pub hidden_area: Option<HiddenArea>,
    /// Whether there is a temperature sensor.
    pub sensor: bool,
    /// What a person can do about it. Nothing here is done by this program.
    pub advice: Vec<Advice>,
}

/// One thing that a person can do. The commands are for a shell of the user root; nothing here runs them.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Advice {
    /// What is so, what it means, and what to do when.
    pub sentence: String,
    /// Commands that do it, in order.
    pub commands: Vec<String>,
}

impl std::fmt::Display for Advice {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.sentence)?;
        self.commands.iter().try_for_each(|command| write!(f, "\n    {command}"))
    }
}

impl KernelFacts {
    /// The longest request that is one command wherever its buffer lies, in bytes. Each page of the buffer can be a piece of memory
    /// of its own; where that is the limit it is a power of two, so that requests end on multiples of what drives have inside.
    pub fn one_command_bytes(&self) -> Option<u64> {
        let page = rustix::param::page_size() as u64;
        let scattered = |pieces: u64| pieces.saturating_mul(page).checked_ilog2().map(|power| 1 << power);
        let by_pieces = self.command_pieces.and_then(scattered);
        [self.longest_command_bytes, by_pieces].into_iter().flatten().min()
    }
}
