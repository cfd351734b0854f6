//! Scores of interval-censored failures: how early each failed, measured by the curve of all.
//!
//! Formula.     With L and R the ends of a record, e its entry, S the curve of all, p its masses:
//!              c = [S(L)·a(L) − S(R)·a(R)] / [S(L) − S(R)] − a(e), where
//!              log-rank (Sun): a(t) = −Σ over masses up to t of p/S before it; proportional hazards (Finkelstein): a = ln S;
//!              Wilcoxon type: c = S(L) + S(R) − S(e). S(0) = 1, and S·a = 0 where S = 0.
//! Source.      Finkelstein DM. Biometrics 1986;42:845–854; Sun J. Stat Med 1996;15:1387–1395; all three: Fay MP. Biometrics
//!              1999;55:30–36 (from memory); the terms of the entry follow by conditioning on it.
//! Decided.     Positive scores fail early. Of exact and right-censored times, those by Sun are the summands of the log-rank test. Where
//!              masses aren't unique, scores are those of the maximum found.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::interval_survival::Fit;

/// Which differences a test of interval-censored failures looks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum IntervalScores {
    /// Proportional hazards that jump: the log-rank test (Sun).
    LogRank,
    /// Proportional hazards of grouped time (Finkelstein).
    ProportionalHazards,
    /// Proportional odds, so that early failures weigh more: Wilcoxon type.
    Wilcoxon,
}

/// What scores are made of.
pub(super) struct Scorer<'a> {
    scores: IntervalScores,
    survival: &'a [f64],
    /// a at each place between innermost intervals.
    a: Vec<f64>,
}

impl<'a> Scorer<'a> {
    pub(super) fn of(fit: &'a Fit, scores: IntervalScores) -> Self {
        let survival = &fit.ascent.survival[..];
        let mut a = Vec::with_capacity(survival.len());
        let mut hazard = 0.0;
        for (place, &here) in survival.iter().enumerate() {
            if scores == IntervalScores::ProportionalHazards {
                a.push(if here > 0.0 { libm::log(here) } else { 0.0 });
            } else {
                a.push(-hazard);
                if here > 0.0 && place < fit.ascent.mass.len() {
                    hazard += fit.ascent.mass[place] / here;
                }
            }
        }
        Self { scores, survival, a }
    }

    /// The score of a run, and a place of entry.
    pub(super) fn score(&self, lo: usize, hi: usize, entry: usize) -> f64 {
        let (left, right) = (self.survival[lo], self.survival[hi]);
        if self.scores == IntervalScores::Wilcoxon {
            return left + right - self.survival[entry];
        }
        (left * self.a[lo] - right * self.a[hi]) / (left - right) - self.a[entry]
    }
}
