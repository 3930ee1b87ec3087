//! Volumes encrypted by Windows. The input: a byte that chooses what is tried, then either the bytes of a block of metadata, of the maps of
//! a conversion or of a key file, or changes to a volume that stands open (its key is on it in the clear), see `Patched`: the view of a
//! volume is built from fields that nothing seals, and read as far as it goes.

#![no_main]

use gleaner::base::extent::Extent;
use gleaner::base::units::SectorSize;
use gleaner::filesystem::volume_encryption::{Block, ConversionMap, MapsDescriptor, Secret, open};
use gleaner::partition::signature::EncryptedBoot;
use gleaner::source::{Reader, Source, Window};
use gleaner_fuzz::base::Base;
use gleaner_fuzz::encrypted::{Conversion, Form, Lock, Recipe};
use gleaner_fuzz::patched::Patched;
use libfuzzer_sys::fuzz_target;
use std::ops::ControlFlow;
use std::sync::{Arc, LazyLock};

/// A small NTFS volume, finished, and with maps.
static BASES: LazyLock<Vec<Arc<Base>>> = LazyLock::new(|| {
    let plain = Base::fixture_bytes("ntfs-cluster-512");
    let end = plain.len() as u64 / 65536;
    let place = |back: u64| (end - back) * 65536;
    let maps = Conversion::Maps {
        chunk: 32768,
        clear: vec![1, 2, 3, 40],
        descriptors: [place(9), place(10)],
        map: place(11),
        log: place(12),
    };
    let recipe = |conversion| Recipe {
        method: 0x8004,
        sector: 512,
        form: Form::Fixed,
        locks: vec![Lock::InTheClear],
        metadata: [place(3), place(4), place(5)],
        relocated: (8192, place(6)),
        conversion,
        never_written: Vec::new(),
    };
    let base = |conversion| Base::of(&recipe(conversion).encrypt(&plain)[..], SectorSize::S512);
    vec![base(Conversion::Finished), base(maps)]
});

fuzz_target!(init: { LazyLock::force(&BASES); }, |input: &[u8]| {
    let Some((which, bytes)) = input.split_first() else { return };
    match which {
        0 => {
            let Some(boot) = EncryptedBoot::parse(bytes) else { return };
            let block = bytes.get(512..).unwrap_or_default();
            Block::needed(block);
            if let Ok((block, _)) = Block::parse(block, &boot) {
                block.protectors().for_each(|entry| entry.properties().for_each(|property| assert!(property.salt().is_none_or(|salt| salt.len() == 16))));
                block.proof();
            }
        }
        1 => {
            MapsDescriptor::parse(bytes);
            if let Some(map) = ConversionMap::parse(bytes, 4096) {
                assert!(map.clear.extents().iter().all(|extent| map.region.contains(extent)));
            }
        }
        2 => {
            Secret::all_in(bytes);
            Secret::mistyped_group(bytes);
        }
        3 => {
            let Some(drive) = Patched::from_input(&BASES, bytes) else { return };
            let extent = drive.identity().extent();
            let reader = Reader::new(Box::new(drive), None);
            let window = Window::new(&reader, extent);
            let Some(opened) = open(&window).expect("memory does not vanish").opened else { return };
            // Every plain byte once, whatever the metadata say.
            let mut at = extent.start.0;
            for part in opened.view.parts(extent) {
                assert_eq!(part.plain.start.0, at);
                assert!(part.on_drive().is_none_or(|place| extent.contains(&place)));
                at = part.plain.end();
            }
            assert_eq!(at, extent.end());
            let head = Extent::between(0, extent.bytes.min(1 << 20));
            let mut count = 0;
            let streamed = window.through(&opened.view).stream(&[head], |block| {
                count += block.bytes.len() as u64;
                ControlFlow::Continue(())
            });
            streamed.expect("memory does not vanish");
            assert_eq!(count, head.bytes);
        }
        _ => {
            let Some(drive) = Patched::from_input(&BASES, bytes) else { return };
            gleaner_fuzz::survey::drive(drive);
        }
    }
});
