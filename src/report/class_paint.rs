//! How a class looks in every picture.

use crate::allocation::Class;
use crate::picture::{Paint, Pattern, Tone};

/// The paint of a class: no two share a pattern but the first, which is thin and has ink to itself.
pub fn class_paint(class: Class) -> Paint {
    match class {
        Class::Tables => Paint::new(Tone::Ink, Pattern::Plain),
        Class::Structure => Paint::new(Tone::Blue, Pattern::Plain),
        Class::Wanted => Paint::new(Tone::Orange, Pattern::Rising),
        Class::Files => Paint::new(Tone::Green, Pattern::Level),
        Class::Bulk => Paint::new(Tone::Vermilion, Pattern::Crossed),
        Class::Unclaimed => Paint::new(Tone::Purple, Pattern::Falling),
        Class::Deleted => Paint::new(Tone::Sky, Pattern::Dots),
        Class::Free => Paint::new(Tone::Yellow, Pattern::Upright),
        Class::Outside => Paint::new(Tone::Grey, Pattern::Sparse),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_can_be_told_apart_without_colour() {
        for (i, one) in Class::ALL.iter().enumerate() {
            for other in &Class::ALL[..i] {
                let (one, other) = (class_paint(*one), class_paint(*other));
                assert!(one.tone != other.tone);
                assert!(one.pattern != other.pattern || one.tone == Tone::Ink || other.tone == Tone::Ink);
            }
        }
    }
}
