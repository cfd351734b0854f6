//! Invented results for the tests of the charts, and the check that no text overlaps another or leaves the sheet.

#![expect(clippy::cast_possible_truncation, reason = "invented counts and days, all small")]

use crate::figure::Drawing;
use crate::figure::annual_failure_chart::{AnnualFailureChart, annual_failure_chart_on};
use crate::figure::criterion_chart::{CriterionChart, criterion_chart_on};
use crate::figure::criterion_level_chart::{
    CriterionLevelChart, ShareAt, SharesAt, StandingPanel, criterion_level_chart_on,
};
use crate::figure::recall_chart::{RecallChart, recall_chart_on};
use crate::figure::sheet::Weight;
use crate::figure::stage::Stage;
use crate::figure::survival_chart::{SurvivalChart, survival_chart_on};
use crate::figure::survival_scale::Scale;
use crate::figure::text_width::text_width;
use crate::quantity::{
    AnnualRate, Behind, ConfidenceInterval, ConfidenceLevel, Days, Estimate, Fraction, IntervalMethod, Known, Variance,
    WhyNotKnown, Years,
};
use crate::record::{Criterion, Standing};
use crate::result::{
    AnnualFailure, AnnualFormula, Benchmark, Counts, CriterionReview, CurvePoint, GroupReview, HorizonReview, LevelShare,
    RecallReview, RestrictedMeanReview,
};

pub const DEFINITION: &str = "Failure: the whole filling lost. Partial loss, repair and poor scores are no failure; a filling \
    renewed for another fault or removed with its tooth competes.";
pub const FOOTNOTE: &str = "Product-limit (Kaplan–Meier) estimate; 95 % intervals by complementary log–log, patient-clustered \
    standard errors (infinitesimal jackknife).";
pub const LONG: &str =
    "Selective enamel etch with phosphoric acid & a two-step self-etch adhesive, rubbed in for 20 s <actively>";

const HORIZONS: [(u16, i32); 7] = [(6, 183), (12, 365), (24, 731), (36, 1096), (60, 1826), (96, 2922), (120, 3653)];

fn interval<T>(lower: T, upper: T, method: IntervalMethod) -> ConfidenceInterval<T> {
    ConfidenceInterval { lower, upper, level: ConfidenceLevel::USUAL, method }
}

/// A group of `total` restorations failing at about `hazard` a year, followed for `last` days, with ten left at its end.
pub fn group(label: &str, total: u64, hazard: f64, last: i32) -> GroupReview {
    let whole = total as f64;
    let survival = |day: i32| 1.0 - hazard * f64::from(day) / 365.25 * (1.0 - 0.02 * f64::from(day) / 365.25);
    let followed = |day: i32| (1.0 - f64::from(day.min(last)) / f64::from(last.max(1))).max(0.0);
    let step = (f64::from(last) / (whole / 2.0).clamp(1.0, 400.0)).max(1.0);
    let mut curve = Vec::new();
    let mut day = step;
    while total > 0 && day <= f64::from(last) {
        let on = day.round() as i32;
        let value = survival(on).clamp(0.0, 1.0);
        let wide = 1.6 * (value * (1.0 - value) / (whole * (0.05 + followed(on)))).sqrt();
        curve.push(CurvePoint {
            day: Days::new(on),
            survival: Fraction::new(value),
            interval: Known::Known(interval(
                Fraction::new(value - 1.2 * wide),
                Fraction::new(value + 0.8 * wide),
                IntervalMethod::ComplementaryLogLog,
            )),
            at_risk: (whole * followed(on)) as u64,
            failed: 1,
        });
        day += step;
    }
    let failures = ((1.0 - survival(last)).clamp(0.0, 1.0) * whole * 0.6) as u64;
    let behind = Behind { observations: total, clusters: total.div_ceil(2), failures };
    let counts_on = |day: i32| {
        let at_risk = (whole * followed(day)) as u64;
        let gone = total - at_risk;
        let failed =
            (failures * u64::try_from(day.min(last)).unwrap_or(0) / u64::try_from(last.max(1)).unwrap_or(1)).min(gone);
        let competing = (gone - failed) / 9;
        Counts { day: Days::new(day), at_risk, failed, competing, censored: gone - failed - competing, not_yet_entered: 0 }
    };
    let mut counts = vec![counts_on(0)];
    counts.extend(HORIZONS.iter().map(|(_, day)| counts_on(*day)));
    let rate = |value: f64, years: f64, formula| {
        let wide = (value * (1.0 - value.min(0.9)) / whole).sqrt() * 1.5;
        Known::Known(AnnualFailure {
            formula,
            years: Years::new(years),
            rate: Estimate {
                value: AnnualRate::new(value),
                standard_error: Some(wide / 2.0),
                variance: Variance::ClusterRobust,
                interval: Known::Known(interval(
                    AnnualRate::new((value - wide).max(0.0)),
                    AnnualRate::new(value + 1.5 * wide),
                    IntervalMethod::ComplementaryLogLog,
                )),
                behind,
            },
        })
    };
    let horizons = HORIZONS
        .iter()
        .map(|&(months, day)| HorizonReview {
            months,
            day: Days::new(day),
            at_risk: counts_on(day).at_risk,
            patients_at_risk: counts_on(day).at_risk.div_ceil(2),
            few_at_risk: counts_on(day).at_risk < 10,
            survival: Known::NotKnown(WhyNotKnown::PastLastFollowUp),
            between_visits: None,
            model_based_standard_error: None,
            geometric: if day <= last && total > 0 {
                rate(hazard, f64::from(months) / 12.0, AnnualFormula::Geometric)
            } else {
                Known::NotKnown(if total == 0 { WhyNotKnown::NoObservations } else { WhyNotKnown::PastLastFollowUp })
            },
            linear: Known::NotKnown(WhyNotKnown::PastLastFollowUp),
        })
        .collect();
    let left = if total >= 10 { f64::from(last) * (1.0 - 10.0 / whole) } else { 0.0 };
    GroupReview {
        level: label.to_lowercase().replace(' ', "_"),
        label: label.to_owned(),
        behind,
        competing: counts_on(last).competing,
        censored: counts_on(last).censored,
        exposure_years: Years::new(whole * f64::from(last) / 730.5),
        median_follow_up_days: Known::NotKnown(WhyNotKnown::NotReached),
        curve,
        drawn_to_day: Days::new(left as i32),
        enough_until: Days::new(left as i32),
        readings_part: None,
        counts,
        horizons,
        quantiles: Vec::new(),
        restricted_mean: RestrictedMeanReview { horizon: Days::new(1826), mean: Known::NotKnown(WhyNotKnown::NotReached) },
        person_time: Known::NotKnown(WhyNotKnown::NotReached),
    }
}

