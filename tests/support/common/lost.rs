//! Places of a volume that are lost, and what is then made of it.

use super::damaged::Random;
use gleaner::base::extent::Extent;
use gleaner::base::units::SectorSize;
use gleaner::filesystem::{Content, VolumeMap, read_content};
use gleaner::source::{MemorySource, ReadTotals, Reader, Source, TroubleLimit, Window};
use std::time::Duration;

/// How a place is lost.
#[derive(Clone, Copy, Debug)]
pub enum Loss {
    Zeroed,
    Random,
    Unreadable,
}

pub const LOSSES: [Loss; 3] = [Loss::Zeroed, Loss::Random, Loss::Unreadable];

/// Loses places of an image; those that cannot be read any more are given back.
pub fn lose(image: &mut [u8], places: &[Extent], loss: Loss) -> Vec<Extent> {
    let mut random = Random(0x5EED_0001);
    for place in places {
        let range = usize::try_from(place.start.0).unwrap()..usize::try_from(place.end()).unwrap();
        match loss {
            Loss::Zeroed => image[range].fill(0),
            Loss::Random => image[range].iter_mut().for_each(|b| *b = u8::try_from(random.below(256)).unwrap()),
            Loss::Unreadable => {}
        }
    }
    if matches!(loss, Loss::Unreadable) { places.to_vec() } else { Vec::new() }
}

/// An image that is one volume, with places that cannot be read.
pub fn content_of(image: Vec<u8>, unreadable: &[Extent]) -> (Content, ReadTotals) {
    let source = MemorySource::new(image, SectorSize::S512);
    content(Box::new(unreadable.iter().fold(source, |source, extent| source.with_unreadable(*extent))))
}

/// A source that is one volume.
pub fn content(source: Box<dyn Source>) -> (Content, ReadTotals) {
    // What can be known is the question here, not what it may cost.
    let limit = TroubleLimit { failures: 1000, time: Duration::from_secs(86_400) };
    let reader = Reader::new(source, None).with_trouble_limit(limit);
    let content = read_content(&Window::new(&reader, reader.identity().extent())).expect("memory does not vanish");
    (content, reader.totals())
}

/// An image after places of it, start and length in bytes, were lost.
pub fn content_without(mut image: Vec<u8>, places: &[(u64, u64)], loss: Loss) -> (Content, ReadTotals) {
    let places: Vec<Extent> = places.iter().map(|(start, bytes)| Extent::new(*start, *bytes).unwrap()).collect();
    let unreadable = lose(&mut image, &places, loss);
    content_of(image, &unreadable)
}

/// The volume that there must be.
pub fn volume(content: Content, what: &str) -> Box<VolumeMap> {
    match content {
        Content::Volume(map) => map,
        other => panic!("{what}: {other:?}"),
    }
}
