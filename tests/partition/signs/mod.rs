//! What is recognised, held against `blkid` (util-linux, libblkid) on volumes made by their own formatters, and against
//! published layouts where there is no formatter.

use crate::common;
mod handmade;
mod planned;
mod rivals;
mod strays;

use gleaner::base::extent::Extent;
use gleaner::base::units::SectorSize;
use gleaner::partition::signature::{self, Certainty, Family, Recognised, Sign};
use gleaner::source::{MemorySource, Reader, Window};
use std::fs;
use std::process::Command;

fn reader(bytes: Vec<u8>) -> Reader {
    Reader::new(Box::new(MemorySource::new(bytes, SectorSize::S512)), None)
}

fn look_with(reader: &Reader) -> Option<Recognised> {
    signature::look(&Window::new(reader, reader.identity().extent())).unwrap()
}

fn look(bytes: Vec<u8>) -> Option<Recognised> {
    look_with(&reader(bytes))
}

/// Every fixture with what is to be recognised: its name in blkid's own terms is checked beside it.
const FIXTURES: [(&str, Sign, Certainty); 40] = {
    use Certainty::{Checksummed, Consistent, Copy};
    [
        ("ext2", Sign::Ext2, Consistent),
        ("ext3", Sign::Ext3, Consistent),
        ("ext4", Sign::Ext4, Checksummed),
        ("ext-journal", Sign::ExtJournal, Consistent),
        ("ext4-copy-only", Sign::Ext4, Copy),
        ("ext4-behind-fat-front", Sign::Ext4, Checksummed),
        ("ext4-over-lvm", Sign::Ext4, Checksummed),
        ("xfs", Sign::Xfs, Checksummed),
        ("btrfs", Sign::Btrfs, Checksummed),
        ("f2fs", Sign::F2fs, Consistent),
        ("jfs", Sign::Jfs, Consistent),
        ("nilfs2", Sign::Nilfs2, Checksummed),
        ("reiserfs", Sign::Reiserfs, Consistent),
        ("squashfs", Sign::Squashfs, Consistent),
        ("gfs2", Sign::Gfs2, Consistent),
        ("ocfs2", Sign::Ocfs2, Consistent),
        ("swap-4k", Sign::Swap, Consistent),
        ("swap-64k", Sign::Swap, Consistent),
        ("swap-suspended", Sign::Suspended, Consistent),
        ("luks1", Sign::Luks1, Consistent),
        ("luks2", Sign::Luks2, Checksummed),
        ("luks2-second-header", Sign::Luks2, Copy),
        ("lvm", Sign::LvmMember, Checksummed),
        ("md-0.90", Sign::RaidMember, Checksummed),
        ("md-1.0", Sign::RaidMember, Checksummed),
        ("md-1.1", Sign::RaidMember, Checksummed),
        ("md-1.2", Sign::RaidMember, Checksummed),
        ("bcache", Sign::Bcache, Consistent),
        ("hfs", Sign::Hfs, Consistent),
        // Cut out of a disc whose maker counts the room behind it as the volume's.
        ("hfsplus", Sign::HfsPlus, Consistent),
        ("apfs", Sign::Apfs, Checksummed),
        ("apple-map", Sign::ApplePartitionMap, Consistent),
        ("ufs1", Sign::Ufs1, Consistent),
        ("ufs2", Sign::Ufs2, Consistent),
        ("iso9660", Sign::Iso9660, Consistent),
        ("iso9660-mbr", Sign::Iso9660, Consistent),
        ("iso9660-hfsplus", Sign::Iso9660, Consistent),
        ("udf-bridge", Sign::Udf, Checksummed),
        ("udf-2048", Sign::Udf, Checksummed),
        ("udf-512", Sign::Udf, Checksummed),
    ]
};

