//! How every finding counts for an endpoint: failure, competing event, end of follow-up, or nothing.
//!
//! The three built-in endpoints follow what practice-based cohorts call retention, survival and success (Opdam et al.,
//! J Dent Res 2014;93:943–949; Laske et al., Dent Mater 2019;35; from memory): survival = the original restoration still
//! serving; success = survival with no re-intervention.

use serde::{Deserialize, Serialize};

use crate::record::{Criterion, Scheme, Score};

/// What a finding does to the follow-up under an endpoint.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Consequence {
    /// It is the failure that the endpoint counts.
    Failure,
    /// It ends the follow-up because the failure can no longer happen, and is no failure.
    Competing,
    /// It changes nothing: the restoration serves on.
    None,
}

/// Which day a failure is dated to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FailureDayReading {
    /// The day of the visit that found it: what the literature does (common practice).
    DayFound,
    /// The day the patient remembers, where one is recorded; else the day found.
    DayKnown,
}

/// Scores of one criterion and scheme that count as failure, where an endpoint departs from the scheme's own.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FailingScores {
    /// The criterion.
    pub criterion: Criterion,
    /// The scheme.
    pub scheme: Scheme,
    /// The scores that count as failure.
    pub scores: Vec<Score>,
}

/// An endpoint: what counts as failure.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Endpoint {
    /// Its name in files: lower-case words joined by underscores.
    pub name: String,
    /// What charts and tables call the failure, such as "Loss of retention".
    pub title: String,
    /// What charts call the opposite, such as "Retained".
    pub survival_title: String,
    /// The definition, a sentence printed wherever the endpoint is used.
    pub definition: String,
    /// The whole filling is lost.
    pub complete_loss: Consequence,
    /// Part of it is lost, the rest in place.
    pub partial_loss: Consequence,
    /// It was mended.
    pub repaired: Consequence,
    /// It was polished, resealed or recontoured.
    pub refurbished: Consequence,
    /// It was taken out and renewed because it failed otherwise than by loss.
    pub replaced_for_failure: Consequence,
    /// The tooth was root-filled, the restoration kept.
    pub root_filled: Consequence,
    /// It was removed or covered for another plan, though sound.
    pub removed_for_other_reasons: Consequence,
    /// The tooth was taken out.
    pub extracted: Consequence,
    /// Criteria whose unacceptable scores (as their scheme says) count as failure.
    #[serde(default)]
    pub unacceptable: Vec<Criterion>,
    /// Scores that count as failure besides.
    #[serde(default)]
    pub failing_scores: Vec<FailingScores>,
}

impl Endpoint {
    /// Whether a score under a criterion counts as failure, retention aside (that is `complete_loss` and `partial_loss`).
    pub fn score_fails(&self, criterion: Criterion, scheme: Scheme, score: Score) -> bool {
        let named = self
            .failing_scores
            .iter()
            .any(|own| own.criterion == criterion && own.scheme == scheme && own.scores.contains(&score));
        named
            || (self.unacceptable.contains(&criterion)
                && scheme.standing(criterion, score) == Some(crate::record::Standing::Unacceptable))
    }
}
