//! A simulation as a picture: bytes read by class over time, the plan above the same bytes read front to back.

use super::class_paint::class_paint;
use crate::base::human;
use crate::report::picture::{Axis, Frame, Layer, Quantity, escape, stacked_areas, standalone};
use crate::simulate::{Played, Simulation};
use crate::survey::allocation::Class;
use std::fmt::Write;

/// The three ways of reading, with what each is called.
pub fn ways(simulation: &Simulation) -> [(&'static str, &Played); 3] {
    [
        ("This plan", &simulation.plan),
        ("The same bytes, front to back", &simulation.planned_in_place),
        ("The whole drive, front to back", &simulation.whole_drive),
    ]
}

/// One way of reading as a picture; time runs to `seconds`.
pub fn played_picture(id: &str, title: &str, played: &Played, seconds: f64) -> String {
    let at: Vec<f64> = played.curve.iter().map(|point| point.seconds).collect();
    let most = played.curve.last().map_or(0.0, |point| point.bytes.iter().sum());
    let values: Vec<(Class, Vec<f64>)> = played
        .classes
        .iter()
        .map(|of| (of.class, played.curve.iter().map(|point| point.bytes[of.class as usize]).collect()))
        .collect();
    let layers: Vec<Layer<'_>> =
        values.iter().map(|(class, values)| Layer { name: class.name(), paint: class_paint(*class), values }).collect();
    let ends: Vec<String> = played
        .classes
        .iter()
        .map(|of| match of.whole_after {
            Some(after) => format!("{} complete after {}", of.class, human::seconds(after)),
            None => format!("{} never complete", of.class),
        })
        .collect();
    let description = format!("Bytes read over time, class by class. {}.", ends.join(", "));
    let frame = Frame { id, title, description: &description, width: 720.0, plot_height: 180.0 };
    let x = Axis { label: "time of reading", quantity: Quantity::Seconds, from: 0.0, to: seconds };
    let y = Axis { label: "bytes read", quantity: Quantity::Bytes, from: 0.0, to: most };
    stacked_areas(&frame, &x, &y, &at, &layers)
}

/// A file of its own with all three ways, one below the other over the same time.
pub fn simulation_picture(simulation: &Simulation) -> String {
    const HEADING: f64 = 26.0;
    let longest = ways(simulation).map(|(_, played)| played.seconds).into_iter().fold(0.0, f64::max);
    let mut body = String::new();
    let mut top = 0.0;
    for (number, (title, played)) in ways(simulation).into_iter().enumerate() {
        let picture = played_picture(&format!("way{number}"), title, played, longest);
        let heading = format!("{title}: {} in all", human::seconds(played.seconds));
        let _ = write!(body, "<text x=\"0\" y=\"{}\">{}</text>", top + 16.0, escape(&heading));
        top += HEADING;
        let placed = picture.replacen("<svg ", &format!("<svg y=\"{top}\" "), 1);
        top += attribute(&placed, "height").unwrap_or(0.0) + 14.0;
        body.push_str(&placed);
    }
    let svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"pic\" width=\"720\" height=\"{top}\" viewBox=\"0 0 720 {top}\">\
         <title>Bytes read over time on {}</title>{body}</svg>",
        escape(&simulation.model.name)
    );
    standalone(&svg)
}

/// A number in the first tag.
fn attribute(svg: &str, name: &str) -> Option<f64> {
    let tag = svg.split('>').next()?;
    tag.split(&format!(" {name}=\"")).nth(1)?.split('"').next()?.parse().ok()
}

/// How a way of reading goes, as letters: for each of `places` equal parts of `seconds` the class that most was read of.
/// A dot where nothing of the plan was read.
pub fn played_strip(played: &Played, seconds: f64, places: u32) -> String {
    let step = seconds / f64::from(places.max(1));
    let mut strip = String::new();
    let mut before = [0.0; Class::ALL.len()];
    for place in 1..=places {
        let now = bytes_at(played, step * f64::from(place));
        let gained = Class::ALL.map(|class| now[class as usize] - before[class as usize]);
        let most = Class::ALL.into_iter().max_by(|a, b| gained[*a as usize].total_cmp(&gained[*b as usize]));
        strip.push(most.filter(|class| gained[*class as usize] > 0.5).map_or('·', letter));
        before = now;
    }
    strip
}

/// The letter that stands for a class in a strip.
pub fn letter(class: Class) -> char {
    match class {
        Class::Tables => 'T',
        Class::Structure => 'S',
        Class::Wanted => 'W',
        Class::Files => 'f',
        Class::Bulk => 'b',
        Class::Unclaimed => 'u',
        Class::Deleted => 'd',
        Class::Free => '-',
        Class::Outside => 'o',
    }
}

/// Bytes of each class at a moment, between two points of the curve in a straight line.
fn bytes_at(played: &Played, at: f64) -> [f64; Class::ALL.len()] {
    let next = played.curve.partition_point(|point| point.seconds < at);
    match (next.checked_sub(1).map(|before| &played.curve[before]), played.curve.get(next)) {
        (Some(a), Some(b)) if b.seconds > a.seconds => {
            let share = (at - a.seconds) / (b.seconds - a.seconds);
            Class::ALL.map(|c| a.bytes[c as usize] + (b.bytes[c as usize] - a.bytes[c as usize]) * share)
        }
        (_, Some(point)) | (Some(point), None) => point.bytes,
        (None, None) => [0.0; Class::ALL.len()],
    }
}
