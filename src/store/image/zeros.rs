//! Finding zeros that are worth keeping as holes.

const UNIT: usize = 4096;
const ZEROS: [u8; UNIT] = [0; UNIT];

/// Shorter runs of zeros are written as they are: a hole costs a call of its own and a piece in the file's map.
const SHORTEST_HOLE: usize = 1 << 16;

/// A part of what is to be written.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Run<'b> {
    Data(&'b [u8]),
    /// So many zeros.
    Zeros(u64),
}

/// Whether there are only zeros in `bytes`.
pub(super) fn are_zero(bytes: &[u8]) -> bool {
    bytes.chunks(UNIT).all(|unit| unit == &ZEROS[..unit.len()])
}

/// Cuts `bytes`, which go to byte `at`, into data and long runs of zeros. Runs of zeros start and end on multiples of
/// 4096 bytes, except at the ends of `bytes`, so that a hole gives its whole room back.
pub(super) fn runs(at: u64, bytes: &[u8]) -> Vec<(u64, Run<'_>)> {
    let first = (UNIT - usize::try_from(at % UNIT as u64).expect("below 4096")) % UNIT;
    let mut runs = Vec::new();
    let mut data_from = 0;
    let mut from = 0;
    let mut to = first.min(bytes.len());
    let mut zeros_from = None;
    // One turn a unit, and one at the end to close what is open.
    loop {
        let zero = from < bytes.len() && bytes[from..to] == ZEROS[..to - from];
        match (zero, zeros_from) {
            (true, None) => zeros_from = Some(from),
            (false, Some(start)) => {
                if from - start >= SHORTEST_HOLE {
                    if start > data_from {
                        runs.push((at + data_from as u64, Run::Data(&bytes[data_from..start])));
                    }
                    runs.push((at + start as u64, Run::Zeros((from - start) as u64)));
                    data_from = from;
                }
                zeros_from = None;
            }
            _ => {}
        }
        if from == bytes.len() {
            break;
        }
        from = to;
        to = (to + UNIT).min(bytes.len());
    }
    if data_from < bytes.len() {
        runs.push((at + data_from as u64, Run::Data(&bytes[data_from..])));
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn long_runs_become_holes_and_short_ones_stay() {
        let mut bytes = vec![0; 300_000];
        assert_eq!(runs(4096, &bytes), [(4096, Run::Zeros(300_000))]);
        bytes[100_000] = 1;
        let [(0, Run::Zeros(98_304)), (98_304, Run::Data(data)), (102_400, Run::Zeros(197_600))] = runs(0, &bytes)[..]
        else {
            panic!("{:?}", runs(0, &bytes).len())
        };
        assert_eq!(data.len(), 4096);
        assert_eq!(runs(0, &bytes[..60_000]), [(0, Run::Data(&bytes[..60_000]))]);
        assert_eq!(runs(0, &[]), []);
    }

    proptest! {
        #[test]
        fn runs_give_the_bytes_again(at in 0u64..9000, length in 0usize..400_000,
                                     ones in prop::collection::vec(0usize..400_000, 0..6)) {
            let mut bytes = vec![0; length];
            for one in ones {
                if let Some(byte) = bytes.get_mut(one) {
                    *byte = 1;
                }
            }
            let mut again = Vec::new();
            for (place, run) in runs(at, &bytes) {
                prop_assert_eq!(place, at + again.len() as u64);
                match run {
                    Run::Data(data) => again.extend_from_slice(data),
                    Run::Zeros(zeros) => {
                        prop_assert!(zeros >= SHORTEST_HOLE as u64);
                        again.resize(again.len() + usize::try_from(zeros).unwrap(), 0);
                    }
                }
            }
            prop_assert!(again == bytes);
            prop_assert_eq!(are_zero(&bytes), !bytes.contains(&1));
        }
    }
}
