//! The nonparametric likelihood of interval-censored times, brought to its largest value.
//!
//! Definition.  ℓ = Σ w·ln(S_lo − S_hi) over the edges of a likelihood (see `innermost`), in masses p_j ≥ 0 that sum to one.
//! Optimum.     With g_j = ∂ℓ/∂p_j and W = Σ w, p is best if g_j ≤ W everywhere (Kuhn–Tucker; then g_j = W wherever there is mass). The
//!              gap, max_j g_j/W' − W/W' with W' the sum of the positive weights, bounds what is left to gain by W'·gap.
//! Method.      Newton steps on a support that grows: between any two neighbours that hold mass the innermost interval with the largest
//!              g_j joins if it is above W; the step (see `interval_step`) sends those not wanted back to 0.
//! Source.      Steps on a support with a point added in each gap: Wang Y. J R Stat Soc B 2007;69:185–198, and Comput Stat Data
//!              Anal 2008;52:2388–2402 (from memory).
//! Decided.     It starts from a product limit on a smallest set of innermost intervals that meets every class, so that exact and
//!              right-censored times are at their optimum at once. Without entries ℓ is concave and any step with a slope still
//!              upwards at its end has gained; with them the log-likelihood itself is compared.
//! Cost.        Some ten to thirty passes over the edges.

use super::compensated_sum::CompensatedSum;
use super::innermost::{Edge, Innermost};
use super::interval_step::{StepModel, nodes_of};

/// The gap that is aimed at.
const AIM: f64 = 1e-11;
/// The gap at which it counts as converged.
pub(super) const GAP: f64 = 1e-9;
/// The most steps.
const MOST_STEPS: u32 = 500;
/// So many steps may fail to lower a gap that is small enough.
const PATIENCE: u32 = 2;

/// Masses at the largest likelihood.
#[derive(Clone, Debug)]
pub(super) struct Ascent {
    /// The mass of each innermost interval.
    pub mass: Vec<f64>,
    /// The survival at each place between them.
    pub survival: Vec<f64>,
    /// (g_j − W)/W' of each.
    pub excess: Vec<f64>,
    /// The largest of these.
    pub gap: f64,
    /// Steps taken.
    pub iterations: u32,
}

impl Ascent {
    /// Of this likelihood, from masses near the optimum if there are any.
    pub(super) fn of(innermost: &Innermost, near: Option<&[f64]>) -> Self {
        let climb = Climb { innermost, concave: innermost.edges.last().is_none_or(|edge| edge.weight > 0.0) };
        let met = climb.meeting_all();
        let mut mass = climb.product_limit(&met);
        if let Some(near) = near.filter(|_| climb.state(mass.clone()).gap > GAP) {
            let sum: f64 = near.iter().sum();
            if sum > 0.0 {
                mass.iter_mut().zip(near).for_each(|(mass, near)| *mass = 0.02 * *mass + 0.98 * near / sum);
            }
        }
        climb.run(mass)
    }

    /// The log-likelihood.
    pub(super) fn ln_likelihood(&self, edges: &[Edge]) -> f64 {
        let mut sum = CompensatedSum::default();
        edges.iter().for_each(|edge| sum.add(edge.weight * libm::log(probability(&self.survival, *edge))));
        sum.value()
    }
}

fn probability(survival: &[f64], edge: Edge) -> f64 {
    survival[edge.lo as usize] - survival[edge.hi as usize]
}

struct Climb<'a> {
    innermost: &'a Innermost,
    concave: bool,
}

