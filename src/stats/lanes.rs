//! Sums in eight lanes, which the processor adds at once; always in the same order, so that they are the same bytes anywhere.

/// Σ a·b, in eight lanes.
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut lanes = [0.0; 8];
    let (a_chunks, b_chunks) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f64 = a_chunks.remainder().iter().zip(b_chunks.remainder()).map(|(a, b)| a * b).sum();
    for (a, b) in a_chunks.zip(b_chunks) {
        for lane in 0..8 {
            lanes[lane] += a[lane] * b[lane];
        }
    }
    ((lanes[0] + lanes[4]) + (lanes[1] + lanes[5])) + ((lanes[2] + lanes[6]) + (lanes[3] + lanes[7])) + rest
}

/// Σ a, in eight lanes.
pub(super) fn sum(a: &[f64]) -> f64 {
    let mut lanes = [0.0; 8];
    let chunks = a.chunks_exact(8);
    let rest: f64 = chunks.remainder().iter().sum();
    for a in chunks {
        for lane in 0..8 {
            lanes[lane] += a[lane];
        }
    }
    ((lanes[0] + lanes[4]) + (lanes[1] + lanes[5])) + ((lanes[2] + lanes[6]) + (lanes[3] + lanes[7])) + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lanes_and_rest_are_all_summed() {
        let numbers: Vec<f64> = (1..=21).map(f64::from).collect();
        assert_eq!(
            (sum(&numbers).to_bits(), dot(&numbers, &numbers).to_bits()),
            (231.0_f64.to_bits(), 3311.0_f64.to_bits())
        );
    }
}
