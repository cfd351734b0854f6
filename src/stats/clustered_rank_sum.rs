//! Are scores of one group higher than those of another, where observations come in clusters, which may be in both groups?
//!
//! Definition.  θ = P(X > Y) + ½·P(X = Y) over all pairs of one observation of each group, as in `superiority`.
//! Formula.     Influence: (placement − θ)/n₁ for one of the first group, (placement − θ)/n₂ for one of the second, placements as in
//!              `superiority`; summed by cluster for the variance σ², see `clustered_codes`.
//! Test.        Of θ = ½: (θ − ½)/σ by Student's distribution. Limits: logit θ ± t·σ/(θ(1 − θ)).
//! Source.      Obuchowski NA. Biometrics 1997;53:567–578 (components summed by cluster, for areas under curves, which θ is; from memory).
//!              Here with one factor m/(m − 1) for all clusters instead of one for each group.
//! Decided.     Pairs within a cluster count like others. Student's degrees of freedom are one less than the clusters of that group which
//!              has fewer. No supposition that both groups spread alike, nor that clusters are of a size.
//! Cost.        Three passes.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::{student_quantile_upper, student_two_sided};
use super::clustered_codes::{ClusteredCodes, vanishes, variance};
use super::distribution::TailProbability;
use super::superiority::logit_interval;
use crate::quantity::{Behind, ConfidenceInterval, ConfidenceLevel, Fraction, Known, WhyNotKnown};

/// The probability of superiority with clusters taken into account, and its test.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClusteredRankSum {
    /// How often the first group is higher, ties by half.
    pub superiority: Fraction,
    /// Standard error.
    pub standard_error: Known<f64>,
    /// Limits.
    pub interval: Known<ConfidenceInterval<Fraction>>,
    /// Student's t.
    pub t: Known<f64>,
    /// Its degrees of freedom.
    pub degrees_of_freedom: Option<u64>,
    /// Two-sided probability of one as far from one half.
    pub probability: Known<TailProbability>,
    /// How many stand behind it.
    pub behind: Behind,
}

/// Compares the first of `rows` with the second; columns are levels in ascending order.
///
/// Not known when either row is empty.
pub fn clustered_rank_sum(codes: &ClusteredCodes<'_>, rows: [u16; 2], level: ConfidenceLevel) -> Known<ClusteredRankSum> {
    let [first, second] = rows.map(usize::from);
    let columns = usize::from(codes.columns());
    let mut counts = vec![[0.0_f64; 2]; columns];
    let mut sizes = [0_u64; 2];
    for (row, column, _) in codes.each() {
        for (group, wanted) in [first, second].into_iter().enumerate() {
            if row == wanted {
                counts[column][group] += 1.0;
                sizes[group] += 1;
            }
        }
    }
    match sizes {
        [0, 0] => return Known::NotKnown(WhyNotKnown::NoObservations),
        [0, _] | [_, 0] => return Known::NotKnown(WhyNotKnown::TooFewGroups),
        _ => {}
    }
    let [n1, n2] = sizes.map(|size| size as f64);
    let (mut below, mut above) = (0.0, n1);
    let mut pairs = 0.0;
    let placements: Vec<[f64; 2]> = counts
        .iter()
        .map(|&[a, b]| {
            above -= a;
            let placement = [(below + 0.5 * b) / n2, (above + 0.5 * a) / n1];
            pairs += a * (below + 0.5 * b);
            below += b;
            placement
        })
        .collect();
    let theta = pairs / (n1 * n2);
    // A group compared with itself is in both places.
    let sums = codes.sums(
        |row| row == first || row == second,
        |row, column| {
            let of_first = if row == first { (placements[column][0] - theta) / n1 } else { 0.0 };
            let of_second = if row == second { (placements[column][1] - theta) / n2 } else { 0.0 };
            of_first + of_second
        },
    );
    let clusters = [first, second].map(|group| codes.clusters_in(|row| row == group));
    let fewest = clusters[0].min(clusters[1]);
    let unknown = |why| ClusteredRankSum {
        superiority: Fraction::new(theta),
        standard_error: Known::NotKnown(why),
        interval: Known::NotKnown(why),
        t: Known::NotKnown(why),
        degrees_of_freedom: None,
        probability: Known::NotKnown(why),
        behind: Behind { observations: sizes[0] + sizes[1], clusters: sums.len() as u64, failures: 0 },
    };
    if fewest < 2 {
        return Known::Known(unknown(WhyNotKnown::TooFewClusters));
    }
    let v = variance(&sums);
    if vanishes(v, 1.0) {
        return Known::Known(unknown(WhyNotKnown::AtBoundary));
    }
    let (error, freedom) = (libm::sqrt(v), fewest as f64 - 1.0);
    let t = (theta - 0.5) / error;
    Known::Known(ClusteredRankSum {
        standard_error: Known::Known(error),
        interval: logit_interval(theta, error, student_quantile_upper(level.tail(), freedom), level),
        t: Known::Known(t),
        degrees_of_freedom: Some(fewest - 1),
        probability: Known::Known(student_two_sided(t, freedom)),
        ..unknown(WhyNotKnown::AtBoundary)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Grouping;

    #[test]
    fn by_hand() {
        // First 2, 1; second 0, 1: pairs 1 + ½ + 1 + 1 = 3½ of 4. Placements of the first 1, ¾; of the second 1, ¾. Each its own
        // cluster: influences ±1/16; variance 4/3·4/256 = 1/48.
        let rows = Grouping::new(vec![0, 0, 1, 1], 2).expect("levels");
        let scores = Grouping::new(vec![2, 1, 0, 1], 3).expect("levels");
        let codes = ClusteredCodes::new(&rows, &scores, &[0, 1, 2, 3]).expect("lengths");
        let test = *clustered_rank_sum(&codes, [0, 1], ConfidenceLevel::USUAL).known().expect("two groups");
        assert!((test.superiority.value() - 0.875).abs() < 1e-15, "absolute");
        assert!((test.standard_error.known().expect("spread") - libm::sqrt(1.0 / 48.0)).abs() < 1e-15, "absolute");
        assert_eq!(test.degrees_of_freedom, Some(1));
    }

    #[test]
    fn one_cluster_and_all_tied() {
        let rows = Grouping::new(vec![0, 0, 1, 1], 2).expect("levels");
        let scores = Grouping::new(vec![1; 4], 3).expect("levels");
        let of = |clusters: &[u32]| {
            let codes = ClusteredCodes::new(&rows, &scores, clusters).expect("lengths");
            *clustered_rank_sum(&codes, [0, 1], ConfidenceLevel::USUAL).known().expect("two groups")
        };
        assert_eq!(of(&[0, 1, 2, 3]).t, Known::NotKnown(WhyNotKnown::AtBoundary));
        assert_eq!(of(&[5, 5, 5, 5]).t, Known::NotKnown(WhyNotKnown::TooFewClusters));
        assert!((of(&[5, 5, 5, 5]).superiority.value() - 0.5).abs() < 1e-15, "absolute");
    }
}
