//! The axis of time: what the whole-number ticks of [`Observations`](super::Observations) stand for.
//!
//! Definition.  On the axis of days, tick k is day k. On a listed axis, tick k is the k-th smallest of the different times that
//!              occur, and tick 0 is the time origin, 0.
//! Why.         Rank statistics (risk sets, product limits, tests, partial likelihoods) need only the order of times; areas and
//!              person-time need their lengths too, and get them here. So times with fractions go through the same counting
//!              code as whole days.
//! Decided.     Two times are tied when they are the same number exactly; nothing is rounded together.

/// What the ticks of time stand for.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Axis {
    /// Tick k is day k.
    #[default]
    Days,
    /// Tick k is the k-th of these times, which rise from 0.
    Listed(Vec<f64>),
}

impl Axis {
    /// The axis of the different times among these, and 0. Times below 0 and those that are no numbers are left out.
    pub fn listing(times: impl IntoIterator<Item = f64>) -> Self {
        let mut listed: Vec<f64> = times.into_iter().filter(|&time| time.is_finite() && time >= 0.0).map(f64::abs).collect();
        listed.push(0.0);
        listed.sort_unstable_by(f64::total_cmp);
        listed.dedup();
        Self::Listed(listed)
    }

    /// The time of a tick. Past the end of a listed axis, the last time.
    pub fn time(&self, tick: i32) -> f64 {
        match self {
            Self::Days => f64::from(tick),
            Self::Listed(times) => {
                let last = times.len().saturating_sub(1);
                times.get(usize::try_from(tick).unwrap_or(0).min(last)).copied().unwrap_or(0.0)
            }
        }
    }

    /// The last tick whose time is at or before `time`; none before the origin. On the axis of days, the day that `time` lies in.
    #[expect(clippy::cast_possible_truncation, reason = "saturates; an axis has fewer than 2^31 ticks")]
    pub fn tick_at(&self, time: f64) -> Option<i32> {
        if time.is_nan() || time < 0.0 {
            return None;
        }
        match self {
            Self::Days => Some(time.floor() as i32),
            Self::Listed(times) => {
                let after = times.partition_point(|&listed| listed <= time);
                after.checked_sub(1).and_then(|tick| i32::try_from(tick).ok())
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_listed_axis_starts_at_the_origin_and_holds_each_time_once() {
        let axis = Axis::listing([2.5, 0.5, 2.5, f64::NAN, -1.0, 7.0]);
        assert_eq!(axis, Axis::Listed(vec![0.0, 0.5, 2.5, 7.0]));
        assert_eq!((0..5).map(|tick| axis.time(tick)).collect::<Vec<_>>(), [0.0, 0.5, 2.5, 7.0, 7.0]);
        let ticks = [-0.1, 0.0, 0.4, 0.5, 2.6, 99.0].map(|time| axis.tick_at(time));
        assert_eq!(ticks, [None, Some(0), Some(0), Some(1), Some(2), Some(3)]);
    }

    #[test]
    fn on_the_axis_of_days_a_tick_is_a_day() {
        assert_eq!((Axis::Days.time(365), Axis::Days.tick_at(365.9)), (365.0, Some(365)));
    }
}
