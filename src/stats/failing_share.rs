//! What part of those who enter a plan will be seen to fail, by how long they are followed.
//!
//! Definition.  Entries come evenly over the years of accrual A; then follow-up goes on for F years, so that the time available is
//!              uniform on F to F + A. Time to failure has survival S, time to loss is exponential with rate η. The share seen to
//!              fail is ∫ from 0 to F + A of e^(−ηu)·w(u) dF(u), with w(u) = 1 up to F and (F + A − u)/A beyond: the part of those
//!              entered who are followed as long as u.
//! Formula.     With hazard λ, and x = λ + η: λ/x·[1 − e^(−xF)·(1 − e^(−xA))/(xA)]. Mean time under observation: the same by λ.
//!              Any other curve: the integral by midpoints of equal steps in u.
//! Source.      Lachin JM, Foulkes MA. Biometrics 1986;42:507–519 (uniform entry, exponential loss; from memory).
//! Decided.     Loss is that of the time under observation at a yearly rate, as a hazard: −ln(1 − share lost a year). Endings that
//!              compete with failure are part of it. The cases of no accrual and of no hazard are limits that are reached.
//! Accuracy.    The closed form 1e-14; the integral to the square of a step, 4000 steps: 1e-7 for smooth curves.
//! Not for.     Recalls so far apart that the last of them comes long before the end of follow-up: what fails after it isn't seen.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::quantity::{AnnualRate, Fraction, Known, WhyNotKnown, Years};

/// Steps of the integral.
const STEPS: u32 = 4000;

/// For how long those who enter are followed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FollowUpPlan {
    /// Over how long they enter, evenly; 0 if all at once.
    pub accrual: Years,
    /// For how long the last to enter is followed.
    pub further: Years,
    /// At what rate they are lost, as a hazard for one year.
    pub loss: AnnualRate,
}

/// The hazard, constant over time, that leaves this survival at a horizon: −ln S / t.
///
/// Not known unless survival lies above 0 and the horizon is above 0.
pub fn hazard_of_survival(survival: Fraction, horizon: Years) -> Known<AnnualRate> {
    if survival.value() > 0.0 && horizon.count() > 0.0 && horizon.count().is_finite() {
        Known::Known(AnnualRate::new(-libm::log(survival.value()) / horizon.count()))
    } else {
        Known::NotKnown(WhyNotKnown::OutsideItsRange)
    }
}

/// The hazard of a yearly share: −ln(1 − share). For a share lost a year, or a geometric annual failure rate.
///
/// Not known unless the share is below 1.
pub fn hazard_of_yearly_share(share: Fraction) -> Known<AnnualRate> {
    hazard_of_survival(share.complement(), Years::new(1.0))
}

impl FollowUpPlan {
    /// The share seen to fail at a constant hazard.
    ///
    /// Not known where a length or a rate is not a number of 0 or above.
    pub fn failing_share(&self, hazard: AnnualRate) -> Known<Fraction> {
        self.mean_time(hazard).map(|time| Fraction::new(hazard.per_year() * time.count()))
    }

    /// Mean time under observation at a constant hazard of failure.
    ///
    /// Not known where a length or a rate is not a number of 0 or above.
    pub fn mean_time(&self, hazard: AnnualRate) -> Known<Years> {
        let (a, f) = (self.accrual.count(), self.further.count());
        let x = hazard.per_year() + self.loss.per_year();
        if !self.is_sound() || !sound(hazard.per_year()) {
            return Known::NotKnown(WhyNotKnown::OutsideItsRange);
        }
        // (1 − e^(−xF))/x + e^(−xF)·A·(1 − (1 − e^(−xA))/(xA))/(xA), each part without cancelling.
        let before = if x > 0.0 { -libm::expm1(-x * f) / x } else { f };
        Known::Known(Years::new(before + libm::exp(-x * f) * a * ramp(x * a)))
    }

    /// The share seen to fail where survival to a time is that of any curve, which falls from 1.
    ///
    /// Not known where a length or a rate is not a number of 0 or above, or the curve isn't one that falls.
    pub fn failing_share_of_curve(&self, survival: impl Fn(Years) -> Fraction) -> Known<Fraction> {
        if !self.is_sound() {
            return Known::NotKnown(WhyNotKnown::OutsideItsRange);
        }
        let (a, f) = (self.accrual.count(), self.further.count());
        let mut share = 0.0;
        let mut left = 1.0;
        // The kink of w at F falls on the edge of a step.
        for (from, length) in [(0.0, f), (f, a)] {
            if length <= 0.0 {
                continue;
            }
            let step = length / f64::from(STEPS);
            for i in 0..STEPS {
                let (middle, end) = (from + (f64::from(i) + 0.5) * step, from + (f64::from(i) + 1.0) * step);
                let now = survival(Years::new(end)).value();
                if now.is_nan() || now > left {
                    return Known::NotKnown(WhyNotKnown::OutsideItsRange);
                }
                let followed = if middle <= f { 1.0 } else { (f + a - middle) / a };
                share += (left - now) * followed * libm::exp(-self.loss.per_year() * middle);
                left = now;
            }
        }
        Known::Known(Fraction::new(share))
    }

