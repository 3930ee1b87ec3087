//! What the kernel knows about the drive, as text.

use crate::base::human;
use crate::cli::show::{command, line, wrapped};
use crate::source::kernel::{Attachment, KernelFacts};

pub(in crate::cli::show) fn kernel(text: &mut String, facts: &KernelFacts) {
    let attached = match facts.attached {
        Attachment::Ata => "SATA or PATA",
        Attachment::Usb => "USB",
        Attachment::Nvme => "NVMe",
        Attachment::Scsi => "SCSI",
        Attachment::Other => "neither SATA, USB, NVMe nor SCSI",
    };
    say!(text, "KERNEL  {} on {attached}", facts.device);
    let mut about = Vec::new();
    about.extend(facts.command_seconds.map(|seconds| format!("waits {} for an answer", human::seconds(seconds))));
    about.extend(facts.retries.map(|retries| match retries {
        0 => "no retry".to_owned(),
        1 => "1 retry".to_owned(),
        -1 => "retries without limit".to_owned(),
        more => format!("{more} retries"),
    }));
    about.extend(facts.longest_command_bytes.map(|bytes| format!("commands of up to {}", human::unit_size(bytes))));
    about.extend(facts.read_only.map(|flag| if flag { "read-only" } else { "not read-only" }.to_owned()));
    about.extend(facts.written.map(|written| match written.requests {
        0 => "nothing written since it was attached".to_owned(),
        _ => format!("{} written since it was attached", human::bytes(written.bytes)),
    }));
    about.push(if facts.sensor { "temperature available" } else { "temperature not available" }.to_owned());
    wrapped(text, "  ", &about.join(" · "));
    for advice in &facts.advice {
        wrapped(text, "  · ", &advice.sentence);
        advice.commands.iter().for_each(|line| command(text, &format!("    {line}")));
    }
    say!(text, "");
}
