//! Firth's penalty for logistic regression: finite estimates where levels are rare or separated.
//!
//! Definition.  β maximises ln L*(β) = ln L(β) + ½·ln|I(β)|, the likelihood times Jeffreys' prior; this takes the first order off the
//!              bias of the maximum-likelihood estimate.
//! Formula.     With q_bc = xᵀ·(I⁻¹)_bc·x, the penalty adds to U_a
//!              ½·Σ w·x·p_a·(q_aa − Σ_b p_b·q_bb − 2·Σ_c p_c·q_ac + 2·Σ_bc p_b·p_c·q_bc); with two levels Σ h·(½ − p)·x, h the leverage.
//! Inference.   Penalised likelihood ratio: 2·(ln L*(β̂) − max ln L* with β_k = 0). Limits: those β_k that this test doesn't reject
//!              (profile). |I| is that of all coefficients, the fixed one among them.
//! Source.      Firth D. Biometrika 1993;80:27–38; Heinze G, Schemper M. Stat Med 2002;21:2409–2419; more levels: Kosmidis I, Firth D.
//!              Biometrika 2011;98:755–759 (all from memory).
//! Decided.     Steps use the information of the unpenalised likelihood, halved until they climb.
//! Cost.        O(rows·columns²·levels²) a step, some tens of steps for each limit.

use super::cox::Convergence;
use super::lanes::dot;
use super::logistic::LogisticProblem;
use super::logit_climb::{FARTHEST, root_of};
use super::logit_likelihood::{STRETCH, evaluate, in_blocks};
use super::logit_rows::LogitRows;
use super::symmetric::{Root, Symmetric};

const MOST_ITERATIONS: u32 = 1000;
/// Squared slope, in the metric of the information, at which the iterations end.
const SETTLED: f64 = 1e-21;
/// No step moves a coefficient farther than this (in about one standard deviation of its column).
const LONGEST_STEP: f64 = 2.0;

/// The penalised likelihood at one β.
#[derive(Clone)]
pub(super) struct Penalised {
    pub(super) beta: Vec<f64>,
    pub(super) ln_likelihood: f64,
    score: Vec<f64>,
    information: Symmetric,
    pub(super) root: Root,
}

impl Penalised {
    pub(super) fn at(rows: &LogitRows, beta: Vec<f64>) -> Result<Self, LogisticProblem> {
        let at = evaluate(rows, &beta);
        let not_settled = || LogisticProblem::NotConverged { columns: rows.names.clone(), iterations: 0 };
        if at.furthest > FARTHEST {
            return Err(not_settled());
        }
        let root = root_of(&at.information).map_err(|_| not_settled())?;
        let mut score = at.score;
        let slope = slope_of_penalty(rows, &beta, &root.inverse());
        score.iter_mut().zip(slope).for_each(|(score, slope)| *score += slope);
        let ln_likelihood = at.ln_likelihood + 0.5 * root.ln_determinant();
        Ok(Self { beta, ln_likelihood, score, information: at.information, root })
    }

    /// Climbs, with those parameters held for which `held` says so.
    pub(super) fn climb(
        self,
        rows: &LogitRows,
        held: impl Fn(usize) -> bool,
    ) -> Result<(Self, Convergence), LogisticProblem> {
        let free: Vec<usize> = (0..rows.parameters()).filter(|&k| !held(k)).collect();
        let mut now = self;
        let mut convergence =
            Convergence { iterations: 0, slope_in_standard_errors: 0.0, relative_change: 0.0, halvings: 0 };
        let not_settled = |iterations| LogisticProblem::NotConverged { columns: rows.names.clone(), iterations };
        loop {
            let root = root_of(&now.information.only(&free)).map_err(|_| not_settled(convergence.iterations))?;
            let slope: Vec<f64> = free.iter().map(|&k| now.score[k]).collect();
            let length = root.quadratic_form(&slope);
            convergence.slope_in_standard_errors = libm::sqrt(length);
            if length <= SETTLED {
                return Ok((now, convergence));
            }
            if convergence.iterations >= MOST_ITERATIONS {
                return Err(not_settled(convergence.iterations));
            }
            convergence.iterations += 1;
            let step = root.solve(&slope);
            let longest = step.iter().fold(0.0_f64, |longest, step| longest.max(step.abs()));
            let mut part = (LONGEST_STEP / longest).min(1.0);
            let next = loop {
                let mut beta = now.beta.clone();
                free.iter().zip(&step).for_each(|(&k, step)| beta[k] += part * step);
                let lowest = now.ln_likelihood - 1e-12 * (1.0 + now.ln_likelihood.abs());
                match Self::at(rows, beta) {
                    Ok(next) if next.ln_likelihood >= lowest => break next,
                    _ if part * longest < 1e-13 => {
                        // Rounding hides whatever is left to climb; that is the end only if next to nothing is left.
                        if length <= 1e-12 {
                            return Ok((now, convergence));
                        }
                        return Err(not_settled(convergence.iterations));
                    }
                    _ => {
                        convergence.halvings += 1;
                        part *= 0.5;
                    }
                }
            };
            let change = (next.ln_likelihood - now.ln_likelihood).abs();
            convergence.relative_change = change / next.ln_likelihood.abs().max(f64::MIN_POSITIVE);
            now = next;
        }
    }

    /// The best with parameter k held at a value.
    pub(super) fn profile(&self, rows: &LogitRows, k: usize, value: f64) -> Result<Self, LogisticProblem> {
        let mut beta = self.beta.clone();
        beta[k] = value;
        Ok(Self::at(rows, beta)?.climb(rows, |held| held == k)?.0)
    }

