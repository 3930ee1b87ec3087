//! Whole drives whose tables sfdisk and fdisk wrote and whose volumes are real; the reference is the table as those
//! programs read it back (`testdata/*.table.json`).

use crate::common::{fixture, json};
use crate::partition::building::{Image, Seen};
use gleaner::partition::Scheme;

/// What the reference says: number, type, GUID, name, first byte, length.
type Row = (u32, String, Option<String>, Option<String>, u64, u64);

fn reference(name: &str) -> (Scheme, u64, Vec<Row>) {
    let document = json(&format!("{name}.table.json"));
    let table = &document["partitiontable"];
    let scheme = if table["label"] == "gpt" { Scheme::Gpt } else { Scheme::Mbr };
    let sector = table["sectorsize"].as_u64().expect("a sector size");
    let mut rows = Vec::new();
    for partition in table["partitions"].as_array().expect("a list of partitions") {
        let kind = partition["type"].as_str().expect("a type");
        if scheme == Scheme::Mbr && ["5", "f", "85"].contains(&kind) {
            continue;
        }
        let kind = if scheme == Scheme::Mbr { format!("0x{:0>2}", kind.to_uppercase()) } else { kind.to_uppercase() };
        let node = partition["node"].as_str().expect("a node");
        let number = node.rsplit(|c: char| !c.is_ascii_digit()).next().and_then(|n| n.parse().ok()).expect("a number");
        let text = |field: &str| partition[field].as_str().map(str::to_owned);
        let bytes = |field: &str| partition[field].as_u64().expect("a number of sectors") * sector;
        rows.push((number, kind, text("uuid"), text("name"), bytes("start"), bytes("size")));
    }
    assert!(!rows.is_empty(), "{name}: the reference names no partition");
    rows.sort_by_key(|row| row.4);
    (scheme, sector, rows)
}

fn rows(seen: &Seen) -> Vec<Row> {
    seen.entries()
        .map(|(e, x)| (e.number, e.type_id.clone(), e.unique_id.clone(), e.name.clone(), x.start.0, x.bytes))
        .collect()
}

#[test]
fn whole_drives_are_divided_as_sfdisk_says_whichever_sector_size_the_drive_reports() {
    for name in [
        "drive-gpt",
        "drive-mbr-extended",
        "drive-gpt-4kn",
        "drive-usb-4k-table",
        "drive-usb-4k-gpt",
        "drive-windows-gpt",
    ] {
        let (scheme, sector, expected) = reference(name);
        let bytes = fixture(name);
        for reported in [512, 4096] {
            let image = Image::of(bytes.clone(), reported);
            let (seen, of_device) = (image.read(), image.read_as_device());
            assert_eq!(rows(&seen), expected, "{name}, reported as {reported}");
            assert_eq!(seen.layout, of_device.layout, "{name}: a device gives the same as its image");
            assert_eq!((seen.layout.scheme, seen.layout.table_sector.bytes()), (scheme, sector), "{name}");
            if sector == reported as u64 {
                assert_eq!(seen.codes(), [""; 0], "{name}: {:#?}", seen.layout.findings.kept());
                seen.assert_only_tables_were_read();
            } else {
                assert_eq!(seen.codes(), ["sector-size-differs"], "{name}: {:#?}", seen.layout.findings.kept());
            }
        }
    }
}

#[test]
fn a_drive_cut_short_anywhere_keeps_every_partition_that_starts_on_it() {
    for name in ["drive-gpt", "drive-mbr-extended", "drive-usb-4k-table"] {
        let (_, sector, all) = reference(name);
        let bytes = fixture(name);
        // In the middle of each partition, at its first byte, and one sector in.
        for cut in all.iter().flat_map(|row| [row.4 + row.5 / 2, row.4, row.4 + sector]) {
            let kept = usize::try_from(cut).unwrap();
            let seen = Image::of(bytes[..kept].to_vec(), usize::try_from(sector).unwrap()).read();
            let expected: Vec<_> = all.iter().filter(|r| r.4 < cut).map(|r| (r.0, r.4, r.5.min(cut - r.4))).collect();
            let found: Vec<_> = seen.entries().map(|(e, x)| (e.number, x.start.0, x.bytes)).collect();
            assert_eq!(found, expected, "{name} cut to {cut} bytes");
            assert!(!seen.codes().is_empty(), "{name} cut to {cut} bytes: nothing noticed");
        }
    }
}
