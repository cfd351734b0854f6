//! Weighted comparisons through the whole program, against general-purpose software and the statistics called directly.

use std::fmt::Write as _;

use manebit::estimate::weighted::Weighted;
use manebit::quantity::{Days, Known};
use manebit::stats::{
    Axis, Covariate, CoxDesign, CoxOptions, EffectScale, Ending, FirthPenalty, Grouping, LevelComparison, Observations,
    Resampling, WeightTrimming, WeightedPopulation, WeightingModel, cox_regression, e_value, propensities,
    propensity_weights, reweighted_bootstrap, weighted_comparison,
};
use serde_json::Value;

use super::estimate::answers;
use super::run::Records;

#[track_caller]
fn close(value: f64, reference: f64, within: f64) {
    assert!((value - reference).abs() <= within * reference.abs().max(1.0), "{value:?} against {reference:?}");
}

/// Rows with covariates x, z and f that decide a level of three; made and computed from by the script beside it, with
/// general-purpose software (it says which versions).
fn reference() -> Value {
    serde_json::from_str(include_str!("../reference/adjustment.json")).expect("JSON")
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(|number| number.as_f64().expect("a number")).collect()
}

fn table(json: &Value) -> String {
    let column = |key: &str| numbers(&json[key]);
    let (time, failed, cluster) = (column("time"), column("failed"), column("cluster"));
    let (level, x, z, f) = (column("level"), column("x"), column("z"), column("f"));
    let mut text = "days,ended,patient,arm,x,z,f\n".to_owned();
    for row in 0..time.len() {
        let (arm, kind) = (["k", "l", "m"][level[row] as usize], ["a", "b", "c"][f[row] as usize]);
        writeln!(text, "{},{},{},{arm},{},{},{kind}", time[row], failed[row], cluster[row], x[row], z[row])
            .expect("written");
    }
    text
}

const COLUMNS: [&str; 13] = [
    "records/arms.csv",
    "--time",
    "days",
    "--cause",
    "ended",
    "--cluster",
    "patient",
    "--group",
    "arm",
    "--covariate",
    "x,z",
    "--factor",
    "f",
];

const READ: [&str; 6] = ["--want", "weighted", "--at", "30", "--until", "30"];

fn weighted(text: &str, more: &[&str]) -> Weighted {
    let records = Records::new(&[("arms.csv", text.as_bytes())]);
    let read = if more.contains(&"--want") { &READ[2..] } else { &READ[..] };
    answers(&records, &[&COLUMNS[..], read, more].concat()).weighted.expect("asked for")
}

/// The same rows, for the statistics themselves; clusters in the order in which they come.
struct Direct {
    observations: Observations,
    levels: Grouping,
    covariates: Vec<Covariate>,
}

fn direct(json: &Value) -> Direct {
    let column = |key: &str| numbers(&json[key]);
    let codes = |key: &str| Grouping::new(column(key).iter().map(|&code| code as u16).collect(), 3).expect("levels");
    let mut seen: Vec<f64> = Vec::new();
    let mut observations = Observations::default();
    for ((&time, &failed), &cluster) in column("time").iter().zip(&column("failed")).zip(&column("cluster")) {
        let place = seen.iter().position(|known| known.total_cmp(&cluster).is_eq()).unwrap_or_else(|| {
            seen.push(cluster);
            seen.len() - 1
        });
        let ending = if failed > 0.5 { Ending::Failed } else { Ending::Censored };
        observations.push(Days::new(0), Days::new(time as i32), ending, place as u32).expect("in order");
    }
    let names = ["a", "b", "c"].map(String::from).to_vec();
    let covariates = vec![
        Covariate::number("x", column("x")),
        Covariate::number("z", column("z")),
        Covariate::factor("f", codes("f"), names, 0),
    ];
    Direct { observations, levels: codes("level"), covariates }
}

