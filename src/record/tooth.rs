//! Teeth and their notations.
//!
//! Kept as ISO 3950 two-digit numbers: quadrant, then position from the midline. Universal numbers and letters are
//! converted where a file declares them. Eighteen codes (11–18, 21–28, 31, 32) are legal in both and mean different teeth,
//! so a notation is declared and never guessed; but a file can refute what it declares.

use std::borrow::Cow;
use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::vocabulary::coded;

coded! {
    /// How a file writes teeth.
    ToothNotation {
        /// ISO 3950: 11–48 permanent, 51–85 primary.
        Iso3950 "iso_3950" "ISO 3950 (two-digit)" ["iso", "fdi", "two-digit"],
        /// Universal: 1–32 permanent, A–T primary.
        Universal "universal" "Universal (1–32, A–T)" [],
    }
}

coded! {
    /// The jaw.
    Arch {
        /// Upper.
        Maxilla "maxilla" "Upper" ["upper"],
        /// Lower.
        Mandible "mandible" "Lower" ["lower"],
    }
}

coded! {
    /// The kind of tooth.
    ToothType {
        /// Positions 1 and 2.
        Incisor "incisor" "Incisor" [],
        /// Position 3.
        Canine "canine" "Canine" [],
        /// Positions 4 and 5 of permanent teeth.
        Premolar "premolar" "Premolar" [],
        /// Positions 6 to 8, and 4 and 5 of primary teeth.
        Molar "molar" "Molar" [],
    }
}

/// A tooth, as its ISO 3950 number (11–18, 21–28, 31–38, 41–48; primary 51–55, 61–65, 71–75, 81–85).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Tooth(u8);

impl Tooth {
    /// The tooth with an ISO 3950 number; none if there is no such tooth.
    pub const fn from_iso(number: u8) -> Option<Self> {
        let (quadrant, position) = (number / 10, number % 10);
        let last = match quadrant {
            1..=4 => 8,
            5..=8 => 5,
            _ => return None,
        };
        if position >= 1 && position <= last { Some(Self(number)) } else { None }
    }

    /// The ISO 3950 number.
    pub const fn iso(self) -> u8 {
        self.0
    }

    /// Reads a tooth in a declared notation; none if the notation has no such tooth.
    ///
    /// Universal arithmetic (common practice; 46 is Universal 30): 1p = 9 − p, 2p = 8 + p, 3p = 25 − p, 4p = 24 + p; primary,
    /// counting A as 0: 5p = 5 − p, 6p = 4 + p, 7p = 15 − p, 8p = 14 + p.
    pub fn read(text: &str, notation: ToothNotation) -> Option<Self> {
        match notation {
            ToothNotation::Iso3950 if text.len() == 2 => text.parse().ok().and_then(Self::from_iso),
            ToothNotation::Iso3950 => None,
            ToothNotation::Universal => Self::read_universal(text),
        }
    }

    fn read_universal(text: &str) -> Option<Self> {
        if let [letter] = text.as_bytes() {
            let place = match letter.to_ascii_uppercase() {
                upper @ b'A'..=b'T' => Some(upper - b'A'),
                _ => None,
            };
            if let Some(place) = place {
                let number = match place {
                    0..=4 => 50 + (5 - place),
                    5..=9 => 60 + (place - 4),
                    10..=14 => 70 + (15 - place),
                    _ => 80 + (place - 14),
                };
                return Self::from_iso(number);
            }
        }
        if text.len() > 2 || !text.bytes().all(|byte| byte.is_ascii_digit()) {
            return None;
        }
        let number: u8 = text.parse().ok()?;
        match number {
            1..=8 => Self::from_iso(10 + (9 - number)),
            9..=16 => Self::from_iso(20 + (number - 8)),
            17..=24 => Self::from_iso(30 + (25 - number)),
            25..=32 => Self::from_iso(40 + (number - 24)),
            _ => None,
        }
    }

    /// The Universal number or letter.
    pub fn universal(self) -> String {
        let (quadrant, position) = (self.0 / 10, self.0 % 10);
        match quadrant {
            1 => (9 - position).to_string(),
            2 => (8 + position).to_string(),
            3 => (25 - position).to_string(),
            4 => (24 + position).to_string(),
            5 => char::from(b'A' + 5 - position).to_string(),
            6 => char::from(b'A' + 4 + position).to_string(),
            7 => char::from(b'A' + 15 - position).to_string(),
            _ => char::from(b'A' + 14 + position).to_string(),
        }
    }

