//! For Gray's test: the course of one stratum, tick by tick, with the scores, their model-based covariance, and what one at risk
//! or ending adds to them. The legend is in `gray`.

use super::causes::{EndingTable, left_of};
use super::covariance::Covariance;

/// One group on one tick, just before it unless said.
#[derive(Clone, Copy, Default)]
struct GroupAt {
    at_risk: f64,
    ended: f64,
    others: f64,
    left: f64,
    survival: f64,
    incidence: f64,
    survival_after: f64,
    incidence_after: f64,
    /// n/S.
    h: f64,
    /// n(1 − F)/S.
    r: f64,
}

/// A tick on which somebody ended by a cause, over all groups.
pub(super) struct TickAt {
    pub(super) tick: usize,
    weight: f64,
    /// Ended by the cause.
    ended: f64,
    h: f64,
    r: f64,
    common_before: f64,
    common_rise: f64,
}

impl TickAt {
    /// dF⁰/(1 − F⁰(t−)).
    fn common_hazard(&self) -> f64 {
        if self.common_before < 1.0 { self.common_rise / (1.0 - self.common_before) } else { 0.0 }
    }

    /// d/ΣR.
    fn pooled_hazard(&self) -> f64 {
        if self.r > 0.0 { self.ended / self.r } else { 0.0 }
    }
}

/// The course of one stratum.
pub(super) struct Path {
    size: usize,
    pub(super) ticks: Vec<TickAt>,
    groups: Vec<GroupAt>,
    /// z of each group.
    pub(super) score: Vec<f64>,
}

impl Path {
    pub(super) fn of(tables: &[EndingTable], rho: f64) -> Self {
        let size = tables.len();
        let mut path = Self { size, ticks: Vec::new(), groups: Vec::new(), score: vec![0.0; size] };
        let mut state = vec![(1.0, 0.0); size];
        let mut common = 0.0;
        for tick in 0..tables.first().map_or(0, |table| table.at_risk.len()) {
            if tables.iter().all(|table| table.events[tick] <= 0.0) {
                continue;
            }
            let mut at = TickAt {
                tick,
                weight: weight_of(1.0 - common, rho),
                ended: 0.0,
                h: 0.0,
                r: 0.0,
                common_before: common,
                common_rise: 0.0,
            };
            for (table, (survival, incidence)) in tables.iter().zip(&mut state) {
                let group = GroupAt::of(table, tick, *survival, *incidence);
                (*survival, *incidence) = (group.survival_after, group.incidence_after);
                at.ended += group.ended;
                at.h += group.h;
                at.r += group.r;
                path.groups.push(group);
            }
            if at.h > 0.0 {
                at.common_rise = at.ended / at.h;
            }
            common = f64::min(common + at.common_rise, 1.0);
            let first = path.groups.len() - size;
            for (score, group) in path.score.iter_mut().zip(&path.groups[first..]) {
                *score += at.weight * (group.ended - group.r * at.pooled_hazard());
            }
            path.ticks.push(at);
        }
        path
    }

    fn groups_at(&self, j: usize) -> &[GroupAt] {
        &self.groups[j * self.size..(j + 1) * self.size]
    }

    /// Adds the model-based covariance of the scores.
    pub(super) fn add_model_covariance(&self, covariance: &mut Covariance) {
        let size = self.size;
        let mut rest = vec![0.0; size * size];
        let mut a = vec![0.0; size];
        for (j, at) in self.ticks.iter().enumerate().rev() {
            let groups = self.groups_at(j);
            let factor = |i: usize, r: usize| {
                let own = if i == r { 1.0 } else { 0.0 };
                at.weight * (own - groups[i].h / at.h) * groups[r].h
            };
            for (r, group) in groups.iter().enumerate().filter(|(_, group)| group.h > 0.0) {
                let x = if group.survival_after > 0.0 {
                    (1.0 - at.common_before - at.common_rise) / group.survival_after
                } else {
                    0.0
                };
                let rest = &rest[r * size..(r + 1) * size];
                if at.ended > 0.0 {
                    for (i, a) in a.iter_mut().enumerate() {
                        *a = factor(i, r) + (1.0 - x) * rest[i];
                    }
                    let ties = factor_for_ties(at.ended, group.survival * at.h);
                    covariance.add_square(at.common_rise / group.h * ties, &a);
                }
                if group.others > 0.0 {
                    let ties = factor_for_ties(group.others, group.at_risk);
                    covariance.add_square(x * x * group.others / (group.h * group.h) * ties, rest);
                }
            }
            if at.ended > 0.0 && at.h > 0.0 {
                for r in 0..size {
                    for i in 0..size {
                        rest[r * size + i] += factor(i, r) * at.common_hazard();
                    }
                }
            }
        }
    }

    /// For one group, what each tick adds to the scores of one at risk on it, and those that end on it by the cause or by another:
    /// three rows of as many as there are groups, for each tick with an ending.
    pub(super) fn influences(&self, r: usize) -> Vec<f64> {
        let size = self.size;
        let mut rows = vec![0.0; 3 * size * self.ticks.len()];
        let mut rest = vec![0.0; size];
        for (j, at) in self.ticks.iter().enumerate().rev() {
            let groups = self.groups_at(j);
            let group = &groups[r];
            let rows = &mut rows[3 * size * j..3 * size * (j + 1)];
            let own = |i: usize| if i == r { 1.0 } else { 0.0 };
            let difference = |i: usize| if at.r > 0.0 { at.weight * (own(i) - groups[i].r / at.r) } else { 0.0 };
            if group.h > 0.0 {
                let (n, d) = (group.at_risk, group.ended + group.others);
                let per_left = if group.left > 0.0 { (1.0 - group.incidence_after) / group.left } else { 0.0 };
                let share = group.survival / n;
                for i in 0..size {
                    let pace = difference(i) * (1.0 - group.incidence) / group.survival * at.pooled_hazard();
                    rows[i] = rest[i] * (per_left * d - share * group.ended) / n - pace;
                    rows[size + i] = difference(i) - rest[i] * (per_left - share);
                    rows[2 * size + i] = -rest[i] * per_left;
                }
            }
            for (i, rest) in rest.iter_mut().enumerate() {
                *rest += difference(i) * group.h * at.pooled_hazard();
            }
        }
        rows
    }
}

impl GroupAt {
    fn of(table: &EndingTable, tick: usize, survival: f64, incidence: f64) -> Self {
        let n = table.at_risk[tick];
        let still = Self { survival, incidence, survival_after: survival, incidence_after: incidence, ..Self::default() };
        if n <= 0.0 || survival <= 0.0 {
            return still;
        }
        let (ended, others) = (table.ended(1)[tick], table.ended(2)[tick]);
        let left = left_of(n, n - table.events[tick]);
        Self {
            at_risk: n,
            ended,
            others,
            left,
            survival_after: survival * left / n,
            incidence_after: incidence + survival * ended / n,
            h: n / survival,
            r: n * (1.0 - incidence) / survival,
            ..still
        }
    }
}

fn weight_of(event_free: f64, rho: f64) -> f64 {
    if rho.abs() > 0.0 { libm::pow(event_free, rho) } else { 1.0 }
}

fn factor_for_ties(ended: f64, of: f64) -> f64 {
    if ended <= 1.0 {
        1.0
    } else if of > 1.0 {
        f64::max(1.0 - (ended - 1.0) / (of - 1.0), 0.0)
    } else {
        0.0
    }
}
