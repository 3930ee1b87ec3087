//! The field that all pictures are drawn on: frame, axes, legend.

use super::Frame;
use super::axis::Axis;
use super::escape::escape;
use super::paint::{Paint, Tone};
use std::collections::BTreeSet;
use std::fmt::Write;

/// Widths of text are estimated, not measured: so much for a character, in pixels.
const CHARACTER: f64 = 6.6;
const TOP: f64 = 22.0;
const BOTTOM: f64 = 40.0;
const RIGHT: f64 = 14.0;
const LEGEND_ROW: f64 = 20.0;

/// An entry of the legend.
pub(super) struct Entry {
    pub(super) name: String,
    pub(super) sign: Sign,
}

/// What stands before its name.
pub(super) enum Sign {
    Box(Paint),
    Line(Tone, bool),
}

/// A picture being drawn.
pub(super) struct Canvas<'c> {
    frame: &'c Frame<'c>,
    pub(super) id: String,
    x: &'c Axis<'c>,
    y: &'c Axis<'c>,
    left: f64,
    paints: BTreeSet<Paint>,
    body: String,
}

impl<'c> Canvas<'c> {
    pub(super) fn new(frame: &'c Frame<'c>, x: &'c Axis<'c>, y: &'c Axis<'c>, y_marks: f64) -> Canvas<'c> {
        let y_ticks = y.ticks(y_marks);
        let longest = y_ticks.iter().map(|tick| y.text(*tick).chars().count()).max().unwrap_or(0);
        #[allow(clippy::cast_precision_loss, reason = "a few characters")]
        let left = longest as f64 * CHARACTER + 12.0;
        let mut canvas =
            Canvas { frame, id: plain_id(frame.id), x, y, left, paints: BTreeSet::new(), body: String::new() };
        canvas.rules(&y_ticks);
        canvas
    }

    pub(super) fn width(&self) -> f64 {
        (self.frame.width.max(240.0) - self.left - RIGHT).max(40.0)
    }

    pub(super) fn height(&self) -> f64 {
        self.frame.plot_height.max(10.0)
    }

    pub(super) fn at_x(&self, value: f64) -> f64 {
        self.left + self.x.place(value) * self.width()
    }

    pub(super) fn at_y(&self, value: f64) -> f64 {
        TOP + (1.0 - self.y.place(value)) * self.height()
    }

    /// Takes note of a paint, and says what fills a shape with it.
    pub(super) fn paint(&mut self, paint: Paint) -> String {
        self.paints.insert(paint);
        paint.fill(&self.id)
    }

    pub(super) fn draw(&mut self, markup: &str) {
        self.body.push_str(markup);
    }

    fn rules(&mut self, y_ticks: &[f64]) {
        let right = self.left + self.width();
        for tick in y_ticks {
            let y = self.at_y(*tick);
            let text = escape(&self.y.text(*tick));
            let _ = write!(
                self.body,
                "<path class=\"rule\" d=\"M{} {}H{}\"/><text x=\"{}\" y=\"{}\" text-anchor=\"end\">{text}</text>",
                round(self.left),
                round(y),
                round(right),
                round(self.left - 6.0),
                round(y + 4.0)
            );
        }
    }

    /// Draws what comes last, and hands the whole over.
    pub(super) fn finish(mut self, legend: &[Entry]) -> String {
        let floor = TOP + self.height();
        let right = self.left + self.width();
        let most = (self.width() / 84.0).max(2.0);
        let _ = write!(
            self.body,
            "<path class=\"edge\" d=\"M{l} {t}V{f}H{r}\"/><text class=\"faint\" x=\"0\" y=\"11\">{}</text>",
            escape(self.y.label),
            l = round(self.left),
            t = round(TOP),
            f = round(floor),
            r = round(right)
        );
        for tick in self.x.ticks(most) {
            let x = self.at_x(tick);
            // Near the ends a mark's text is kept inside.
            let anchor = if x > right - 24.0 { "end" } else { "middle" };
            let at = if anchor == "end" { x.max(right - 24.0).min(right) } else { x };
            let _ = write!(
                self.body,
                "<path class=\"edge\" d=\"M{x} {floor}v4\"/><text x=\"{at}\" y=\"{}\" text-anchor=\"{anchor}\">{}</text>",
                round(floor + 17.0),
                escape(&self.x.text(tick)),
                x = round(x),
                at = round(at),
                floor = round(floor)
            );
        }
        let _ = write!(
            self.body,
            "<text class=\"faint\" x=\"{}\" y=\"{}\" text-anchor=\"end\">{}</text>",
            round(right),
            round(floor + 33.0),
            escape(self.x.label)
        );
        let height = floor + BOTTOM + self.legend(legend, floor + BOTTOM);
        let mut defs = String::new();
        for paint in &self.paints {
            paint.define(&self.id, &mut defs);
        }
        let width = self.frame.width.max(240.0);
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"pic\" role=\"img\" aria-labelledby=\"{id}-title {id}-desc\" width=\"{w}\" \
             height=\"{h}\" viewBox=\"0 0 {w} {h}\"><title id=\"{id}-title\">{title}</title><desc id=\"{id}-desc\">{desc}</desc>\
             <defs>{defs}</defs>{body}</svg>",
            id = self.id,
            w = round(width),
            h = round(height),
            title = escape(self.frame.title),
            desc = escape(self.frame.description),
            body = self.body,
        )
    }

    /// Draws the legend from `top` on; its height.
    fn legend(&mut self, entries: &[Entry], top: f64) -> f64 {
        if entries.is_empty() {
            return 0.0;
        }
        let (mut x, mut row) = (0.0, 0.0);
        for entry in entries {
            #[allow(clippy::cast_precision_loss, reason = "a few characters")]
            let width = entry.name.chars().count() as f64 * CHARACTER + 38.0;
            if x > 0.0 && x + width > self.frame.width.max(240.0) {
                (x, row) = (0.0, row + 1.0);
            }
            let y = top + row * LEGEND_ROW + 2.0;
            match entry.sign {
                Sign::Box(paint) => {
                    let fill = self.paint(paint);
                    let place = format!("x=\"{}\" y=\"{}\" width=\"14\" height=\"14\"", round(x + 0.5), round(y + 0.5));
                    let _ = write!(self.body, "<rect {fill} {place}/><rect class=\"edge\" {place}/>");
                }
                Sign::Line(tone, dashed) => {
                    let dashed = if dashed { " dashed" } else { "" };
                    let _ = write!(
                        self.body,
                        "<path class=\"line {}{dashed}\" d=\"M{} {}h16\"/>",
                        tone.class(),
                        round(x),
                        round(y + 7.0)
                    );
                }
            }
            let _ = write!(
                self.body,
                "<text x=\"{}\" y=\"{}\">{}</text>",
                round(x + 21.0),
                round(y + 12.0),
                escape(&entry.name)
            );
            x += width;
        }
        (row + 1.0) * LEGEND_ROW
    }
}

/// A tenth of a pixel is enough, and keeps pages small.
pub(super) fn round(value: f64) -> f64 {
    let rounded = (value * 10.0).round() / 10.0;
    if rounded.is_finite() { rounded + 0.0 } else { 0.0 }
}

/// An identifier of letters, digits and hyphens.
pub(super) fn plain_id(id: &str) -> String {
    let plain: String = id.chars().filter(|c| c.is_ascii_alphanumeric() || *c == '-').collect();
    if plain.is_empty() { "picture".to_owned() } else { plain }
}
