//! How often each of 64 bits was set in many words, counted all at once.
//!
//! Words are added like figures on paper, all 64 columns side by side: a bit that meets one in the first plane moves on to the second,
//! and so on. After 127 words, each plane's bits are counted for what they stand for.
//!
//! Cost.  Two steps a word on the average, whatever the bits.

/// Planes of bits: as many as are needed to count to 127.
const PLANES: usize = 7;
/// So many words fit in the planes.
const FULL: u64 = 127;

/// Words that are not in the counts yet: one line of memory, so that many of them stay near.
#[derive(Clone, Copy, Debug)]
#[repr(align(64))]
struct Planes {
    planes: [u64; PLANES],
    words: u64,
}

impl Planes {
    const ZERO: Self = Self { planes: [0; PLANES], words: 0 };

    /// Adds a word; true if no other one fits.
    #[inline]
    fn add(&mut self, word: u64) -> bool {
        let mut carried = word;
        for plane in &mut self.planes {
            if carried == 0 {
                break;
            }
            let both = *plane & carried;
            *plane ^= carried;
            carried = both;
        }
        self.words += 1;
        self.words == FULL
    }

    fn settle(&mut self, counts: &mut [u32; 64]) {
        for (weight, plane) in self.planes.iter_mut().enumerate() {
            let mut bits = std::mem::take(plane);
            while bits != 0 {
                counts[bits.trailing_zeros() as usize] += 1 << weight;
                bits &= bits - 1;
            }
        }
        self.words = 0;
    }
}

/// Counts of 64 bits.
#[derive(Clone, Debug)]
pub(super) struct BitCounts {
    planes: Planes,
    counts: [u32; 64],
}

impl BitCounts {
    /// None yet.
    pub(super) const ZERO: Self = Self { planes: Planes::ZERO, counts: [0; 64] };

    /// Adds one to the count of each bit that is set.
    #[inline]
    pub(super) fn add(&mut self, word: u64) {
        if self.planes.add(word) {
            self.planes.settle(&mut self.counts);
        }
    }

    /// How often each bit was set.
    pub(super) fn counts(mut self) -> [u32; 64] {
        self.planes.settle(&mut self.counts);
        self.counts
    }
}

/// Counts of 64 bits for each of many places, of which now this and now that is added to.
#[derive(Clone, Debug, Default)]
pub(super) struct ManyBitCounts {
    planes: Vec<Planes>,
    counts: Vec<[u32; 64]>,
}

impl ManyBitCounts {
    /// Adds a place where nothing is counted yet.
    pub(super) fn push(&mut self) {
        self.planes.push(Planes::ZERO);
        self.counts.push([0; 64]);
    }

    /// Adds one to a place's count of each bit that is set.
    #[inline]
    pub(super) fn add(&mut self, place: usize, word: u64) {
        if self.planes[place].add(word) {
            self.planes[place].settle(&mut self.counts[place]);
        }
    }

    /// How often each bit was set at each place.
    pub(super) fn counts(mut self) -> Vec<[u32; 64]> {
        self.planes.iter_mut().zip(&mut self.counts).for_each(|(planes, counts)| planes.settle(counts));
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
            let (mut counts, mut many) = (BitCounts::ZERO, ManyBitCounts::default());
            (0..3).for_each(|_| many.push());
            for (word, place) in words.iter().zip((0..2).cycle()) {
                counts.add(*word);
                many.add(place, *word);
            }
            let (counts, many) = (counts.counts(), many.counts());
            prop_assert_eq!(many[2], [0; 64]);
            for bit in 0..64 {
                prop_assert_eq!(many[0][bit] + many[1][bit], counts[bit]);
            }
            for (bit, count) in counts.iter().enumerate() {
                prop_assert_eq!(*count as usize, words.iter().filter(|word| **word >> bit & 1 == 1).count());
            }
        }
    }
}
