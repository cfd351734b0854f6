//! A column of texts of which few differ: each text once, and by row the number of its own.
//!
//! Cost.  4 bytes a row, and the texts; a cell of its own for each text takes 16 bytes a row.

use std::collections::HashMap;
use std::sync::Arc;

use polars_arrow::array::{DictionaryArray, MutableBinaryViewArray, Utf8ViewArray};

use super::text_runs::Texts;

/// Stands for no text.
pub(crate) const NO_TEXT: u32 = u32::MAX;

/// A column of texts by number.
#[derive(Clone, Debug)]
pub struct NumberedTexts {
    numbers: Arc<Vec<u32>>,
    listed: Utf8ViewArray,
}

impl NumberedTexts {
    /// Those of a dictionary; none if its values are no texts.
    pub(super) fn of_dictionary(texts: DictionaryArray<u32>) -> Option<Self> {
        let (_, keys, listed) = texts.take();
        let listed = listed.as_any().downcast_ref::<Utf8ViewArray>()?.clone();
        let (_, numbers, filled) = keys.into_inner();
        let mut numbers = numbers.to_vec();
        if let Some(filled) = filled.filter(|filled| filled.unset_bits() > 0) {
            for (number, _) in numbers.iter_mut().zip(&filled).filter(|(_, filled)| !filled) {
                *number = NO_TEXT;
            }
        }
        Some(Self { numbers: Arc::new(numbers), listed })
    }

    /// So many rows without a text.
    pub fn none(rows: usize) -> Self {
        let listed: [&str; 0] = [];
        Self { numbers: Arc::new(vec![NO_TEXT; rows]), listed: Utf8ViewArray::from_slice_values(listed) }
    }

    /// Columns one behind the other.
    pub fn concatenated(columns: Vec<Self>) -> Self {
        if let [only] = &columns[..] {
            return only.clone();
        }
        let mut all = TextGatherer::with_room(columns.iter().map(Self::len).sum());
        columns.iter().for_each(|column| all.add(Texts::Numbered(column)));
        all.finish()
    }

    /// How many rows.
    pub fn len(&self) -> usize {
        self.numbers.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.numbers.is_empty()
    }

    /// The text of a row; none where it has none, or where there is no such row.
    pub fn get(&self, row: usize) -> Option<&str> {
        self.text(*self.numbers.get(row)?)
    }

    /// How many rows have a text.
    pub fn filled(&self) -> u64 {
        self.numbers.iter().filter(|number| **number != NO_TEXT).count() as u64
    }

    /// By row the number of its text; [`NO_TEXT`] where it has none.
    pub(crate) fn numbers(&self) -> &[u32] {
        &self.numbers
    }

    /// The text with a number; none for [`NO_TEXT`].
    pub(crate) fn text(&self, number: u32) -> Option<&str> {
        let number = number as usize;
        (number < self.listed.len()).then(|| self.listed.value(number))
    }

    /// The texts in the order of their numbers. Some may be of no row, and one may come twice.
    pub(crate) fn listed(&self) -> &Utf8ViewArray {
        &self.listed
    }
}

/// Texts of columns, one behind the other, each told by number. Those that stand in lists keep to the list of their column, so that none
/// needs to be looked for among those of others.
#[derive(Default)]
pub(crate) struct TextGatherer {
    numbers: Vec<u32>,
    listed: MutableBinaryViewArray<str>,
}

impl TextGatherer {
    /// With room for so many rows.
    pub(crate) fn with_room(rows: usize) -> Self {
        Self { numbers: Vec::with_capacity(rows), ..Self::default() }
    }

    /// Adds a column.
    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    pub(crate) fn add(&mut self, texts: Texts<'_>) {
        let Self { numbers, listed } = self;
        let before = listed.len() as u32;
        if let Texts::Numbered(texts) = texts {
            let number = |number: &u32| if *number == NO_TEXT { NO_TEXT } else { number + before };
            numbers.extend(texts.numbers().iter().map(number));
            listed.extend_values(texts.listed().values_iter());
            return;
        }
        let mut known: HashMap<&str, u32> = HashMap::new();
        texts.runs(|run| {
            let number = run.text.map_or(NO_TEXT, |text| {
                *known.entry(text).or_insert_with(|| {
                    listed.push_value(text);
                    listed.len() as u32 - 1
                })
            });
            numbers.extend(std::iter::repeat_n(number, run.rows));
        });
    }

    /// All of them as one column.
    pub(crate) fn finish(self) -> NumberedTexts {
        NumberedTexts { numbers: Arc::new(self.numbers), listed: self.listed.into() }
    }
}

#[cfg(test)]
mod tests {
    use polars::prelude::StringChunked;
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Cells, and columns by number of other lists, one behind the other.
        #[test]
        fn texts_stay_with_their_rows(
            parts in proptest::collection::vec(
                (any::<bool>(), proptest::collection::vec(proptest::option::of("[ab]{0,2}|a text longer than a view"), 0..20)),
                0..5,
            ),
        ) {
            let mut all = TextGatherer::with_room(3);
            let mut expected = Vec::new();
            for (by_number, texts) in &parts {
                let cells: StringChunked = texts.iter().map(Option::as_deref).collect();
                let mut alone = TextGatherer::default();
                alone.add(Texts::Cells(&cells));
                let alone = alone.finish();
                all.add(if *by_number { Texts::Numbered(&alone) } else { Texts::Cells(&cells) });
                expected.extend(texts.iter().map(Option::as_deref));
            }
            let all = all.finish();
            let rows: Vec<Option<&str>> = all.numbers().iter().map(|number| all.text(*number)).collect();
            prop_assert_eq!(&rows, &expected);
            let twice = NumberedTexts::concatenated(vec![all.clone(), NumberedTexts::none(2), all.clone()]);
            let rows: Vec<Option<&str>> = (0..twice.len()).map(|row| Texts::Numbered(&twice).get(row)).collect();
            prop_assert_eq!(&rows, &[expected.as_slice(), &[None, None], &expected].concat());
            prop_assert_eq!((all.len(), all.is_empty()), (expected.len(), expected.is_empty()));
            prop_assert_eq!(all.filled(), expected.iter().flatten().count() as u64);
            for (row, text) in expected.iter().enumerate() {
                prop_assert_eq!(Texts::Numbered(&all).get(row), *text);
            }
        }
    }
}
