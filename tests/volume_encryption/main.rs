//! Volumes that Windows encrypts, opened with their keys: samples that Windows made, and fixtures of this project that a test encrypts
//! by the published format, so that the plain volume is known.

mod commands;
#[path = "../support/common/mod.rs"]
mod common;
mod damage;
#[path = "../support/encrypted/mod.rs"]
mod encrypted;
mod late;
mod plans;
mod reference;
mod samples;
#[path = "../support/unpack.rs"]
mod unpack;

use encrypted::{Conversion, Form, Lock, Recipe};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::SectorSize;
use gleaner::filesystem::VolumeMap;
use gleaner::source::{Keys, MemorySource, Reader, Window};
use gleaner::survey::allocation::{DriveMap, extents_of, read_drive};
use std::ops::ControlFlow;
use std::sync::Arc;
use zeroize::Zeroizing;

const PASSWORD: &str = "Blåbær 42";

fn keys(contents: &[&[u8]]) -> Arc<Keys> {
    Arc::new(Keys::new(contents.iter().map(|content| Zeroizing::new(content.to_vec()))))
}

fn sector_of(fixture: &str) -> SectorSize {
    if fixture.contains("sector-4096") { SectorSize::S4096 } else { SectorSize::S512 }
}

fn reader(image: Vec<u8>, sector: SectorSize, contents: &[&[u8]]) -> Reader {
    Reader::new(Box::new(MemorySource::new(image, sector)), None).with_keys(keys(contents))
}

/// The only volume of a drive that is one.
fn volume(drive: &DriveMap) -> &VolumeMap {
    let volumes: Vec<_> = drive.volumes().collect();
    let [(_, volume)] = volumes.as_slice() else { panic!("{:#?}", drive.all_findings()) };
    volume
}

/// All plain bytes of a volume, as its structure is read.
fn plain_bytes(reader: &Reader, volume: &VolumeMap) -> Vec<u8> {
    let view = &volume.encryption.as_ref().expect("it is encrypted").view;
    let window = Window::new(reader, volume.extent).through(view);
    let mut plain = Vec::new();
    window
        .stream(&[volume.extent], |block| {
            assert!(block.unreadable.is_empty());
            plain.extend_from_slice(block.bytes);
            ControlFlow::Continue(())
        })
        .unwrap();
    plain
}

/// Free places of a plain volume, each `bytes` long, on multiples of 64 KiB and well apart.
fn free_places(fixture: &str, plain: &[u8], bytes: u64, count: usize) -> Vec<u64> {
    let reader = reader(plain.to_vec(), sector_of(fixture), &[]);
    let drive = read_drive(&reader).unwrap();
    let map = volume(&drive);
    let used: ExtentSet = extents_of(map, &map.allocation.allocated).collect();
    let end = plain.len() as u64 / 65536 * 65536;
    let last = map.geometry.all();
    let first = map.geometry.extent(last).unwrap().start.0.max(1 << 20);
    let free = (first.div_ceil(65536)..(end - bytes) / 65536).map(|number| number * 65536);
    let mut found: Vec<u64> = Vec::new();
    for at in free.filter(|at| used.bytes_within(Extent::between(*at, *at + bytes)) == 0) {
        if found.len() < count && found.last().is_none_or(|before| *before + bytes <= at) {
            found.push(at);
        }
    }
    assert_eq!(found.len(), count, "{fixture} has too little free space");
    found
}

/// A fixture, and a recipe that fits it: everything is encrypted, opened by a password.
fn prepared(fixture: &str, method: u16) -> (Vec<u8>, Recipe) {
    let plain = common::fixture(fixture);
    let places = free_places(fixture, &plain, 65536, 4);
    let recipe = Recipe {
        method,
        sector: sector_of(fixture).bytes(),
        form: Form::Fixed,
        locks: vec![Lock::SecurityChip, Lock::Password(PASSWORD)],
        metadata: [places[0], places[1], places[3]],
        relocated: (8192, places[2]),
        conversion: Conversion::Finished,
        never_written: Vec::new(),
    };
    (plain, recipe)
}
