//! The levels of a factor under one endpoint, and whether the protocol lets them be tested.

use super::group::group_review;
use crate::cohort::{EndpointFollowUp, FactorLevels};
use crate::protocol::Protocol;
use crate::quantity::{Known, Variance};
use crate::result::{BETWEEN_VISITS_ROWS, FactorReview, GroupReview, TestReview};
use crate::stats::{Clustered, Grouping, GroupingError, NO_GROUP, log_rank_under};
use crate::wording::{counted, why_not_known};

/// Reviews the levels of a factor. Levels with fewer patients than the protocol's smallest cell are left out and
/// counted apart.
///
/// # Errors
/// When a code names no level, which would be a fault of the program.
pub fn factor_review(
    factor: &FactorLevels,
    follow_up: &EndpointFollowUp,
    protocol: &Protocol,
) -> Result<FactorReview, GroupingError> {
    let (grouping, missing) = factor.grouping(&follow_up.restoration)?;
    let mut hidden = 0;
    let mut groups = Vec::new();
    let mut kept = vec![NO_GROUP; factor.levels.len()];
    let intervals = follow_up.intervals_by_group(&grouping, BETWEEN_VISITS_ROWS);
    Clustered::each_group(&follow_up.observations, &grouping, |place, clustered| {
        let (code, label) = &factor.levels[place];
        if clustered.clusters() < u64::from(protocol.smallest_cell) {
            hidden += clustered.table().total();
            return;
        }
        kept[place] = u16::try_from(groups.len()).unwrap_or(NO_GROUP);
        groups.push(group_review(code, label, &clustered, &intervals[place], protocol));
    });
    let codes = grouping.codes().iter().map(|&code| kept.get(usize::from(code)).copied().unwrap_or(NO_GROUP)).collect();
    let grouping = Grouping::new(codes, u16::try_from(groups.len()).unwrap_or(NO_GROUP - 1))?;
    let not_tested = why_not_tested(&groups, protocol);
    let mut tests = Vec::new();
    let mut reason = not_tested;
    if reason.is_none() {
        let variances = [Variance::ClusterRobust, Variance::ModelBased];
        for test in log_rank_under(&follow_up.observations, &grouping, variances) {
            match test {
                Known::Known(test) => tests.push(TestReview {
                    variance: test.variance,
                    chi_square: test.chi_square,
                    degrees_of_freedom: test.degrees_of_freedom,
                    p_value: test.p_value,
                    ln_p_value: test.ln_p_value,
                }),
                Known::NotKnown(why) => reason = Some(why_not_known(why).to_owned()),
            }
        }
    }
    // Without the patient-clustered test the other would stand alone and claim too much.
    if reason.is_some() {
        tests.clear();
    }
    Ok(FactorReview {
        factor: factor.name.clone(),
        label: factor.label.clone(),
        origin: factor.origin,
        missing,
        hidden,
        groups,
        tests,
        not_tested: reason,
    })
}

/// Why the levels are described and not tested; none if they may be tested.
fn why_not_tested(groups: &[GroupReview], protocol: &Protocol) -> Option<String> {
    if groups.len() < 2 {
        return Some("there are fewer than two levels".to_owned());
    }
    let small = groups.iter().find(|group| {
        group.behind.failures < u64::from(protocol.least_failures)
            || group.behind.clusters < u64::from(protocol.least_patients)
    });
    let Some(small) = small else {
        let parted = groups.iter().find(|group| group.readings_part.is_some())?;
        return Some(format!(
            "with failures on the day they were found the curve of {} parts from the reading between visits; compare tests that reading, too",
            parted.label
        ));
    };
    Some(format!(
        "{} has {} in {}; the protocol asks for at least {} failures and {} patients in every level",
        small.label,
        counted(small.behind.failures, "failure", "failures"),
        counted(small.behind.clusters, "patient", "patients"),
        protocol.least_failures,
        protocol.least_patients
    ))
}
