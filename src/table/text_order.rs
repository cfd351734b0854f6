//! Whether the texts of a column rise from row to row, as the ids of one export mostly do: then whatever has one id stands together, and
//! is found without a table of hashes.

use std::cmp::Ordering;

use polars::prelude::StringChunked;

/// How one text is told to come before another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum TextOrder {
    /// By letters.
    Letters,
    /// Numbers in them by what they count, so that R9-2 stands before R9-10, and R9 before R10; all else by letters.
    Counting,
}

impl TextOrder {
    /// How one text stands to another.
    #[inline]
    pub(crate) fn compare(self, one: &str, other: &str) -> Ordering {
        match self {
            Self::Letters => one.cmp(other),
            Self::Counting => counting(one.as_bytes(), other.as_bytes()).then_with(|| one.cmp(other)),
        }
    }

    /// The first of so many texts, which rise in this order, that doesn't come before a text; one past the last if all do.
    pub(crate) fn first_not_before<'a>(self, texts: usize, text_at: impl Fn(usize) -> &'a str, text: &str) -> usize {
        let (mut from, mut to) = (0, texts);
        while from < to {
            let middle = usize::midpoint(from, to);
            let before = self.compare(text_at(middle), text).is_lt();
            (from, to) = if before { (middle + 1, to) } else { (from, middle) };
        }
        from
    }
}

/// How two texts stand to each other where runs of digits are taken as numbers.
fn counting(mut one: &[u8], mut other: &[u8]) -> Ordering {
    if let Some(order) = counting_alike(one, other) {
        return order;
    }
    loop {
        // What they have in common tells nothing, but for digits in front of a difference.
        let same = one.iter().zip(other).take_while(|(a, b)| a == b).count();
        let digits = one[..same].iter().rev().take_while(|byte| byte.is_ascii_digit()).count();
        (one, other) = (&one[same - digits..], &other[same - digits..]);
        let run = |text: &[u8]| text.iter().take_while(|byte| byte.is_ascii_digit()).count();
        let (digits, other_digits) = (run(one), run(other));
        if digits == 0 || other_digits == 0 {
            return one.cmp(other);
        }
        let number = |text: &[u8], digits: usize| {
            let zeros = text[..digits].iter().take_while(|byte| **byte == b'0').count();
            zeros..digits
        };
        let (a, b) = (&one[number(one, digits)], &other[number(other, other_digits)]);
        let numbers = a.len().cmp(&b.len()).then_with(|| a.cmp(b));
        if numbers.is_ne() {
            return numbers;
        }
        (one, other) = (&one[digits..], &other[other_digits..]);
        if one.is_empty() || other.is_empty() {
            return one.len().cmp(&other.len());
        }
    }
}

/// The same of two texts of one length that first differ within digits, as many in one as in the other, as neighbours mostly do: the digit that
/// differs decides. None where they are not so.
fn counting_alike(one: &[u8], other: &[u8]) -> Option<Ordering> {
    let at = one.iter().zip(other).position(|(a, b)| a != b).filter(|_| one.len() == other.len())?;
    let (digits, others) = one[at..]
        .iter()
        .zip(&other[at..])
        .map(|(a, b)| (a.is_ascii_digit(), b.is_ascii_digit()))
        .find(|(a, b)| !(*a && *b))
        .unwrap_or((false, false));
    (one[at].is_ascii_digit() && other[at].is_ascii_digit() && !digits && !others).then(|| one[at].cmp(&other[at]))
}

/// Watches texts that come piece by piece.
#[derive(Clone, Debug)]
pub(crate) struct Rising {
    /// The orders in which all of them rose so far.
    orders: Vec<TextOrder>,
    /// Whether any text was the one before it.
    repeated: bool,
    last: String,
}

impl Rising {
    /// No texts yet.
    pub(crate) fn new() -> Self {
        Self { orders: vec![TextOrder::Letters, TextOrder::Counting], repeated: false, last: String::new() }
    }

