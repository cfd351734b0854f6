//! How far a parametric curve lies from one without a family, at the farthest.
//!
//! Definition.  At each time a curve without a family lets S lie between a lower and an upper value: both the same where it is settled
//!              (Kaplan–Meier), apart where the data don't tell (within an interval of Turnbull's estimate). The distance at that time is
//!              how far the parametric S lies outside of them, 0 inside; the largest over the times is told, with where it is.
//! Decided.     No probability comes with it: both curves were fitted to the same rows, and the usual tables don't hold then. A curve
//!              that jumps is met fully only if each jump is given from both sides: S just before with the time, and S after.
//! Cost.        One evaluation of the curve for each time.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::parametric::ParametricModel;
use super::product_limit::ProductLimit;
use crate::quantity::{Fraction, Known, WhyNotKnown};

/// What a curve without a family says of one time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SurvivalBetween {
    /// The time, in the unit of the model.
    pub time: f64,
    /// The least that survival may be.
    pub lower: Fraction,
    /// The most that it may be.
    pub upper: Fraction,
}

impl SurvivalBetween {
    /// The two sides of each step of a product-limit curve, with the time that each of its ticks stands for.
    pub fn of_product_limit(curve: &ProductLimit, axis: &super::axis::Axis) -> Vec<Self> {
        let mut before = Fraction::new(1.0);
        let mut points = Vec::with_capacity(2 * curve.steps().len());
        for step in curve.steps() {
            let time = axis.time(step.day.count());
            points.push(Self { time, lower: before, upper: before });
            points.push(Self { time, lower: step.survival, upper: step.survival });
            before = step.survival;
        }
        points
    }
}

/// The largest distance between two curves.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CurveDistance {
    /// The distance, as a part of one.
    pub largest: Fraction,
    /// Where it is: the time, and what the curve without a family says there.
    pub at: SurvivalBetween,
    /// What the parametric curve says there.
    pub parametric: Fraction,
    /// The number of times at which the curves were compared.
    pub times: u64,
}

/// How far the mean curve of a model lies outside of what another curve says, at the farthest; the first such time where there are several.
///
/// Not known without any time, and for one that is not a number of at least 0.
pub fn curve_distance(model: &ParametricModel, curve: &[SurvivalBetween]) -> Known<CurveDistance> {
    let mut farthest: Option<CurveDistance> = None;
    for &at in curve {
        if !(at.time >= 0.0 && at.time.is_finite()) {
            return Known::NotKnown(WhyNotKnown::NotANumber);
        }
        let parametric = model.mean_survival(at.time);
        let below = at.lower.value() - parametric.value();
        let above = parametric.value() - at.upper.value();
        let largest = Fraction::new(below.max(above).max(0.0));
        if farthest.is_none_or(|farthest| largest > farthest.largest) {
            farthest = Some(CurveDistance { largest, at, parametric, times: curve.len() as u64 });
        }
    }
    farthest.map_or(Known::NotKnown(WhyNotKnown::NoObservations), Known::Known)
}
