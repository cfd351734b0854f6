//! The vertical axis of survival: from where to where it goes, and which way up.
//!
//! Purpose: to show survival downwards from 100 %, or what has failed upwards from 0 %, without hiding how much of the axis is left out.
//! An axis that does not hold all from 0 to 100 % says so on the chart.

use super::palette::{GRID, INK};
use super::sheet::{Anchor, SMALL, Sheet, TEXT, Weight};
use crate::quantity::{Days, Fraction, Known};
use crate::result::GroupReview;
use crate::wording::percent;

/// Which vertical axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    /// Survival from 0 %.
    Full,
    /// Survival from a multiple of 10 % below everything drawn, with a visible break.
    Zoomed,
    /// Cumulative failure, 1 − survival, from 0 % to a round value above everything drawn.
    Failed,
}

/// Where an axis of cumulative failure may end, per cent.
const ENDS: [u8; 12] = [2, 5, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100];

impl Scale {
    /// What the axis shows of a survival.
    pub fn shown(self, survival: Fraction) -> Fraction {
        if self == Self::Failed { survival.complement() } else { survival }
    }

    /// The same in words: `88.0 %`, `12.0 % failed`.
    pub fn said(self, survival: Fraction) -> String {
        let shown = percent(self.shown(survival));
        if self == Self::Failed { format!("{shown} failed") } else { shown }
    }
}

/// The axis of a chart.
pub struct Upright {
    scale: Scale,
    /// The values at which it begins and ends, per cent.
    from: u8,
    to: u8,
}

impl Upright {
    /// The axis that holds all curves and limits of these groups.
    pub fn new(scale: Scale, groups: &[&GroupReview]) -> Self {
        let lowest = groups
            .iter()
            .flat_map(|group| steps(group))
            .map(|(_, survival, limits)| limits.map_or(survival, |(lower, _)| lower).value())
            .fold(1.0, f64::min);
        let (from, to) = match scale {
            Scale::Full => (0, 100),
            Scale::Zoomed => ((0..=9_u8).rev().map(|tenth| tenth * 10).find(|from| part(*from) <= lowest).unwrap_or(0), 100),
            Scale::Failed => (0, ENDS.into_iter().find(|to| part(*to) > 1.0 - lowest).unwrap_or(100)),
        };
        Self { scale, from, to }
    }

    /// How high on the axis a survival stands, as a part of it.
    pub fn height(&self, survival: Fraction) -> f64 {
        self.height_of(self.scale.shown(survival).value())
    }

    fn height_of(&self, value: f64) -> f64 {
        let (from, to) = (part(self.from), part(self.to));
        (value - from).max(0.0) / (to - from)
    }

    /// Per cent from mark to mark: small steps on a short axis.
    fn step(&self) -> usize {
        let steps: &[(u8, usize)] = match self.scale {
            Scale::Failed => &[(5, 1), (10, 2), (25, 5), (60, 10)],
            Scale::Zoomed => &[(25, 5), (99, 10)],
            Scale::Full => &[],
        };
        steps.iter().find(|(most, _)| self.to - self.from <= *most).map_or(20, |(_, step)| *step)
    }

    /// Draws it at `left` with grid lines to `right`, between two heights.
    pub fn draw(&self, sheet: &Sheet, (left, right): (f64, f64), (top, bottom): (f64, f64)) {
        for value in (self.from..=self.to).step_by(self.step()) {
            let y = bottom - self.height_of(part(value)) * (bottom - top);
            sheet.line(&[(left, y), (right, y)], GRID, 1.0, &[]);
            sheet.text(&format!("{value} %"), (left - 10.0, y), TEXT, Weight::Regular, Anchor::End, INK);
        }
        sheet.line(&[(left, bottom), (right, bottom)], INK, 1.4, &[]);
        if self.from > 0 {
            let y = bottom - 20.0;
            let zig_zag = [(left, y), (left - 7.0, y + 4.0), (left + 7.0, y + 9.0), (left, y + 13.0)];
            sheet.line(&[(left, top), (left, y)], INK, 1.4, &[]);
            sheet.line(&zig_zag, INK, 1.8, &[]);
            sheet.line(&[(left, y + 13.0), (left, bottom)], INK, 1.4, &[]);
            let said = format!("axis starts at {} %", self.from);
            sheet.text(&said, (left + 14.0, bottom - 13.0), SMALL, Weight::Bold, Anchor::Start, INK);
        } else {
            sheet.line(&[(left, top), (left, bottom)], INK, 1.4, &[]);
        }
        if self.to < 100 {
            let said = format!("axis ends at {} %", self.to);
            sheet.text(&said, (left + 14.0, top + 13.0), SMALL, Weight::Bold, Anchor::Start, INK);
        }
    }
}

fn part(per_cent: u8) -> f64 {
    f64::from(per_cent) / 100.0
}

/// The drawn days and what holds from each on, starting with day 0.
pub fn steps(group: &GroupReview) -> impl Iterator<Item = (Days, Fraction, Option<(Fraction, Fraction)>)> + '_ {
    let start = (Days::new(0), Fraction::new(1.0), None);
    let points = group.curve.iter().take_while(|point| point.day <= group.drawn_to_day);
    std::iter::once(start).chain(points.map(|point| {
        let limits = match point.interval {
            Known::Known(interval) => Some((interval.lower, interval.upper)),
            Known::NotKnown(_) => None,
        };
        (point.day, point.survival, limits)
    }))
}

#[cfg(test)]
mod tests {
    use super::super::fixture::group;
    use super::*;

    #[test]
    fn an_axis_ends_above_all_that_is_drawn_and_no_further_than_the_next_round_value() {
        for hazard in [0.0, 0.001, 0.01, 0.03, 0.08, 0.4] {
            let group = group("All", 1240, hazard, 3800);
            let axis = Upright::new(Scale::Failed, &[&group]);
            let worst = steps(&group).map(|step| 1.0 - step.2.map_or(step.1, |limits| limits.0).value()).fold(0.0, f64::max);
            let place = ENDS.iter().position(|end| *end == axis.to).expect("one of them");
            assert!(part(axis.to) > worst || axis.to == 100, "{hazard}: {} for {worst}", axis.to);
            assert!(place == 0 || part(ENDS[place - 1]) <= worst, "{hazard}: {} for {worst}", axis.to);
            assert!(usize::from(axis.to).is_multiple_of(axis.step()), "a mark stands at the end");
        }
    }

    #[test]
    fn what_has_failed_is_what_has_not_survived() {
        let group = group("All", 1240, 0.03, 3800);
        let (up, down) = (Upright::new(Scale::Failed, &[&group]), Upright::new(Scale::Full, &[&group]));
        for (_, survival, _) in steps(&group) {
            let mirrored = (1.0 - down.height(survival)) / part(up.to);
            assert!((up.height(survival) - mirrored).abs() < 1e-12);
        }
        assert_eq!(Scale::Failed.said(Fraction::new(0.88)), "12.0 % failed");
        assert_eq!(Scale::Full.said(Fraction::new(0.88)), "88.0 %");
    }

    #[test]
    fn a_shortened_axis_starts_below_every_limit() {
        let group = group("All", 1240, 0.01, 3800);
        let lowest = steps(&group).filter_map(|step| step.2).map(|limits| limits.0.value()).fold(1.0, f64::min);
        let from = Upright::new(Scale::Zoomed, &[&group]).from;
        assert!(part(from) <= lowest && part(from + 10) > lowest, "{from} for {lowest}");
    }
}
