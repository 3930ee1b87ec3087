//! Colours and patterns.

use std::fmt::Write;

/// A colour, by its role in [`style`]. The hues are those of Okabe and Ito, "Color Universal Design" (2008; from memory),
/// made quieter; ink, brown, olive, grey and pale are the page's own.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
#[allow(missing_docs, reason = "each is what it is called")]
pub enum Tone {
    Ink,
    Blue,
    Vermilion,
    Green,
    Purple,
    Orange,
    Yellow,
    Sky,
    Brown,
    Olive,
    Grey,
    Pale,
}

impl Tone {
    /// The class that [`style`] colours.
    pub(super) fn class(self) -> &'static str {
        match self {
            Tone::Ink => "t-ink",
            Tone::Blue => "t-blue",
            Tone::Vermilion => "t-vermilion",
            Tone::Green => "t-green",
            Tone::Purple => "t-purple",
            Tone::Orange => "t-orange",
            Tone::Yellow => "t-yellow",
            Tone::Sky => "t-sky",
            Tone::Brown => "t-brown",
            Tone::Olive => "t-olive",
            Tone::Grey => "t-grey",
            Tone::Pale => "t-pale",
        }
    }
}

/// What is drawn over a colour, so that it can be told without it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Pattern {
    /// Nothing.
    Plain,
    /// Lines that rise to the right.
    Rising,
    /// Lines that fall to the right.
    Falling,
    /// Both.
    Crossed,
    /// Dots.
    Dots,
    /// Fewer dots.
    Sparse,
    /// Level lines.
    Level,
    /// Upright lines.
    Upright,
}

impl Pattern {
    /// Marks on a tile of 6 by 6 pixels.
    fn marks(self) -> &'static str {
        match self {
            Pattern::Plain => "",
            Pattern::Rising => "M-1 7L7 -1M-1 1L1 -1M5 7L7 5",
            Pattern::Falling => "M-1 -1L7 7M5 -1L7 1M-1 5L1 7",
            Pattern::Crossed => "M-1 7L7 -1M-1 -1L7 7",
            Pattern::Dots => "M1 1.5h1M4 4.5h1",
            Pattern::Sparse => "M2.5 3h1",
            Pattern::Level => "M0 3H6",
            Pattern::Upright => "M3 0V6",
        }
    }
}

/// How a layer looks.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Paint {
    /// Its colour.
    pub tone: Tone,
    /// Its pattern.
    pub pattern: Pattern,
}

impl Paint {
    /// Copied: safe in the image.
    pub const COPIED: Paint = Paint::new(Tone::Blue, Pattern::Plain);
    /// Copied before what the picture shows.
    pub const COPIED_BEFORE: Paint = Paint::new(Tone::Pale, Pattern::Rising);
    /// Left for later after a failed read.
    pub const SKIPPED: Paint = Paint::new(Tone::Yellow, Pattern::Dots);
    /// Failed at every try so far. No other paint has its colour, and [`super::density_strip`] marks it however little there is.
    pub const UNREADABLE: Paint = Paint::new(Tone::Vermilion, Pattern::Crossed);
    /// Planned, not read yet.
    pub const NOT_READ_YET: Paint = Paint::new(Tone::Grey, Pattern::Upright);
    /// What these mean is the same in every picture, so nothing else may look like one of them.
    pub const OF_STATES: [Paint; 5] =
        [Paint::COPIED, Paint::COPIED_BEFORE, Paint::SKIPPED, Paint::UNREADABLE, Paint::NOT_READ_YET];

    /// Paints that can be told apart, for layers without a meaning of their own.
    pub const SERIES: [Paint; 8] = [
        Paint::new(Tone::Blue, Pattern::Plain),
        Paint::new(Tone::Orange, Pattern::Rising),
        Paint::new(Tone::Green, Pattern::Level),
        Paint::new(Tone::Vermilion, Pattern::Crossed),
        Paint::new(Tone::Purple, Pattern::Falling),
        Paint::new(Tone::Sky, Pattern::Dots),
        Paint::new(Tone::Yellow, Pattern::Upright),
        Paint::new(Tone::Grey, Pattern::Sparse),
    ];

