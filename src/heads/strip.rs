//! The evidence as a picture.

use super::map::HeadMap;
use crate::extent::Extent;
use crate::human;
use crate::model::to_f64;
use crate::picture::{self, Axis, Frame, Layer, Paint, Pattern, Quantity, Tone};

/// Cycles in the range that shows the bands best. Each has two bands.
const CYCLES: f64 = 6.0;

impl HeadMap<'_> {
    /// A range of some bands, where most of them were met: what a picture can show. The whole drive has thousands.
    pub fn example(&self) -> Extent {
        let cells = self.cells();
        let with_bands = self.zones().list.iter().filter_map(|zone| Some((zone.best()?, zone.known)));
        let mut best = (0, Extent::between(0, 0));
        for (pattern, known) in with_bands {
            let runs = cells.runs(known.0, known.1);
            let length = super::evidence::index(pattern.cycle() * CYCLES).max(1);
            let mut start = known.0;
            while start < known.1 {
                let end = start + length;
                let meets = |run: &&super::cells::Run| run.bad && run.start >= start && run.end <= end;
                let met = runs.iter().filter(meets).count();
                if met > best.0 {
                    let byte = |cell: usize| cell as u64 * cells.bytes();
                    best = (met, Extent::between(byte(start), byte(end).min(self.drive_bytes())));
                }
                start = end;
            }
        }
        best.1
    }

    /// A strip of a range: what read well, what failed or was slow, and the suspect bands where nothing was read. `id` must be
    /// unique in its page; `width` is in CSS pixels.
    pub fn strip(&self, within: Extent, id: &str, width: f64) -> String {
        let cells = self.cells();
        let (first, last) = (cells.at(within.start.0), cells.at(within.end().max(within.start.0 + 1) - 1));
        let mut is_suspect = vec![false; last - first + 1];
        for band in self.suspect_bands(within) {
            is_suspect[cells.at(band.start.0) - first..=cells.at(band.end() - 1) - first].fill(true);
        }
        let mut layers = [Vec::new(), Vec::new(), Vec::new()];
        for (cell, is_suspect) in (first..).zip(is_suspect) {
            let shares = match cells.seen_at(cell) {
                (false, false) => [0.0, 0.0, if is_suspect { 1.0 } else { 0.0 }],
                (true, true) => [0.5, 0.5, 0.0],
                (true, false) => [1.0, 0.0, 0.0],
                (false, true) => [0.0, 1.0, 0.0],
            };
            layers.iter_mut().zip(shares).for_each(|(layer, share)| layer.push(share));
        }
        let met = human::counted(layers[0].iter().filter(|share| **share > 0.0).count() as u64, "cell", "cells");
        let description = format!(
            "{} from byte {}: reads failed or were slow at {met} of {} each, and the bands in which a bad head explains that.",
            human::bytes(within.bytes),
            human::count(within.start.0),
            human::unit_size(cells.bytes())
        );
        let frame = Frame { id, title: "Bands of the bad head", description: &description, width, plot_height: 40.0 };
        let x = Axis {
            label: "position on the drive",
            quantity: Quantity::Bytes,
            from: to_f64(within.start.0),
            to: to_f64(within.end()),
        };
        let paints = [
            ("failed or slow", Paint::new(Tone::Vermilion, Pattern::Falling)),
            ("read well", Paint::new(Tone::Blue, Pattern::Level)),
            ("suspect band, not read yet", Paint::new(Tone::Yellow, Pattern::Upright)),
        ];
        let layers: Vec<Layer<'_>> =
            paints.iter().zip(&layers).map(|((name, paint), values)| Layer { name, paint: *paint, values }).collect();
        picture::strip(&frame, &x, &layers)
    }
}
