//! The density strip: equal places along an axis, the height of each layer its share of the place. Drawn for the drive and each volume in
//! the report, for the bands of a bad head there, and for the drive on the watch page; `report::values` has what they show.

use super::areas::{draw, legend, value};
use super::axis::{Axis, Quantity};
use super::canvas::{Canvas, round};
use super::paint::Paint;
use super::{Frame, Layer};
use std::fmt::Write;

/// More places than this cannot be told apart; neighbours are then taken together.
const MOST_PLACES: usize = 1200;

/// Where at least half of the places that hold something hold less than this share of it, the scale is the square root.
const LITTLE: f64 = 0.05;

/// Least width of the mark of an unreadable place, and its height, in pixels.
const MARK: (f64, f64) = (2.0, 6.0);

/// A strip of equal places along `x`. Layers are stacked from the bottom, their values shares from 0 to 1 of each place;
/// layers that are nowhere are left out of the legend. A layer in [`Paint::UNREADABLE`] has a mark above the strip at each of
/// its places, however small its share. Where nearly all shares are small the scale is the square root, and the axis says so.
pub fn density_strip(frame: &Frame<'_>, x: &Axis<'_>, layers: &[Layer<'_>]) -> String {
    let given = layers.iter().map(|layer| layer.values.len()).max().unwrap_or(0);
    let together = given.div_ceil(MOST_PLACES).max(1);
    let places = given.div_ceil(together);
    let of_place = |place: usize| place * together..((place + 1) * together).min(given);
    let shown: Vec<Layer<'_>> =
        layers.iter().copied().filter(|layer| (0..layer.values.len()).any(|i| value(layer, i) > 0.0)).collect();
    #[allow(clippy::cast_precision_loss, reason = "few places are taken together")]
    let mean = |layer: &Layer<'_>, place: usize| {
        of_place(place).map(|i| value(layer, i)).sum::<f64>() / of_place(place).len().max(1) as f64
    };
    // The border of each layer with the next, from the bottom up.
    let mut borders = vec![vec![0.0; places]];
    for layer in &shown {
        let floor = &borders[borders.len() - 1];
        borders.push((0..places).map(|place| floor[place] + mean(layer, place)).collect());
    }
    let y = match is_little(&borders[borders.len() - 1]) {
        false => Axis { label: "share of each position", quantity: Quantity::Share, from: 0.0, to: 1.0 },
        true => Axis {
            label: "share of each position, square-root scale",
            quantity: Quantity::ShareRoot,
            from: 0.0,
            to: 1.0,
        },
    };
    let mut canvas = Canvas::new(frame, x, &y, 2.0);
    let (from, to) = x.ends();
    #[allow(clippy::cast_precision_loss, reason = "at most 1200 places, and shares")]
    let border = |canvas: &Canvas<'_>, place: usize| {
        canvas.at_x(from + (to - from) * ((place * together).min(given) as f64 / given.max(1) as f64))
    };
    let mut names = legend(&shown);
    for (number, layer) in shown.iter().enumerate() {
        let mut outline = steps(&canvas, &borders[number + 1], &border);
        outline.extend(steps(&canvas, &borders[number], &border).into_iter().rev());
        draw(&mut canvas, number, layer, &outline);
        if layer.paint == Paint::UNREADABLE {
            let at: Vec<(f64, f64)> = (0..places)
                .filter(|place| of_place(*place).any(|i| value(layer, i) > 0.0))
                .map(|place| (border(&canvas, place), border(&canvas, place + 1)))
                .collect();
            marks(&mut canvas, layer.paint, &at);
            names[number].name.push_str(", each range marked above");
        }
    }
    canvas.finish(&names)
}

/// Whether a linear scale would hide nearly everything.
fn is_little(totals: &[f64]) -> bool {
    let mut some: Vec<f64> = totals.iter().copied().filter(|total| *total > 0.0).collect();
    some.sort_by(f64::total_cmp);
    some.get(some.len() / 2).is_some_and(|middle| *middle < LITTLE)
}

/// Marks from one place to another, above the field; a pattern would drown in so little.
fn marks(canvas: &mut Canvas<'_>, paint: Paint, at: &[(f64, f64)]) {
    let top = canvas.at_y(1.0) - MARK.1 - 1.0;
    let mut path = format!("<path data-marks=\"{}\" class=\"{}\" d=\"", at.len(), paint.tone.class());
    for (from, to) in at {
        let width = round((to - from).max(MARK.0));
        let _ = write!(path, "M{} {}h{width}v{}h-{width}Z", round(*from), round(top), MARK.1);
    }
    canvas.draw(&format!("{path}\"/>"));
}

/// A line of steps along the tops of places; places of one height share a step.
fn steps(canvas: &Canvas<'_>, heights: &[f64], border: &impl Fn(&Canvas<'_>, usize) -> f64) -> Vec<(f64, f64)> {
    let mut line = Vec::new();
    let mut from = 0;
    for place in 1..=heights.len() {
        if place == heights.len() || (canvas.at_y(heights[place]) - canvas.at_y(heights[from])).abs() > 0.02 {
            let y = canvas.at_y(heights[from]);
            line.push((border(canvas, from), y));
            line.push((border(canvas, place), y));
            from = place;
        }
    }
    line
}
