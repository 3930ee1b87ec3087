//! What a person can do about the kernel's settings, with the exact commands and when to use them.

use super::facts::{Advice, Attachment, KernelFacts};
use crate::base::human;

/// Drives whose own limit is set give a sector up after at most this many seconds (Linux RAID wiki, Timeout_Mismatch).
const OWN_LIMIT_SECONDS: f64 = 7.0;
/// A time limit for the kernel that stays above it.
const LIMIT_SECONDS: u32 = 10;
/// Usual largest request of a copy.
const REQUEST_BYTES: u64 = 1 << 20;

/// Advice on `facts`; `scsi_disk` is the drive's address in `/sys/class/scsi_disk`.
pub(super) fn advise(facts: &KernelFacts, scsi_disk: Option<String>) -> Vec<Advice> {
    let advice = [
        hidden_area(facts),
        written(facts),
        read_only(facts),
        automounters(facts),
        offline(facts),
        silence(facts, scsi_disk),
        requests(facts),
        sensor(facts),
    ];
    advice.into_iter().flatten().collect()
}

impl KernelFacts {
    /// What to do when there is no temperature sensor; `None` when there is one.
    pub fn without_sensor(&self) -> Option<Advice> {
        sensor(self)
    }
}

fn new(sentence: impl Into<String>, commands: &[String]) -> Option<Advice> {
    Some(Advice { sentence: sentence.into(), commands: commands.to_vec() })
}

fn hidden_area(facts: &KernelFacts) -> Option<Advice> {
    facts.hidden_area?;
    new(
        "The drive hides sectors at its end. Copy first what it shows. To see the rest, start the kernel with libata.ignore_hpa=1, \
         which sets the drive's size for as long as it has power.",
        &[],
    )
}

fn written(facts: &KernelFacts) -> Option<Advice> {
    let written = facts.written.filter(|written| written.requests > 0)?;
    let requests = if written.requests == 1 {
        "1 request".to_owned()
    } else {
        format!("{} requests", human::count(written.requests))
    };
    new(
        format!(
            "{} were written to the drive in {requests} since it was attached. Find out by what before you go on: a mount, a repair, \
             another program.",
            human::bytes(written.bytes)
        ),
        &[],
    )
}

fn read_only(facts: &KernelFacts) -> Option<Advice> {
    if facts.read_only != Some(false) {
        return None;
    }
    new(
        "Programs can write to this drive. Set its read-only flag, also for the partitions; it holds until the \
         drive is unplugged. It does not replace a write blocker: the drive itself can still be told to write.",
        &[format!("blockdev --setro /dev/{}", facts.device)],
    )
}

fn automounters(facts: &KernelFacts) -> Option<Advice> {
    if facts.automounters.is_empty() {
        return None;
    }
    let mut commands = Vec::new();
    if facts.automounters.iter().any(|name| name != "automount") {
        commands.push("systemctl mask --now --runtime udisks2.service".to_owned());
    }
    if facts.automounters.iter().any(|name| name == "automount") {
        commands.push("systemctl stop autofs.service".to_owned());
    }
    new(
        format!(
            "A part of this system can mount the drive's volumes by itself: {}. Stop it before the drive is attached; mounting writes.",
            facts.automounters.join(", ")
        ),
        &commands,
    )
}

fn offline(facts: &KernelFacts) -> Option<Advice> {
    if facts.offline != Some(true) {
        return None;
    }
    new(
        "The kernel has taken the drive offline: every read fails at once. When the drive answers again, or after its power was cycled, put it back.",
        &[format!("echo running > /sys/block/{}/device/state", facts.device)],
    )
}

/// Time limit and retries: what a drive costs that does not answer.
fn silence(facts: &KernelFacts, scsi_disk: Option<String>) -> Option<Advice> {
    let seconds = facts.command_seconds?;
    let retries = facts.retries.filter(|retries| *retries != 0);
    if retries.is_none() && seconds <= f64::from(LIMIT_SECONDS) {
        return (seconds <= OWN_LIMIT_SECONDS).then(|| Advice {
            sentence: format!(
                "The kernel waits {} for an answer. That must be longer than the drive itself tries, up to 7 s where its own limit is set: \
                 else a bad sector costs a reset.",
                human::seconds(seconds)
            ),
            commands: vec![limit_command(facts)],
        });
    }
    let tries = match retries {
        None => String::new(),
        Some(1) => " and sends it again once".to_owned(),
        Some(count) if count > 1 => format!(" and sends it again up to {count} times"),
        Some(_) => " and sends it again for ever".to_owned(),
    };
    let mut commands = Vec::new();
    let mut sentence = format!(
        "The kernel waits {} for the answer to a command{tries}; a drive that does not answer then costs minutes and resets for one read.",
        human::seconds(seconds)
    );
    if seconds > f64::from(LIMIT_SECONDS) {
        sentence.push_str(
            " A shorter limit helps once the drive has spun up, and only if the drive itself stops trying after 7 s (smartctl -l scterc shows \
             its limit): a limit below the drive's own makes each bad sector cost a reset.",
        );
        commands.push(limit_command(facts));
    }
    match (retries, facts.attached, scsi_disk) {
        (Some(_), Attachment::Nvme, _) => {
            sentence.push_str(" The number of retries is one for all NVMe drives of this machine, and they retry a bad sector as well.");
            commands.push("echo 0 > /sys/module/nvme_core/parameters/max_retries".to_owned());
        }
        (Some(_), _, Some(address)) => commands.push(format!("echo 0 > /sys/class/scsi_disk/{address}/max_retries")),
        _ => {}
    }
    new(sentence, &commands)
}

fn limit_command(facts: &KernelFacts) -> String {
    match facts.attached {
        Attachment::Nvme | Attachment::Other => {
            format!("echo {}000 > /sys/block/{}/queue/io_timeout", LIMIT_SECONDS, facts.device)
        }
        _ => format!("echo {LIMIT_SECONDS} > /sys/block/{}/device/timeout", facts.device),
    }
}

fn requests(facts: &KernelFacts) -> Option<Advice> {
    let most = facts.longest_command_bytes.filter(|bytes| *bytes >= 4096 && *bytes < REQUEST_BYTES)?;
    new(
        format!(
            "A request of 1 MiB goes to this drive as {} commands at once, and one bad sector can make all of them fail and be sent again. On a \
             drive with bad sectors copy with requests of one command: --request {}.",
            REQUEST_BYTES.div_ceil(most),
            most >> 12 << 2
        ),
        &[],
    )
}

/// What to do about a missing temperature sensor.
fn sensor(facts: &KernelFacts) -> Option<Advice> {
    if facts.sensor {
        return None;
    }
    match facts.attached {
        Attachment::Ata | Attachment::Scsi => new(
            "The drive's temperature is not available, so --warm-limit does nothing. The kernel's driver drivetemp gives it for most SATA drives; \
             else name a command that prints it: copy --temperature-from COMMAND.",
            &["modprobe drivetemp".to_owned()],
        ),
        _ => new(
            "The drive's temperature is not available, so --warm-limit does nothing. Name a command that prints it: \
             copy --temperature-from COMMAND.",
            &[],
        ),
    }
}
