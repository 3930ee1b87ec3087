//! Pictures as SVG text, from plain numbers: stacked areas over an axis, density strips, lines.
//!
//! A picture is never told by colour alone: every paint has a pattern of its own and a name in the legend, every axis
//! its label and unit. Each has a title and a description for those who hear it instead. Whatever text comes in is
//! escaped here. A picture takes its colours from [`style`], which a page holds once; [`standalone`] makes a file of one.

mod areas;
mod axis;
mod canvas;
mod escape;
mod lines;
mod paint;
mod strip;

pub use areas::stacked_areas;
pub use axis::{Axis, Quantity};
pub use escape::escape;
pub use lines::{Line, Mark, lines};
pub use paint::{Paint, Pattern, Tone, style};
pub use strip::density_strip;

/// What a picture is called and how large it is.
#[derive(Clone, Copy, Debug)]
pub struct Frame<'f> {
    /// Unique in its page; letters, digits and hyphens (others are left out).
    pub id: &'f str,
    /// In a few words.
    pub title: &'f str,
    /// What it shows, in a sentence or two with its main figures: all that some readers get.
    pub description: &'f str,
    /// Width of the whole in CSS pixels, at least 240.
    pub width: f64,
    /// Height of the plotted field alone; axes and legend add to it.
    pub plot_height: f64,
}

/// One layer of a stack, with a value for each place.
#[derive(Clone, Copy, Debug)]
pub struct Layer<'l> {
    /// Its name in the legend.
    pub name: &'l str,
    /// How it looks.
    pub paint: Paint,
    /// Its thickness at each place; what is not finite or below 0 counts as 0.
    pub values: &'l [f64],
}