/// What blkid calls it.
fn blkid_type(sign: Sign) -> Option<&'static str> {
    Some(match sign {
        Sign::Ext2 => "ext2",
        Sign::Ext3 => "ext3",
        Sign::Ext4 => "ext4",
        Sign::ExtJournal => "jbd",
        Sign::Xfs => "xfs",
        Sign::Btrfs => "btrfs",
        Sign::F2fs => "f2fs",
        Sign::Jfs => "jfs",
        Sign::Nilfs2 => "nilfs2",
        Sign::Reiserfs => "reiserfs",
        Sign::Squashfs => "squashfs",
        Sign::Gfs2 => "gfs2",
        Sign::Ocfs2 => "ocfs2",
        Sign::Swap => "swap",
        Sign::Suspended => "swsuspend",
        Sign::Luks1 | Sign::Luks2 => "crypto_LUKS",
        Sign::LvmMember => "LVM2_member",
        Sign::RaidMember => "linux_raid_member",
        Sign::Bcache => "bcache",
        Sign::Hfs => "hfs",
        Sign::HfsPlus => "hfsplus",
        Sign::Apfs => "apfs",
        Sign::Ufs1 | Sign::Ufs2 => "ufs",
        Sign::Iso9660 => "iso9660",
        Sign::Udf => "udf",
        _ => return None,
    })
}

/// blkid takes no backup superblocks of ext, does not decide between two superblocks, and goes by the order of its list
/// where an LVM label is left over.
const BLKID_ELSEWHERE: [&str; 3] = ["ext4-copy-only", "ext4-behind-fat-front", "ext4-over-lvm"];

