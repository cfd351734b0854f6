//! What a finished result may show to people from outside the practice.
//!
//! What fewer than five restorations or patients stand behind is left out: in a small practice, patients know each other. What is printed
//! of the rest is the stage's matter. Shares of many stay however small they are: without the recalls at which two of ninety fared ill, a
//! chart would show only those at which all fared well.

use super::offered::Results;
use crate::quantity::{Behind, Known, WhyNotKnown};
use crate::result::{CriterionReview, RecallReview};
use crate::wording::Readers;

/// The results without what only a few stand behind.
pub fn for_others(mut results: Results) -> Results {
    match &mut results {
        Results::Review(review) => {
            review.criteria.retain(scores_may_be_shown);
            review.recalls.retain(recall_may_be_shown);
        }
        Results::Comparison(comparison) => {
            for share in comparison.criteria.iter_mut().flat_map(|one| &mut one.shares) {
                if share.known().is_some_and(|share| !share_may_be_shown(share.behind)) {
                    *share = Known::NotKnown(WhyNotKnown::TooFewToShow);
                }
            }
        }
        // None of its charts is for others.
        Results::Watch(_) => {}
    }
    results
}

fn small(number: u64) -> bool {
    Readers::Others.hides(number)
}

fn scores_may_be_shown(entry: &CriterionReview) -> bool {
    ![entry.scored, entry.patients].into_iter().any(small)
}

fn recall_may_be_shown(recall: &RecallReview) -> bool {
    let restorations = [recall.due, recall.seen, recall.scored];
    !restorations.into_iter().chain([recall.patients_due, recall.patients_seen]).any(small)
}

fn share_may_be_shown(behind: Behind) -> bool {
    ![behind.observations, behind.clusters].into_iter().any(small)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_of_few_is_hidden_and_a_small_share_of_many_is_not() {
        let shown = |observations, clusters, failures| share_may_be_shown(Behind { observations, clusters, failures });
        assert!(shown(90, 70, 1) && shown(5, 5, 4) && shown(0, 0, 0));
        assert!(!shown(4, 4, 0) && !shown(9, 4, 9));
    }
}
