//! The density strip: equal places along an axis, the height of each layer its share of the place.

use super::areas::{draw, legend, value};
use super::axis::{Axis, Quantity};
use super::canvas::Canvas;
use super::{Frame, Layer};

/// More places than this cannot be told apart; neighbours are then taken together.
const MOST_PLACES: usize = 1200;

/// A strip of equal places along `x`. Layers are stacked from the bottom, their values shares from 0 to 1 of each place;
/// layers that are nowhere are left out of the legend.
pub fn strip(frame: &Frame<'_>, x: &Axis<'_>, layers: &[Layer<'_>]) -> String {
    let y = Axis { label: "share of each place", quantity: Quantity::Share, from: 0.0, to: 1.0 };
    let mut canvas = Canvas::new(frame, x, &y, 2.0);
    let given = layers.iter().map(|layer| layer.values.len()).max().unwrap_or(0);
    let together = given.div_ceil(MOST_PLACES).max(1);
    let places = given.div_ceil(together);
    let (from, to) = x.ends();
    #[allow(clippy::cast_precision_loss, reason = "at most 1200 places, and shares")]
    let border = |canvas: &Canvas<'_>, place: usize| {
        canvas.at_x(from + (to - from) * ((place * together).min(given) as f64 / given.max(1) as f64))
    };
    let shown: Vec<Layer<'_>> =
        layers.iter().copied().filter(|layer| (0..layer.values.len()).any(|i| value(layer, i) > 0.0)).collect();
    let mut floor = vec![0.0; places];
    for (number, layer) in shown.iter().enumerate() {
        #[allow(clippy::cast_precision_loss, reason = "few places are taken together")]
        let mean = |place: usize| {
            let of = place * together..((place + 1) * together).min(given);
            let count = of.len().max(1) as f64;
            of.map(|i| value(layer, i)).sum::<f64>() / count
        };
        let roof: Vec<f64> = floor.iter().enumerate().map(|(place, base): (usize, &f64)| base + mean(place)).collect();
        let mut outline = steps(&canvas, &roof, &border);
        outline.extend(steps(&canvas, &floor, &border).into_iter().rev());
        draw(&mut canvas, number, layer, &outline);
        floor = roof;
    }
    canvas.finish(&legend(&shown))
}

/// A line of steps along the tops of places; places of one height share a step.
fn steps(canvas: &Canvas<'_>, heights: &[f64], border: &impl Fn(&Canvas<'_>, usize) -> f64) -> Vec<(f64, f64)> {
    let mut line = Vec::new();
    let mut from = 0;
    for place in 1..=heights.len() {
        if place == heights.len() || (heights[place] - heights[from]).abs() > 1e-4 {
            let y = canvas.at_y(heights[from]);
            line.push((border(canvas, from), y));
            line.push((border(canvas, place), y));
            from = place;
        }
    }
    line
}
