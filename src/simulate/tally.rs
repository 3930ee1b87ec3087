//! What is safe, class by class, as time passes.

use super::curve::{Curve, CurvePoint};
use super::law::Law;
use super::player::Span;
use crate::drive::model::to_f64;
use crate::survey::allocation::Class;

const CLASSES: usize = Class::ALL.len();

/// What a range holds.
#[derive(Clone, Copy)]
pub(super) enum Content<'c> {
    /// Bytes of one class.
    Of(Class),
    /// Bytes of several, by their share.
    Mix(&'c [f64; CLASSES]),
}

pub(super) struct Tally {
    law: Law,
    pub(super) read: [f64; CLASSES],
    pub(super) lost: [f64; CLASSES],
    pub(super) expected: [f64; CLASSES],
    pub(super) with_structure: [f64; CLASSES],
    structure_is_safe: bool,
    /// Where the curve stood when the last byte of each class had been read.
    pub(super) ends: [Option<CurvePoint>; CLASSES],
    curve: Curve,
}

impl Tally {
    pub(super) fn new(law: Law) -> Tally {
        let none = [0.0; CLASSES];
        let mut curve = Curve::default();
        curve.add(CurvePoint { seconds: 0.0, bytes: none });
        Tally {
            law,
            read: none,
            lost: none,
            expected: none,
            with_structure: none,
            structure_is_safe: false,
            ends: [None; CLASSES],
            curve,
        }
    }

    pub(super) fn add(&mut self, span: Span, content: Content<'_>) {
        let kept = self.law.mean_survival(span.began, span.ended);
        match content {
            Content::Of(class) => self.add_class(class as usize, to_f64(span.bytes), span, kept),
            Content::Mix(mix) => {
                for (class, share) in mix.iter().enumerate().filter(|(_, share)| **share > 0.0) {
                    self.add_class(class, to_f64(span.bytes) * share, span, kept);
                }
            }
        }
        self.curve.add(CurvePoint { seconds: span.ended, bytes: self.read });
    }

    fn add_class(&mut self, class: usize, bytes: f64, span: Span, kept: f64) {
        if span.lost {
            self.lost[class] += bytes;
        } else {
            self.read[class] += bytes;
            self.expected[class] += bytes * kept;
            if self.structure_is_safe {
                self.with_structure[class] += bytes * kept;
            }
        }
        self.ends[class] = Some(CurvePoint { seconds: span.ended, bytes: self.read });
    }

    /// All tables and structure have been read: what came before them counts from now on.
    pub(super) fn structure_read(&mut self, at: f64) {
        let lost = self.lost[Class::Tables as usize] + self.lost[Class::Structure as usize];
        if lost > 0.0 || self.structure_is_safe {
            return;
        }
        self.structure_is_safe = true;
        let lives = self.law.survival(at);
        for (safe, read) in self.with_structure.iter_mut().zip(self.read) {
            *safe += read * lives;
        }
    }

    /// The curve, exact where a class ends and at the end.
    pub(super) fn curve(self, end: f64) -> Vec<CurvePoint> {
        let last = CurvePoint { seconds: end, bytes: self.read };
        self.curve.with(self.ends.into_iter().flatten().chain([last]))
    }
}
