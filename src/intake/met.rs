//! Written forms of a column that were met before, with what they were found to mean: a form is looked at once, not in every row.

/// How many forms are remembered; few columns have more that matter.
const MOST: usize = 24;

/// Forms met so far.
#[derive(Clone, Debug, Default)]
pub struct Met {
    forms: Vec<Form>,
    /// Codes of forms of one byte, by scheme: most scores are one letter.
    letters: Vec<(u8, Box<[u8; 256]>)>,
}

/// No form of one byte was met.
const NOT_MET: u8 = u8::MAX;

#[derive(Clone, Debug)]
struct Form {
    scheme: u8,
    key: u64,
    bytes: Box<[u8]>,
    code: u8,
}

/// Length and first seven bytes in one number: alike only for the same short text.
#[inline]
fn key(bytes: &[u8]) -> u64 {
    let start = match bytes.first_chunk() {
        Some(start) => u64::from_le_bytes(*start),
        None => bytes.iter().rev().fold(0, |packed, byte| (packed << 8) | u64::from(*byte)),
    };
    (start & ((1 << 56) - 1)) | (bytes.len().min(255) as u64) << 56
}

impl Met {
    /// The code of a form under a scheme, if it was met. Forms that are met often come to be tried first.
    #[inline]
    pub fn find(&mut self, scheme: u8, bytes: &[u8]) -> Option<u8> {
        if let [letter] = bytes {
            let codes = self.letters.iter().find(|letters| letters.0 == scheme)?;
            return Some(codes.1[usize::from(*letter)]).filter(|code| *code != NOT_MET);
        }
        let key = key(bytes);
        let same = |form: &Form| form.key == key && form.scheme == scheme && (bytes.len() <= 7 || *form.bytes == *bytes);
        let at = self.forms.iter().position(same)?;
        let code = self.forms[at].code;
        if at > 0 {
            self.forms.swap(at - 1, at);
        }
        Some(code)
    }

    /// Remembers a form, as long as there is room.
    pub fn add(&mut self, scheme: u8, bytes: &[u8], code: u8) {
        if let [letter] = bytes {
            let at = self.letters.iter().position(|letters| letters.0 == scheme).unwrap_or_else(|| {
                self.letters.push((scheme, Box::new([NOT_MET; 256])));
                self.letters.len() - 1
            });
            self.letters[at].1[usize::from(*letter)] = code;
        } else if self.forms.len() < MOST {
            self.forms.push(Form { scheme, key: key(bytes), bytes: bytes.into(), code });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_form_without_a_code_is_not_met_as_one() {
        let mut met = Met::default();
        met.add(0, b"x", NOT_MET);
        assert_eq!(met.find(0, b"x"), None);
    }

    #[test]
    fn forms_are_told_apart_by_every_byte_and_by_scheme() {
        let mut met = Met::default();
        met.add(0, b"A", 1);
        met.add(1, b"A", 2);
        met.add(0, b"etch_and_rinse", 3);
        assert_eq!((met.find(0, b"A"), met.find(1, b"A"), met.find(2, b"A")), (Some(1), Some(2), None));
        assert_eq!((met.find(0, b"etch_and_rinse"), met.find(0, b"etch_and_rinsE")), (Some(3), None));
        assert_eq!((met.find(0, b"A\0"), met.find(0, b"")), (None, None));
    }
}
