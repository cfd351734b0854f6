//! Scoring schemes as data: scheme + criterion + levels + which scores fail.
//!
//! A score means nothing without its scheme: the same letter stands for different findings in different variants (a B for
//! caries fails in the two-level variant and not in the three-level one). Scores are stored as given and never converted;
//! schemes are pooled only on "acceptable or not", and pooled output says so.
//!
//! Letter schemes follow the modified USPHS family (Cvar & Ryge 1971, reprinted Clin Oral Investig 2005;9:215–232, as modified
//! in trials of cervical restorations; no single canonical version exists). FDI schemes follow Hickel et al., Clin Oral
//! Investig 2010;14:349–366 and the 2023 revision (Clin Oral Investig, doi 10.1007/s00784-022-04814-1): scores 1–3 are
//! acceptable, 4 calls for repair, 5 for replacement. Wordings are this project's own.

use std::borrow::Cow;
use std::fmt;
use std::num::NonZeroU8;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::criterion::Criterion;
use super::vocabulary::{Coded, coded};

coded! {
    /// A scoring scheme.
    Scheme {
        /// Letters A and B.
        UsphsTwoLevel "usphs_2" "Modified USPHS, two levels (A–B)" ["usphs-2", "usphs two-level"],
        /// Letters A to C.
        UsphsThreeLevel "usphs_3" "Modified USPHS, three levels (A–C)" ["usphs-3", "usphs three-level"],
        /// Letters A to D for margin, caries and form.
        UsphsFourLevel "usphs_4" "Modified USPHS, four levels (A–D)" ["usphs-4", "usphs four-level"],
        /// Scores 1 to 5 with the property names of 2010.
        Fdi2010 "fdi_2010" "FDI 1–5 (2010)" ["fdi-2010", "fdi 2010"],
        /// Scores 1 to 5 with the property names of 2023.
        Fdi2023 "fdi_2023" "FDI 1–5 (2023)" ["fdi-2023", "fdi 2023"],
    }
}

/// One score as written in its scheme: a capital letter, or a digit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Score(NonZeroU8);

impl Score {
    /// The score with this sign; none unless it is a letter A–D or a digit 1–5.
    pub const fn from_sign(sign: u8) -> Option<Self> {
        match NonZeroU8::new(sign) {
            Some(written) if matches!(sign, b'A'..=b'D' | b'1'..=b'5') => Some(Self(written)),
            _ => None,
        }
    }

    /// The sign as an ASCII byte.
    pub const fn sign(self) -> u8 {
        self.0.get()
    }

    /// A number for each score of any scheme: letters first.
    const fn kind(self) -> usize {
        let sign = self.sign();
        (if sign >= b'A' { sign - b'A' } else { sign - b'1' + 4 }) as usize
    }
}

impl fmt::Display for Score {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", char::from(self.sign()))
    }
}

impl TryFrom<String> for Score {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        match text.as_bytes() {
            [sign] => Self::from_sign(*sign),
            _ => None,
        }
        .ok_or_else(|| format!("{text} is no score: a letter A to D or a digit 1 to 5"))
    }
}

impl From<Score> for String {
    fn from(score: Score) -> Self {
        score.to_string()
    }
}

impl JsonSchema for Score {
    fn schema_name() -> Cow<'static, str> {
        "Score".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "type": "string",
            "description": "A score as given, in the sign of its scheme: a letter A–D or a digit 1–5.",
            "pattern": "^[A-D1-5]$"
        })
    }
}

/// How a score stands clinically.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// Nothing to remark.
    Ideal,
    /// Short of ideal, nothing to do.
    Acceptable,
    /// Clinically not acceptable: repair or replace.
    Unacceptable,
}

impl Standing {
    /// What people read.
    pub const fn label(self) -> &'static str {
        match self {
            Self::Ideal => "Ideal",
            Self::Acceptable => "Acceptable",
            Self::Unacceptable => "Not acceptable",
        }
    }

    /// Its code in files.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Ideal => "ideal",
            Self::Acceptable => "acceptable",
            Self::Unacceptable => "unacceptable",
        }
    }
}