#[test]
fn weights_balance_and_contrasts_are_those_of_general_purpose_software() {
    let json = reference();
    let found = weighted(&table(&json), &[]);
    assert_eq!(found.adjusted_for, ["x", "z", "f"]);
    for (group, &effective) in found.groups.iter().zip(&numbers(&json["effective"]["stabilised"])) {
        close(*group.weights.effective.known().expect("weights"), effective, 1e-9);
    }
    let pairs: Vec<_> = found.balance.iter().flat_map(|column| &column.pairs).collect();
    let expected: Vec<Vec<f64>> = json["balance"].as_array().expect("rows").iter().map(numbers).collect();
    assert_eq!(pairs.len(), expected.len());
    for (pair, expected) in pairs.iter().zip(expected) {
        close(*pair.before.known().expect("known"), expected[0], 1e-10);
        close(*pair.after.known().expect("known"), expected[1], 1e-9);
    }
    let (pair, expected) = (&found.pairs[0], &json["comparison"]);
    let survival = &pair.survival[0];
    let both = numbers(&expected["survival"]);
    close(survival.survival_of_first.known().expect("followed").value(), both[0], 1e-10);
    close(survival.survival_of_second.known().expect("followed").value(), both[1], 1e-10);
    let error = |contrast: &Known<manebit::stats::Contrast>| contrast.known().and_then(|one| one.estimate.standard_error);
    let number = |key: &str| expected[key].as_f64().expect("a number");
    close(error(&survival.difference).expect("known"), number("difference_error"), 1e-10);
    let means = numbers(&expected["means"]);
    close(*pair.restricted_mean.mean_of_first.known().expect("followed"), means[0], 1e-10);
    close(*pair.restricted_mean.mean_of_second.known().expect("followed"), means[1], 1e-10);
    close(error(&pair.restricted_mean.difference).expect("known"), number("mean_difference_error"), 1e-10);
}

#[test]
fn every_choice_reaches_the_statistics() {
    let json = reference();
    let text = table(&json);
    let data = direct(&json);
    let design = CoxDesign::new(data.covariates.clone()).expect("fits");
    let scores = propensities(&data.levels, data.observations.cluster(), None, &design, FirthPenalty::Never).expect("a fit");
    let choices: [(&[&str], WeightedPopulation, WeightTrimming); 5] = [
        (&["--population", "plain"], WeightedPopulation::Plain, WeightTrimming::None),
        (&["--population", "overlap"], WeightedPopulation::Overlap, WeightTrimming::None),
        (&["--population", "level=l"], WeightedPopulation::OfLevel(1), WeightTrimming::None),
        (&["--cut-weights", "0.1"], WeightedPopulation::Stabilised, WeightTrimming::CutAtQuantiles(0.1)),
        (&["--least-chance", "0.1"], WeightedPopulation::Stabilised, WeightTrimming::PropensitiesFrom(0.1)),
    ];
    for (more, population, trimming) in choices {
        let found = weighted(&text, more);
        let weights = propensity_weights(&scores, &data.levels, None, population, trimming).expect("weights");
        assert_eq!((found.weights_cut, found.outside), (weights.cut, weights.left_out), "{more:?}");
        for second in 1..3_u16 {
            let compared =
                LevelComparison { first: 0, second, horizons: &[Days::new(30)], axis: &Axis::Days, mean_horizons: &[30.0] };
            let level = manebit::quantity::ConfidenceLevel::USUAL;
            let direct = weighted_comparison(&data.observations, &data.levels, &weights.values, compared, level);
            let pair = &found.pairs[usize::from(second) - 1];
            assert_eq!(pair.survival[0].difference, direct.survival[0].map(|one| one.difference), "{more:?}");
            assert_eq!(pair.restricted_mean.difference, direct.restricted_means[0].map(|one| one.difference));
            assert_eq!(pair.hazard_ratio, direct.hazard_ratio);
            let one = &direct.hazard_ratio.known().expect("a fit").coefficient.hazard_ratio;
            let limits = one.interval.known().map(|limits| (limits.lower, limits.upper));
            assert_eq!(pair.e_value, e_value(EffectScale::HazardRatioOfCommonOutcome, one.value, limits));
        }
    }
}