/// A picture as a file of its own.
pub fn standalone(picture: &str) -> String {
    let style = format!("<style>{}</style>", style());
    match picture.find('>') {
        Some(at) => format!("{}{style}{}\n", &picture[..=at], &picture[at + 1..]),
        None => picture.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame() -> Frame<'static> {
        Frame { id: "a b", title: "<Title>", description: "\"It\" & more", width: 400.0, plot_height: 100.0 }
    }

    const BYTES: Axis<'_> = Axis { label: "copied", quantity: Quantity::Bytes, from: 0.0, to: 30.0 };
    const TIME: Axis<'_> = Axis { label: "time", quantity: Quantity::Seconds, from: 0.0, to: 2.0 };

    /// Where the layers of a stack end, from its path: what is drawn is what was given.
    #[test]
    fn a_stack_is_as_high_as_its_values() {
        let layers = [
            Layer { name: "one", paint: Paint::SERIES[0], values: &[0.0, 10.0, 10.0] },
            Layer { name: "two", paint: Paint::SERIES[1], values: &[0.0, 0.0, f64::NAN] },
            Layer { name: "three", paint: Paint::SERIES[2], values: &[0.0, 5.0, 20.0] },
        ];
        let svg = stacked_areas(&frame(), &TIME, &BYTES, &[0.0, 1.0, 2.0], &layers);
        let tops: Vec<Vec<f64>> = svg
            .split("data-layer=")
            .skip(1)
            .map(|part| {
                let path = part.split(" d=\"M").nth(1).unwrap().split('"').next().unwrap();
                let points = path.trim_end_matches('Z').split('L').take(3);
                points.map(|point| point.split(' ').nth(1).unwrap().parse().unwrap()).collect()
            })
            .collect();
        assert_eq!(tops.len(), 3);
        // 30 bytes are 100 pixels; the field starts where the highest value is.
        let top = tops[2][2];
        let expected = [[30.0, 20.0, 20.0], [30.0, 20.0, 20.0], [30.0, 15.0, 0.0]];
        for (layer, expected) in tops.iter().zip(expected) {
            for (y, missing) in layer.iter().zip(expected) {
                assert!((y - top - missing / 0.3).abs() < 0.11, "{tops:?}");
            }
        }
    }

    #[test]
    fn text_is_escaped_and_identifiers_are_plain() {
        let line = [
            Line { name: "<script>", dashed: false, tone: Tone::Blue, points: &[(0.0, 1.0), (1.0, f64::NAN)] },
            Line { name: "other", dashed: true, tone: Tone::Ink, points: &[] },
        ];
        let svg = lines(&frame(), &TIME, &BYTES, &line, &[]);
        assert!(svg.contains("&lt;script&gt;") && !svg.contains("<script"));
        assert!(svg.contains("&lt;Title&gt;") && svg.contains("&quot;It&quot; &amp; more"));
        assert!(svg.contains("id=\"ab-title\"") && !svg.contains("NaN"));
        assert!(standalone(&svg).contains("<style>"));
    }

    #[test]
    fn nothing_to_draw_is_drawn_all_the_same() {
        let empty = Axis { to: 0.0, ..TIME };
        for svg in [
            stacked_areas(&frame(), &empty, &BYTES, &[], &[]),
            lines(&frame(), &empty, &empty, &[], &[]),
            density_strip(&frame(), &empty, &[]),
            density_strip(&frame(), &Axis { to: f64::INFINITY, ..TIME }, &[]),
        ] {
            assert!(svg.ends_with("</svg>") && !svg.contains("NaN") && !svg.contains("inf"), "{svg}");
        }
    }

    /// The x positions and widths of the marks above a strip.
    fn marks(svg: &str) -> Vec<(f64, f64)> {
        let Some(path) = svg.split("data-marks=").nth(1) else { return Vec::new() };
        let path = path.split(" d=\"").nth(1).unwrap().split('"').next().unwrap();
        let mark = |mark: &str| {
            let (at, rest) = mark.split_once(' ').unwrap();
            let width = rest.split_once('h').unwrap().1.split_once('v').unwrap().0;
            (at.parse().unwrap(), width.parse().unwrap())
        };
        path.split('M').skip(1).map(mark).collect()
    }

    #[test]
    fn one_unreadable_sector_of_a_terabyte_is_seen() {
        let mut values = [0.0; 360];
        values[359] = 512.0 / 3e9;
        values[12] = 1.0;
        for width in [340.0, 880.0] {
            let layer = [Layer { name: "unreadable", paint: Paint::UNREADABLE, values: &values }];
            let svg = density_strip(&Frame { width, ..frame() }, &Axis { quantity: Quantity::Bytes, ..TIME }, &layer);
            let marks = marks(&svg);
            assert_eq!(marks.len(), 2, "{svg}");
            assert!(marks.iter().all(|(_, wide)| *wide >= 2.0) && marks[1].0 > 0.9 * width, "{marks:?}");
            assert!(svg.contains(">unreadable, each range marked above<"));
        }
        let other = [Layer { name: "copied", paint: Paint::COPIED, values: &values }];
        assert!(marks(&density_strip(&frame(), &BYTES, &other)).is_empty());
    }

    #[test]
    fn little_of_much_is_drawn_on_a_square_root_scale_that_is_named() {
        let height = |share: f64| {
            let layer = [Layer { name: "copied", paint: Paint::COPIED, values: &[share, 0.0] }];
            let svg = density_strip(&frame(), &BYTES, &layer);
            let path = svg.split("data-layer=").nth(1).unwrap().split(" d=\"M").nth(1).unwrap();
            let y: Vec<f64> =
                path.split(['L', 'Z']).take(4).map(|at| at.split(' ').nth(1).unwrap().parse().unwrap()).collect();
            (y[2] - y[0], svg.contains("square-root scale"))
        };
        // 100 pixels are everything.
        assert_eq!(height(0.5), (50.0, false));
        assert_eq!(height(0.0001), (1.0, true));
        assert_eq!(height(0.01), (10.0, true));
    }

    #[test]
    fn a_strip_of_many_places_stays_small() {
        let values = vec![0.5; 100_000];
        let layer = [Layer { name: "half", paint: Paint::SERIES[0], values: &values }];
        let svg = density_strip(&frame(), &Axis { quantity: Quantity::Bytes, ..TIME }, &layer);
        assert!(svg.len() < 5000, "{}", svg.len());
    }
}