    /// Where the profile of parameter k has come down by half the squared reach, to one side.
    pub(super) fn limit(
        &self,
        rows: &LogitRows,
        k: usize,
        sign: f64,
        reach: f64,
        error: f64,
    ) -> Result<f64, LogisticProblem> {
        let target = self.ln_likelihood - 0.5 * reach * reach;
        let (mut inside, mut outside) = (self.beta[k], None);
        let mut value = inside + sign * reach * error;
        let mut near = self.clone();
        for _ in 0..100 {
            let at = near.profile(rows, k, value)?;
            let above = at.ln_likelihood - target;
            if above > 0.0 {
                inside = value;
            } else {
                outside = Some(value);
            }
            // Newton on the profile, whose slope is that of its own parameter; kept within what encloses the root.
            let step = -above / at.score[k];
            let next = value + step;
            if step.abs() <= 1e-11 * (1.0 + value.abs()) {
                return Ok(next);
            }
            let enclosed = (next - inside) * sign > 0.0 && outside.is_none_or(|outside| (outside - next) * sign > 0.0);
            value = match outside {
                _ if enclosed && (outside.is_some() || (next - inside).abs() <= 4.0 * reach * error) => next,
                Some(outside) => 0.5 * (inside + outside),
                None => inside + sign * reach * error,
            };
            near = at;
        }
        Err(LogisticProblem::NotConverged { columns: rows.names.clone(), iterations: 100 })
    }
}

fn slope_of_penalty(rows: &LogitRows, beta: &[f64], inverse: &Symmetric) -> Vec<f64> {
    let (width, contrasts) = (rows.width(), rows.contrasts());
    let pair = |a: usize, b: usize| if a < b { b * (b + 1) / 2 + a } else { a * (a + 1) / 2 + b };
    // The forms xᵀ·(I⁻¹)_ab·x as sums over pairs of columns, each pair once.
    let forms: Vec<Vec<f64>> = (0..contrasts)
        .flat_map(|a| (0..=a).map(move |b| (a * width, b * width)))
        .map(|(a, b)| {
            let of = |j: usize, k: usize| match j == k {
                true => inverse.at(a + j, b + j),
                false => inverse.at(a + j, b + k) + inverse.at(a + k, b + j),
            };
            (0..width).flat_map(|j| (0..=j).map(move |k| (j, k))).map(|(j, k)| of(j, k)).collect()
        })
        .collect();
    let parts = in_blocks(rows, beta, |stretches| {
        let mut slope = vec![0.0; rows.parameters()];
        // A stretch of rows for each form, and for each level Σ_c p_c·q_ac.
        let mut q = vec![0.0; forms.len() * STRETCH];
        let mut mixed = vec![0.0; contrasts * STRETCH];
        let [mut inner, mut own, mut both, mut factor] = [(); 4].map(|()| vec![0.0; STRETCH]);
        for stretch in stretches {
            let (first, len) = (stretch.first, stretch.len);
            let x = |k: usize| &rows.columns[k][first..first + len];
            for (form, q) in forms.iter().zip(q.chunks_exact_mut(STRETCH)) {
                let (q, inner) = (&mut q[..len], &mut inner[..len]);
                q.fill(0.0);
                let mut terms = form.iter();
                for j in 0..width {
                    inner.fill(0.0);
                    for (k, &term) in (0..=j).zip(terms.by_ref()) {
                        inner.iter_mut().zip(x(k)).for_each(|(inner, x)| *inner += term * x);
                    }
                    q.iter_mut().zip(&*inner).zip(x(j)).for_each(|((q, inner), x)| *q += inner * x);
                }
            }
            let of_pair = |a: usize, b: usize| &q[pair(a, b) * STRETCH..][..len];
            let (own, both, factor) = (&mut own[..len], &mut both[..len], &mut factor[..len]);
            own.fill(0.0);
            both.fill(0.0);
            for a in 0..contrasts {
                let mixed = &mut mixed[a * STRETCH..][..len];
                mixed.fill(0.0);
                for c in 0..contrasts {
                    let p_c = stretch.of_level(c + 1);
                    mixed.iter_mut().zip(p_c).zip(of_pair(a, c)).for_each(|((mixed, p), q)| *mixed += p * q);
                }
                let p_a = stretch.of_level(a + 1);
                own.iter_mut().zip(p_a).zip(of_pair(a, a)).for_each(|((own, p), q)| *own += p * q);
                both.iter_mut().zip(p_a).zip(&*mixed).for_each(|((both, p), mixed)| *both += p * mixed);
            }
            for a in 0..contrasts {
                let (p_a, q_aa, mixed) = (stretch.of_level(a + 1), of_pair(a, a), &mixed[a * STRETCH..][..len]);
                for (i, factor) in factor.iter_mut().enumerate() {
                    let bracket = q_aa[i] - own[i] - 2.0 * mixed[i] + 2.0 * both[i];
                    *factor = 0.5 * rows.weight_of(first + i) * p_a[i] * bracket;
                }
                let block = &mut slope[a * width..(a + 1) * width];
                block.iter_mut().enumerate().for_each(|(k, slope)| *slope += dot(factor, x(k)));
            }
        }
        slope
    });
    let mut whole = vec![0.0; rows.parameters()];
    parts.iter().for_each(|part| whole.iter_mut().zip(part).for_each(|(sum, term)| *sum += term));
    whole
}
