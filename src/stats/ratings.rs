//! Scores of the same things by several examiners, some of them missing.
//!
//! Decided.     A score is a category from 0; [`NO_SCORE`] where an examiner gave none. What stands behind agreement is how many examiners
//!              put a thing into each category; who did, doesn't matter.
//! Cost.        One number for each category of each thing.

use super::contingency_table::TableError;

/// The code of a score that was not given.
pub const NO_SCORE: u16 = u16::MAX;

/// How many examiners put each thing into each category.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ratings {
    categories: usize,
    /// Thing after thing, a count for each category.
    counts: Vec<u32>,
}

impl Ratings {
    /// From the scores of each examiner, in the same order of things.
    ///
    /// # Errors
    ///
    /// When examiners have different numbers of scores, or a score is neither below `categories` nor [`NO_SCORE`].
    pub fn new<E: AsRef<[u16]>>(examiners: &[E], categories: u16) -> Result<Self, TableError> {
        let things = examiners.first().map_or(0, |scores| scores.as_ref().len());
        let width = usize::from(categories);
        let mut counts = vec![0; things * width];
        for scores in examiners {
            let scores = scores.as_ref();
            if scores.len() != things {
                return Err(TableError::UnequalLengths);
            }
            for (thing, &score) in scores.iter().enumerate() {
                if score < categories {
                    counts[thing * width + usize::from(score)] += 1;
                } else if score != NO_SCORE {
                    return Err(TableError::NoSuchLevel { code: score, levels: categories });
                }
            }
        }
        Ok(Self { categories: width, counts })
    }

    /// How many categories, also unused ones.
    pub fn categories(&self) -> usize {
        self.categories
    }

    /// The counts of each thing.
    pub fn things(&self) -> impl ExactSizeIterator<Item = &[u32]> {
        self.counts.chunks_exact(self.categories.max(1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scores_become_counts() {
        let ratings = Ratings::new(&[[0, 1, NO_SCORE], [0, 0, 2]], 3).expect("scores");
        assert_eq!(ratings.things().collect::<Vec<_>>(), [&[2, 0, 0][..], &[1, 1, 0], &[0, 0, 1]]);
        assert_eq!(Ratings::new(&[[0, 3]], 3), Err(TableError::NoSuchLevel { code: 3, levels: 3 }));
        assert_eq!(Ratings::new(&[vec![0], vec![]], 3), Err(TableError::UnequalLengths));
    }
}