#[test]
fn every_fixture_is_recognised_as_blkid_does() {
    let mut wrong = Vec::new();
    for (name, sign, certainty) in FIXTURES {
        let fixture = format!("foreign-{name}");
        let bytes = common::fixture(&fixture);
        let answers = common::answers(&fixture);
        assert_eq!(answers["bytes"], bytes.len() as u64, "{name}");
        let blkid = &answers["blkid"];
        let Some(found) = look(bytes) else {
            wrong.push(format!("{name}: nothing"));
            continue;
        };
        if (found.kind, found.certainty) != (sign, certainty) {
            wrong.push(format!("{name}: {found:?}"));
            continue;
        }
        if BLKID_ELSEWHERE.contains(&name) {
            continue;
        }
        let expect = |key: &str| blkid[key].as_str().map(str::to_owned);
        if blkid_type(sign).map(str::to_owned) != expect("TYPE") {
            wrong.push(format!("{name}: blkid says {:?}", expect("TYPE")));
        }
        // The label of HFS+ stands in its catalog, which is not read; that of APFS in its volumes.
        if ![Sign::HfsPlus, Sign::Apfs].contains(&sign) && found.label != expect("LABEL") {
            wrong.push(format!("{name}: label {:?}, blkid {:?}", found.label, expect("LABEL")));
        }
        if found.uuid != expect("UUID") {
            wrong.push(format!("{name}: uuid {:?}, blkid {:?}", found.uuid, expect("UUID")));
        }
        let encrypted = blkid["USAGE"] == "crypto";
        assert_eq!((found.encrypted, found.kind.family() == Family::Encryption), (encrypted, encrypted), "{name}");
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// The length that a volume gives of itself, where the maker was told the length of the image: formatters round down to
/// their own units, but to no more than these.
#[test]
fn volumes_know_their_own_length() {
    for (name, _, _) in FIXTURES {
        let bytes = common::fixture(&format!("foreign-{name}"));
        let length = bytes.len() as u64;
        let found = look(bytes).unwrap();
        let Some(own) = found.bytes else { continue };
        assert!(own <= length, "{name}: {own} of {length}");
        let unit = match found.kind {
            // The log and the room for fsck follow the file system; segments of 2 MiB; allocation groups.
            Sign::Jfs => 2 << 20,
            Sign::Squashfs | Sign::HfsPlus => 4096,
            _ => 64 << 10,
        };
        assert!(length - own <= unit || found.kind == Sign::Iso9660, "{name}: {own} of {length}");
    }
}

#[test]
fn blkid_still_says_what_is_kept() {
    let Ok(version) = Command::new("blkid").arg("--version").env("PATH", path()).output() else {
        eprintln!("blkid is not installed; the kept answers stand alone");
        return;
    };
    assert!(version.status.success());
    let folder = tempfile::tempdir().unwrap();
    for name in ["ext4", "xfs", "luks2", "lvm", "swap-4k", "udf-bridge", "md-1.2"] {
        let image = folder.path().join(name);
        fs::write(&image, common::fixture(&format!("foreign-{name}"))).unwrap();
        let said = Command::new("blkid").args(["-p", "-o", "export"]).arg(&image).env("PATH", path()).output().unwrap();
        let said = String::from_utf8(said.stdout).unwrap();
        let found = look(fs::read(&image).unwrap()).unwrap();
        let told = |key: &str| said.lines().find_map(|line| line.strip_prefix(key)).map(str::to_owned);
        assert_eq!(told("TYPE=").as_deref(), blkid_type(found.kind), "{name}");
        assert_eq!(told("UUID="), found.uuid, "{name}");
        assert_eq!(told("LABEL="), found.label, "{name}");
    }
}

fn path() -> String {
    format!("{}:/usr/sbin:/sbin", std::env::var("PATH").unwrap_or_default())
}

#[test]
fn what_the_start_tells_costs_one_request() {
    for (name, sign, certainty) in FIXTURES {
        let reader = reader(common::fixture(&format!("foreign-{name}")));
        look_with(&reader).unwrap();
        let totals = reader.totals();
        assert_eq!(totals.repeated_bytes, 0, "{name}");
        let at_end = ["md-0.90", "md-1.0"].contains(&name);
        if sign == Sign::Udf || certainty < Certainty::Consistent || at_end {
            assert!(totals.bytes <= 700 << 10, "{name}: {totals:?}");
        } else {
            assert_eq!(totals.requests, 1, "{name}");
            assert!(totals.bytes <= signature::HEAD_BYTES, "{name}");
        }
    }
}

#[test]
fn unreadable_sectors_cost_what_they_hold() {
    let bad = |name: &str, at: u64, bytes: u64| {
        let image = common::fixture(&format!("foreign-{name}"));
        let source = MemorySource::new(image, SectorSize::S512).with_unreadable(Extent::new(at, bytes).unwrap());
        look_with(&Reader::new(Box::new(source), None)).map(|found| (found.kind, found.certainty))
    };
    assert_eq!(bad("ext4", 0, 1024), Some((Sign::Ext4, Certainty::Checksummed)));
    assert_eq!(bad("ext4", 1024, 512), Some((Sign::Ext4, Certainty::Copy)));
    assert_eq!(bad("luks2", 0, 512), Some((Sign::Luks2, Certainty::Copy)));
    // The JSON of the header cannot be read, so its checksum tells nothing.
    assert_eq!(bad("luks2", 8192, 512), Some((Sign::Luks2, Certainty::Consistent)));
    assert_eq!(bad("f2fs", 1024, 512), Some((Sign::F2fs, Certainty::Copy)));
    assert_eq!(bad("nilfs2", 1024, 512), Some((Sign::Nilfs2, Certainty::Copy)));
    assert_eq!(bad("jfs", 32768, 512), Some((Sign::Jfs, Certainty::Copy)));
    assert_eq!(bad("xfs", 0, 512), None);
}

/// A drive whose first sector is known not to answer is read one sector more, not 136.
#[test]
fn a_silent_volume_is_left_alone() {
    let whole = Extent::new(0, 4 << 20).unwrap();
    let source = MemorySource::new(vec![0; 4 << 20], SectorSize::S512).with_unreadable(whole);
    let reader = Reader::new(Box::new(source), None);
    reader.read(Extent::new(0, 512).unwrap()).unwrap();
    assert_eq!(look_with(&reader), None);
    assert_eq!(reader.totals().failed_requests, 2);
}

#[test]
fn headers_that_all_depends_on_are_named() {
    let first = |name: &str| look(common::fixture(&format!("foreign-{name}"))).unwrap().first;
    let held = |name: &str, at: u64, bytes: u64| {
        let wanted = Extent::new(at, bytes).unwrap();
        assert!(first(name).iter().any(|extent| extent.contains(&wanted)), "{name}: {:?}", first(name));
    };
    // `cryptsetup luksDump` of the fixtures: payload offset 4096 sectors; data segment at 16777216.
    held("luks1", 0, 2 << 20);
    held("luks2", 0, 16 << 20);
    held("luks2-second-header", 0, 16 << 20);
    // `pvck --dump headers`: metadata area at 4096 of 1044480 bytes.
    held("lvm", 4096, 1_044_480);
    held("md-0.90", (8 << 20) - (64 << 10), 4096);
    held("md-1.2", 4096, 4096);
    assert!(first("ext4").is_empty());
}
