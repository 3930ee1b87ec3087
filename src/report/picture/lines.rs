//! Lines over an axis.

use super::Frame;
use super::axis::Axis;
use super::canvas::{Canvas, Entry, Sign, round};
use super::escape::escape;
use super::paint::Tone;
use std::fmt::Write;

/// A line.
#[derive(Clone, Copy, Debug)]
pub struct Line<'l> {
    /// Its name in the legend.
    pub name: &'l str,
    /// Its colour; lines of one picture should also differ in their dashes or be named beside each other.
    pub tone: Tone,
    /// Whether it is dashed.
    pub dashed: bool,
    /// Its points on both axes; one that is not finite leaves a gap.
    pub points: &'l [(f64, f64)],
}

/// A level or moment that is pointed out.
#[derive(Clone, Copy, Debug)]
pub struct Mark<'m> {
    /// Its value on the x axis.
    pub at: f64,
    /// What stands there, in a word or two.
    pub text: &'m str,
}

/// Lines, with upright marks at some places.
pub fn lines(frame: &Frame<'_>, x: &Axis<'_>, y: &Axis<'_>, lines: &[Line<'_>], marks: &[Mark<'_>]) -> String {
    let mut canvas = Canvas::new(frame, x, y, 4.0);
    let bottom = round(canvas.at_y(f64::NEG_INFINITY));
    for mark in marks.iter().filter(|mark| mark.at.is_finite()) {
        let at = canvas.at_x(mark.at);
        let (anchor, beside) = if x.place(mark.at) > 0.7 { ("end", -4.0) } else { ("start", 4.0) };
        let markup = format!(
            "<path class=\"edge dashed\" d=\"M{} {bottom}v-{}\"/><text class=\"faint\" x=\"{}\" y=\"{}\" text-anchor=\"{anchor}\">{}</text>",
            round(at),
            round(canvas.height()),
            round(at + beside),
            round(bottom - canvas.height() + 11.0),
            escape(mark.text)
        );
        canvas.draw(&markup);
    }
    for line in lines {
        let mut path = String::new();
        let mut pen = 'M';
        for (at, value) in line.points {
            if at.is_finite() && value.is_finite() {
                let _ = write!(path, "{pen}{} {}", round(canvas.at_x(*at)), round(canvas.at_y(*value)));
                pen = 'L';
            } else {
                pen = 'M';
            }
        }
        let dashed = if line.dashed { " dashed" } else { "" };
        canvas.draw(&format!("<path class=\"line {}{dashed}\" d=\"{path}\"/>", line.tone.class()));
    }
    let entry = |line: &Line<'_>| Entry { name: line.name.to_owned(), sign: Sign::Line(line.tone, line.dashed) };
    let legend: Vec<Entry> = lines.iter().map(entry).collect();
    // A single line is named by the axis.
    canvas.finish(if legend.len() > 1 { &legend } else { &[] })
}
