//! The axis of years since placement: how far it goes, and which days get a mark and a column of counts.
//!
//! Marks stand at the days at which counts are known (the protocol's horizons: the days of recalls); where there is no room for
//! all, whole years go before parts of years, and the first and the last before all others.

use std::collections::BTreeSet;

use crate::quantity::{DAYS_PER_YEAR, Days};
use crate::result::GroupReview;

/// The shortest axis, days: somewhat more than half a year.
const SHORTEST: i32 = 200;
/// Room between columns, pixels.
const GAP: f64 = 9.0;

/// The last day of the axis: where the longest curve stops, or the next day with counts if that is close; without any curve, the
/// last day at which somebody is at risk.
pub fn last_day(groups: &[&GroupReview]) -> Days {
    let drawn = groups.iter().map(|group| group.drawn_to_day.count()).max().unwrap_or(0);
    let counts = || groups.iter().flat_map(|group| &group.counts);
    if drawn <= 0 {
        let followed = counts().filter(|counts| counts.at_risk > 0).map(|counts| counts.day.count()).max();
        return Days::new(followed.unwrap_or(0).max(SHORTEST));
    }
    let near = |day: &i32| *day >= drawn && i64::from(*day) * 100 <= i64::from(drawn) * 108;
    let next = counts().map(|counts| counts.day.count()).filter(near).min();
    Days::new(next.unwrap_or(drawn).max(SHORTEST))
}

/// Whole years on an axis that ends on `last`.
pub fn whole_years(last: Days) -> Vec<Days> {
    let mut years = Vec::new();
    for year in 0..=60_i32 {
        let day = crate::quantity::Years::new(f64::from(year)).days();
        if day > last {
            break;
        }
        years.push(day);
    }
    years
}

/// What is written at a mark: `0`, `0.5`, `3`.
pub fn mark_text(day: Days) -> String {
    let years = day.years().count();
    if (years - years.round()).abs() < 0.02 { format!("{years:.0}") } else { format!("{years:.1}") }
}

/// The days that get a mark: those with counts up to `last`, as many as fit. `place` gives a day's pixel, `width` how wide
/// its column is.
pub fn marks(groups: &[&GroupReview], last: Days, place: impl Fn(Days) -> f64, width: impl Fn(Days) -> f64) -> Vec<Days> {
    let days: BTreeSet<Days> =
        groups.iter().flat_map(|group| &group.counts).map(|counts| counts.day).filter(|day| *day <= last).collect();
    let Some(&end) = days.last() else { return vec![Days::new(0)] };
    let rank = |day: &Days| {
        let years = f64::from(day.count()) / DAYS_PER_YEAR;
        let whole = (years - years.round()).abs() < 0.02;
        (day.count() != 0, *day != end, !whole, std::cmp::Reverse(*day))
    };
    let mut wanted: Vec<Days> = days.iter().copied().collect();
    wanted.sort_by_key(rank);
    let mut kept: Vec<Days> = Vec::new();
    for day in wanted {
        let free = |other: &Days| (place(*other) - place(day)).abs() >= (width(*other) + width(day)) / 2.0 + GAP;
        if kept.iter().all(free) {
            kept.push(day);
        }
    }
    kept.sort_unstable();
    kept
}

#[cfg(test)]
mod tests {
    use super::super::fixture::group;
    use super::*;

    #[test]
    fn whole_years_win_where_there_is_little_room() {
        let group = group("All", 1000, 0.02, 3900);
        let last = last_day(&[&group]);
        let wide = |pixels: f64| {
            let place = |day: Days| f64::from(day.count()) / f64::from(last.count()) * 620.0;
            marks(&[&group], last, place, |_| pixels).into_iter().map(mark_text).collect::<Vec<_>>()
        };
        assert_eq!(wide(10.0), ["0", "0.5", "1", "2", "3", "5", "8", "10"]);
        assert_eq!(wide(40.0), ["0", "1", "2", "3", "5", "8", "10"]);
        assert_eq!(wide(90.0), ["0", "3", "5", "8", "10"].map(str::to_owned), "what does not fit goes, earliest last");
    }

    #[test]
    fn without_a_curve_the_axis_goes_as_far_as_somebody_is_followed() {
        assert_eq!(last_day(&[]), Days::new(SHORTEST));
        assert_eq!(
            last_day(&[&group("All", 3, 0.1, 800)]),
            Days::new(365),
            "one of three is still followed then, none later"
        );
        assert_eq!(whole_years(Days::new(731)), [0, 365, 731].map(Days::new));
    }
}
