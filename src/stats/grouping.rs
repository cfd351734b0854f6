//! Which group each observation belongs to, for a comparison.
//!
//! Decided.     A group is a code of 16 bits, so that ten million of them fit in 20 megabytes. [`NO_GROUP`] marks an
//!              observation that takes no part (its factor was not recorded).

use std::fmt;

/// The code of an observation that is not in the comparison.
pub const NO_GROUP: u16 = u16::MAX;

/// A code for each observation, in the order of the observations.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Grouping {
    codes: Vec<u16>,
    levels: u16,
}

/// A code that names no level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct GroupingError {
    /// Place of the code, from 0.
    pub index: usize,
    /// The code.
    pub code: u16,
    /// How many levels there are.
    pub levels: u16,
}

impl fmt::Display for GroupingError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "observation {} has group code {}, but there are only {} levels", self.index, self.code, self.levels)
    }
}

impl std::error::Error for GroupingError {}

impl Grouping {
    /// Codes 0..levels, or [`NO_GROUP`], one for each observation.
    ///
    /// # Errors
    ///
    /// When a code is neither below `levels` nor [`NO_GROUP`].
    pub fn new(codes: Vec<u16>, levels: u16) -> Result<Self, GroupingError> {
        match codes.iter().position(|&code| code >= levels && code != NO_GROUP) {
            Some(index) => Err(GroupingError { index, code: codes[index], levels }),
            None => Ok(Self { codes, levels }),
        }
    }

    /// The codes.
    pub fn codes(&self) -> &[u16] {
        &self.codes
    }

    /// How many levels, also those that nobody has.
    pub fn levels(&self) -> u16 {
        self.levels
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_without_a_level_is_refused() {
        assert_eq!(Grouping::new(vec![0, NO_GROUP, 2], 2), Err(GroupingError { index: 2, code: 2, levels: 2 }));
        assert!(Grouping::new(vec![0, NO_GROUP, 1], 2).is_ok());
    }
}
