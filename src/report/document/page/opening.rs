//! How to open the image, without writing to it.

use crate::report::document::Document;
use crate::report::values::AreaReport;
use crate::store::image::ImageForm;
use maud::{Markup, html};

pub(super) fn section(document: &Document) -> Markup {
    let volumes: Vec<&AreaReport> =
        document.survey.areas.iter().filter(|area| area.volume.is_some()).take(16).collect();
    html! {
        p { "Open it read-only: a mount that may write changes it, and its checksum no longer fits. All of this needs an administrator’s rights." }
        @match document.case.image {
            ImageForm::Raw => (raw(document, &volumes)),
            ImageForm::Vhdx => (vhdx(document, &volumes)),
        }
        p { "Chosen files come out without mounting anything: " code { "gleaner take --case CASE --to FOLDER '/Folder'" } "." }
    }
}

/// The same for a client: by hand, and without commands.
pub(super) fn for_client(document: &Document) -> Markup {
    let image = &document.image_name;
    html! {
        p { "The copy is the file " code { (image) } ", an image of the drive. If you have your files in plain folders, you do not need it." }
        p { "Open it read-only: a program that may write to it changes it, and its checksum no longer fits. \
             If a program offers to format or to repair it, answer no. Do not connect the old drive at the same time." }
        @match document.case.image {
            ImageForm::Raw => {
                p { strong { "Windows and macOS" } " do not open an image of this form by themselves. Ask for the same image as VHDX, which Windows opens, \
                     or for your files in plain folders." }
                p { strong { "Linux: " } "open it with “Disks” (“Attach Disk Image”), and leave “read-only” chosen." }
            }
            ImageForm::Vhdx => {
                p { strong { "Windows: " } "click the file with the right mouse button, choose “Properties”, tick “Read-only”, choose “OK”. Then double-click it: \
                     its volumes appear as drives. To close it, click such a drive with the right mouse button and choose “Eject”. Windows may ask for an administrator." }
                p { strong { "macOS and Linux" } " do not open an image of this form by themselves. Ask for your files in plain folders." }
            }
        }
    }
}

fn raw(document: &Document, volumes: &[&AreaReport]) -> Markup {
    let sector = document.case.source.logical_sector;
    let size = if sector == 512 { String::new() } else { format!(" --sector-size {sector}") };
    let image = &document.image_name;
    html! {
        h3 { "On Linux, with its partitions" }
        pre tabindex="0" { code {
            "losetup --find --show --read-only --partscan" (size) " " (image) "\n"
            "# prints the device, e.g. /dev/loop0; its partitions are /dev/loop0p1 and so on\n"
            "mount -o ro /dev/loop0p1 /mnt\n"
            "# afterwards\numount /mnt && losetup --detach /dev/loop0"
        } }
        @if !volumes.is_empty() {
            h3 { "On Linux, one volume" }
            pre tabindex="0" { code { @for area in volumes { (mount(area, image)) "\n" } } }
        }
        h3 { "On Windows" }
        p { "Windows opens no raw image by itself. " code { "gleaner copy --case CASE --as vhdx" } " makes a VHDX of it, which does." }
    }
}

fn mount(area: &AreaReport, image: &str) -> String {
    let kind = match area.volume.as_ref().map_or("", |volume| volume.file_system) {
        "NTFS" => "ntfs-3g",
        "exFAT" => "exfat",
        _ => "vfat",
    };
    let number = area.number.map_or_else(|| "volume".to_owned(), |number| format!("volume {number}"));
    format!("mount -t {kind} -o ro,loop,offset={},sizelimit={} {image} /mnt   # {number}", area.start, area.bytes)
}

fn vhdx(document: &Document, volumes: &[&AreaReport]) -> Markup {
    let image = &document.image_name;
    html! {
        h3 { "On Windows" }
        p { "Set the file’s read-only attribute, then a double-click mounts it; or, in PowerShell:" }
        pre tabindex="0" { code { "Mount-DiskImage -ImagePath 'D:\\case\\" (image) "' -Access ReadOnly\n# afterwards\nDismount-DiskImage -ImagePath 'D:\\case\\" (image) "'" } }
        h3 { "On Linux" }
        pre tabindex="0" { code {
            "modprobe nbd max_part=16\n"
            "qemu-nbd --read-only --format=vhdx --connect=/dev/nbd0 " (image) "\n"
            @if let Some(number) = volumes.iter().find_map(|area| area.number) { "mount -o ro /dev/nbd0p" (number) " /mnt\n" }
            "# afterwards\numount /mnt && qemu-nbd --disconnect /dev/nbd0"
        } }
    }
}
