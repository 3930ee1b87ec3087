//! The report's pictures, each drawn for a wide and for a narrow page.

use super::Document;
use super::timeline::{Timeline, rates};
use crate::base::human;
use crate::report::picture::{
    Axis, Frame, Layer, Line, Mark, Paint, Quantity, Tone, density_strip, lines, stacked_areas,
};
use crate::report::values::{AreaDensity, class_paint};
use crate::survey::allocation::Class;
use maud::{Markup, PreEscaped, html};

const WIDTHS: [(&str, f64); 2] = [("wide", 880.0), ("narrow", 340.0)];

/// What a place's bytes can be, beside their class, and how that is painted; what remains is not copied.
const STATES: [(&str, Paint); 3] =
    [("copied", Paint::COPIED), ("skipped", Paint::SKIPPED), ("could not be read", Paint::UNREADABLE)];

/// A picture in both widths; the style sheet shows one.
fn both(id: &str, draw: impl Fn(&str, f64) -> String) -> Markup {
    html! {
        @for (name, width) in WIDTHS {
            div class=(name) { (PreEscaped(draw(&format!("{id}-{name}"), width))) }
        }
    }
}

#[allow(clippy::cast_precision_loss, reason = "an axis")]
fn bytes_axis(label: &'static str, bytes: u64) -> Axis<'static> {
    Axis { label, quantity: Quantity::Bytes, from: 0.0, to: bytes as f64 }
}

/// What the strips leave blank, so that their height is what is in use or was.
fn is_blank(class: Class) -> bool {
    matches!(class, Class::Free | Class::Outside)
}

/// An area's two strips: what it holds, and what of it is copied.
pub(super) fn area(index: usize, area: &AreaDensity) -> Markup {
    let x = bytes_axis("from the area's first byte", area.extent.bytes);
    let class_names: Vec<&'static str> = area.classes.iter().map(|(class, _)| class.name()).collect();
    let total = area.extent.bytes;
    #[allow(clippy::cast_precision_loss, reason = "a mean")]
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len().max(1) as f64;
    let listed: Vec<String> =
        area.classes.iter().map(|(class, values)| format!("{class} {}", human::share(mean(values)))).collect();
    let holds = format!(
        "{}, {}: the share of each class, from the start to the end. Of the whole: {}.",
        area.name,
        human::bytes(total),
        listed.join(", ")
    );
    html! {
        figure {
            figcaption { (&area.name) " " span.quiet { (human::bytes(total)) " from byte " (human::count(area.extent.start.0)) } }
            (both(&format!("holds-{index}"), |id, width| {
                let frame = Frame { id, title: "What it holds", description: &holds, width, plot_height: 76.0 };
                let layers: Vec<Layer<'_>> = area.classes.iter().zip(&class_names).filter(|((class, _), _)| !is_blank(*class))
                    .map(|((class, values), name)| Layer { name, paint: class_paint(*class), values }).collect();
                density_strip(&frame, &x, &layers)
            }))
            (copied(&format!("copied-{index}"), area, &x))
        }
    }
}

/// The drive from its start to its end: what of it is copied.
pub(super) fn drive(document: &Document) -> Markup {
    let whole = &document.densities[0];
    html! {
        figure { (copied("drive", whole, &bytes_axis("from the start of the drive to its end", whole.extent.bytes))) }
    }
}

fn copied(id: &str, area: &AreaDensity, x: &Axis<'_>) -> Markup {
    let rest = area.extent.bytes.saturating_sub(area.state_bytes.iter().sum());
    let states: Vec<String> = STATES
        .iter()
        .map(|(name, _)| *name)
        .zip(area.state_bytes)
        .chain([("not copied", rest)])
        .filter(|(_, bytes)| *bytes > 0)
        .map(|(name, bytes)| format!("{name} {}", human::bytes(bytes)))
        .collect();
    let description =
        format!("{}: what is copied, from the start to the end. In all: {}.", area.name, states.join(", "));
    both(id, |id, width| {
        let frame = Frame { id, title: "What of it is copied", description: &description, width, plot_height: 34.0 };
        let layers: Vec<Layer<'_>> = STATES
            .into_iter()
            .zip([&area.states.copied, &area.states.skipped, &area.states.unreadable])
            .map(|((name, paint), values)| Layer { name, paint, values })
            .collect();
        density_strip(&frame, x, &layers)
    })
}

/// Bytes safe by class, rate over position, temperature: those there is something to draw for.
pub(super) fn over_time(document: &Document) -> Markup {
    let timeline = Timeline::of(&document.history);
    if timeline.at.len() < 2 {
        return html! { p { "This case has no history of copying, so there are no pictures over time." } };
    }
    html! {
        (safe(&timeline))
        (rate(document))
        (temperature(&timeline))
    }
}

fn starts(timeline: &Timeline) -> Vec<(f64, String)> {
    timeline.starts.iter().take(12).enumerate().map(|(i, at)| (*at, format!("run {}", i + 2))).collect()
}

fn safe(timeline: &Timeline) -> Markup {
    let layers: Vec<(&str, Paint, &[f64])> =
        std::iter::once(("copied before", Paint::COPIED_BEFORE, timeline.before.as_slice()))
            .filter(|(_, _, values)| values.iter().any(|value| *value > 0.0))
            .chain(
                timeline.classes.iter().map(|(class, values)| (class.name(), class_paint(*class), values.as_slice())),
            )
            .collect();
    let at_end = |values: &[f64]| values.last().copied().unwrap_or(0.0);
    let highest: f64 = layers.iter().map(|(_, _, values)| at_end(values)).sum();
    let listed: Vec<String> =
        layers.iter().map(|(name, _, values)| format!("{name} {}", amount(at_end(values)))).collect();
    let description = format!(
        "Bytes safe by class over {} of copying; at the end: {}.",
        human::seconds(timeline.seconds),
        listed.join(", ")
    );
    let x = Axis { label: "time of copying", quantity: Quantity::Seconds, from: 0.0, to: timeline.seconds };
    let y = Axis { label: "bytes safe", quantity: Quantity::Bytes, from: 0.0, to: highest * 1.04 };
    html! {
        figure {
            figcaption { "Bytes safe, by class, over the time of copying" }
            (both("safe", |id, width| {
                let frame = Frame { id, title: "Bytes safe by class over time", description: &description, width, plot_height: 190.0 };
                let layers: Vec<Layer<'_>> =
                    layers.iter().map(|(name, paint, values)| Layer { name, paint: *paint, values }).collect();
                stacked_areas(&frame, &x, &y, &timeline.at, &layers)
            }))
            @if !timeline.starts.is_empty() {
                p.quiet { "Copying was started again after "
                    @for (i, (at, _)) in starts(timeline).iter().enumerate() { @if i > 0 { ", " } (human::seconds(*at)) } "." }
            }
        }
    }
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "counted bytes")]
fn amount(bytes: f64) -> String {
    human::bytes(bytes.max(0.0) as u64)
}

