//! A column of texts as runs of neighbouring rows with the same text: most texts are told to be the same without a look at their letters.

use polars::prelude::StringChunked;
use polars_arrow::array::{Array, View};

use super::numbered_texts::{NO_TEXT, NumberedTexts};

/// Some neighbouring rows.
pub(crate) struct TextRun<'a> {
    /// How many.
    pub(crate) rows: usize,
    /// What they say. The next rows may say the same where it is long.
    pub(crate) text: Option<&'a str>,
    /// A number that stands for the text, the same wherever it is met; long texts have none. It is never [`NO_MARK`].
    pub(crate) mark: Option<u128>,
}

/// A number that stands for no text.
pub(crate) const NO_MARK: u128 = u128::MAX;

/// A column of texts as it comes.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Texts<'a> {
    /// A text in each cell.
    Cells(&'a StringChunked),
    /// Each text once, and by row the place of its own among them.
    Numbered(&'a NumberedTexts),
}

impl<'a> Texts<'a> {
    /// The text of a row.
    #[inline]
    pub(crate) fn get(self, row: usize) -> Option<&'a str> {
        match self {
            Self::Cells(texts) => texts.get(row),
            Self::Numbered(texts) => texts.get(row),
        }
    }

    /// The rows that have a text, with it.
    pub(crate) fn filled(self) -> impl Iterator<Item = (usize, &'a str)> {
        let (cells, numbered) = match self {
            Self::Cells(texts) => (Some(texts), None),
            Self::Numbered(texts) => (None, Some(texts)),
        };
        let cells = cells.into_iter().flat_map(|texts| texts.iter().enumerate());
        let cells = cells.filter_map(|(row, text)| Some((row, text?)));
        let numbered = numbered.into_iter().flat_map(|texts| {
            let filled = texts.numbers().iter().enumerate().filter(|(_, number)| **number != NO_TEXT);
            filled.filter_map(|(row, number)| Some((row, texts.text(*number)?)))
        });
        cells.chain(numbered)
    }

    /// Goes through it, run by run.
    pub(crate) fn runs(self, mut take: impl FnMut(TextRun<'a>)) {
        let texts = match self {
            Self::Cells(texts) => return text_runs(texts, take),
            Self::Numbered(texts) => texts,
        };
        let (numbers, views) = (texts.numbers(), texts.listed().views());
        let mut from = 0;
        while let Some(&own) = numbers.get(from) {
            let to = (from + 1..numbers.len()).find(|row| numbers[*row] != own).unwrap_or(numbers.len());
            let mark =
                views.get(own as usize).filter(|view| view.length <= View::MAX_INLINE_SIZE).map(|view| view.as_u128());
            take(TextRun { rows: to - from, text: texts.text(own), mark });
            from = to;
        }
    }
}

/// The texts of a column as they are held, each as long as one view, where they are held in one piece and none is missing.
pub(crate) fn filled_views(texts: &StringChunked) -> Option<&[View]> {
    let mut parts = texts.downcast_iter();
    let (only, none) = (parts.next()?, parts.next());
    (none.is_none() && texts.null_count() == 0).then(|| only.views().as_slice())
}

/// Goes through a column, run by run.
pub(crate) fn text_runs<'a>(texts: &'a StringChunked, mut take: impl FnMut(TextRun<'a>)) {
    for part in texts.downcast_iter() {
        let views = part.views().as_slice();
        let filled = part.validity().filter(|filled| filled.unset_bits() > 0);
        let is_filled = |row: usize| filled.is_none_or(|filled| filled.get_bit(row));
        let mut from = 0;
        while let Some(view) = views.get(from) {
            let there = is_filled(from);
            let goes_on = |row: usize| is_filled(row) == there && (!there || views[row] == *view);
            let to = (from + 1..views.len()).find(|row| !goes_on(*row)).unwrap_or(views.len());
            take(TextRun {
                rows: to - from,
                text: there.then(|| part.value(from)),
                // A short text stands in its view, with its length.
                mark: (there && view.length <= View::MAX_INLINE_SIZE).then(|| view.as_u128()),
            });
            from = to;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::numbered_texts::TextGatherer;

    #[test]
    fn runs_say_what_their_rows_say() {
        let long = "a text that is longer than its view";
        let other = "a text that is as long as the other";
        let texts: Vec<Option<&str>> = [Some("a"), Some("a"), None, None, Some(""), Some(""), Some(long), Some(long)]
            .into_iter()
            .chain([Some(other), Some("b"), None, Some("b"), Some("a"), Some("twelve bytes")])
            .collect();
        let mut column: StringChunked = texts.iter().copied().collect();
        // In several parts, the same text on both sides of a cut.
        let more: Vec<Option<&str>> = vec![Some("twelve bytes"), Some(long), None];
        column.append(&more.iter().copied().collect::<StringChunked>()).expect("texts");
        let expected: Vec<Option<&str>> = texts.into_iter().chain(more).collect();
        let mut numbered = TextGatherer::default();
        numbered.add(Texts::Cells(&column));
        let numbered = numbered.finish();
        let mut again = Vec::new();
        Texts::Numbered(&numbered).runs(|run| {
            again.extend(std::iter::repeat_n(run.text, run.rows));
            assert_eq!(run.mark.is_some(), run.text.is_some_and(|text| text.len() <= 12));
        });
        assert_eq!(again, expected);
        let filled: Vec<_> = expected.iter().enumerate().filter_map(|(row, text)| Some((row, (*text)?))).collect();
        assert_eq!(Texts::Numbered(&numbered).filled().collect::<Vec<_>>(), filled);
        assert_eq!(Texts::Cells(&column).filled().collect::<Vec<_>>(), filled);
        let (mut all, mut runs, mut marks) = (Vec::new(), 0, std::collections::BTreeMap::new());
        text_runs(&column, |run| {
            runs += 1;
            all.extend(std::iter::repeat_n(run.text, run.rows));
            assert_eq!(run.mark.is_some(), run.text.is_some_and(|text| text.len() <= 12));
            if let (Some(mark), Some(text)) = (run.mark, run.text) {
                assert_ne!(mark, NO_MARK);
                assert_eq!(*marks.entry(mark).or_insert(text), text);
            }
        });
        assert_eq!(all, expected);
        // A long text that comes twice may stand in two places.
        assert!((13..=14).contains(&runs), "{runs} runs of {} rows", expected.len());
        assert_eq!(marks.len(), 4, "a, nothing, b, twelve bytes");
    }
}
