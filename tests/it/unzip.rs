//! The files inside a workbook, which is a zip archive: just enough to look into one that was made here.
//!
//! Layout of the archive: PKWARE's APPNOTE (central directory, local headers). Compression: RFC 1951 (deflate).

/// One file of an archive as text.
pub fn unzipped(archive: &[u8], name: &str) -> String {
    let number = |at: usize, bytes: usize| {
        archive[at..at + bytes].iter().rev().fold(0_usize, |number, byte| number << 8 | usize::from(*byte))
    };
    let end = (0..archive.len() - 21).rev().find(|&at| archive[at..].starts_with(b"PK\x05\x06")).expect("an end record");
    let mut entry = number(end + 16, 4);
    for _ in 0..number(end + 10, 2) {
        assert!(archive[entry..].starts_with(b"PK\x01\x02"), "an entry of the central directory");
        let length = number(entry + 28, 2);
        if &archive[entry + 46..entry + 46 + length] == name.as_bytes() {
            let (method, packed, local) = (number(entry + 10, 2), number(entry + 20, 4), number(entry + 42, 4));
            let start = local + 30 + number(local + 26, 2) + number(local + 28, 2);
            let packed = &archive[start..start + packed];
            let bytes = if method == 0 { packed.to_vec() } else { inflated(packed) };
            return String::from_utf8(bytes).expect("text");
        }
        entry += 46 + length + number(entry + 30, 2) + number(entry + 32, 2);
    }
    panic!("{name} is not in the archive");
}

struct Bits<'a>(&'a [u8], usize);

impl Bits<'_> {
    fn take(&mut self, count: usize) -> usize {
        let mut value = 0;
        for place in 0..count {
            value |= usize::from(self.0[self.1 / 8] >> (self.1 % 8) & 1) << place;
            self.1 += 1;
        }
        value
    }
}

/// A canonical Huffman code: how many codes there are of each length, and the symbols in the order of their codes.
struct Code([usize; 16], Vec<usize>);

impl Code {
    fn new(lengths: &[usize]) -> Self {
        let mut counts = [0; 16];
        lengths.iter().filter(|length| **length > 0).for_each(|&length| counts[length] += 1);
        let mut symbols: Vec<usize> = (0..lengths.len()).filter(|&symbol| lengths[symbol] > 0).collect();
        symbols.sort_by_key(|&symbol| lengths[symbol]);
        Self(counts, symbols)
    }

    fn next(&self, bits: &mut Bits<'_>) -> usize {
        let (mut code, mut first, mut index) = (0, 0, 0);
        for count in &self.0[1..] {
            code |= bits.take(1);
            if code < first + count {
                return self.1[index + code - first];
            }
            index += count;
            first = (first + count) << 1;
            code <<= 1;
        }
        panic!("no such code");
    }
}

fn inflated(packed: &[u8]) -> Vec<u8> {
    const ORDER: [usize; 19] = [16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15];
    let mut bits = Bits(packed, 0);
    let mut out: Vec<u8> = Vec::new();
    loop {
        let last = bits.take(1) == 1;
        let (literals, distances) = match bits.take(2) {
            0 => {
                bits.1 = bits.1.next_multiple_of(8);
                let length = bits.take(16);
                bits.take(16);
                (0..length).for_each(|_| out.push(bits.take(8) as u8));
                if last {
                    return out;
                }
                continue;
            }
            1 => {
                let length = |symbol| match symbol {
                    144..=255 => 9,
                    256..=279 => 7,
                    _ => 8,
                };
                (Code::new(&(0..288).map(length).collect::<Vec<_>>()), Code::new(&[5; 30]))
            }
            _ => {
                let (literals, distances, lengths) = (bits.take(5) + 257, bits.take(5) + 1, bits.take(4) + 4);
                let mut of_lengths = [0; 19];
                ORDER[..lengths].iter().for_each(|&symbol| of_lengths[symbol] = bits.take(3));
                let code = Code::new(&of_lengths);
                let mut all: Vec<usize> = Vec::new();
                while all.len() < literals + distances {
                    let (length, times) = match code.next(&mut bits) {
                        16 => (*all.last().expect("a length"), 3 + bits.take(2)),
                        17 => (0, 3 + bits.take(3)),
                        18 => (0, 11 + bits.take(7)),
                        length => (length, 1),
                    };
                    all.extend(vec![length; times]);
                }
                (Code::new(&all[..literals]), Code::new(&all[literals..]))
            }
        };
        loop {
            let symbol = literals.next(&mut bits);
            match symbol {
                0..=255 => out.push(symbol as u8),
                256 => break,
                _ => {
                    let length = match symbol - 257 {
                        short @ 0..=7 => short + 3,
                        28 => 258,
                        long => ((4 + long % 4) << (long / 4 - 1)) + 3 + bits.take(long / 4 - 1),
                    };
                    let distance = match distances.next(&mut bits) {
                        near @ 0..=3 => near + 1,
                        far => ((2 + far % 2) << (far / 2 - 1)) + 1 + bits.take(far / 2 - 1),
                    };
                    (0..length).for_each(|_| out.push(out[out.len() - distance]));
                }
            }
        }
        if last {
            return out;
        }
    }
}
