//! The least number at which something is reached that, once reached, stays so.

use crate::quantity::{Known, WhyNotKnown};

/// Halvings: more than it takes to come to neighbouring numbers.
const HALVINGS: u32 = 200;

/// The least number from 0 to `far` at which `reached` holds, by bisection.
///
/// Not known where it doesn't hold at `far`, or can't be told there.
pub(super) fn least_reached(far: f64, reached: impl Fn(f64) -> Known<bool>) -> Known<f64> {
    match reached(far) {
        Known::Known(true) => {}
        Known::Known(false) => return Known::NotKnown(WhyNotKnown::OutOfReach),
        Known::NotKnown(why) => return Known::NotKnown(why),
    }
    let (mut below, mut above) = (0.0, far);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (below + above);
        *(if reached(middle) == Known::Known(true) { &mut above } else { &mut below }) = middle;
    }
    Known::Known(above)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_least_number_is_found_or_is_out_of_reach() {
        let root = least_reached(10.0, |x| Known::Known(x * x >= 2.0));
        assert_eq!(root, Known::Known(2.0_f64.sqrt()));
        assert_eq!(least_reached(1.0, |x| Known::Known(x * x >= 2.0)), Known::NotKnown(WhyNotKnown::OutOfReach));
    }
}
