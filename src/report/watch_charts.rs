//! Charts of failures watched against a benchmark: over the calendar, and unit by unit.

use crate::figure::Drawing;
use crate::figure::cusum_chart::{CusumChart, CusumMark, cusum_chart_on};
use crate::figure::funnel_chart::{FunnelChart, FunnelDot, LimitsAt, UnitPlace, funnel_chart_on};
use crate::figure::stage::Stage;
use crate::stats::{AfterSignal, FunnelLimits, FunnelPlace};
use crate::watching::answer::WatchAnswers;
use crate::wording::percent;

/// The cumulative sum over the calendar, on a stage.
pub fn cusum_on(watch: &WatchAnswers, stage: &Stage) -> Drawing {
    let path = &watch.path;
    let marks: Vec<CusumMark> = path
        .points
        .iter()
        .map(|point| CusumMark {
            day: point.day,
            observed: point.observed,
            expected: point.expected,
            sum: point.sum,
            signal: point.signal,
        })
        .collect();
    cusum_chart_on(
        &CusumChart {
            name: "cusum",
            title: "Failures watched against a benchmark",
            definition: &watch.answer,
            sum_title: &format!("Sum that looks for {} times the failures", path.ratio),
            marks: &marks,
            limit: path.limit,
            fall: path.ratio - 1.0,
            starts_again: path.after_signal == AfterSignal::StartAgain,
            footnote: &format!(
                "Limit: chance alone exceeds it within the time watched with probability {}.",
                percent(watch.limit.false_alarms)
            ),
        },
        stage,
    )
}

/// Units side by side on a stage; none where none were named.
pub fn funnel_on(watch: &WatchAnswers, stage: &Stage) -> Option<Drawing> {
    let named = watch.funnel.as_ref()?;
    let units: Vec<FunnelDot> = named
        .names
        .iter()
        .zip(&named.funnel.units)
        .filter_map(|(name, unit)| {
            Some(FunnelDot {
                label: name.clone(),
                size: unit.expected,
                value: *unit.value.known()?,
                place: match unit.place {
                    FunnelPlace::DescribedOnly => UnitPlace::DescribedOnly,
                    FunnelPlace::Within => UnitPlace::Within,
                    FunnelPlace::Below | FunnelPlace::Above => UnitPlace::Beyond,
                    FunnelPlace::FarBelow | FunnelPlace::FarAbove => UnitPlace::FarBeyond,
                },
            })
        })
        .collect();
    let limits: Vec<LimitsAt> = named
        .funnel
        .limits
        .iter()
        .filter_map(|at| {
            // No count is so low that chance would not reach it: then the lower limit is nought.
            let both = |limits: FunnelLimits| Some((limits.lower.known().copied().unwrap_or(0.0), *limits.upper.known()?));
            Some(LimitsAt { size: at.size, inner: both(at.inner)?, outer: both(at.outer)? })
        })
        .collect();
    Some(funnel_chart_on(
        &FunnelChart {
            name: "funnel",
            title: "Units side by side, never by rank",
            definition: "Failures seen by failures expected from the benchmark. Units treat different patients and lesions.",
            units: &units,
            limits: &limits,
            target: named.funnel.target,
            size_title: "Failures expected",
            value_title: "Failures seen, by those expected",
            limit_names: ["95 %", "99.8 %"],
            shares: false,
            footnote: "Limits by the exact Poisson distribution, widened where units or patients spread more than chance.",
        },
        stage,
    ))
}