    /// Whether this is a primary (milk) tooth.
    pub const fn is_primary(self) -> bool {
        self.0 >= 50
    }

    /// The jaw.
    pub const fn arch(self) -> Arch {
        match self.0 / 10 {
            1 | 2 | 5 | 6 => Arch::Maxilla,
            _ => Arch::Mandible,
        }
    }

    /// The kind of tooth.
    pub const fn tooth_type(self) -> ToothType {
        match self.0 % 10 {
            1 | 2 => ToothType::Incisor,
            3 => ToothType::Canine,
            4 | 5 if self.is_primary() => ToothType::Molar,
            4 | 5 => ToothType::Premolar,
            _ => ToothType::Molar,
        }
    }
}

/// Whether a tooth cell, legal or not in its declared notation, can only have been written in the other one.
///
/// 1–10, 19, 20, 29, 30 (and letters) are only Universal; 33–38, 41–48 and the primary numbers are only ISO 3950. One such
/// cell refutes the declaration of its whole file.
pub fn refutes(text: &str, declared: ToothNotation) -> bool {
    Tooth::read(text, declared).is_none()
        && match declared {
            ToothNotation::Iso3950 => Tooth::read(text, ToothNotation::Universal).is_some(),
            ToothNotation::Universal => Tooth::read(text, ToothNotation::Iso3950).is_some(),
        }
}

/// The ISO 3950 number.
impl fmt::Display for Tooth {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0)
    }
}

impl TryFrom<String> for Tooth {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        Self::read(&text, ToothNotation::Iso3950).ok_or_else(|| format!("{text} is no tooth in ISO 3950 notation"))
    }
}

impl From<Tooth> for String {
    fn from(tooth: Tooth) -> Self {
        tooth.to_string()
    }
}

impl JsonSchema for Tooth {
    fn schema_name() -> Cow<'static, str> {
        "Tooth".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "type": "string",
            "description": "A tooth as its ISO 3950 two-digit number.",
            "pattern": "^([1-4][1-8]|[5-8][1-5])$"
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn universal(text: &str) -> Option<u8> {
        Tooth::read(text, ToothNotation::Universal).map(Tooth::iso)
    }

    /// ISO 3950 against Universal at the ends of each quadrant (common practice).
    #[test]
    fn universal_numbers_and_letters_meet_their_iso_teeth() {
        let pairs = [
            (18, "1"),
            (11, "8"),
            (21, "9"),
            (28, "16"),
            (38, "17"),
            (31, "24"),
            (41, "25"),
            (48, "32"),
            (46, "30"),
            (55, "A"),
            (51, "E"),
            (61, "F"),
            (65, "J"),
            (75, "K"),
            (71, "O"),
            (81, "P"),
            (85, "T"),
        ];
        for (iso, text) in pairs {
            assert_eq!(universal(text), Some(iso), "{text}");
            assert_eq!(Tooth::from_iso(iso).map(Tooth::universal).as_deref(), Some(text));
        }
    }

    #[test]
    fn every_tooth_survives_the_way_to_universal_and_back() {
        let teeth: Vec<Tooth> = (0..=255).filter_map(Tooth::from_iso).collect();
        assert_eq!(teeth.len(), 52);
        for tooth in teeth {
            assert_eq!(universal(&tooth.universal()), Some(tooth.iso()));
            assert_eq!(Tooth::read(&tooth.to_string(), ToothNotation::Iso3950), Some(tooth));
        }
    }

    #[test]
    fn codes_that_only_one_notation_has_refute_the_other() {
        let only_universal: Vec<u8> = (1..=32).filter(|n| refutes(&n.to_string(), ToothNotation::Iso3950)).collect();
        assert_eq!(only_universal, [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 19, 20, 29, 30]);
        assert!(
            refutes("33", ToothNotation::Universal)
                && refutes("48", ToothNotation::Universal)
                && refutes("55", ToothNotation::Universal)
        );
        assert!(!refutes("11", ToothNotation::Iso3950) && !refutes("11", ToothNotation::Universal));
        assert!(!refutes("99", ToothNotation::Iso3950) && !refutes("16b", ToothNotation::Universal));
    }

    #[test]
    fn tooth_types_follow_the_position() {
        let kinds: Vec<ToothType> =
            [11, 23, 34, 46, 54].into_iter().filter_map(Tooth::from_iso).map(Tooth::tooth_type).collect();
        assert_eq!(kinds, [ToothType::Incisor, ToothType::Canine, ToothType::Premolar, ToothType::Molar, ToothType::Molar]);
    }
}