/// How much of the filling a retention score says is there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Extent {
    /// All of it.
    Whole,
    /// Part is lost, the rest in place.
    Partial,
    /// Gone.
    Lost,
}

/// One level of a criterion.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Level {
    /// Its sign.
    pub score: Score,
    /// How it stands.
    pub standing: Standing,
    /// What it means, in a few words.
    pub meaning: &'static str,
}

/// What a scheme says of one criterion.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CriterionLevels {
    /// The criterion.
    pub criterion: Criterion,
    /// What the scheme calls it.
    pub property: &'static str,
    /// Its levels, best first.
    pub levels: &'static [Level],
}

const fn level(sign: u8, standing: Standing, meaning: &'static str) -> Level {
    match Score::from_sign(sign) {
        Some(score) => Level { score, standing, meaning },
        None => panic!("a sign that no scheme has"),
    }
}

const fn named(criterion: Criterion, property: &'static str, levels: &'static [Level]) -> CriterionLevels {
    CriterionLevels { criterion, property, levels }
}

use Standing::{Acceptable as Ok2, Ideal as Ok1, Unacceptable as Fail};

const TWO_LEVEL: &[CriterionLevels] = &[
    named(Criterion::Retention, "Retention", &[level(b'A', Ok1, "present"), level(b'B', Fail, "absent")]),
    named(
        Criterion::MarginalStaining,
        "Marginal discolouration",
        &[level(b'A', Ok1, "none or trivial"), level(b'B', Fail, "not acceptable")],
    ),
    named(
        Criterion::MarginalAdaptation,
        "Marginal adaptation",
        &[level(b'A', Ok1, "closed"), level(b'B', Fail, "not acceptable")],
    ),
    named(Criterion::Colour, "Colour match", &[level(b'A', Ok1, "matches"), level(b'B', Fail, "not acceptable")]),
    named(Criterion::Sensitivity, "Post-operative sensitivity", &[level(b'A', Ok1, "absent"), level(b'B', Ok2, "present")]),
    named(Criterion::Caries, "Secondary caries", &[level(b'A', Ok1, "none"), level(b'B', Fail, "present at the margin")]),
    named(
        Criterion::SurfaceTexture,
        "Surface texture",
        &[level(b'A', Ok1, "like enamel"), level(b'B', Fail, "not acceptable")],
    ),
    named(Criterion::AnatomicForm, "Anatomic form", &[level(b'A', Ok1, "continuous"), level(b'B', Fail, "not acceptable")]),
];

const RETENTION_THREE: CriterionLevels = named(
    Criterion::Retention,
    "Retention",
    &[
        level(b'A', Ok1, "fully present"),
        level(b'B', Ok2, "part lost, the rest in place"),
        level(b'C', Fail, "completely lost"),
    ],
);
const COLOUR_THREE: CriterionLevels = named(
    Criterion::Colour,
    "Colour match",
    &[
        level(b'A', Ok1, "matches the neighbour"),
        level(b'B', Ok2, "off, but within the range of teeth"),
        level(b'C', Fail, "outside the range of teeth"),
    ],
);
const SENSITIVITY_THREE: CriterionLevels = named(
    Criterion::Sensitivity,
    "Post-operative sensitivity",
    &[level(b'A', Ok1, "absent"), level(b'B', Ok2, "mild or passing"), level(b'C', Fail, "present and lasting")],
);
const CARIES_THREE: CriterionLevels = named(
    Criterion::Caries,
    "Secondary caries",
    &[level(b'A', Ok1, "none"), level(b'B', Ok2, "initial"), level(b'C', Fail, "manifest")],
);
const TEXTURE_THREE: CriterionLevels = named(
    Criterion::SurfaceTexture,
    "Surface texture",
    &[
        level(b'A', Ok1, "like enamel"),
        level(b'B', Ok2, "rougher than enamel, acceptable"),
        level(b'C', Fail, "unacceptably rough"),
    ],
);

