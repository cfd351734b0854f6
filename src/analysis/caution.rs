//! What weakens these results: the rules that raise each caution.

use super::recall_cut::recall_cut;
use crate::cohort::EndpointFollowUp;
use crate::finding::FindingKind;
use crate::protocol::{FailureDayReading, Protocol};
use crate::quantity::Known;
use crate::result::{Caution, EndpointReview, GroupReview, ReadingsPart, RecallReview};

/// Share seen below which a recall is named (rule of thumb of the trade: 80 % is good).
const GOOD_RECALL: f64 = 0.8;
/// Fewest failures for a headline without a caution (common practice for one rate).
const FEW_FAILURES: u64 = 10;
/// Fewest patients for a headline without a caution; robust variances lean on their number.
const FEW_PATIENTS: u64 = 30;

/// The cautions of a review, gravest first.
pub fn cautions(
    endpoints: &[EndpointReview],
    recalls: &[RecallReview],
    headline: &EndpointFollowUp,
    notices: &[(FindingKind, u64)],
    protocol: &Protocol,
) -> Vec<Caution> {
    let mut cautions = Vec::new();
    let Some(first) = endpoints.first() else { return cautions };
    let behind = first.all.behind;
    if behind.failures < FEW_FAILURES {
        cautions.push(Caution::FewFailures { failures: behind.failures });
    }
    if behind.clusters < FEW_PATIENTS {
        cautions.push(Caution::FewPatients { patients: behind.clusters });
    }
    let horizon = crate::protocol::settings::months(protocol.headline_months);
    let median = first.all.median_follow_up_days;
    let at_risk = first.all.horizon(horizon).map_or(0, |horizon| horizon.at_risk);
    // Where all failed before, nobody is left to follow, and the follow-up was long enough to see it.
    let all_failed = first
        .all
        .horizon(horizon)
        .is_some_and(|horizon| matches!(&horizon.survival, Known::Known(survival) if survival.value.value() <= 0.0));
    let short = match median {
        Known::Known(median) => median < horizon,
        Known::NotKnown(_) => at_risk < u64::from(protocol.least_at_risk),
    };
    if short && !all_failed {
        cautions.push(Caution::ShortFollowUp { median: median.known().copied(), horizon, at_risk });
    }
    if protocol.failure_day == FailureDayReading::DayFound {
        cautions.extend(recall_cut(std::iter::once(first.all.curve.as_slice()), recalls, horizon).map(Caution::RecallCut));
    }
    let parts = |groups: &[GroupReview]| -> Vec<(String, ReadingsPart)> {
        groups.iter().filter_map(|group| Some((group.label.clone(), group.readings_part?))).collect()
    };
    let of_factors = first.factors.iter().map(|factor| (Some(factor.label.clone()), parts(&factor.groups)));
    let of_all = (None, parts(std::slice::from_ref(&first.all)));
    let parted = std::iter::once(of_all).chain(of_factors).filter(|(_, levels)| !levels.is_empty());
    cautions.extend(parted.map(|(factor, levels)| Caution::ReadingsPart { factor, levels }));
    for recall in recalls.iter().filter(|recall| recall.months > 0 && recall.months <= protocol.headline_months) {
        if let Known::Known((share, _)) = recall.share_seen
            && share.value() < GOOD_RECALL
        {
            cautions.push(Caution::LowRecall { months: recall.months, share });
        }
    }
    for factor in &first.factors {
        if factor.groups.len() > 1 {
            cautions.push(Caution::NotRandomised { factor: factor.label.clone(), origin: factor.origin });
        }
        if factor.hidden > 0 {
            cautions.push(Caution::HiddenLevels { factor: factor.label.clone(), hidden: factor.hidden });
        }
        if factor.missing > 0 {
            cautions.push(Caution::MissingLevels { factor: factor.label.clone(), missing: factor.missing });
        }
        for group in &factor.groups {
            if group.behind.failures < u64::from(protocol.least_failures)
                || group.behind.clusters < u64::from(protocol.least_patients)
            {
                cautions.push(Caution::SmallLevel {
                    factor: factor.label.clone(),
                    level: group.label.clone(),
                    failures: group.behind.failures,
                    patients: group.behind.clusters,
                });
            }
        }
    }
    for endpoint in endpoints {
        let (competing, failures) = (endpoint.all.competing, endpoint.all.behind.failures);
        if competing * 2 > failures && competing >= 5 {
            cautions.push(Caution::ManyCompeting { endpoint: endpoint.title.clone(), competing, failures });
        }
    }
    if headline.delayed > 0 {
        cautions.push(Caution::DelayedEntries { count: headline.delayed });
    }
    if headline.reported_failures > 0 {
        cautions.push(Caution::ReportedLosses { count: headline.reported_failures });
    }
    if let Some((_, count)) = notices.iter().find(|(kind, _)| *kind == FindingKind::OwnWorkScored) {
        cautions.push(Caution::OwnWorkScored { count: *count });
    }
    if protocol.failure_day == FailureDayReading::DayFound {
        cautions.push(Caution::FoundAtRecall);
    }
    cautions
}
