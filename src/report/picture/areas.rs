//! Layers stacked over an axis.

use super::axis::Axis;
use super::canvas::{Canvas, Entry, Sign, round};
use super::{Frame, Layer};
use std::fmt::Write;

/// Layers stacked one on the other, the first at the bottom: how much there is of each at each place of `at` (ascending,
/// on the x axis), with straight lines between.
pub fn stacked_areas(frame: &Frame<'_>, x: &Axis<'_>, y: &Axis<'_>, at: &[f64], layers: &[Layer<'_>]) -> String {
    let mut canvas = Canvas::new(frame, x, y, 4.0);
    let mut floor = vec![0.0; at.len()];
    for (number, layer) in layers.iter().enumerate() {
        let roof: Vec<f64> = floor.iter().enumerate().map(|(i, base)| base + value(layer, i)).collect();
        let point = |canvas: &Canvas<'_>, i: usize, height: f64| (canvas.at_x(at[i]), canvas.at_y(height));
        let mut outline: Vec<(f64, f64)> = (0..at.len()).map(|i| point(&canvas, i, roof[i])).collect();
        outline.extend((0..at.len()).rev().map(|i| point(&canvas, i, floor[i])));
        draw(&mut canvas, number, layer, &outline);
        floor = roof;
    }
    canvas.finish(&legend(layers))
}

pub(super) fn value(layer: &Layer<'_>, index: usize) -> f64 {
    layer.values.get(index).copied().filter(|value| value.is_finite() && *value > 0.0).unwrap_or(0.0)
}

/// One layer's shape, closed.
pub(super) fn draw(canvas: &mut Canvas<'_>, number: usize, layer: &Layer<'_>, outline: &[(f64, f64)]) {
    if outline.is_empty() {
        return;
    }
    let fill = canvas.paint(layer.paint);
    let mut path = format!("<path data-layer=\"{number}\" {fill} d=\"");
    for (index, (x, y)) in outline.iter().enumerate() {
        let _ = write!(path, "{}{} {}", if index == 0 { 'M' } else { 'L' }, round(*x), round(*y));
    }
    path.push_str("Z\"/>");
    canvas.draw(&path);
}

pub(super) fn legend(layers: &[Layer<'_>]) -> Vec<Entry> {
    layers.iter().map(|layer| Entry { name: layer.name.to_owned(), sign: Sign::Box(layer.paint) }).collect()
}
