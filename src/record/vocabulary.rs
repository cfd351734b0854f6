//! Coded terms: the visible table that maps what people write to what is kept.
//!
//! Each coded column has one closed list of terms. A term has the code that is kept, a label for people, and the other
//! spellings that are taken for it. What is not in the table is a finding, never a guess.

/// One term of a coded column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Term {
    /// The code that is kept: lower-case words joined by underscores.
    pub code: &'static str,
    /// What people read.
    pub label: &'static str,
    /// Other spellings that are taken for it, in lower case.
    pub synonyms: &'static [&'static str],
}

/// A type whose values are the terms of one coded column.
pub trait Coded: Copy + Sized + 'static {
    /// All terms, in the order in which they are listed and drawn.
    const TERMS: &'static [Term];

    /// The value at a place in [`Coded::TERMS`].
    fn from_index(index: u8) -> Option<Self>;

    /// The place of this value in [`Coded::TERMS`].
    fn index(self) -> u8;

    /// The code that is kept.
    fn code(self) -> &'static str {
        Self::TERMS[usize::from(self.index())].code
    }

    /// What people read.
    fn label(self) -> &'static str {
        Self::TERMS[usize::from(self.index())].label
    }

    /// The value that a text stands for; case, and spaces at the ends, don't matter.
    fn read(text: &str) -> Option<Self> {
        find_term(Self::TERMS, text).and_then(Self::from_index)
    }
}

/// The place of the term that `text` stands for in a list of terms; case, and spaces at the ends, don't matter.
#[expect(clippy::cast_possible_truncation, reason = "no list of terms has 256 entries; a test holds that")]
pub fn find_term(terms: &[Term], text: &str) -> Option<u8> {
    let text = text.trim();
    if let Some(place) = terms.iter().position(|term| term.code == text) {
        return Some(place as u8);
    }
    let lower = text.to_lowercase();
    terms
        .iter()
        .position(|term| term.code == lower || term.label.to_lowercase() == lower || term.synonyms.contains(&lower.as_str()))
        .map(|place| place as u8)
}

/// Defines a coded enum with its terms: `Variant "code" "label" ["synonym", …]`.
macro_rules! coded {
    ($(#[$meta:meta])* $name:ident { $($(#[$variant_meta:meta])* $variant:ident $code:literal $label:literal [$($synonym:literal),*]),+ $(,)? }) => {
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize, schemars::JsonSchema)]
        pub enum $name { $($(#[$variant_meta])* #[serde(rename = $code)] $variant),+ }

        impl $crate::record::vocabulary::Coded for $name {
            const TERMS: &'static [$crate::record::vocabulary::Term] = &[
                $($crate::record::vocabulary::Term { code: $code, label: $label, synonyms: &[$($synonym),*] }),+
            ];

            fn from_index(index: u8) -> Option<Self> {
                const ALL: &[$name] = &[$($name::$variant),+];
                ALL.get(usize::from(index)).copied()
            }

            fn index(self) -> u8 {
                self as u8
            }
        }
    };
}
pub(crate) use coded;
