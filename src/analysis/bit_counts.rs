//! How often each of 64 bits was set in many words, counted all at once.
//!
//! Words are added like figures on paper, all 64 columns side by side: a bit that meets one in the first plane moves on to the second,
//! and so on. After 255 words, each plane's bits are counted for what they stand for.
//!
//! Cost.  Two steps a word on the average, whatever the bits.

/// Planes of bits: as many as are needed to count to 255.
const PLANES: usize = 8;
/// So many words fit in the planes.
const FULL: u32 = 255;

/// Counts of 64 bits.
#[derive(Clone, Debug)]
pub(super) struct BitCounts {
    planes: [u64; PLANES],
    in_planes: u32,
    counts: [u32; 64],
}

impl BitCounts {
    /// None yet.
    pub(super) const ZERO: Self = Self { planes: [0; PLANES], in_planes: 0, counts: [0; 64] };

    /// Adds one to the count of each bit that is set.
    #[inline]
    pub(super) fn add(&mut self, word: u64) {
        let mut carried = word;
        for plane in &mut self.planes {
            if carried == 0 {
                break;
            }
            let both = *plane & carried;
            *plane ^= carried;
            carried = both;
        }
        self.in_planes += 1;
        if self.in_planes == FULL {
            self.settle();
        }
    }

    fn settle(&mut self) {
        for (weight, plane) in self.planes.iter_mut().enumerate() {
            let mut bits = std::mem::take(plane);
            while bits != 0 {
                self.counts[bits.trailing_zeros() as usize] += 1 << weight;
                bits &= bits - 1;
            }
        }
        self.in_planes = 0;
    }

    /// How often each bit was set.
    pub(super) fn counts(mut self) -> [u32; 64] {
        self.settle();
        self.counts
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn each_bit_is_counted(words in proptest::collection::vec(proptest::num::u64::ANY, 0..700)) {
            let mut counts = BitCounts::ZERO;
            words.iter().for_each(|word| counts.add(*word));
            let counts = counts.counts();
            for (bit, count) in counts.iter().enumerate() {
                prop_assert_eq!(*count as usize, words.iter().filter(|word| **word >> bit & 1 == 1).count());
            }
        }
    }
}