#[test]
fn regression_and_resamples_are_those_of_the_statistics() {
    let json = reference();
    let data = direct(&json);
    let more =
        ["--want", "weighted,bootstrap", "--resamples", "100", "--seed", "3", "--adjust-for", "x,f", "--penalise-separated"];
    let found = weighted(&table(&json), &more);
    assert_eq!(found.adjusted_for, ["x", "f"]);
    let kept = vec![data.covariates[0].clone(), data.covariates[2].clone()];
    let arms = ["k", "l", "m"].map(String::from).to_vec();
    let all = [kept.clone(), vec![Covariate::factor("arm", data.levels.clone(), arms, 0)]].concat();
    let (design, with_arm) = (CoxDesign::new(kept).expect("fits"), CoxDesign::new(all).expect("fits"));
    let model = cox_regression(&data.observations, &with_arm, None, CoxOptions::default()).expect("a fit");
    let compared = |second| LevelComparison {
        first: 0,
        second,
        horizons: &[const { Days::new(30) }],
        axis: &Axis::Days,
        mean_horizons: &[30.0],
    };
    let weighting = WeightingModel {
        levels: &data.levels,
        design: &design,
        penalty: FirthPenalty::IfSeparated,
        population: WeightedPopulation::Stabilised,
        trimming: WeightTrimming::None,
    };
    let resampling = Resampling { replicates: 100, seed: 3, ..Resampling::default() };
    for second in 1..3_u16 {
        let pair = &found.pairs[usize::from(second) - 1];
        let regressed = pair.by_regression.as_ref().expect("a fit");
        let direct = model.adjusted_contrasts("arm").survival(0, second, &[Days::new(30)]);
        assert_eq!(regressed.survival[0].difference, direct[0].map(|one| one.difference));
        let direct = model.adjusted_contrasts("arm").restricted_mean(0, second, &Axis::Days, 30.0);
        assert_eq!(regressed.restricted_mean.difference, direct.map(|one| one.difference));
        let direct = reweighted_bootstrap(&data.observations, weighting, compared(second), resampling).expect("a fit");
        let through = pair.resampled.as_ref().expect("asked for");
        assert!(direct.survival[0].difference.interval.lower.known().is_some());
        assert_eq!(through.survival[0].difference, direct.survival[0].difference);
        assert_eq!(through.restricted_means[0].difference, direct.restricted_means[0].difference);
        assert_eq!(through.ln_hazard_ratio, direct.ln_hazard_ratio);
    }
}

#[test]
fn what_cannot_be_weighted_is_said_with_how_to_mend_it() {
    let json = reference();
    let text = table(&json);
    let records = Records::new(&[("arms.csv", text.as_bytes())]);
    let said = |more: &[&str]| {
        let output = records.run(&[&["estimate"], &COLUMNS[..], &READ, more].concat());
        assert!(!output.status.success());
        String::from_utf8(output.stderr).expect("text")
    };
    assert!(said(&["--adjust-for", "y"]).contains("Mend: name its column with --covariate"));
    assert!(said(&["--population", "level=q"]).contains("There are: k, l, m."));
    assert!(said(&["--population", "mine"]).contains("Mend: take plain, stabilised or overlap"));
    assert!(said(&["--cut-weights", "0.7"]).contains("below 0.5"));
    assert!(said(&["--cut-weights", "0.1", "--least-chance", "0.1"]).contains("leave one of them out"));
    // x tells arms apart without error.
    let separated = "days,ended,patient,arm,x,z,f\n".to_owned()
        + &(0..24)
            .map(|row| format!("{},{},{row},{},{},{},a\n", 5 + row % 7, row % 2, row / 12, row / 12 * 9 + row % 3, row % 5))
            .collect::<String>();
    let records = Records::new(&[("arms.csv", separated.as_bytes())]);
    let read = ["--want", "weighted", "--adjust-for", "x,z", "--at", "6", "--until", "6"];
    let run = |more: &[&str]| records.run(&[&["estimate"], &COLUMNS[..], &read, more].concat());
    let output = run(&[]);
    let refused = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!output.status.success() && refused.contains("add --penalise-separated"), "{refused}");
    let output = run(&["--penalise-separated"]);
    let told = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success() && told.contains("Firth's penalty"), "{told}");
}