fn benchmark(level: &str, percent: f64, deviation: Option<f64>, source: &str, years: Option<f64>, note: &str) -> Benchmark {
    Benchmark {
        factor: "adhesive_class".to_owned(),
        level: level.to_owned(),
        source: source.to_owned(),
        formula: years.map(|_| AnnualFormula::Linear),
        years: years.map(Years::new),
        percent_per_year: percent,
        standard_deviation: deviation,
        note: note.to_owned(),
    }
}

/// Groups for each kind of request: what it tries, and the groups.
pub fn requests() -> Vec<(&'static str, Vec<GroupReview>)> {
    let eight = |long: bool| {
        (0..8_u32)
            .map(|place| {
                let label = if long { format!("{LONG}, variant {place}") } else { format!("Level {place}") };
                group(
                    &label,
                    60 + 90 * u64::from(place),
                    0.012 + 0.002 * f64::from(place),
                    1500 + 300 * i32::try_from(place).unwrap_or(0),
                )
            })
            .collect::<Vec<_>>()
    };
    let mut late = group("Practice before the register", 240, 0.02, 3000);
    late.counts[0].not_yet_entered = 31;
    vec![
        ("none", Vec::new()),
        ("nobody", vec![group("All", 0, 0.0, 0)]),
        ("one", vec![group("All", 1240, 0.024, 3800)]),
        ("tiny", vec![group("All", 3, 0.1, 800)]),
        (
            "tiny-beside-huge",
            vec![group("Three-step etch-and-rinse", 4, 0.1, 700), group("Universal, self-etch mode", 30_000, 0.031, 3900)],
        ),
        ("two", vec![group("Etch and rinse", 410, 0.018, 3700), group("Self-etch", 385, 0.041, 3300)]),
        ("three", vec![group(LONG, 220, 0.03, 2500), group("Self-etch", 190, 0.031, 2500), late]),
        ("eight", eight(false)),
        ("eight-long", eight(true)),
        ("millions", vec![group("National, all practices", 12_345_678, 0.035, 3900), group("Here", 1234, 0.015, 3900)]),
        ("short", vec![group("First months", 90, 0.2, 100)]),
        ("unfailing", vec![group("Still all there", 80, 0.0, 1400)]),
        ("all-lost", vec![group("Lost soon", 80, 0.55, 900), group("Lost later", 80, 0.3, 1500)]),
    ]
}

fn shares(counts: [u64; 3]) -> Vec<LevelShare> {
    let whole = counts.iter().sum::<u64>();
    [Standing::Ideal, Standing::Acceptable, Standing::Unacceptable]
        .into_iter()
        .zip(counts)
        .map(|(standing, count)| {
            let share = if whole == 0 {
                Known::NotKnown(WhyNotKnown::NoObservations)
            } else {
                Known::Known(Fraction::new(count as f64 / whole as f64))
            };
            LevelShare { standing, count, share, interval: Known::NotKnown(WhyNotKnown::NoObservations) }
        })
        .collect()
}

