//! What was published about levels of a factor, as data with sources. The practice's levels are the published classes where codes are
//! alike; the page shows which stands for which.
//!
//! Directions are about retention unless `about_retention` says otherwise. Reviews disagree on etch strategy: all that bear on a
//! pair are listed, none is picked.

use crate::result::{Agreement, PublishedAgreement, PublishedDirection, PublishedFinding, VerdictKind, VerdictNumbers};

struct Source {
    key: &'static str,
    factor: &'static str,
    first: &'static str,
    second: &'static str,
    outcome: &'static str,
    about_retention: bool,
    direction: PublishedDirection,
    says: &'static str,
    source: &'static str,
}

use PublishedDirection::{FirstBetter, NoDifference, SecondBetter};

const RETENTION: &str = "retention";
const MARGINS: &str = "margins";

const SOURCES: &[Source] = &[
    Source {
        key: "etch-2017-retention",
        factor: "etch_strategy",
        first: "self_etch",
        second: "etch_and_rinse",
        outcome: RETENTION,
        about_retention: true,
        direction: NoDifference,
        says: "42 studies, 29 pooled: no difference in retention at any time",
        source: "Schroeder et al., J Dent 2017;62:36–53",
    },
    Source {
        key: "etch-2017-staining",
        factor: "etch_strategy",
        first: "self_etch",
        second: "etch_and_rinse",
        outcome: MARGINS,
        about_retention: false,
        direction: SecondBetter,
        says: "marginal discolouration worse with self-etch: risk ratio 1.51 (1.21 to 1.90) at 18 to 24 months, 1.81 (1.28 to 2.55) at 4 to 5 years",
        source: "Schroeder et al., J Dent 2017;62:36–53",
    },
    Source {
        key: "etch-universal-2023-a",
        factor: "etch_strategy",
        first: "self_etch",
        second: "etch_and_rinse",
        outcome: RETENTION,
        about_retention: true,
        direction: NoDifference,
        says: "universal adhesives, 17 trials, 13 pooled: no significant difference in five outcomes at 18 to 36 months",
        source: "Doshi et al., BDJ Open 2023;9:1",
    },
    Source {
        key: "etch-universal-2023-b",
        factor: "etch_strategy",
        first: "self_etch",
        second: "etch_and_rinse",
        outcome: RETENTION,
        about_retention: true,
        direction: SecondBetter,
        says: "universal adhesives, 20 trials: etch-and-rinse better retained beyond 12 to 36 months, and better at the margins",
        source: "Oper Dent 2023;48:373–390",
    },
    Source {
        key: "etch-universal-2022",
        factor: "etch_strategy",
        first: "selective_enamel_etch",
        second: "self_etch",
        outcome: RETENTION,
        about_retention: true,
        direction: FirstBetter,
        says: "universal adhesives: odds ratio of loss 0.42 (0.18 to 0.99) at 6, 0.31 (0.13 to 0.72) at 18 to 24 months; certainty low or very low",
        source: "Josic et al., Dent Mater 2022;38:472–488",
    },
    Source {
        key: "enamel-etch-2014-retention",
        factor: "etch_strategy",
        first: "selective_enamel_etch",
        second: "self_etch",
        outcome: RETENTION,
        about_retention: true,
        direction: NoDifference,
        says: "8 trials: retention ratio 1.01 (0.98 to 1.04) at 2 years, 1.02 (0.96 to 1.08) at 5 years",
        source: "Qin et al., J Dent Sci 2014;9:303–312",
    },
    Source {
        key: "enamel-etch-2014-margins",
        factor: "etch_strategy",
        first: "selective_enamel_etch",
        second: "self_etch",
        outcome: MARGINS,
        about_retention: false,
        direction: FirstBetter,
        says: "marginal defects: risk ratio 0.58 (0.44 to 0.77); discolouration 0.48 (0.28 to 0.83)",
        source: "Qin et al., J Dent Sci 2014;9:303–312",
    },
    Source {
        key: "bevel-2015",
        factor: "preparation",
        first: "bevelled",
        second: "none",
        outcome: RETENTION,
        about_retention: true,
        direction: NoDifference,
        says: "risk difference of retention 0.00 (−0.04 to 0.04) at 1 year",
        source: "Schroeder et al., J Dent 2015;43:777–788",
    },
    Source {
        key: "roughening-2010",
        factor: "preparation",
        first: "roughened",
        second: "none",
        outcome: RETENTION,
        about_retention: true,
        direction: FirstBetter,
        says: "50 studies: prepared or roughened dentine better retained (p below 0.05)",
        source: "Heintze, Ruffieux and Rousson, Dent Mater 2010",
    },
    Source {
        key: "class-2020",
        factor: "adhesive_class",
        first: "one_step_self_etch",
        second: "two_step_self_etch",
        outcome: RETENTION,
        about_retention: true,
        direction: NoDifference,
        says: "risk ratio of loss 1.55 (0.76 to 3.19)",
        source: "Oper Dent 2020;45:598",
    },
    Source {
        key: "class-2021",
        factor: "adhesive_class",
        first: "one_step_self_etch",
        second: "three_step_etch_and_rinse",
        outcome: RETENTION,
        about_retention: true,
        direction: NoDifference,
        says: "no difference in retention",
        source: "J Adhes Dent 2021 (systematic review of three-step etch-and-rinse against one-step self-etch)",
    },
];

