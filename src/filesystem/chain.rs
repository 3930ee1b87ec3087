//! Chains of clusters, followed with every guard that a damaged table requires. FAT and exFAT keep them in the same way: an entry for
//! each cluster gives the next one.

use super::ClusterRun;
use std::collections::BTreeSet;

/// What a table's entry says of its cluster.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum FatEntry {
    /// Free (exFAT: of no chain).
    Free,
    /// In use; the chain goes on at this cluster.
    Next(u32),
    /// In use, the last of its chain.
    End,
    /// Bad, never to be used.
    Bad,
    /// In use, but with a value that is no cluster and no mark.
    Invalid(u32),
    /// Not readable in any copy, or the table is too small for it.
    Unknown,
}

/// A table of such entries.
pub(super) trait Links {
    /// Numbers below this have an entry, whether readable or not.
    fn entries(&self) -> u32;
    /// The highest valid cluster number.
    fn last(&self) -> u32;
    /// What the entry of cluster `n` says.
    fn mark(&self, n: u32) -> FatEntry;
}

/// One bit for each cluster number.
pub(super) struct ClusterBits(Vec<u64>);

impl ClusterBits {
    /// Room for numbers below `numbers`.
    pub fn new(numbers: u32) -> ClusterBits {
        ClusterBits(vec![0; (numbers as usize).div_ceil(64)])
    }

    /// Sets a bit; whether it was clear before. Numbers without room count as clear.
    pub fn set(&mut self, n: u32) -> bool {
        let Some(word) = self.0.get_mut(n as usize / 64) else { return true };
        let bit = 1 << (n % 64);
        let was_clear = *word & bit == 0;
        *word |= bit;
        was_clear
    }

    /// Sets the bits of the first `most` clusters of some runs, up to the first that was set before: its run and its place in
    /// that.
    pub fn set_until_taken(&mut self, runs: &[ClusterRun], most: u64) -> Option<(usize, u64)> {
        let mut left = most;
        for (index, run) in runs.iter().enumerate() {
            for at in 0..run.count.min(left) {
                let n = u32::try_from(run.first.0 + at).expect("a cluster number of the volume");
                if !self.set(n) {
                    return Some((index, at));
                }
            }
            left = left.saturating_sub(run.count);
        }
        None
    }
}

/// How a chain ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum ChainEnd {
    /// With an end mark, as it should.
    Sound,
    /// The first cluster given is no cluster of the volume.
    NoStart,
    /// At a cluster of its own.
    Loop {
        /// The cluster where the circle closes.
        at: u32,
    },
    /// At a cluster whose entry does not continue the chain.
    Broken {
        /// The last cluster of the sound part.
        at: u32,
        /// What its entry says.
        entry: FatEntry,
    },
    /// In another file's clusters, after as many of them as the size asks for (or as may be spent on shared ones).
    CutInShared,
}

/// A chain as far as it is sound.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Chain {
    /// Its clusters in file order.
    pub runs: Vec<ClusterRun>,
    /// How many they are.
    pub clusters: u64,
    /// How it ended.
    pub end: ChainEnd,
    /// The first cluster that a chain followed earlier also holds.
    pub shared_from: Option<u32>,
}

impl Chain {
    fn push(&mut self, n: u32) {
        match self.runs.last_mut() {
            Some(last) if last.end() == u64::from(n) => last.count += 1,
            _ => self.runs.push(ClusterRun::new(n.into(), 1)),
        }
        self.clusters += 1;
    }

    fn holds(&self, n: u32) -> bool {
        self.runs.iter().any(|run| run.first.0 <= n.into() && u64::from(n) < run.end())
    }
}

/// Follows chains and remembers which clusters they took.
///
/// Every cluster is followed once without limit. Into clusters that another chain took before, a chain is followed
/// only as far as its file's size asks for, and all chains together at most once the number of entries: hostile
/// tables can make many files share one long chain, and time and memory must stay within the volume's size.
pub(super) struct Chains<'t, T> {
    table: &'t T,
    taken: ClusterBits,
    /// Clusters where a circle was found to close.
    circles: BTreeSet<u32>,
    shared_steps_left: u64,
}