/// Scores of one criterion for these levels at the usual recalls.
pub fn scores(levels: &[&str], scale: u64) -> Vec<CriterionReview> {
    let mut entries = Vec::new();
    for (place, level) in (0_u64..).zip(levels) {
        for (number, months) in (0_u64..).zip([0, 6, 12, 18, 24, 36, 60, 84, 120]) {
            if number == 5 && place == 1 {
                continue;
            }
            let counts = [scale * (20 - 2 * number), scale * (number + place), scale * number.saturating_sub(3) / 2];
            entries.push(CriterionReview {
                criterion: Criterion::MarginalStaining,
                factor: "adhesive_class".to_owned(),
                level: (*level).to_owned(),
                level_label: (*level).to_owned(),
                scheme: None,
                months,
                scored: counts.iter().sum(),
                patients: counts.iter().sum(),
                scores: Vec::new(),
                standings: shares(counts),
            });
        }
    }
    entries
}

/// Shares of one standing at yearly recalls, from 1 down to about `lowest`.
pub fn standing_panel(title: &str, levels: usize, recalls: u16, lowest: f64) -> StandingPanel {
    let share = |recall: u16, level: usize| {
        let share = 1.0 - (1.0 - lowest) * f64::from(recall) / f64::from(recalls) - 0.001 * level as f64;
        // The first level has no limits, the last recall of the second is hidden.
        let limits = (level > 0).then_some((share - 0.05, (share + 0.03).min(1.0)));
        (level != 1 || recall + 1 < recalls).then_some(ShareAt { share, limits, scored: 12_345 / u64::from(recall + 1) })
    };
    StandingPanel {
        title: title.to_owned(),
        recalls: (0..recalls)
            .map(|recall| SharesAt {
                months: recall * 12,
                shares: (0..levels).map(|level| share(recall, level)).collect(),
                test: "< 0.001".to_owned(),
            })
            .collect(),
    }
}

/// The same two panels as a chart on a stage.
pub fn criterion_level_on(levels: &[&str], recalls: u16, stage: &Stage) -> Drawing {
    criterion_level_chart_on(
        &CriterionLevelChart {
            name: "criterion",
            title: "Marginal staining by etch strategy",
            definition: "Share of those due and scored at each recall; lost fillings are in none of these shares.",
            levels,
            panels: &[
                standing_panel("Acceptable or better", levels.len(), recalls, 0.97),
                standing_panel("Ideal", levels.len(), recalls, 0.4),
            ],
            test: "p, corrected",
            footnote: "95 % intervals and tests patient-clustered; p corrected for the number of criteria and recalls. Not adjusted.",
        },
        stage,
    )
}

/// The usual recalls with about `due` due at the first.
pub fn recalls(due: u64) -> Vec<RecallReview> {
    [0_u16, 6, 12, 18, 24, 36, 60, 84, 120]
        .into_iter()
        .zip(0_u64..)
        .map(|(months, number)| {
            let due = due.saturating_sub(due * number / 8);
            let seen = due * (100 - 7 * number) / 100;
            RecallReview {
                months,
                opens: Days::new(0),
                closes: Days::new(1),
                due,
                seen,
                scored: seen * 8 / 10,
                patients_due: due.div_ceil(2),
                patients_seen: seen.div_ceil(2),
                share_seen: if due == 0 {
                    Known::NotKnown(WhyNotKnown::NoObservations)
                } else {
                    let share = seen as f64 / due as f64;
                    let limits = interval(Fraction::new(share - 0.03), Fraction::new(share + 0.02), IntervalMethod::Wilson);
                    Known::Known((Fraction::new(share), limits))
                },
            }
        })
        .collect()
}

/// A survival chart of these groups.
pub fn survival(name: &str, groups: &[GroupReview], scale: Scale) -> Drawing {
    survival_on(name, groups, scale, &Stage::default())
}

/// The same on a stage.
pub fn survival_on(name: &str, groups: &[GroupReview], scale: Scale, stage: &Stage) -> Drawing {
    survival_chart_on(
        &SurvivalChart {
            name: &format!("survival-{name}"),
            title: "Loss of retention by adhesive class",
            definition: DEFINITION,
            survival_title: "Retained",
            groups,
            footnote: FOOTNOTE,
            least_at_risk: 10,
            scale,
        },
        stage,
    )
}

/// An annual failure chart of these groups beside published rates for each.
pub fn annual(name: &str, groups: &[GroupReview]) -> Drawing {
    annual_on(name, groups, &Stage::default())
}