    fn is_sound(&self) -> bool {
        sound(self.accrual.count()) && sound(self.further.count()) && sound(self.loss.per_year())
    }
}

fn sound(value: f64) -> bool {
    value >= 0.0 && value.is_finite()
}

/// (y − 1 + e^(−y))/y², which is 1/2 at 0.
fn ramp(y: f64) -> f64 {
    if y > 0.5 {
        return (y + libm::expm1(-y)) / (y * y);
    }
    // Σ (−y)^k/(k + 2)!
    let (mut term, mut sum, mut k) = (0.5_f64, 0.5, 2.0);
    while term.abs() > 1e-18 {
        k += 1.0;
        term *= -y / k;
        sum += term;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(accrual: f64, further: f64, loss: f64) -> FollowUpPlan {
        FollowUpPlan { accrual: Years::new(accrual), further: Years::new(further), loss: AnnualRate::new(loss) }
    }

    fn share(plan: FollowUpPlan, hazard: f64) -> f64 {
        plan.failing_share(AnnualRate::new(hazard)).known().expect("a plan").value()
    }

    #[test]
    fn by_hand() {
        // All at once, no loss: 1 − e^(−λF). With loss as fast as failure: half of 1 − e^(−2λF).
        assert!((share(plan(0.0, 5.0, 0.0), 0.04) - (1.0 - (-0.2_f64).exp())).abs() < 1e-15, "absolute");
        assert!((share(plan(0.0, 5.0, 0.04), 0.04) - 0.5 * (1.0 - (-0.4_f64).exp())).abs() < 1e-15, "absolute");
        // By the formula: λ 0.1, A 2, F 3: 1 − (e^(−0.3) − e^(−0.5))/0.2.
        let expected = 1.0 - ((-0.3_f64).exp() - (-0.5_f64).exp()) / 0.2;
        assert!((share(plan(2.0, 3.0, 0.0), 0.1) / expected - 1.0).abs() < 1e-14, "relative");
        // Without any hazard, time under observation is that available: 3 + 2/2.
        assert!((plan(2.0, 3.0, 0.0).mean_time(AnnualRate::new(0.0)).known().expect("a plan").count() - 4.0).abs() < 1e-15);
        assert_eq!(plan(-1.0, 3.0, 0.0).failing_share(AnnualRate::new(0.1)), Known::NotKnown(WhyNotKnown::OutsideItsRange));
    }

    #[test]
    fn the_integral_agrees_with_the_closed_form() {
        for (accrual, further, loss, hazard) in [(2.0, 3.0, 0.05, 0.1), (5.0, 0.0, 0.0, 0.3), (0.0, 8.0, 0.1, 0.02)] {
            let plan = plan(accrual, further, loss);
            let by_curve = plan.failing_share_of_curve(|time| Fraction::new((-hazard * time.count()).exp()));
            let by_curve = by_curve.known().expect("a curve").value();
            assert!((by_curve / share(plan, hazard) - 1.0).abs() < 1e-7, "relative: {by_curve}");
        }
        let rising = plan(1.0, 1.0, 0.0).failing_share_of_curve(|time| Fraction::new(0.5 + 0.1 * time.count()));
        assert_eq!(rising, Known::NotKnown(WhyNotKnown::OutsideItsRange));
    }

    #[test]
    fn rates_become_hazards() {
        let of_survival = hazard_of_survival(Fraction::new(0.8), Years::new(5.0));
        assert!((of_survival.known().expect("known").per_year() - 0.2 * 1.25_f64.ln()).abs() < 1e-15, "absolute");
        let of_share = hazard_of_yearly_share(Fraction::new(0.1));
        assert!((of_share.known().expect("known").per_year() + 0.9_f64.ln()).abs() < 1e-15, "absolute");
        assert_eq!(hazard_of_yearly_share(Fraction::new(1.0)), Known::NotKnown(WhyNotKnown::OutsideItsRange));
    }
}
