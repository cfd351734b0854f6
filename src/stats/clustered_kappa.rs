//! Kappa of two examiners where the things scored come in clusters: fillings of the same patients.
//!
//! Formula.     κ as in `kappa`, from all. Jackknife: κ₍c₎ without cluster c, their mean κ̄: variance (m − 1)/m·Σ (κ₍c₎ − κ̄)²; limits
//!              κ ± t·σ with m − 1 degrees of freedom.
//! Source.      Jackknife: Tukey JW. Ann Math Stat 1958;29:614; by clusters: Rust KF, Rao JNK. Stat Methods Med Res 1996;5:283–310 (both
//!              from memory).
//! Decided.     Where κ is not defined without one of the clusters, there are no limits, with that reason. Complete agreement: none either.
//! Cost.        A sort by cluster; a table of categories for each cluster.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::student_quantile_upper;
use super::clustered_codes::ClusteredCodes;
use super::contingency_table::ContingencyTable;
use super::kappa::{AgreementWeights, kappa_value};
use crate::quantity::{Behind, ConfidenceInterval, ConfidenceLevel, IntervalMethod, Known, WhyNotKnown};

/// Kappa with clusters taken into account.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClusteredKappa {
    /// Agreement beyond chance.
    pub value: f64,
    /// How disagreements count.
    pub weights: AgreementWeights,
    /// Standard error by the jackknife.
    pub standard_error: Known<f64>,
    /// Limits by it.
    pub interval: Known<ConfidenceInterval<f64>>,
    /// How many stand behind it.
    pub behind: Behind,
}

/// Kappa of scores by the first examiner as rows and by the second as columns.
///
/// Not known when nothing is scored by both, or when both used one and the same category only.
pub fn clustered_kappa(
    codes: &ClusteredCodes<'_>,
    weights: AgreementWeights,
    level: ConfidenceLevel,
) -> Known<ClusteredKappa> {
    let table = codes.table();
    let value = match kappa_value(&table, weights) {
        Known::Known(value) => value,
        Known::NotKnown(why) => return Known::NotKnown(why),
    };
    let mut scored: Vec<(usize, usize, usize)> = codes.each().map(|(row, column, cluster)| (cluster, row, column)).collect();
    scored.sort_unstable();
    let mut counts: Vec<Vec<u64>> = table.clone().into();
    let mut without = Vec::new();
    let mut undefined = None;
    for cluster in scored.chunk_by(|one, next| one.0 == next.0) {
        cluster.iter().for_each(|&(_, row, column)| counts[row][column] -= 1);
        match ContingencyTable::new(&counts).map(|rest| kappa_value(&rest, weights)) {
            Ok(Known::Known(value)) => without.push(value),
            Ok(Known::NotKnown(why)) => undefined = Some(why),
            Err(_) => undefined = Some(WhyNotKnown::NoObservations),
        }
        cluster.iter().for_each(|&(_, row, column)| counts[row][column] += 1);
    }
    let clusters = scored.chunk_by(|one, next| one.0 == next.0).count() as u64;
    let standard_error = if clusters < 2 {
        Known::NotKnown(WhyNotKnown::TooFewClusters)
    } else {
        match (undefined, jackknife_variance(&without)) {
            (Some(why), _) => Known::NotKnown(why),
            (None, variance) if variance > 1e-28 => Known::Known(libm::sqrt(variance)),
            (None, _) => Known::NotKnown(WhyNotKnown::AtBoundary),
        }
    };
    Known::Known(ClusteredKappa {
        value,
        weights,
        standard_error,
        interval: standard_error.map(|error| {
            let reach = error * student_quantile_upper(level.tail(), clusters as f64 - 1.0);
            let (lower, upper) = ((value - reach).max(-1.0), (value + reach).min(1.0));
            ConfidenceInterval { lower, upper, level, method: IntervalMethod::Plain }
        }),
        behind: Behind { observations: table.total(), clusters, failures: 0 },
    })
}

/// (m − 1)/m times the squares about the mean of what is left without each.
pub(super) fn jackknife_variance(without: &[f64]) -> f64 {
    let count = without.len() as f64;
    let mean = without.iter().sum::<f64>() / count;
    (count - 1.0) / count * without.iter().map(|value| (value - mean) * (value - mean)).sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Grouping;

    #[test]
    fn ends() {
        let first = Grouping::new(vec![0, 1, 0, 1, 1], 2).expect("levels");
        let second = Grouping::new(vec![0, 1, 1, 1, 0], 2).expect("levels");
        let of = |clusters: &[u32]| {
            let codes = ClusteredCodes::new(&first, &second, clusters).expect("lengths");
            *clustered_kappa(&codes, AgreementWeights::Unweighted, ConfidenceLevel::USUAL).known().expect("defined")
        };
        // By hand: 3 of 5 agree, by chance 2/5·2/5 + 3/5·3/5 = 13/25: κ = 1/6.
        assert!((of(&[0, 1, 2, 3, 4]).value - 1.0 / 6.0).abs() < 1e-15, "absolute");
        assert_eq!(of(&[7; 5]).standard_error, Known::NotKnown(WhyNotKnown::TooFewClusters));
        let same = ClusteredCodes::new(&first, &first, &[0, 0, 1, 1, 2]).expect("lengths");
        let complete = *clustered_kappa(&same, AgreementWeights::Linear, ConfidenceLevel::USUAL).known().expect("defined");
        assert_eq!((complete.value, complete.standard_error), (1.0, Known::NotKnown(WhyNotKnown::AtBoundary)));
    }
}