    /// A colour with a pattern.
    pub const fn new(tone: Tone, pattern: Pattern) -> Paint {
        Paint { tone, pattern }
    }

    /// What fills a shape in the picture `id`.
    pub(super) fn fill(self, id: &str) -> String {
        match self.pattern {
            Pattern::Plain => format!("class=\"{}\"", self.tone.class()),
            _ => format!("fill=\"url(#{})\"", self.name(id)),
        }
    }

    fn name(self, id: &str) -> String {
        format!("{id}-{}-{:?}", &self.tone.class()[2..], self.pattern)
    }

    /// The definition that [`Paint::fill`] refers to.
    pub(super) fn define(self, id: &str, out: &mut String) {
        if self.pattern != Pattern::Plain {
            let _ = write!(
                out,
                "<pattern id=\"{}\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\"><rect class=\"{}\" width=\"6\" \
                 height=\"6\"/><path class=\"hatch\" d=\"{}\"/></pattern>",
                self.name(id),
                self.tone.class(),
                self.pattern.marks()
            );
        }
    }
}

/// The style that all pictures share: put it once into a page, or use [`super::standalone`]. Light and dark by what the
/// reader prefers; on paper always light.
pub fn style() -> &'static str {
    "\
:root{--ink:#1d2329;--faint:#59636e;--rule:#d5d9dd;--ground:#fff;--hatch:#1d2329;--blue:#2b6ea6;--vermilion:#d0623a;--green:#2f9478;\
--purple:#b87aa4;--orange:#e0a030;--yellow:#efe27a;--sky:#7dbce4;--brown:#94704f;--olive:#a3a844;--grey:#b3bac1;--pale:#eceef0}\
@media screen and (prefers-color-scheme:dark){:root{--ink:#e4e7ea;--faint:#a2abb4;--rule:#3b434b;--ground:#15191d;--hatch:#0c0f12;\
--blue:#5b9bd0;--vermilion:#e07a52;--green:#4cb395;--purple:#c994b8;--orange:#e2ac4c;--yellow:#e8dc82;--sky:#93c9ea;--brown:#b08c6a;--olive:#b4ba58;--grey:#7f8992;--pale:#2b3238}}\
.pic{display:block;max-width:100%;height:auto;font:12px/1.2 system-ui,-apple-system,'Segoe UI',Roboto,'Noto Sans',sans-serif}\
.pic text{fill:var(--ink)}.pic .faint{fill:var(--faint)}.pic .rule{stroke:var(--rule);fill:none}.pic .edge{stroke:var(--ink);stroke-width:.75;fill:none}\
.pic .ground{fill:var(--ground)}.pic .hatch{stroke:var(--hatch);stroke-width:1;fill:none;opacity:.62}.pic .line{fill:none;stroke-width:1.75;stroke-linejoin:round}\
.pic .dashed{stroke-dasharray:5 3}\
.t-ink{fill:var(--ink);stroke:none}.t-blue{fill:var(--blue)}.t-vermilion{fill:var(--vermilion)}.t-green{fill:var(--green)}.t-purple{fill:var(--purple)}\
.t-orange{fill:var(--orange)}.t-yellow{fill:var(--yellow)}.t-sky{fill:var(--sky)}.t-brown{fill:var(--brown)}.t-olive{fill:var(--olive)}.t-grey{fill:var(--grey)}.t-pale{fill:var(--pale)}\
.line.t-ink{stroke:var(--ink)}.line.t-blue{stroke:var(--blue)}.line.t-vermilion{stroke:var(--vermilion)}.line.t-green{stroke:var(--green)}\
.line.t-purple{stroke:var(--purple)}.line.t-orange{stroke:var(--orange)}.line.t-yellow{stroke:var(--yellow)}.line.t-sky{stroke:var(--sky)}.line.t-brown{stroke:var(--brown)}.line.t-olive{stroke:var(--olive)}\
.line.t-grey{stroke:var(--grey)}.line.t-pale{stroke:var(--pale)}.pic .line{fill:none}"
}