const THREE_LEVEL: &[CriterionLevels] = &[
    RETENTION_THREE,
    named(
        Criterion::MarginalStaining,
        "Marginal discolouration",
        &[level(b'A', Ok1, "none"), level(b'B', Ok2, "superficial"), level(b'C', Fail, "penetrating towards the pulp")],
    ),
    named(
        Criterion::MarginalAdaptation,
        "Marginal adaptation",
        &[
            level(b'A', Ok1, "no visible crevice"),
            level(b'B', Ok2, "crevice that the explorer enters"),
            level(b'C', Fail, "crevice that bares dentine"),
        ],
    ),
    COLOUR_THREE,
    SENSITIVITY_THREE,
    CARIES_THREE,
    TEXTURE_THREE,
    named(
        Criterion::AnatomicForm,
        "Anatomic form",
        &[
            level(b'A', Ok1, "continuous with the tooth"),
            level(b'B', Ok2, "hollowed, dentine covered"),
            level(b'C', Fail, "substance lost, dentine bare"),
        ],
    ),
];

const FOUR_LEVEL: &[CriterionLevels] = &[
    RETENTION_THREE,
    named(
        Criterion::MarginalStaining,
        "Marginal discolouration",
        &[
            level(b'A', Ok1, "none"),
            level(b'B', Ok2, "superficial, can be polished off"),
            level(b'C', Fail, "penetrating, cannot be polished off"),
            level(b'D', Fail, "strong, over most of the margin"),
        ],
    ),
    named(
        Criterion::MarginalAdaptation,
        "Marginal adaptation",
        &[
            level(b'A', Ok1, "no visible crevice"),
            level(b'B', Ok2, "crevice that the explorer enters"),
            level(b'C', Fail, "crevice that bares dentine"),
            level(b'D', Fail, "mobile, broken or missing in part"),
        ],
    ),
    COLOUR_THREE,
    SENSITIVITY_THREE,
    CARIES_THREE,
    TEXTURE_THREE,
    named(
        Criterion::AnatomicForm,
        "Anatomic form",
        &[
            level(b'A', Ok1, "continuous with the tooth"),
            level(b'B', Ok2, "hollowed, dentine covered"),
            level(b'C', Fail, "substance lost, dentine bare"),
            level(b'D', Fail, "broken, mobile or harmful"),
        ],
    ),
];

const FDI_RETENTION: &[Level] = &[
    level(b'1', Ok1, "no crack, fully there"),
    level(b'2', Ok2, "one hairline crack"),
    level(b'3', Ok2, "cracks or a chip away from the margin"),
    level(b'4', Fail, "partial loss, less than half"),
    level(b'5', Fail, "lost"),
];
const FDI_STAINING: &[Level] = &[
    level(b'1', Ok1, "none"),
    level(b'2', Ok2, "minor, easily polished off"),
    level(b'3', Ok2, "moderate, not disturbing"),
    level(b'4', Fail, "pronounced, needs repair"),
    level(b'5', Fail, "deep or general"),
];
const FDI_ADAPTATION: &[Level] = &[
    level(b'1', Ok1, "no gap, no line"),
    level(b'2', Ok2, "gap under 150 µm or a removable ditch"),
    level(b'3', Ok2, "gap under 250 µm, not removable"),
    level(b'4', Fail, "gap over 250 µm or dentine bare"),
    level(b'5', Fail, "loose, or gaps all round"),
];
const FDI_COLOUR: &[Level] = &[
    level(b'1', Ok1, "good match"),
    level(b'2', Ok2, "minor deviation"),
    level(b'3', Ok2, "distinct, acceptable"),
    level(b'4', Fail, "clear deviation, repairable"),
    level(b'5', Fail, "unacceptable"),
];
const FDI_SENSITIVITY: &[Level] = &[
    level(b'1', Ok1, "none"),
    level(b'2', Ok2, "low, for a short time"),
    level(b'3', Ok2, "stronger or delayed, no treatment"),
    level(b'4', Fail, "intense, minor treatment"),
    level(b'5', Fail, "very intense: replaced or root-filled"),
];
const FDI_CARIES: &[Level] = &[
    level(b'1', Ok1, "none"),
    level(b'2', Ok2, "small demineralised spot"),
    level(b'3', Ok2, "larger demineralised area"),
    level(b'4', Fail, "cavity, repairable"),
    level(b'5', Fail, "deep, or out of reach"),
];
const FDI_TEXTURE: &[Level] = &[
    level(b'1', Ok1, "lustre like enamel"),
    level(b'2', Ok2, "slightly dull"),
    level(b'3', Ok2, "dull, acceptable when wet"),
    level(b'4', Fail, "rough, needs polishing or repair"),
    level(b'5', Fail, "very rough"),
];
const FDI_FORM: &[Level] = &[
    level(b'1', Ok1, "ideal form"),
    level(b'2', Ok2, "slightly off"),
    level(b'3', Ok2, "off, not disturbing"),
    level(b'4', Fail, "disturbing, repairable"),
    level(b'5', Fail, "unacceptable"),
];

