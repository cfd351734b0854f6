//! How often each of 64 bits was set in many words, counted all at once.
//!
//! Words are added like figures on paper, all 64 columns side by side: a bit that meets one in the first plane moves on to the second,
//! and so on. After 15 words the four planes are full, and each bit's figure is added to a byte of its own; after 17 times that, bytes are
//! full, too, and are added to the counts.
//!
//! Cost.  Some twenty steps a word, whatever the bits, and no choice among them that could be guessed wrong but whether planes are full.

/// Planes of bits: as many as are needed to count to 15.
const PLANES: usize = 4;
/// So many words fit in the planes.
const FULL: u32 = 15;
/// So many times full planes fit in bytes.
const FULL_BYTES: u32 = 17;
/// The lowest bit of each byte.
const LOWEST: u64 = 0x0101_0101_0101_0101;

/// Words that are not in the counts yet.
#[derive(Clone, Copy, Debug)]
#[repr(align(64))]
struct Planes {
    planes: [u64; PLANES],
    words: u32,
    /// How often planes went into the bytes.
    settled: u32,
    /// By place in its byte, the figures of eight bits, a byte each.
    bytes: [u64; 8],
}

impl Planes {
    const ZERO: Self = Self { planes: [0; PLANES], words: 0, settled: 0, bytes: [0; 8] };

    /// Adds a word; `counts` are those that it comes to in the end.
    #[inline]
    fn add(&mut self, word: u64, counts: &mut [u32; 64]) {
        let mut carried = word;
        for plane in &mut self.planes {
            let both = *plane & carried;
            *plane ^= carried;
            carried = both;
        }
        self.words += 1;
        if self.words == FULL {
            self.settle(counts);
        }
    }

    /// Adds the planes to the bytes, and these to the counts where they are full.
    fn settle(&mut self, counts: &mut [u32; 64]) {
        for (bit, bytes) in self.bytes.iter_mut().enumerate() {
            for (weight, plane) in self.planes.iter().enumerate() {
                *bytes += (plane >> bit & LOWEST) << weight;
            }
        }
        (self.planes, self.words) = ([0; PLANES], 0);
        self.settled += 1;
        if self.settled == FULL_BYTES {
            self.settle_bytes(counts);
        }
    }

    fn settle_bytes(&mut self, counts: &mut [u32; 64]) {
        for (bit, bytes) in self.bytes.iter_mut().enumerate() {
            for (place, count) in std::mem::take(bytes).to_le_bytes().into_iter().enumerate() {
                counts[place * 8 + bit] += u32::from(count);
            }
        }
        self.settled = 0;
    }

    /// Adds all that is left.
    fn end(&mut self, counts: &mut [u32; 64]) {
        self.settle(counts);
        self.settle_bytes(counts);
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
        self.planes.add(word, &mut self.counts);
    }

    /// How often each bit was set.
    pub(super) fn counts(mut self) -> [u32; 64] {
        self.planes.end(&mut self.counts);
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
    /// Adds a place where nothing is counted yet; tells which.
    pub(super) fn push(&mut self) -> usize {
        self.planes.push(Planes::ZERO);
        self.counts.push([0; 64]);
        self.counts.len() - 1
    }

    /// Adds one to a place's count of each bit that is set.
    #[inline]
    pub(super) fn add(&mut self, place: usize, word: u64) {
        self.planes[place].add(word, &mut self.counts[place]);
    }

    /// How often each bit was set at each place.
    pub(super) fn counts(mut self) -> Vec<[u32; 64]> {
        self.planes.iter_mut().zip(&mut self.counts).for_each(|(planes, counts)| planes.end(counts));
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
            prop_assert_eq!((0..3).map(|_| many.push()).collect::<Vec<_>>(), [0, 1, 2]);
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
