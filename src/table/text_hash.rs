//! Sixty-four bits of a text, or of two numbers, to tell texts apart in memory; they are kept nowhere.

// Odd constants without a pattern: the fractions of the golden ratio and of the square root of 2.
const STEP: u64 = 0x9e37_79b9_7f4a_7c15;
const START: u64 = 0x6a09_e667_f3bc_c909;

/// Sixty-four bits that tell texts apart, eight letters at a time; no order that anybody sees may hang on them.
pub(crate) fn text_hash(text: &str) -> u64 {
    bytes_hash(text.as_bytes())
}

/// The same for a text that is still bytes.
#[inline]
pub(crate) fn bytes_hash(bytes: &[u8]) -> u64 {
    let (eights, rest) = bytes.as_chunks::<8>();
    let mut state = START ^ bytes.len() as u64;
    for eight in eights {
        state = folded_product(state ^ u64::from_le_bytes(*eight), STEP);
    }
    // The last eight, some of them once more.
    let last = bytes.last_chunk().map_or_else(
        || rest.iter().fold(0, |packed, byte| (packed << 8) | u64::from(*byte)),
        |last| u64::from_le_bytes(*last),
    );
    folded_product(folded_product(state ^ last, STEP), START)
}

/// A hash of two numbers.
pub(crate) fn mixed(high: u64, low: u64) -> u64 {
    folded_product(low ^ folded_product(high, STEP), STEP)
}

/// Both halves of a product, one laid over the other.
#[expect(clippy::cast_possible_truncation, reason = "the halves are what is wanted")]
pub(crate) fn folded_product(one: u64, other: u64) -> u64 {
    let product = u128::from(one) * u128::from(other);
    (product as u64) ^ ((product >> 64) as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_that_differ_little_have_other_hashes() {
        let mut hashes: Vec<u64> = (0..20_000)
            .flat_map(|n| [format!("{n}"), format!("R{n:08}-1"), format!("R{n:08}-2"), format!("{n} {n}")])
            .map(|text| text_hash(&text))
            .collect();
        hashes.extend(["", "\0", "\0\0", "\0\0\0\0\0\0\0\0"].map(text_hash));
        let all = hashes.len();
        hashes.sort_unstable();
        hashes.dedup();
        assert_eq!(hashes.len(), all);
    }
}
