//! How a class looks in every picture.

use crate::report::picture::{Paint, Pattern, Tone};
use crate::survey::allocation::Class;

/// The paint of a class: no two share a colour, nor a pattern but tables, which have ink to themselves; none has the colour of what
/// was copied, skipped or unreadable.
pub fn class_paint(class: Class) -> Paint {
    match class {
        Class::Tables => Paint::new(Tone::Ink, Pattern::Plain),
        Class::Structure => Paint::new(Tone::Purple, Pattern::Falling),
        Class::Wanted => Paint::new(Tone::Orange, Pattern::Rising),
        Class::Files => Paint::new(Tone::Green, Pattern::Level),
        Class::Bulk => Paint::new(Tone::Brown, Pattern::Crossed),
        Class::Unclaimed => Paint::new(Tone::Olive, Pattern::Upright),
        Class::Deleted => Paint::new(Tone::Sky, Pattern::Dots),
        Class::Free => Paint::new(Tone::Pale, Pattern::Plain),
        Class::Outside => Paint::new(Tone::Grey, Pattern::Sparse),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn states_can_be_told_apart() {
        for (i, state) in Paint::OF_STATES.iter().enumerate() {
            assert!(!Paint::OF_STATES[..i].contains(state));
        }
    }

    #[test]
    fn classes_can_be_told_apart_without_colour() {
        for (i, one) in Class::ALL.iter().enumerate() {
            for other in &Class::ALL[..i] {
                let (one, other) = (class_paint(*one), class_paint(*other));
                assert!(one.tone != other.tone);
                assert!(one.pattern != other.pattern || one.tone == Tone::Ink || other.tone == Tone::Ink);
            }
            let own = class_paint(*one);
            assert!(Paint::OF_STATES.iter().all(|state| *state != own));
            assert!([Paint::COPIED, Paint::SKIPPED, Paint::UNREADABLE].iter().all(|state| state.tone != own.tone));
        }
    }
}