/// What was published about pairs of these levels.
pub fn published(factor: &str, levels: &[String]) -> Vec<PublishedFinding> {
    let has = |level: &str| levels.iter().any(|known| known == level);
    SOURCES
        .iter()
        .filter(|source| source.factor == factor && has(source.first) && has(source.second))
        .map(|source| PublishedFinding {
            key: source.key.to_owned(),
            factor: source.factor.to_owned(),
            first: source.first.to_owned(),
            second: source.second.to_owned(),
            outcome: source.outcome.to_owned(),
            about_retention: source.about_retention,
            direction: source.direction,
            says: source.says.to_owned(),
            source: source.source.to_owned(),
        })
        .collect()
}

/// Whether a verdict on a pair (its codes) agrees with what was published about retention.
pub fn agreement(
    findings: &[PublishedFinding],
    reference: &str,
    level: &str,
    kind: VerdictKind,
    numbers: Option<VerdictNumbers>,
) -> Vec<PublishedAgreement> {
    let about_pair = |finding: &&PublishedFinding| {
        finding.about_retention
            && ((finding.first == reference && finding.second == level)
                || (finding.first == level && finding.second == reference))
    };
    findings
        .iter()
        .filter(about_pair)
        .map(|finding| {
            let level_better = match finding.direction {
                NoDifference => None,
                FirstBetter => Some(finding.first == level),
                SecondBetter => Some(finding.second == level),
            };
            let agreement = match (kind, numbers) {
                (VerdictKind::Differ, Some(numbers)) => {
                    if level_better == Some(numbers.difference > 0.0) {
                        Agreement::SameWay
                    } else {
                        Agreement::OtherWay
                    }
                }
                (VerdictKind::NoClearDifference, _) => {
                    if level_better.is_none() {
                        Agreement::SameWay
                    } else {
                        Agreement::OtherWay
                    }
                }
                _ => Agreement::OwnTooFew,
            };
            PublishedAgreement { key: finding.key.clone(), agreement }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{AdhesiveClass, Coded, EtchStrategy, Preparation};

    #[test]
    fn published_classes_are_codes_of_the_records_and_keys_are_unique() {
        let codes = |factor: &str| -> Vec<&'static str> {
            match factor {
                "etch_strategy" => EtchStrategy::TERMS.iter().map(|term| term.code).collect(),
                "adhesive_class" => AdhesiveClass::TERMS.iter().map(|term| term.code).collect(),
                _ => Preparation::TERMS.iter().map(|term| term.code).collect(),
            }
        };
        for (place, source) in SOURCES.iter().enumerate() {
            let known = codes(source.factor);
            assert!(known.contains(&source.first) && known.contains(&source.second), "{}", source.key);
            assert!(SOURCES[..place].iter().all(|other| other.key != source.key), "{}", source.key);
        }
    }

    #[test]
    fn a_verdict_agrees_where_it_points_the_same_way() {
        let levels = ["self_etch", "selective_enamel_etch"].map(str::to_owned);
        let findings = published("etch_strategy", &levels);
        assert_eq!(findings.len(), 3);
        let better = VerdictNumbers { reference: 0.8, level: 0.9, difference: 0.1, lower: 0.02, upper: 0.18 };
        let told = |kind, numbers| -> Vec<Agreement> {
            let told = agreement(&findings, "self_etch", "selective_enamel_etch", kind, numbers);
            told.into_iter().map(|one| one.agreement).collect()
        };
        // One review finds enamel etching better, one finds no difference; the third is about margins and has no say.
        assert_eq!(told(VerdictKind::Differ, Some(better)), [Agreement::SameWay, Agreement::OtherWay]);
        assert_eq!(told(VerdictKind::NoClearDifference, None), [Agreement::OtherWay, Agreement::SameWay]);
        assert_eq!(told(VerdictKind::TooLittleToTell, None), [Agreement::OwnTooFew, Agreement::OwnTooFew]);
    }
}