const FDI_2010: &[CriterionLevels] = &[
    named(Criterion::Retention, "Fracture and retention", FDI_RETENTION),
    named(Criterion::MarginalStaining, "Staining (b) margin", FDI_STAINING),
    named(Criterion::MarginalAdaptation, "Marginal adaptation", FDI_ADAPTATION),
    named(Criterion::Colour, "Colour match and translucency", FDI_COLOUR),
    named(Criterion::Sensitivity, "Post-operative sensitivity and tooth vitality", FDI_SENSITIVITY),
    named(Criterion::Caries, "Recurrence of caries, erosion, abfraction", FDI_CARIES),
    named(Criterion::SurfaceTexture, "Surface lustre", FDI_TEXTURE),
    named(Criterion::AnatomicForm, "Aesthetic anatomical form", FDI_FORM),
];

const FDI_2023: &[CriterionLevels] = &[
    named(Criterion::Retention, "F1 Fracture of material and retention", FDI_RETENTION),
    named(Criterion::MarginalStaining, "A2 Marginal staining", FDI_STAINING),
    named(Criterion::MarginalAdaptation, "F2 Marginal adaptation", FDI_ADAPTATION),
    named(Criterion::Colour, "A3 Colour match", FDI_COLOUR),
    named(Criterion::Sensitivity, "B3 Post-operative hypersensitivity", FDI_SENSITIVITY),
    named(Criterion::Caries, "B1 Caries at restoration margin", FDI_CARIES),
    named(Criterion::SurfaceTexture, "A1 Surface lustre and texture", FDI_TEXTURE),
    named(Criterion::AnatomicForm, "F4 Form and contour", FDI_FORM),
];

/// Stands for "no such score".
const NO_PLACE: u8 = u8::MAX;
const SCHEMES: [Scheme; 5] =
    [Scheme::UsphsTwoLevel, Scheme::UsphsThreeLevel, Scheme::UsphsFourLevel, Scheme::Fdi2010, Scheme::Fdi2023];

/// The place of each score among the levels of each criterion of each scheme, worked out by the compiler.
#[expect(clippy::cast_possible_truncation, reason = "levels are few")]
const PLACES: [[[u8; 9]; 8]; 5] = {
    let mut places = [[[NO_PLACE; 9]; 8]; 5];
    let mut scheme = 0;
    while scheme < SCHEMES.len() {
        let criteria = SCHEMES[scheme].criteria();
        let mut criterion = 0;
        while criterion < criteria.len() {
            let levels = criteria[criterion].levels;
            let mut place = 0;
            while place < levels.len() {
                let found = &mut places[SCHEMES[scheme] as usize][criterion][levels[place].score.kind()];
                // The first of a sign counts.
                if *found == NO_PLACE {
                    *found = place as u8;
                }
                place += 1;
            }
            criterion += 1;
        }
        scheme += 1;
    }
    places
};