impl<'t, T: Links> Chains<'t, T> {
    /// No chain followed yet.
    pub fn new(table: &'t T) -> Chains<'t, T> {
        Chains {
            table,
            taken: ClusterBits::new(table.entries()),
            circles: BTreeSet::new(),
            shared_steps_left: table.entries().into(),
        }
    }

    /// The chain from cluster `first`; `wanted` is the number of clusters the size asks for.
    pub fn follow(&mut self, first: u32, wanted: u64) -> Chain {
        let mut chain = Chain { runs: Vec::new(), clusters: 0, end: ChainEnd::NoStart, shared_from: None };
        if !(2..=self.table.last()).contains(&first) {
            return chain;
        }
        let mut at = first;
        let mut circle_passed = false;
        loop {
            match chain.shared_from {
                None if !self.taken.set(at) => {
                    if chain.holds(at) {
                        self.circles.insert(at);
                        chain.end = ChainEnd::Loop { at };
                        return chain;
                    }
                    chain.shared_from = Some(at);
                    circle_passed = self.circles.contains(&at);
                }
                None => {}
                // What is shared is the rest of an earlier chain. If that had a circle, this comes back either to
                // where sharing began or to where the circle closes.
                Some(start) if at == start => {
                    chain.end = ChainEnd::Loop { at };
                    return chain;
                }
                Some(_) if self.circles.contains(&at) => {
                    if circle_passed {
                        chain.end = ChainEnd::Loop { at };
                        return chain;
                    }
                    circle_passed = true;
                }
                Some(_) => {}
            }
            if chain.shared_from.is_some() {
                if chain.clusters >= wanted || self.shared_steps_left == 0 {
                    chain.end = ChainEnd::CutInShared;
                    return chain;
                }
                self.shared_steps_left -= 1;
            }
            chain.push(at);
            match self.table.mark(at) {
                FatEntry::Next(next) => at = next,
                FatEntry::End => {
                    chain.end = ChainEnd::Sound;
                    return chain;
                }
                entry => {
                    chain.end = ChainEnd::Broken { at, entry };
                    return chain;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The entries from number 2 on.
    struct Entries(Vec<FatEntry>);

    impl Links for Entries {
        fn entries(&self) -> u32 {
            u32::try_from(self.0.len()).unwrap() + 2
        }

        fn last(&self) -> u32 {
            self.entries() - 1
        }

        fn mark(&self, n: u32) -> FatEntry {
            self.0[n as usize - 2]
        }
    }

    const END: u32 = u32::MAX;
    const BAD: u32 = u32::MAX - 1;

    fn table(values: &[u32]) -> Entries {
        let last = u32::try_from(values.len()).unwrap() + 1;
        let mark = |value: &u32| match *value {
            0 => FatEntry::Free,
            END => FatEntry::End,
            BAD => FatEntry::Bad,
            next if (2..=last).contains(&next) => FatEntry::Next(next),
            other => FatEntry::Invalid(other),
        };
        Entries(values.iter().map(mark).collect())
    }

    fn numbers(chain: &Chain) -> Vec<u64> {
        chain.runs.iter().flat_map(|run| run.first.0..run.end()).collect()
    }

    #[test]
    fn sound_broken_and_circular_chains() {
        // From cluster 2: a sound chain 2,3,5; then 6 -> 7 -> 8 -> 7; 9 -> free 10; 11 -> 1; 12 -> number 99; 13 bad.
        let table = table(&[3, 5, END, END, 7, 8, 7, 10, 0, 1, 99, BAD]);
        let mut chains = Chains::new(&table);
        let mut follow = |first| {
            let chain = chains.follow(first, 100);
            (numbers(&chain), chain.end)
        };
        assert_eq!(follow(2), (vec![2, 3, 5], ChainEnd::Sound));
        assert_eq!(follow(6), (vec![6, 7, 8], ChainEnd::Loop { at: 7 }));
        assert_eq!(follow(9), (vec![9, 10], ChainEnd::Broken { at: 10, entry: FatEntry::Free }));
        assert_eq!(follow(11), (vec![11], ChainEnd::Broken { at: 11, entry: FatEntry::Invalid(1) }));
        assert_eq!(follow(12), (vec![12], ChainEnd::Broken { at: 12, entry: FatEntry::Invalid(99) }));
        assert_eq!(follow(13), (vec![13], ChainEnd::Broken { at: 13, entry: FatEntry::Bad }));
        for none in [0, 1, 14, u32::MAX] {
            assert_eq!(follow(none), (vec![], ChainEnd::NoStart));
        }
    }

    #[test]
    fn shared_chains_are_followed_as_far_as_the_size_asks() {
        // 2 -> 3 -> 4 -> 5 end; 6 -> 4.
        let table = table(&[3, 4, 5, END, 4]);
        let mut chains = Chains::new(&table);
        chains.follow(2, 4);
        let whole = chains.follow(6, 3);
        assert_eq!((numbers(&whole), whole.end, whole.shared_from), (vec![6, 4, 5], ChainEnd::Sound, Some(4)));
        let part = chains.follow(6, 2);
        assert_eq!((numbers(&part), part.end), (vec![6, 4], ChainEnd::CutInShared));
    }

    #[test]
    fn a_shared_circle_ends_wherever_it_is_entered() {
        // 2 -> 3 -> 4 -> 5 -> 3; entered again at 2, 3, 4, 5, and from 6 -> 5.
        let table = table(&[3, 4, 5, 3, 5]);
        for (first, expected) in [(2, vec![2, 3, 4, 5]), (3, vec![3, 4, 5]), (4, vec![4, 5, 3]), (6, vec![6, 5, 3, 4])]
        {
            let mut chains = Chains::new(&table);
            chains.follow(2, 1);
            let again = chains.follow(first, 1000);
            assert!(matches!(again.end, ChainEnd::Loop { .. } | ChainEnd::CutInShared));
            assert_eq!(numbers(&again), expected, "entered at {first}");
        }
    }

    #[test]
    fn a_thousand_files_on_one_chain_take_no_more_than_one_more_chain() {
        let mut entries: Vec<u32> = (3..5002).collect();
        entries.push(END);
        let table = table(&entries);
        let mut chains = Chains::new(&table);
        let clusters: u64 = (0..1000).map(|_| chains.follow(2, u64::MAX).clusters).sum();
        assert!(clusters <= 2 * 5002, "{clusters}");
    }
}
