//! How far several examiners agree beyond chance, each thing scored equally often: Fleiss' kappa.
//!
//! Formula.     N things with n scores each, n_ic of thing i in category c, p_c = Σ_i n_ic/(Nn): o = Σ_ic n_ic(n_ic − 1)/(Nn(n − 1)), e = Σ p_c²,
//!              κ = (o − e)/(1 − e). Where κ = 0, with S = Σ p(1 − p): variance 2·(S² − Σ p(1 − p)(1 − 2p))/(S²·N·n(n − 1)).
//!              Interval: jackknife by thing, κ ± t·σ with N − 1 degrees of freedom.
//! Source.      Fleiss JL. Psychol Bull 1971;76:378–382; Fleiss JL, Nee JCM, Landis JR. Psychol Bull 1979;86:974–977 (both from memory).
//! Decided.     Things with fewer scores than the most are left out, and counted. One category used: not defined.
//! Cost.        One pass; another for the jackknife.
//! Not for.     Missing scores (see `krippendorff`), fillings of one patient, ordered categories.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::beta::student_quantile_upper;
use super::clustered_kappa::jackknife_variance;
use super::distribution::{TailProbability, chi_square_upper_tail};
use super::ratings::Ratings;
use crate::quantity::{ConfidenceInterval, ConfidenceLevel, IntervalMethod, Known, WhyNotKnown};

/// Fleiss' kappa.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FleissKappa {
    /// Agreement beyond chance.
    pub value: f64,
    /// Agreement seen: of two scores of a thing, how often they are alike.
    pub observed: f64,
    /// Agreement expected by chance.
    pub expected: f64,
    /// Standard error where kappa is 0.
    pub null_standard_error: f64,
    /// Two-sided probability of one as far from 0.
    pub probability: TailProbability,
    /// Standard error by the jackknife.
    pub standard_error: Known<f64>,
    /// Limits by it.
    pub interval: Known<ConfidenceInterval<f64>>,
    /// Things with all scores.
    pub things: u64,
    /// Scores of each.
    pub scores: u64,
    /// Things left out for want of scores.
    pub left_out: u64,
}

/// Fleiss' kappa of these ratings.
///
/// Not known without a thing scored twice, or with one category used.
pub fn fleiss_kappa(ratings: &Ratings, level: ConfidenceLevel) -> Known<FleissKappa> {
    let scores = |counts: &[u32]| counts.iter().map(|&count| u64::from(count)).sum::<u64>();
    let most = ratings.things().map(scores).max().unwrap_or(0);
    if most < 2 {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    }
    let complete: Vec<&[u32]> = ratings.things().filter(|counts| scores(counts) == most).collect();
    let n = most as f64;
    let alike = |counts: &[u32]| counts.iter().map(|&count| f64::from(count) * (f64::from(count) - 1.0)).sum::<f64>();
    let mut totals = vec![0.0; ratings.categories()];
    let mut pairs = 0.0;
    for counts in &complete {
        counts.iter().zip(&mut totals).for_each(|(&count, total)| *total += f64::from(count));
        pairs += alike(counts);
    }
    // Kappa from sums over so many things.
    let kappa = |things: f64, pairs: f64, squares: f64| {
        let (observed, expected) = (pairs / (things * n * (n - 1.0)), squares / (things * n * things * n));
        (expected < 1.0 - 1e-15).then(|| ((observed - expected) / (1.0 - expected), observed, expected))
    };
    let things = complete.len() as f64;
    let squares: f64 = totals.iter().map(|total| total * total).sum();
    let Some((value, observed, expected)) = kappa(things, pairs, squares) else {
        return Known::NotKnown(WhyNotKnown::NoVariation);
    };
    let (mut spread, mut skew) = (0.0, 0.0);
    for total in &totals {
        let p = total / (things * n);
        spread += p * (1.0 - p);
        skew += p * (1.0 - p) * (1.0 - 2.0 * p);
    }
    let null_standard_error =
        libm::sqrt(2.0 * (spread * spread - skew).max(0.0) / (spread * spread * things * n * (n - 1.0)));
    let z = value / null_standard_error;
    let without: Option<Vec<f64>> = complete
        .iter()
        .map(|counts| {
            let rest = totals.iter().zip(*counts).map(|(total, &count)| total - f64::from(count));
            kappa(things - 1.0, pairs - alike(counts), rest.map(|rest| rest * rest).sum()).map(|kappa| kappa.0)
        })
        .collect();
    let standard_error = if complete.len() < 2 {
        Known::NotKnown(WhyNotKnown::TooFewClusters)
    } else {
        match without.map(|without| jackknife_variance(&without)) {
            None => Known::NotKnown(WhyNotKnown::NoVariation),
            Some(variance) if variance > 1e-28 => Known::Known(libm::sqrt(variance)),
            Some(_) => Known::NotKnown(WhyNotKnown::AtBoundary),
        }
    };
    Known::Known(FleissKappa {
        value,
        observed,
        expected,
        null_standard_error,
        probability: chi_square_upper_tail(z * z, 1),
        standard_error,
        interval: standard_error.map(|error| {
            let reach = error * student_quantile_upper(level.tail(), things - 1.0);
            let (lower, upper) = ((value - reach).max(-1.0), (value + reach).min(1.0));
            ConfidenceInterval { lower, upper, level, method: IntervalMethod::Plain }
        }),
        things: complete.len() as u64,
        scores: most,
        left_out: (ratings.things().len() - complete.len()) as u64,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::ratings::NO_SCORE;

    #[test]
    fn two_examiners_by_hand() {
        // Scores 0 0, 1 1, 0 1, 1 1: o = ¾; p = 3/8, 5/8, e = 34/64; κ = (48 − 34)/30 = 7/15.
        let ratings = Ratings::new(&[[0, 1, 0, 1, 0], [0, 1, 1, 1, NO_SCORE]], 2).expect("scores");
        let kappa = *fleiss_kappa(&ratings, ConfidenceLevel::USUAL).known().expect("defined");
        assert!((kappa.value - 7.0 / 15.0).abs() < 1e-15, "absolute");
        assert_eq!((kappa.things, kappa.scores, kappa.left_out), (4, 2, 1));
    }

    #[test]
    fn nothing_to_tell() {
        let of = |examiners: &[Vec<u16>]| fleiss_kappa(&Ratings::new(examiners, 3).expect("scores"), ConfidenceLevel::USUAL);
        assert_eq!(of(&[vec![1, 1], vec![1, 1]]), Known::NotKnown(WhyNotKnown::NoVariation));
        assert_eq!(of(&[vec![1, 2]]), Known::NotKnown(WhyNotKnown::NoObservations));
        let complete = *of(&[vec![1, 2, 2, 1], vec![1, 2, 2, 1]]).known().expect("defined");
        assert_eq!((complete.value, complete.standard_error), (1.0, Known::NotKnown(WhyNotKnown::AtBoundary)));
    }
}