impl Scheme {
    /// What the scheme says of each criterion.
    pub const fn criteria(self) -> &'static [CriterionLevels] {
        match self {
            Self::UsphsTwoLevel => TWO_LEVEL,
            Self::UsphsThreeLevel => THREE_LEVEL,
            Self::UsphsFourLevel => FOUR_LEVEL,
            Self::Fdi2010 => FDI_2010,
            Self::Fdi2023 => FDI_2023,
        }
    }

    /// The levels of one criterion, best first.
    pub fn levels(self, criterion: Criterion) -> &'static [Level] {
        self.criteria().get(usize::from(criterion.index())).map_or(&[], |found| found.levels)
    }

    /// What the scheme calls a criterion.
    pub fn property(self, criterion: Criterion) -> &'static str {
        self.criteria().get(usize::from(criterion.index())).map_or("", |found| found.property)
    }

    /// Whether scores are letters (otherwise digits).
    pub const fn has_letters(self) -> bool {
        matches!(self, Self::UsphsTwoLevel | Self::UsphsThreeLevel | Self::UsphsFourLevel)
    }

    /// The level that a score stands for under a criterion; none if the scheme has no such score there.
    pub fn level(self, criterion: Criterion, score: Score) -> Option<&'static Level> {
        self.levels(criterion).get(self.place(criterion, score)?)
    }

    /// How a score stands under a criterion; none if the scheme has no such score there.
    pub fn standing(self, criterion: Criterion, score: Score) -> Option<Standing> {
        self.level(criterion, score).map(|level| level.standing)
    }

    /// The place of a score among the levels of a criterion, best first; none if the scheme has no such score there.
    pub fn place(self, criterion: Criterion, score: Score) -> Option<usize> {
        let place = PLACES[self as usize][criterion as usize][score.kind()];
        (place != NO_PLACE).then_some(usize::from(place))
    }

    /// How much of the filling a retention score says is there.
    ///
    /// Complete loss is the last level (C; B in the two-level variant; FDI 5); partial loss is B of three and FDI 4.
    pub fn extent(self, score: Score) -> Option<Extent> {
        let levels = self.levels(Criterion::Retention);
        let place = self.place(Criterion::Retention, score)?;
        Some(if place + 1 == levels.len() {
            Extent::Lost
        } else if place >= 1 && place + 2 == levels.len() {
            Extent::Partial
        } else {
            Extent::Whole
        })
    }

    /// Reads a score of this scheme under a criterion: the sign itself, in either case, or a spelled-out letter (alfa, bravo,
    /// charlie, delta and their other spellings). Digits are never taken for letters.
    pub fn read(self, criterion: Criterion, text: &str) -> Option<Score> {
        let text = text.trim();
        let sign = match text.as_bytes() {
            [sign] => sign.to_ascii_uppercase(),
            _ if self.has_letters() => match text.to_lowercase().as_str() {
                "alfa" | "alpha" => b'A',
                "bravo" | "beta" => b'B',
                "charlie" | "gamma" => b'C',
                "delta" => b'D',
                _ => return None,
            },
            _ => return None,
        };
        let score = Score::from_sign(sign)?;
        self.level(criterion, score).map(|_| score)
    }

    /// The scores that a criterion may have, as people read them: `A, B, C`.
    pub fn choices(self, criterion: Criterion) -> String {
        let signs: Vec<String> = self.levels(criterion).iter().map(|level| level.score.to_string()).collect();
        signs.join(", ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all_schemes() -> impl Iterator<Item = Scheme> {
        (0..).map_while(Scheme::from_index)
    }

    #[test]
    fn places_are_those_of_the_levels() {
        for scheme in SCHEMES {
            for criterion in Criterion::ALL {
                for sign in 0..=u8::MAX {
                    let Some(score) = Score::from_sign(sign) else { continue };
                    let place = scheme.levels(criterion).iter().position(|level| level.score == score);
                    assert_eq!(scheme.place(criterion, score), place, "{scheme:?} {criterion:?} {score}");
                }
            }
        }
    }

    #[test]
    fn every_scheme_lists_every_criterion_in_order_best_level_first() {
        for scheme in all_schemes() {
            let listed: Vec<Criterion> = scheme.criteria().iter().map(|entry| entry.criterion).collect();
            assert_eq!(listed, Criterion::ALL, "{}", scheme.code());
            for entry in scheme.criteria() {
                assert!(entry.levels.is_sorted_by_key(|level| level.standing), "{} {}", scheme.code(), entry.property);
                assert!(entry.levels.is_sorted_by_key(|level| level.score.sign()));
            }
        }
    }

    /// FDI: 1–3 acceptable, 4 and 5 not (Hickel et al. 2010).
    #[test]
    fn fdi_fails_at_four_and_five_everywhere() {
        for scheme in [Scheme::Fdi2010, Scheme::Fdi2023] {
            for criterion in Criterion::ALL {
                let failing: Vec<u8> = scheme
                    .levels(criterion)
                    .iter()
                    .filter(|l| l.standing == Standing::Unacceptable)
                    .map(|l| l.score.sign())
                    .collect();
                assert_eq!(failing, b"45");
            }
        }
    }

    /// The same letter fails in one variant and not in another: B for caries (two levels against three).
    #[test]
    fn a_letter_means_what_its_scheme_says() {
        let b = Score::from_sign(b'B').expect("a score");
        assert_eq!(Scheme::UsphsTwoLevel.standing(Criterion::Caries, b), Some(Standing::Unacceptable));
        assert_eq!(Scheme::UsphsThreeLevel.standing(Criterion::Caries, b), Some(Standing::Acceptable));
        assert_eq!(Scheme::UsphsTwoLevel.standing(Criterion::Sensitivity, b), Some(Standing::Acceptable));
        assert_eq!(Scheme::Fdi2010.standing(Criterion::Caries, b), None);
    }

    #[test]
    fn complete_and_partial_loss_are_where_the_trade_puts_them() {
        let extent = |scheme: Scheme, sign: u8| scheme.extent(Score::from_sign(sign).expect("a score"));
        assert_eq!(extent(Scheme::UsphsThreeLevel, b'C'), Some(Extent::Lost));
        assert_eq!(extent(Scheme::UsphsThreeLevel, b'B'), Some(Extent::Partial));
        assert_eq!(extent(Scheme::UsphsFourLevel, b'C'), Some(Extent::Lost));
        assert_eq!(extent(Scheme::UsphsTwoLevel, b'B'), Some(Extent::Lost));
        assert_eq!(extent(Scheme::UsphsTwoLevel, b'A'), Some(Extent::Whole));
        assert_eq!(extent(Scheme::Fdi2023, b'5'), Some(Extent::Lost));
        assert_eq!(extent(Scheme::Fdi2023, b'4'), Some(Extent::Partial));
        assert_eq!(extent(Scheme::Fdi2010, b'3'), Some(Extent::Whole));
    }

    #[test]
    fn spellings_of_letters_are_read_and_digits_are_not() {
        let read = |text| Scheme::UsphsThreeLevel.read(Criterion::Colour, text).map(Score::sign);
        assert_eq!(read("Alpha"), Some(b'A'));
        assert_eq!(read(" beta "), Some(b'B'));
        assert_eq!(read("c"), Some(b'C'));
        assert_eq!(read("D"), None);
        assert_eq!(read("0"), None);
        assert_eq!(read("1"), None);
        assert_eq!(Scheme::Fdi2010.read(Criterion::Colour, "6"), None);
        assert_eq!(Scheme::Fdi2010.read(Criterion::Colour, "5").map(Score::sign), Some(b'5'));
    }
}