impl Climb<'_> {
    fn run(&self, mass: Vec<f64>) -> Ascent {
        let mut now = self.state(mass);
        let mut best: Option<Ascent> = None;
        let mut patience = PATIENCE;
        loop {
            if best.as_ref().is_none_or(|best| now.gap < best.gap) {
                best = Some(now.clone());
            } else if best.as_ref().is_some_and(|best| best.gap <= GAP) {
                patience -= 1;
            }
            if now.gap <= AIM || patience == 0 || now.iterations >= MOST_STEPS {
                break;
            }
            let iterations = now.iterations + 1;
            match self.step(&now) {
                Some(mass) => now = self.state(mass),
                None => break,
            }
            now.iterations = iterations;
        }
        self.without_remnants(best.unwrap_or(now))
    }

    /// A state with its slopes; the masses are brought to a sum of one.
    fn state(&self, mut mass: Vec<f64>) -> Ascent {
        let sum: f64 = mass.iter().sum();
        mass.iter_mut().for_each(|mass| *mass /= sum);
        let survival = survival_of(&mass);
        let mut change = vec![0.0; survival.len()];
        for edge in &self.innermost.edges {
            let slope = edge.weight / probability(&survival, *edge);
            change[edge.lo as usize] += slope;
            change[edge.hi as usize] -= slope;
        }
        let (net, total) = (self.innermost.net, self.innermost.total);
        let mut slope = 0.0;
        let mut excess = Vec::with_capacity(mass.len());
        for change in &change[..mass.len()] {
            slope += change;
            excess.push((slope - net) / total);
        }
        let gap = excess.iter().copied().fold(0.0, |a: f64, b| if b > a || b.is_nan() { b } else { a });
        let gap = if gap.is_nan() { f64::INFINITY } else { gap };
        Ascent { mass, survival, excess, gap, iterations: 0 }
    }

    /// One step; none when nothing can be gained any more.
    fn step(&self, now: &Ascent) -> Option<Vec<f64>> {
        let places = self.support(now);
        let newton = |concave| {
            let model = StepModel::of(&self.innermost.edges, &now.survival, &places, concave);
            self.towards(now, &places, &model.optimum()?)
        };
        let step = if self.concave { newton(true) } else { newton(false).or_else(|| newton(true)) };
        step.or_else(|| self.redistribute(now))
    }

    /// What holds mass, and between any two neighbours of them the innermost interval with the largest slope, if it is too large.
    fn support(&self, now: &Ascent) -> Vec<usize> {
        let least = AIM.min(0.1 * now.gap);
        let mut places = Vec::new();
        let mut best: Option<usize> = None;
        for (j, (&mass, &excess)) in now.mass.iter().zip(&now.excess).enumerate() {
            if mass > 0.0 {
                places.extend(best.take());
                places.push(j);
            } else if excess > least && best.is_none_or(|best| excess > now.excess[best]) {
                best = Some(j);
            }
        }
        places.extend(best);
        places
    }

    /// Goes towards these masses, as far as it gains.
    fn towards(&self, now: &Ascent, places: &[usize], masses: &[f64]) -> Option<Vec<f64>> {
        let mut target = vec![0.0; now.mass.len()];
        places.iter().zip(masses).for_each(|(&place, &mass)| target[place] = mass);
        let there = survival_of(&target);
        let part = if self.concave { self.part_by_slope(now, &there)? } else { self.part_by_value(now, &there)? };
        if part < 1.0 {
            target.iter_mut().zip(&now.mass).for_each(|(target, mass)| *target = mass + part * (*target - mass));
        }
        Some(target)
    }

    /// The slope of ℓ along the way, after some part of it; from where a probability has gone, downwards without end.
    fn slope(&self, now: &Ascent, there: &[f64], part: f64) -> f64 {
        let mut slope = 0.0;
        let mut least = f64::INFINITY;
        for edge in &self.innermost.edges {
            let here = probability(&now.survival, *edge);
            let change = probability(there, *edge) - here;
            let reached = here + part * change;
            least = if reached < least { reached } else { least };
            slope += edge.weight * change / reached;
        }
        if least > 0.0 { slope } else { f64::NEG_INFINITY }
    }

    /// The largest part of the way found at whose end ℓ still rises, or has all but stopped to rise near the optimum.
    fn part_by_slope(&self, now: &Ascent, there: &[f64]) -> Option<f64> {
        let start = self.slope(now, there, 0.0);
        if start.is_nan() || start <= 0.0 {
            return None;
        }
        let full = self.slope(now, there, 1.0);
        // Near enough for a whole step to gain: the decrement of a sum of −ln with weights of at least one (self-concordance).
        if full >= 0.0 || (start < 0.05 * self.least_weight() && full > -0.5 * start) {
            return Some(1.0);
        }
        let (mut low, mut low_slope, mut high, mut high_slope) = (0.0, start, 1.0, full);
        for _ in 0..60 {
            let secant = low + (high - low) * low_slope / (low_slope - high_slope);
            let inside = if high_slope.is_finite() { secant } else { low + 0.9 * (high - low) };
            let part = inside.clamp(low + 0.05 * (high - low), high - 0.05 * (high - low));
            let slope = self.slope(now, there, part);
            if slope >= 0.0 {
                if slope <= 0.5 * start || part > 0.5 {
                    return Some(part);
                }
                (low, low_slope) = (part, slope);
            } else {
                (high, high_slope) = (part, slope);
            }
        }
        (low > 0.0).then_some(low)
    }

    fn least_weight(&self) -> f64 {
        self.innermost.edges.iter().map(|edge| edge.weight).fold(1.0, f64::min)
    }

    /// The first of the whole way, half of it, … that gains a part of what the slope promises.
    fn part_by_value(&self, now: &Ascent, there: &[f64]) -> Option<f64> {
        let start = self.slope(now, there, 0.0);
        if start.is_nan() || start <= 0.0 {
            return None;
        }
        let mut part = 1.0;
        for _ in 0..40 {
            let mut gain = CompensatedSum::default();
            for edge in &self.innermost.edges {
                let here = probability(&now.survival, *edge);
                let change = part * (probability(there, *edge) - here) / here;
                gain.add(if change > -1.0 { edge.weight * libm::log1p(change) } else { f64::NEG_INFINITY });
            }
            if gain.value() > 1e-4 * part * start || (start < 1e-12 * self.innermost.total && part > 0.999) {
                return Some(part);
            }
            part *= 0.5;
        }
        None
    }

    /// A step by self-consistency: each mass times its slope, by the whole weight. Without entries it never loses.
    fn redistribute(&self, now: &Ascent) -> Option<Vec<f64>> {
        let mass: Vec<f64> = now.mass.iter().zip(&now.excess).map(|(mass, excess)| mass * (1.0 + excess).max(0.1)).collect();
        (now.gap.is_finite() && mass != now.mass).then_some(mass)
    }

    /// Without masses that are rounding, where that is as good.
    fn without_remnants(&self, best: Ascent) -> Ascent {
        let remnant = |mass: f64, excess: f64| mass > 0.0 && mass < 1e-9 && excess < -1e-6;
        if !best.mass.iter().zip(&best.excess).any(|(&mass, &excess)| remnant(mass, excess)) {
            return best;
        }
        let kept = best.mass.iter().zip(&best.excess).map(|(&mass, &excess)| if remnant(mass, excess) { 0.0 } else { mass });
        let mut without = self.state(kept.collect());
        without.iterations = best.iterations;
        if without.gap <= best.gap.max(GAP) { without } else { best }
    }

    /// A smallest set of innermost intervals that meets the run of every class: of the runs that none has met yet, the one that ends
    /// first is met at its end.
    fn meeting_all(&self) -> Vec<usize> {
        let all = self.innermost.len();
        let mut latest_start = vec![None; all + 1];
        for edge in self.innermost.edges.iter().filter(|edge| edge.weight > 0.0) {
            let place = &mut latest_start[edge.hi as usize];
            *place = (*place).max(Some(edge.lo as usize));
        }
        let mut met: Vec<usize> = Vec::new();
        for (end, start) in latest_start.iter().enumerate().skip(1) {
            if start.is_some_and(|start| met.last().is_none_or(|&last| last < start)) {
                met.push(end - 1);
            }
        }
        if met.is_empty() && all > 0 {
            met.push(all - 1);
        }
        met
    }

    /// A product limit on these innermost intervals: classes share themselves out over those that they meet, but for those that reach
    /// the end, which are censored.
    fn product_limit(&self, met: &[usize]) -> Vec<f64> {
        let node = nodes_of(met, self.innermost.len());
        let size = met.len();
        // Changes, from node to node, of the share that fails and of those at risk.
        let (mut failing, mut at_risk) = (vec![0.0; size + 1], vec![0.0; size + 2]);
        let mut shares = vec![0.0; size + 1];
        for edge in &self.innermost.edges {
            let (from, to) = (node[edge.lo as usize], node[edge.hi as usize]);
            if edge.weight < 0.0 || to == size {
                at_risk[0] += edge.weight;
                at_risk[from] -= edge.weight;
            } else {
                let share = edge.weight / (to - from) as f64;
                failing[from] += share;
                failing[to] -= share;
                at_risk[0] += edge.weight;
            }
        }
        let mut share = 0.0;
        for (k, failing) in failing.iter().enumerate() {
            share += failing;
            shares[k] = if share > 1e-9 * self.innermost.total { share } else { 0.0 };
        }
        let mut mass = vec![0.0; self.innermost.len()];
        let (mut survival, mut risk) = (1.0, CompensatedSum::default());
        for (k, &place) in met.iter().enumerate() {
            risk.add(at_risk[k]);
            let hazard = if k + 1 == size { 1.0 } else { (shares[k] / risk.value()).clamp(0.0, 1.0) };
            let hazard = if hazard.is_nan() { 0.0 } else { hazard };
            mass[place] = survival * hazard;
            survival *= 1.0 - hazard;
            risk.add(-shares[k]);
        }
        self.in_every_class(met, mass)
    }

    /// Spreads a little over all of them where one has come out without mass and a class needs it.
    fn in_every_class(&self, met: &[usize], mut mass: Vec<f64>) -> Vec<f64> {
        let survival = survival_of(&mass);
        if self
            .innermost
            .edges
            .iter()
            .any(|edge| probability(&survival, *edge).is_nan() || probability(&survival, *edge) <= 0.0)
        {
            for &place in met {
                mass[place] += 0.1 / met.len() as f64;
            }
        }
        mass
    }
}

/// The survival at each place between innermost intervals.
fn survival_of(mass: &[f64]) -> Vec<f64> {
    let mut survival = vec![0.0; mass.len() + 1];
    let mut sum = 0.0;
    for (place, mass) in survival.iter_mut().zip(mass).rev() {
        sum += mass;
        *place = sum;
    }
    survival
}
