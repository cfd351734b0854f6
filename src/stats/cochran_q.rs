//! Do several yes-or-no findings of the same subjects differ in their shares? Cochran's Q.
//!
//! Formula.     With n subjects by k columns, column sums C_j, row sums R_i, total T: Q = (k − 1)·(k·Σ C_j² − T²)/(k·T − Σ R_i²), by χ²
//!              with k − 1 degrees of freedom.
//! Source.      Cochran WG. Biometrika 1950;37:256–266 (from memory). With two columns it is McNemar's χ² without correction.
//! Decided.     Subjects that are alike in all columns change nothing. When all are, there is nothing to compare.
//! Cost.        One pass; whole numbers throughout.

use super::chi_squared_test::ChiSquaredTest;
use crate::quantity::{Known, WhyNotKnown};

/// Compares the shares in the columns, of subjects each as long as the first.
///
/// Not known without subjects, with fewer than two columns, when rows differ in length, or when no subject differs within itself.
#[expect(clippy::cast_possible_truncation, reason = "degrees of freedom of columns in memory")]
pub fn cochran_q_test<S: AsRef<[bool]>>(subjects: &[S]) -> Known<ChiSquaredTest> {
    let Some(columns) = subjects.first().map(|subject| subject.as_ref().len()) else {
        return Known::NotKnown(WhyNotKnown::NoObservations);
    };
    if columns < 2 {
        return Known::NotKnown(WhyNotKnown::TooFewGroups);
    }
    let mut sums = vec![0_u128; columns];
    let mut within = 0_u128;
    for subject in subjects {
        let subject = subject.as_ref();
        if subject.len() != columns {
            return Known::NotKnown(WhyNotKnown::NotANumber);
        }
        subject.iter().zip(&mut sums).for_each(|(&yes, sum)| *sum += u128::from(yes));
        let yes = subject.iter().filter(|&&yes| yes).count();
        within += (yes * (columns - yes)) as u128;
    }
    if within == 0 {
        return Known::NotKnown(WhyNotKnown::NoVariation);
    }
    let total: u128 = sums.iter().sum();
    let between = columns as u128 * sums.iter().map(|sum| sum * sum).sum::<u128>() - total * total;
    let statistic = (columns - 1) as f64 * (between as f64 / within as f64);
    Known::Known(ChiSquaredTest::of(statistic, (columns - 1) as u32))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_columns_are_mcnemars_test_by_hand() {
        // 5 subjects yes/no, 2 no/yes, others alike: (5 − 2)²/7.
        let subjects: Vec<[bool; 2]> =
            [([true, false], 5), ([false, true], 2), ([true, true], 4)].iter().flat_map(|&(row, n)| vec![row; n]).collect();
        let test = *cochran_q_test(&subjects).known().expect("subjects");
        assert!((test.statistic - 9.0 / 7.0).abs() < 1e-15, "absolute");
    }

    #[test]
    fn nothing_to_compare() {
        assert_eq!(cochran_q_test(&[[true, true], [false, false]]), Known::NotKnown(WhyNotKnown::NoVariation));
        assert_eq!(cochran_q_test::<[bool; 2]>(&[]), Known::NotKnown(WhyNotKnown::NoObservations));
        assert_eq!(cochran_q_test(&[[true]]), Known::NotKnown(WhyNotKnown::TooFewGroups));
    }
}