/// The same on a stage.
pub fn annual_on(name: &str, groups: &[GroupReview], stage: &Stage) -> Drawing {
    let mut benchmarks = Vec::new();
    for group in groups {
        benchmarks.push(benchmark(
            &group.level,
            3.1,
            Some(2.0),
            "Peumans et al., Dent Mater 2014;30:1089–1103",
            None,
            "all",
        ));
        benchmarks.push(benchmark(
            &group.level,
            8.4,
            Some(7.9),
            "Peumans et al., Dent Mater 2014;30:1089–1103",
            None,
            "strong",
        ));
        let trial = "van Dijken et al., Dent Mater 2007;23:1101–1107";
        benchmarks.push(benchmark(&group.level, 2.0, None, trial, Some(13.0), "one system of the trial"));
    }
    annual_failure_chart_on(
        &AnnualFailureChart {
            name: &format!("annual-{name}"),
            title: "Annual failure by adhesive class (geometric, over 5 years)",
            definition: DEFINITION,
            day: Days::new(1826),
            formula: AnnualFormula::Geometric,
            groups,
            benchmarks: &benchmarks,
            footnote: FOOTNOTE,
        },
        stage,
    )
}

/// A criterion chart of these entries.
pub fn criterion(name: &str, entries: &[CriterionReview]) -> Drawing {
    criterion_on(name, entries, &Stage::default())
}

/// The same on a stage.
pub fn criterion_on(name: &str, entries: &[CriterionReview], stage: &Stage) -> Drawing {
    criterion_chart_on(
        &CriterionChart {
            name: &format!("criterion-{name}"),
            title: "Marginal staining by adhesive class",
            entries: &entries.iter().collect::<Vec<_>>(),
            footnote: "Of those scored at each recall; schemes pooled on ideal, acceptable, not acceptable.",
        },
        stage,
    )
}

/// A recall chart.
pub fn recall(name: &str, recalls: &[RecallReview]) -> Drawing {
    recall_on(name, recalls, &Stage::default())
}

/// The same on a stage.
pub fn recall_on(name: &str, recalls: &[RecallReview], stage: &Stage) -> Drawing {
    let footnote = "Recalls whose window had closed by 2026-01-31.";
    recall_chart_on(
        &RecallChart { name: &format!("recalls-{name}"), title: "Recalls: due, seen and scored", recalls, footnote },
        stage,
    )
}

fn attribute<'a>(tag: &'a str, name: &str) -> Option<&'a str> {
    tag.split(&format!(" {name}=\"")).nth(1)?.split('"').next()
}

struct Box {
    said: String,
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    size: f64,
}

fn boxes(svg: &str) -> Vec<Box> {
    let number = |tag: &str, name: &str| attribute(tag, name).and_then(|text| text.parse::<f64>().ok()).expect("a number");
    let text = |tag: &str| {
        let (head, rest) = tag.split_once('>').expect("a tag");
        let said = rest
            .split('<')
            .next()
            .expect("a text")
            .replace("&#39;", "'")
            .replace("&quot;", "\"")
            .replace("&lt;", "<")
            .replace("&gt;", ">")
            .replace("&amp;", "&");
        let (x, y, size) = (number(head, "x"), number(head, "y"), number(head, "font-size"));
        let width = text_width(&said, size, if head.contains("font-weight") { Weight::Bold } else { Weight::Regular });
        let left = match attribute(head, "text-anchor") {
            Some("middle") => x - width / 2.0,
            Some("end") => x - width,
            _ => x,
        };
        Box { said, left, right: left + width, top: y - 0.76 * size, bottom: y + 0.24 * size, size }
    };
    svg.split("<text").skip(1).map(text).collect()
}

/// Fails where two texts overlap, one leaves the sheet, or one is smaller than 13 pixels.
pub fn check_texts(drawing: &Drawing) {
    let found = boxes(&drawing.svg);
    let name = &drawing.name;
    let size = attribute(&drawing.svg, "viewBox").expect("a size");
    let size: Vec<f64> = size.split(' ').map(|text| text.parse().expect("a number")).collect();
    let (width, height) = (size[2], size[3]);
    for (place, one) in found.iter().enumerate() {
        let inside = one.left >= 0.0 && one.right <= width && one.top >= 0.0 && one.bottom <= height;
        assert!(inside, "{name}: “{}” leaves the sheet", one.said);
        assert!(one.size >= 13.0, "{name}: “{}” is too small", one.said);
        for other in &found[..place] {
            let apart =
                one.right <= other.left || other.right <= one.left || one.bottom <= other.top || other.bottom <= one.top;
            assert!(apart, "{name}: “{}” and “{}” overlap", one.said, other.said);
        }
    }
}