    /// Takes the next texts. An empty one never rises.
    pub(crate) fn take(&mut self, texts: &StringChunked) {
        let before = std::mem::take(&mut self.last);
        let repeated = &mut self.repeated;
        self.orders.retain(|order| {
            let mut last = before.as_str();
            texts.iter().all(|text| {
                let text = text.unwrap_or("");
                let same = last == text;
                *repeated |= same;
                let rises = !text.is_empty() && (same || order.compare(last, text).is_le());
                last = text;
                rises
            })
        });
        self.last = texts.len().checked_sub(1).map_or(before.as_str(), |row| texts.get(row).unwrap_or("")).to_owned();
    }

    /// Whether all texts so far rise in an order.
    pub(crate) fn rises_by(&self, order: TextOrder) -> bool {
        self.orders.contains(&order)
    }

    /// An order in which each text comes after the one before it; none if there is no such order.
    pub(crate) fn strictly(&self) -> Option<TextOrder> {
        self.order().filter(|_| !self.repeated)
    }

    /// An order in which each text is the one before it or comes after it; none if there is no such order.
    pub(crate) fn order(&self) -> Option<TextOrder> {
        self.orders.first().copied()
    }
}

/// An order in which the texts of a column rise; none if there is none, or no text.
pub(crate) fn rising(texts: &StringChunked) -> Option<TextOrder> {
    rising_or_not(texts).map(|(order, _)| order)
}

/// The same, with whether each text differs from the one before it, so that all of them differ.
pub(crate) fn rising_or_not(texts: &StringChunked) -> Option<(TextOrder, bool)> {
    let mut rising = Rising::new();
    rising.take(texts);
    rising.order().filter(|_| !texts.is_empty()).map(|order| (order, !rising.repeated))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn column(texts: &[&str]) -> StringChunked {
        texts.iter().map(|text| Some(*text)).collect()
    }

    #[test]
    fn texts_rise_by_letters_or_by_length() {
        let order = |texts: &[&str]| rising(&column(texts));
        assert_eq!(order(&["R1", "R10", "R2", "R2"]), Some(TextOrder::Letters));
        assert_eq!(order(&["R1", "R2", "R2", "R10"]), Some(TextOrder::Counting));
        assert_eq!(TextOrder::Letters.compare("9", "10"), Ordering::Greater);
        assert_eq!(TextOrder::Counting.compare("9", "10"), Ordering::Less);
        assert_eq!(order(&["R2", "R1"]), None);
        assert_eq!(order(&["", "R1"]), None);
        assert_eq!(order(&[]), None);
        assert!(rising(&[Some("a"), None, Some("b")].into_iter().collect()).is_none());
    }

    #[test]
    fn numbers_count() {
        let rising = ["", "07-1", "7-1", "7-2", "7-10", "10", "10a", "A", "R9", "R9-2", "R9-10", "R10", "R010-1", "Rb", "é"];
        for (at, one) in rising.iter().enumerate() {
            for (place, other) in rising.iter().enumerate() {
                assert_eq!(TextOrder::Counting.compare(one, other), at.cmp(&place), "{one} and {other}");
            }
        }
    }

    proptest! {
        /// It is an order: whatever stands in the middle stands between.
        #[test]
        fn counting_is_an_order(mut texts in proptest::collection::vec("[0-2aR-]{0,6}", 3)) {
            texts.sort_by(|one, other| TextOrder::Counting.compare(one, other));
            for (at, one) in texts.iter().enumerate() {
                for other in &texts[at..] {
                    prop_assert!(TextOrder::Counting.compare(one, other).is_le());
                    prop_assert_eq!(TextOrder::Counting.compare(other, one).is_eq(), one == other);
                }
            }
        }
    }

    #[test]
    fn pieces_are_held_against_the_ones_before() {
        let mut watch = Rising::new();
        for texts in [&["R1", "R9"][..], &[], &["R9", "R10"], &["R11"]] {
            watch.take(&column(texts));
        }
        assert_eq!(watch.order(), Some(TextOrder::Counting));
        watch.take(&column(&["R8"]));
        assert!(watch.order().is_none());
    }
}
