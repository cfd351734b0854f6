//! For the cluster bootstrap: what is read from its replicates in order, and from the jackknife. The legend is in
//! `cluster_bootstrap`.

use super::cluster_bootstrap::NotEstimated;
use super::distribution::normal_quantile_upper;
use crate::quantity::{ConfidenceLevel, Known, WhyNotKnown};

/// Replicates in order, those not reached at the end as infinite.
pub(super) struct Sorted {
    values: Vec<f64>,
    /// Why limits are not to be read from them.
    unfit: Option<WhyNotKnown>,
}

impl Sorted {
    /// In order; `missing` counts those that are not known.
    pub(super) fn of(replicates: &[Known<f64>], missing: &[NotEstimated], level: ConfidenceLevel) -> Self {
        let mut values: Vec<f64> = replicates
            .iter()
            .filter_map(|replicate| match replicate {
                Known::Known(value) => Some(*value),
                Known::NotKnown(WhyNotKnown::NotReached) => Some(f64::INFINITY),
                Known::NotKnown(_) => None,
            })
            .collect();
        values.sort_unstable_by(f64::total_cmp);
        let others = || missing.iter().filter(|missing| missing.why != WhyNotKnown::NotReached);
        let gone: u64 = others().map(|missing| missing.replicates).sum();
        let unfit = if gone as f64 > level.tail() * replicates.len() as f64 {
            others().max_by_key(|missing| missing.replicates).map(|missing| missing.why)
        } else if values.first().zip(values.last()).is_none_or(|(first, last)| first.total_cmp(last).is_eq()) {
            let all_beyond = values.first().is_some_and(|value| value.is_infinite());
            Some(if all_beyond { WhyNotKnown::NotReached } else { WhyNotKnown::AtBoundary })
        } else {
            None
        };
        Self { values, unfit }
    }

    /// The value at the part `p` of them.
    #[expect(clippy::cast_possible_truncation, reason = "a place among the values")]
    pub(super) fn at(&self, p: f64) -> Known<f64> {
        if let Some(why) = self.unfit {
            return Known::NotKnown(why);
        }
        // A place that is whole but for rounding is whole.
        let place = (self.values.len() as f64 + 1.0) * p;
        let nearest = libm::round(place);
        let place = if (place - nearest).abs() < 1e-9 { nearest } else { place };
        if !(place >= 1.0 && place <= self.values.len() as f64) {
            return Known::NotKnown(WhyNotKnown::AtBoundary);
        }
        let (below, part) = (place as usize, place.fract());
        let lower = self.values[below - 1];
        let value = if part > 0.0 { lower + part * (self.values[below] - lower) } else { lower };
        if value.is_finite() { Known::Known(value) } else { Known::NotKnown(WhyNotKnown::NotReached) }
    }

    /// Standard deviation, and the mean less the estimate.
    pub(super) fn spread(&self, estimate: Known<f64>) -> (Known<f64>, Known<f64>) {
        let why = match (self.unfit, self.values.last()) {
            (Some(why), _) => Some(why),
            (None, Some(last)) if last.is_infinite() => Some(WhyNotKnown::NotReached),
            (None, _) => None,
        };
        if let Some(why) = why {
            return (Known::NotKnown(why), Known::NotKnown(why));
        }
        let count = self.values.len() as f64;
        let mean = self.values.iter().sum::<f64>() / count;
        let squares: f64 = self.values.iter().map(|value| (value - mean) * (value - mean)).sum();
        (Known::Known(libm::sqrt(squares / (count - 1.0))), estimate.map(|estimate| mean - estimate))
    }

    /// The normal quantile of the part of them below the estimate, those equal to it by half.
    pub(super) fn bias_correction(&self, estimate: f64) -> Known<f64> {
        if let Some(why) = self.unfit {
            return Known::NotKnown(why);
        }
        let below = self.values.partition_point(|&value| value < estimate);
        let up_to = self.values.partition_point(|&value| value <= estimate);
        let share = 0.5 * (below + up_to) as f64 / self.values.len() as f64;
        if share > 0.0 && share < 1.0 {
            Known::Known(-normal_quantile_upper(share))
        } else {
            Known::NotKnown(WhyNotKnown::AtBoundary)
        }
    }
}

/// The acceleration by the jackknife. Not known where a value is not, with its reason; nor without spread.
pub(super) fn acceleration(jackknife: &[(usize, Vec<Known<f64>>)], place: usize) -> Known<f64> {
    let (mut squares, mut cubes) = (0.0, 0.0);
    for stratum in jackknife.chunk_by(|one, next| one.0 == next.0) {
        let mut values = Vec::with_capacity(stratum.len());
        for (_, row) in stratum {
            match row[place] {
                Known::Known(value) => values.push(value),
                Known::NotKnown(why) => return Known::NotKnown(why),
            }
        }
        let count = values.len() as f64;
        let mean = values.iter().sum::<f64>() / count;
        for value in values {
            let u = (1.0 - 1.0 / count) * (mean - value);
            squares += u * u;
            cubes += u * u * u;
        }
    }
    if squares > 0.0 {
        Known::Known(cubes / (6.0 * squares * libm::sqrt(squares)))
    } else {
        Known::NotKnown(WhyNotKnown::AtBoundary)
    }
}
