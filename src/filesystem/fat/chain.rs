//! The FAT as a table of chains.

use super::table::{FatEntry, Table};
pub(super) use crate::filesystem::chain::{Chain, ChainEnd, ClusterBits};
use crate::filesystem::chain::{Chains as AnyChains, Links};

/// See [`AnyChains`].
pub(super) type Chains<'t> = AnyChains<'t, Table>;

impl Links for Table {
    fn entries(&self) -> u32 {
        self.entries
    }

    fn last(&self) -> u32 {
        self.last
    }

    fn mark(&self, n: u32) -> FatEntry {
        self.get(n)
    }
}