fn rate(document: &Document) -> Markup {
    const PLACES: usize = 120;
    let bytes = document.case.source.bytes;
    let rates = rates(&document.history, bytes, PLACES);
    let highest = rates.iter().flatten().map(|(mean, _)| *mean).reduce(f64::max);
    let Some(highest) = highest.filter(|_| rates.iter().flatten().count() > 1) else {
        return html! { p { "The runs were too short to tell a rate." } };
    };
    #[allow(clippy::cast_precision_loss, reason = "an axis")]
    let at = |place: usize| (place as f64 + 0.5) / PLACES as f64 * bytes as f64;
    let line = |pick: fn((f64, f64)) -> f64| -> Vec<(f64, f64)> {
        // Places that were not read leave no gap: a copy goes over few of them.
        rates.iter().enumerate().filter_map(|(place, rate)| Some((at(place), pick((*rate)?)))).collect()
    };
    let (mean, least) = (line(|rate| rate.0), line(|rate| rate.1));
    let lowest = least.iter().map(|point| point.1).fold(f64::INFINITY, f64::min);
    let description = format!(
        "Rate over position: at best {}/s on average at a position, at worst {}/s.",
        amount(highest),
        amount(lowest)
    );
    let x = bytes_axis("position on the drive", bytes);
    let y = Axis { label: "rate", quantity: Quantity::BytesPerSecond, from: 0.0, to: highest * 1.08 };
    html! {
        figure {
            figcaption { "Rate over position" }
            (both("rate", |id, width| {
                let frame = Frame { id, title: "Rate over position", description: &description, width, plot_height: 150.0 };
                let drawn = [
                    Line { name: "mean at this position", tone: Tone::Ink, dashed: false, points: &mean },
                    Line { name: "lowest", tone: Tone::Ink, dashed: true, points: &least },
                ];
                lines(&frame, &x, &y, &drawn, &[])
            }))
        }
    }
}

fn temperature(timeline: &Timeline) -> Markup {
    let degrees = || timeline.celsius.iter().map(|point| point.1);
    let (Some(least), Some(most)) = (degrees().reduce(f64::min), degrees().reduce(f64::max)) else {
        return html! { p { "The drive gave no temperature while it was copied." } };
    };
    let description =
        format!("Temperature of the drive over the time of copying: from {least:.0} to {most:.0} degrees Celsius.");
    let x = Axis { label: "time of copying", quantity: Quantity::Seconds, from: 0.0, to: timeline.seconds };
    let y = Axis {
        label: "temperature",
        quantity: Quantity::Celsius,
        from: (least - 3.0).floor(),
        to: (most + 3.0).ceil(),
    };
    let starts = starts(timeline);
    html! {
        figure {
            figcaption { "Temperature over the time of copying" }
            (both("temperature", |id, width| {
                let frame = Frame { id, title: "Temperature over time", description: &description, width, plot_height: 120.0 };
                let drawn = [Line { name: "drive", tone: Tone::Ink, dashed: false, points: &timeline.celsius }];
                let marks: Vec<Mark<'_>> = starts.iter().map(|(at, text)| Mark { at: *at, text }).collect();
                lines(&frame, &x, &y, &drawn, &marks)
            }))
        }
    }
}
