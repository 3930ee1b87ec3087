//! The plan file's constants and its way of writing extents. `docs/formats/plan.md` describes the format.

/// The value of the file's first field, `format`.
pub const FORMAT: &str = "gleaner-plan";

/// The version of the format that this program writes; it reads version 1 too.
pub const VERSION: u64 = 2;

/// The largest number in a plan, 2^53-1: JSON numbers up to there survive programs that keep them as binary64
/// (RFC 8259, section 6). It is 9.0 PB as a drive's size.
pub const LARGEST: u64 = (1 << 53) - 1;

/// Extents as `[[start,length],...]`.
pub(in crate::plan) mod pairs {
    use crate::base::extent::Extent;
    use serde::de::{Deserializer, Error};
    use serde::{Deserialize, Serializer};

    pub fn serialize<S: Serializer>(extents: &[Extent], serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(extents.iter().map(|e| (e.start.0, e.bytes)))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<Extent>, D::Error> {
        let pairs = Vec::<(u64, u64)>::deserialize(deserializer)?;
        let extent =
            |(start, bytes)| Extent::new(start, bytes).ok_or_else(|| D::Error::custom("extent ends beyond 2^64"));
        pairs.into_iter().map(extent).collect()
    }
}
