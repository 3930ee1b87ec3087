//! Least squares with no negative parts, and medians.

/// The three numbers, none below 0, that come nearest to `rows` (each three factors and the value they should give) in the
/// sum of squares. With three numbers every choice of those that are 0 can be tried, so the answer is exact.
pub(super) fn not_negative(rows: &[([f64; 3], f64)]) -> [f64; 3] {
    let mut best = ([0.0; 3], f64::INFINITY);
    for used in 0..8_usize {
        let chosen: Vec<usize> = (0..3).filter(|n| used >> n & 1 == 1).collect();
        let Some(found) = solve(rows, &chosen) else { continue };
        if found.iter().any(|x| *x < 0.0) {
            continue;
        }
        let off = |(factors, value): &([f64; 3], f64)| {
            (factors.iter().zip(found).map(|(factor, x)| factor * x).sum::<f64>() - value).powi(2)
        };
        let error: f64 = rows.iter().map(off).sum();
        if error < best.1 {
            best = (found, error);
        }
    }
    best.0
}

/// The normal equations of the chosen numbers, by elimination with pivots; `None` where the rows do not decide.
fn solve(rows: &[([f64; 3], f64)], chosen: &[usize]) -> Option<[f64; 3]> {
    let n = chosen.len();
    let mut m = [[0.0; 4]; 3];
    for (factors, value) in rows {
        for (i, a) in chosen.iter().enumerate() {
            for (j, b) in chosen.iter().enumerate() {
                m[i][j] += factors[*a] * factors[*b];
            }
            m[i][3] += factors[*a] * value;
        }
    }
    for column in 0..n {
        let pivot = (column..n).max_by(|a, b| m[*a][column].abs().total_cmp(&m[*b][column].abs()))?;
        m.swap(column, pivot);
        if m[column][column].abs() < 1e-12 {
            return None;
        }
        for row in (0..n).filter(|row| *row != column) {
            let factor = m[row][column] / m[column][column];
            let above = m[column];
            for (entry, above) in m[row].iter_mut().zip(above).skip(column) {
                *entry -= factor * above;
            }
        }
    }
    let mut found = [0.0; 3];
    for (i, a) in chosen.iter().enumerate() {
        found[*a] = m[i][3] / m[i][i];
    }
    Some(found)
}

/// The value below which a share of the values lies, between neighbours in a line; `None` of no values.
pub(super) fn quantile(values: &[f64], share: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let last = sorted.len().checked_sub(1)?;
    #[allow(clippy::cast_precision_loss, reason = "a few hundred values")]
    let place = share * last as f64;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "an index")]
    let below = (place.floor() as usize).min(last);
    let above = (below + 1).min(last);
    Some(sorted[below] + (sorted[above] - sorted[below]) * place.fract())
}

/// The middle value.
pub(super) fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: worked by hand. The plain solution of the second is (2, -1, 0); without the negative part x0 = 8/5.
    #[test]
    fn squares_by_hand() {
        let exact = [([1.0, 0.0, 0.0], 3.0), ([1.0, 1.0, 0.0], 5.0), ([1.0, 1.0, 1.0], 9.0)];
        let found = not_negative(&exact);
        assert!(found.iter().zip([3.0, 2.0, 4.0]).all(|(a, b)| (a - b).abs() < 1e-9), "{found:?}");
        let negative = [([1.0, 0.0, 0.0], 2.0), ([2.0, 1.0, 0.0], 3.0)];
        let found = not_negative(&negative);
        assert!(found.iter().zip([1.6, 0.0, 0.0]).all(|(a, b)| (a - b).abs() < 1e-9), "{found:?}");
        assert_eq!(not_negative(&[]), [0.0; 3]);
    }

    // Source: elementary.
    #[test]
    fn quantiles() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&[4.0, 1.0]), Some(2.5));
        assert_eq!(quantile(&[0.0, 1.0, 2.0, 3.0, 4.0], 0.25), Some(1.0));
        assert_eq!(median(&[]), None);
    }
}
