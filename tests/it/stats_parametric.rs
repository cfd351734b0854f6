//! Parametric regression of times known exactly or within bounds, against values computed independently, and what must hold whatever the
//! data.
//!
//! `tests/reference/parametric.json` was computed with general-purpose software (R and its package survival; versions inside) by
//! `make_parametric.R`; `parametric_exact.json`, with late entries, from the definition to 30 digits and more by
//! `make_parametric_exact.py` (mpmath).

use manebit::quantity::{ConfidenceLevel, Days, Fraction, Known, Variance, WhyNotKnown, Years};
use manebit::stats::{
    Axis, Covariate, CoxDesign, Ending, Grouping, Inference, LogTimeFamily, Observations, OriginFailures, ParametricModel,
    ParametricOptions, ParametricProblem, ParametricRegression, ProfileValue, Spread, SurvivalBetween,
    SurvivalIntervalMethod, TimedBounds, compare_families, curve_distance, geometric_annual_failure_rate,
    parametric_regression, survival_curve,
};
use proptest::prelude::*;
use serde_json::Value;

const NEVER: f64 = f64::INFINITY;

/// Within this part of the reference, or of 1 for small ones.
#[track_caller]
fn close(value: f64, reference: f64, within: f64) {
    assert!((value - reference).abs() <= within * reference.abs().max(1.0), "{value:?} against {reference:?}");
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(|value| value.as_f64().unwrap_or(NEVER)).collect()
}

fn family(name: &Value) -> LogTimeFamily {
    serde_json::from_value(name.clone()).expect("a family")
}

fn options(family: LogTimeFamily, variance: Variance) -> ParametricOptions {
    ParametricOptions { family, variance, ..ParametricOptions::default() }
}

fn known<T: Clone>(value: &Known<T>) -> T {
    value.known().expect("known").clone()
}

fn levels(count: u16) -> Vec<String> {
    (0..count).map(|level| format!("level {level}")).collect()
}

fn factor(name: &str, codes: Vec<u16>, count: u16) -> Covariate {
    Covariate::factor(name, Grouping::new(codes, count).expect("levels"), levels(count), 0)
}

/// μ, β, ln σ.
fn estimates(regression: &ParametricRegression) -> Vec<f64> {
    let mut values = vec![regression.intercept.value];
    values.extend(regression.coefficients.iter().map(|coefficient| coefficient.coefficient.value));
    values.extend(regression.ln_spread.map(|ln| ln.value));
    values
}

fn all_close(values: &[f64], references: &[f64], within: f64) {
    assert_eq!(values.len(), references.len());
    values.iter().zip(references).for_each(|(&value, &reference)| close(value, reference, within));
}

#[test]
fn mixed_bounds_covariates_weights_and_clusters_agree_with_independent_software() {
    let reference: Value = serde_json::from_str(include_str!("../reference/parametric.json")).expect("well formed");
    let data = &reference["data"];
    let column = |name: &str| numbers(&data[name]);
    let (lower, upper, weight) = (column("lower"), column("upper"), column("weight"));
    let cluster: Vec<u32> = column("cluster").iter().map(|&cluster| cluster as u32).collect();
    let codes: Vec<u16> = column("f").iter().map(|&level| level as u16).collect();
    let full = CoxDesign::new(vec![Covariate::number("x", column("x")), factor("f", codes, 3)]).expect("fits");
    let bare = CoxDesign::default();
    let cases = reference["cases"].as_array().expect("cases");
    assert_eq!(cases.len(), 16);
    for case in cases {
        let weights = (case["weights"] == true).then_some(weight.as_slice());
        let bounds = TimedBounds::of_columns(None, &lower, &upper, &cluster, weights).expect("in order");
        let with_covariates = case["covariates"] == true;
        let design = if with_covariates { &full } else { &bare };
        let family = family(&case["family"]);
        let model = parametric_regression(&bounds, design, options(family, Variance::ClusterRobust)).expect("a fit");
        let result = &model.regression;
        let mut expected = numbers(&case["coefficient"]);
        let spread = case["spread"].as_f64().expect("a number");
        if family != LogTimeFamily::Exponential {
            expected.push(spread.ln());
        }
        all_close(&estimates(result), &expected, 1e-8);
        close(result.spread, spread, 1e-8);
        close(result.ln_likelihood, case["ln_likelihood"].as_f64().expect("a number"), 1e-10);
        all_close(&result.covariance.concat(), &numbers(&case["covariance"]), 1e-8);
        let robust = known(&result.cluster_robust_covariance);
        all_close(&robust.concat(), &numbers(&case["robust_covariance"]), 1e-8);
        for (k, coefficient) in result.coefficients.iter().enumerate() {
            close(coefficient.model_based_error, result.covariance[k + 1][k + 1].sqrt(), 1e-15);
            close(coefficient.coefficient.standard_error.expect("an error"), robust[k + 1][k + 1].sqrt(), 1e-15);
        }
        if with_covariates {
            let number = |name: &str| case[name].as_f64().expect("a number");
            close(result.ln_likelihood_without, number("ln_likelihood_without"), 1e-10);
            let likelihood_ratio = 2.0 * (number("ln_likelihood") - number("ln_likelihood_without"));
            close(result.likelihood_ratio_test.chi_square, likelihood_ratio, 1e-8);
            close(known(&result.wald_test).chi_square, number("wald"), 1e-8);
            close(known(&result.cluster_robust_wald_test).chi_square, number("robust_wald"), 1e-8);
            let of_terms = [
                numbers(&case["likelihood_ratio_terms"]),
                numbers(&case["wald_terms"]),
                numbers(&case["robust_wald_terms"]),
            ];
            for (k, term) in result.terms.iter().enumerate() {
                close(known(&term.likelihood_ratio).chi_square, of_terms[0][k], 1e-8);
                close(known(&term.wald).chi_square, of_terms[1][k], 1e-8);
                close(known(&term.cluster_robust_wald).chi_square, of_terms[2][k], 1e-8);
                assert_eq!(known(&term.likelihood_ratio).degrees_of_freedom, [1, 2][k]);
            }
        }
        let profile: &[ProfileValue] =
            if with_covariates { &[ProfileValue::Number(0.3), ProfileValue::Level(1)] } else { &[] };
        let by_model = parametric_regression(&bounds, design, options(family, Variance::ModelBased)).expect("a fit");
        for (model, error) in [(&by_model, "survival_error"), (&model, "survival_robust_error")] {
            let predicted = model.predicted_survival(profile, &[0.5, 5.0, 20.0, 60.0, 150.0], SurvivalIntervalMethod::Log);
            for (k, survival) in predicted.iter().enumerate() {
                let survival = known(survival);
                close(survival.value.value(), numbers(&case["survival"])[k], 1e-8);
                close(survival.standard_error.expect("an error"), numbers(&case[error])[k], 1e-8);
            }
        }
        for (k, part) in [0.1, 0.5, 0.9].into_iter().enumerate() {
            for (model, error) in [(&by_model, "quantile_error"), (&model, "quantile_robust_error")] {
                let quantile = known(&model.predicted_quantile(profile, Fraction::new(part)).time);
                close(quantile.value, numbers(&case["quantile"])[k], 1e-8);
                if with_covariates {
                    close(quantile.standard_error.expect("an error"), numbers(&case[error])[k], 1e-8);
                }
            }
        }
    }
}

#[test]
fn late_entries_narrow_intervals_and_clusters_agree_with_the_definition_to_many_digits() {
    let reference: Value = serde_json::from_str(include_str!("../reference/parametric_exact.json")).expect("well formed");
    let mut bounds = TimedBounds::default();
    let (mut x, mut z) = (Vec::new(), Vec::new());
    for row in reference["rows"].as_array().expect("rows") {
        let row = numbers(row);
        bounds.push_weighted(row[0], row[1], row[2], row[4] as u32, row[3]).expect("in order");
        x.push(row[5]);
        z.push(row[6]);
    }
    let design = CoxDesign::new(vec![Covariate::number("x", x), Covariate::number("z", z)]).expect("fits");
    let cases = reference["cases"].as_array().expect("cases");
    assert_eq!(cases.len(), 4);
    for case in cases {
        let options = options(family(&case["family"]), Variance::ClusterRobust);
        let result = parametric_regression(&bounds, &design, options).expect("a fit").regression;
        all_close(&estimates(&result), &numbers(&case["estimates"]), 1e-12);
        close(result.ln_likelihood, case["ln_likelihood"].as_f64().expect("a number"), 1e-13);
        all_close(&result.covariance.concat(), &numbers(&case["covariance"]), 1e-11);
        all_close(&known(&result.cluster_robust_covariance).concat(), &numbers(&case["robust_covariance"]), 1e-11);
    }
}

/// Finkelstein & Wolfe 1985 as in Fay & Shaw, J Stat Softw 2010;36(2): months to retraction, radiation alone; with chemotherapy.
const COSMESIS: [&str; 2] = [
    "0-5 0-7 0-8 4-11 5-11 5-12 6-10 7-14 7-16 11-15 11-18 15- 17-25 17-25 17- 18- 19-26 19-35 22- 24- 24- 25-37 26-40 27-34 32- \
     33- 34- 36-44 36-48 36- 36- 37-44 37- 37- 37- 38- 40- 45- 46- 46- 46- 46- 46- 46- 46- 46-",
    "0-5 0-22 4-8 4-9 5-8 8-12 8-21 10-17 10-35 11-13 11-17 11-20 11- 11- 12-20 13-39 13- 13- 13- 14-17 14-19 15-22 16-20 16-24 \
     16-24 16-60 17-23 17-26 17-27 18-24 18-25 19-32 21- 22-32 23- 24-30 24-31 30-34 30-36 31- 32- 33-40 34- 34- 35-39 35- 44-48 48-",
];

fn cosmesis() -> (TimedBounds, CoxDesign) {
    let (mut bounds, mut chemo) = (TimedBounds::default(), Vec::new());
    for (group, rows) in (0_u16..).zip(COSMESIS) {
        for row in rows.split_whitespace() {
            let (lower, upper) = row.split_once('-').expect("two bounds");
            let upper = if upper.is_empty() { NEVER } else { upper.parse().expect("a number") };
            bounds.push(lower.parse().expect("a number"), upper, bounds.len() as u32).expect("in order");
            chemo.push(group);
        }
    }
    assert_eq!(bounds.len(), 94);
    (bounds, CoxDesign::new(vec![factor("treatment", chemo, 2)]).expect("fits"))
}

#[test]
fn breast_cosmesis_agrees_with_independent_software_to_the_printed_digits() {
    // Computed with R 4.2 and survival 3.5: estimates, standard errors, log-likelihood (ten digits printed).
    let with_treatment = [
        (
            LogTimeFamily::Weibull,
            vec![3.89927623, -0.567550537, -0.47910136],
            vec![0.140529791, 0.175729563, 0.119891982],
            -143.3208271,
        ),
        (LogTimeFamily::Exponential, vec![4.11855978, -0.741581199], vec![0.218396803, 0.276889444], -149.8663557),
        (
            LogTimeFamily::LogLogistic,
            vec![3.60924508, -0.487306874, -0.693903725],
            vec![0.151080486, 0.195127203, 0.120832528],
            -145.5850622,
        ),
        (
            LogTimeFamily::LogNormal,
            vec![3.54787488, -0.421000456, -0.125402887],
            vec![0.154167926, 0.203190047, 0.109490112],
            -146.622332,
        ),
    ];
    let alone = [
        (LogTimeFamily::Weibull, vec![3.62126307, -0.405462474], vec![0.0915978637, 0.120303495], -148.7924312),
        (LogTimeFamily::Exponential, vec![3.72350865], vec![0.134017785], -153.5974038),
        (LogTimeFamily::LogLogistic, vec![3.33765679, -0.643387061], vec![0.10221322, 0.119419755], -148.6538073),
        (LogTimeFamily::LogNormal, vec![3.33047768, -0.103007207], vec![0.106713792, 0.109540458], -148.7926826),
    ];
    let (bounds, design) = cosmesis();
    let bare = CoxDesign::default();
    for (design, cases) in [(&design, with_treatment), (&bare, alone)] {
        for (family, values, errors, ln_likelihood) in cases {
            let result =
                parametric_regression(&bounds, design, options(family, Variance::ModelBased)).expect("a fit").regression;
            // Half a unit of the last digit printed (nine significant, ten of the likelihood).
            for (value, reference) in estimates(&result).iter().zip(values) {
                assert!((value - reference).abs() <= 0.501e-8, "absolute: {value} against {reference}");
            }
            for (k, reference) in errors.into_iter().enumerate() {
                let error = result.covariance[k][k].sqrt();
                assert!((error - reference).abs() <= 0.501e-9, "absolute: {error} against {reference}");
            }
            assert!((result.ln_likelihood - ln_likelihood).abs() <= 0.501e-7, "absolute: {}", result.ln_likelihood);
        }
    }
}

#[test]
fn families_are_weighed_and_held_against_a_curve() {
    let (bounds, design) = cosmesis();
    let options = options(LogTimeFamily::Weibull, Variance::ModelBased);
    let comparison = compare_families(&bounds, &design, options);
    assert_eq!(comparison.best, Known::Known(LogTimeFamily::Weibull));
    // From the log-likelihoods of the published table by the definition: 2·(−143.3208271 + 149.8663557).
    close(known(&comparison.constant_hazard_test).chi_square, 13.0910572, 1e-8);
    let weights: Vec<f64> = comparison.families.iter().map(|family| known(&family.fit).weight.value()).collect();
    close(weights.iter().sum(), 1.0, 1e-14);
    // The same: AIC 303.7327114, 292.6416542, 297.1701244, 299.244664; n = 94 (none censored at 0), 56 failures.
    let above: Vec<f64> = comparison.families.iter().map(|family| known(&family.fit).aic_above_best).collect();
    all_close(&above, &[11.0910572, 0.0, 4.5284702, 6.6030098], 2e-8);
    close(weights[2] / weights[1], (-0.5_f64 * 4.5284702).exp(), 1e-7);
    let criteria = known(&comparison.families[1].fit).criteria;
    assert_eq!((criteria.parameters, criteria.observations as u32, criteria.failures as u32), (3, 94, 56));
    close(criteria.aic, 292.6416542, 1e-9);
    close(known(&criteria.aic_corrected), 292.6416542 + 24.0 / 90.0, 1e-9);
    close(criteria.bic_by_observations, 286.6416542 + 3.0 * 94_f64.ln(), 1e-9);
    close(criteria.bic_by_failures, 286.6416542 + 3.0 * 56_f64.ln(), 1e-9);
}

#[test]
fn the_distance_from_a_product_limit_curve_is_that_worked_out_by_hand() {
    // Failed at 1 and 3, in place at 2 and 4: S = 3/4, then 3/8. Exponential: hazard 2/10, S(t) = e^(−t/5). Differences at 1:
    // 1 − 0.8187 = 0.1813 before, 0.0687 after; at 3: 0.75 − 0.5488 = 0.2012 before, 0.1738 after.
    let mut observations = Observations::default();
    for (exit, ending) in [(1, Ending::Failed), (2, Ending::Censored), (3, Ending::Failed), (4, Ending::Censored)] {
        observations.push(Days::new(0), Days::new(exit), ending, 0).expect("in order");
    }
    let bounds = TimedBounds::of_observations(&observations, &Axis::Days, OriginFailures::Refused).expect("none at 0");
    let design = CoxDesign::default();
    let model =
        parametric_regression(&bounds, &design, options(LogTimeFamily::Exponential, Variance::ModelBased)).expect("a fit");
    let curve = SurvivalBetween::of_product_limit(&survival_curve(&observations, Variance::ModelBased), &Axis::Days);
    let distance = known(&curve_distance(&model, &curve));
    close(distance.largest.value(), 0.75 - (-0.6_f64).exp(), 1e-12);
    assert_eq!((distance.at.time.to_bits(), distance.times), (3.0_f64.to_bits(), 4));
    // Where the data leave S open, a curve within is no distance away.
    let open = [SurvivalBetween { time: 3.0, lower: Fraction::new(0.375), upper: Fraction::new(0.75) }];
    assert_eq!(known(&curve_distance(&model, &open)).largest, Fraction::new(0.0));
    assert_eq!(curve_distance(&model, &[]), Known::NotKnown(WhyNotKnown::NoObservations));
}

#[test]
fn a_yearly_failure_rate_comes_from_a_predicted_survival() {
    // Exponential with hazard 2/10 a year: 1 − e^(−0.2) each year, whatever the horizon.
    let mut bounds = TimedBounds::default();
    for (cluster, (lower, upper)) in (0..).zip([(1.0, 1.0), (2.0, NEVER), (3.0, 3.0), (4.0, NEVER)]) {
        bounds.push(lower, upper, cluster).expect("in order");
    }
    let design = CoxDesign::default();
    let model = parametric_regression(&bounds, &design, options(LogTimeFamily::Exponential, Variance::ClusterRobust))
        .expect("a fit");
    let method = Inference::default().method;
    let survival = known(&model.predicted_survival(&[], &[5.0], method)[0]);
    let rate = known(&geometric_annual_failure_rate(&survival, Years::new(5.0)));
    close(rate.estimate.value.per_year(), 1.0 - (-0.2_f64).exp(), 1e-12);
    assert!(rate.estimate.interval.known().is_some());
    assert_eq!(survival.behind.failures, 2);
}

fn fit_error(rows: &[(f64, f64, f64)], family: LogTimeFamily) -> ParametricProblem {
    let mut bounds = TimedBounds::default();
    for (cluster, &(lower, upper, _)) in (0..).zip(rows) {
        bounds.push(lower, upper, cluster).expect("in order");
    }
    let x = rows.iter().map(|row| row.2).collect();
    let design = CoxDesign::new(vec![Covariate::number("x", x)]).expect("fits");
    parametric_regression(&bounds, &design, options(family, Variance::ModelBased)).expect_err("no fit")
}

#[test]
fn what_has_no_fit_is_said_by_name() {
    let separated = |problem: &ParametricProblem| match problem {
        ParametricProblem::Separated { columns } => columns.iter().map(ToString::to_string).collect(),
        _ => vec![format!("{problem:?}")],
    };
    for family in LogTimeFamily::ALL {
        let what = format!("{family:?}");
        assert_eq!(fit_error(&[(3.0, NEVER, 0.0), (5.0, NEVER, 1.0)], family), ParametricProblem::NoFailures, "{what}");
        assert_eq!(fit_error(&[(0.0, 2.0, 0.0), (0.0, 5.0, 1.0)], family), ParametricProblem::NeverSeenInPlace, "{what}");
        // x is constant.
        let collinear = fit_error(&[(3.0, 3.0, 2.0), (5.0, NEVER, 2.0), (4.0, 4.0, 2.0)], family);
        assert!(matches!(collinear, ParametricProblem::Collinear { .. }), "{what}: {collinear:?}");
        // Those with x = 1 never failed.
        let rows: Vec<(f64, f64, f64)> =
            vec![(1.0, 1.0, 0.0), (2.0, 2.0, 0.0), (3.5, NEVER, 0.0), (4.0, 4.0, 0.0), (3.0, NEVER, 1.0), (4.0, NEVER, 1.0)];
        assert_eq!(separated(&fit_error(&rows, family)), ["x"], "{what}");
        // All with x = 1 had failed before anybody looked.
        let rows: Vec<(f64, f64, f64)> =
            vec![(1.0, 1.0, 0.0), (2.0, 2.0, 0.0), (3.5, NEVER, 0.0), (4.0, 4.0, 0.0), (0.0, 3.0, 1.0), (0.0, 4.0, 1.0)];
        assert_eq!(separated(&fit_error(&rows, family)), ["x"], "{what}");
        if family != LogTimeFamily::Exponential {
            // Two exact times, two coefficients: told without error. Nor can one time, or overlapping intervals, tell σ.
            assert_eq!(fit_error(&[(1.0, 1.0, 0.0), (2.0, 2.0, 1.0)], family), ParametricProblem::SpreadVanishes, "{what}");
            for rows in [vec![(3.0, 3.0)], vec![(2.0, 5.0), (3.0, 6.0), (1.0, NEVER)], vec![(3.0, 3.0), (3.0, 3.0)]] {
                let mut bounds = TimedBounds::default();
                rows.iter().for_each(|&(lower, upper)| bounds.push(lower, upper, 0).expect("in order"));
                let bare = CoxDesign::default();
                let problem = parametric_regression(&bounds, &bare, options(family, Variance::ModelBased));
                assert_eq!(problem.expect_err("no fit"), ParametricProblem::SpreadVanishes, "{what}: {rows:?}");
            }
            // Those looked at early had failed, those looked at late had not: the wider the better.
            let rows: Vec<(f64, f64, f64)> = vec![(0.0, 1.0, 0.0), (0.0, 2.0, 1.0), (8.0, NEVER, 0.0), (9.0, NEVER, 1.0)];
            assert_eq!(fit_error(&rows, family), ParametricProblem::SpreadUnbounded, "{what}");
        }
    }
    let given = ParametricOptions { spread: Spread::Given(0.0), ..ParametricOptions::default() };
    let (bounds, design) = cosmesis();
    let problem = parametric_regression(&bounds, &design, given).expect_err("no spread");
    assert_eq!(problem, ParametricProblem::SpreadNotAboveZero);
    let bare = CoxDesign::default();
    let nobody = parametric_regression(&TimedBounds::default(), &bare, ParametricOptions::default());
    assert_eq!(nobody.expect_err("nobody"), ParametricProblem::NoObservations);
    let x = CoxDesign::new(vec![Covariate::number("x", vec![1.0])]).expect("fits");
    assert_eq!(
        parametric_regression(&bounds, &x, ParametricOptions::default()).expect_err("too short"),
        ParametricProblem::LengthsDiffer
    );
}

#[test]
fn columns_made_up_of_others_and_rows_without_a_covariate_are_told() {
    let (bounds, _) = cosmesis();
    let n = bounds.len();
    let a: Vec<f64> = (0..n).map(|i| (i % 7) as f64).collect();
    let b: Vec<f64> = a.iter().map(|a| 3.0 - 2.0 * a).collect();
    let design = CoxDesign::new(vec![Covariate::number("a", a.clone()), Covariate::number("b", b)]).expect("fits");
    let problem = parametric_regression(&bounds, &design, ParametricOptions::default()).expect_err("collinear");
    let ParametricProblem::Collinear { columns } = &problem else { panic!("{problem:?}") };
    assert_eq!(columns.iter().map(ToString::to_string).collect::<Vec<_>>(), ["a", "b"]);
    let gaps = a.iter().enumerate().map(|(i, &a)| (i % 10 != 3).then_some(a)).collect();
    let design = CoxDesign::new(vec![Covariate::number_with_gaps("a", gaps)]).expect("fits");
    let model = parametric_regression(&bounds, &design, ParametricOptions::default()).expect("a fit");
    assert_eq!((model.regression.left_out, model.regression.behind.observations), (10, 84));
}

#[test]
fn one_cluster_has_no_robust_variance_and_says_so() {
    let mut bounds = TimedBounds::default();
    for time in [1.0, 2.0, 4.0] {
        bounds.push(time, time, 0).expect("in order");
    }
    let design = CoxDesign::default();
    let model = parametric_regression(&bounds, &design, ParametricOptions::default()).expect("a fit");
    let too_few = WhyNotKnown::TooFewClusters;
    assert_eq!(model.regression.intercept.interval, Known::NotKnown(too_few));
    assert_eq!(model.regression.cluster_robust_covariance, Known::NotKnown(too_few));
    let survival = known(&model.predicted_survival(&[], &[2.0], SurvivalIntervalMethod::Log)[0]);
    assert_eq!((survival.interval, survival.standard_error), (Known::NotKnown(too_few), None));
    assert!(model.regression.covariance[0][0] > 0.0);
}

#[test]
fn one_failure_among_records_is_enough_for_a_constant_hazard() {
    // By hand: one failure in 2 + 3 years, so μ = ln 5, error 1/√1.
    let mut bounds = TimedBounds::default();
    bounds.push(2.0, 2.0, 0).expect("in order");
    bounds.push(3.0, NEVER, 1).expect("in order");
    bounds.push(0.0, NEVER, 2).expect("in order");
    let design = CoxDesign::default();
    let result = parametric_regression(&bounds, &design, options(LogTimeFamily::Exponential, Variance::ModelBased))
        .expect("a fit")
        .regression;
    close(result.intercept.value, 5_f64.ln(), 1e-13);
    close(result.intercept.standard_error.expect("an error"), 1.0, 1e-12);
    assert_eq!((result.behind.observations, result.criteria.observations as u32), (3, 2));
    assert_eq!((result.ln_spread, result.spread.to_bits()), (None, 1.0_f64.to_bits()));
}

#[test]
fn predictions_refuse_what_does_not_fit() {
    let (bounds, design) = cosmesis();
    let model = parametric_regression(&bounds, &design, ParametricOptions::default()).expect("a fit");
    let method = SurvivalIntervalMethod::ComplementaryLogLog;
    let not_a_number = Known::NotKnown(WhyNotKnown::NotANumber);
    for profile in [vec![], vec![ProfileValue::Number(1.0)], vec![ProfileValue::Level(2)]] {
        assert_eq!(model.predicted_survival(&profile, &[3.0], method), [not_a_number], "{profile:?}");
    }
    let profile = [ProfileValue::Level(1)];
    assert_eq!(model.predicted_survival(&profile, &[-1.0, f64::NAN], method), [not_a_number, not_a_number]);
    let at_origin = known(&model.predicted_survival(&profile, &[0.0], method)[0]);
    assert_eq!((at_origin.value, at_origin.interval), (Fraction::new(1.0), Known::NotKnown(WhyNotKnown::AtBoundary)));
    for part in [0.0, 1.0] {
        let time = model.predicted_quantile(&profile, Fraction::new(part)).time;
        assert_eq!(time, Known::NotKnown(WhyNotKnown::AtBoundary));
    }
    assert_eq!(model.regression.last_time.to_bits(), 60.0_f64.to_bits());
}

#[test]
fn a_ratio_of_hazards_and_one_of_odds_follow_from_coefficient_and_spread() {
    let (bounds, design) = cosmesis();
    for family in LogTimeFamily::ALL {
        let model = parametric_regression(&bounds, &design, options(family, Variance::ModelBased)).expect("a fit");
        let result = &model.regression;
        let coefficient = &result.coefficients[0];
        let beta = coefficient.coefficient.value;
        close(coefficient.time_ratio.value, beta.exp(), 1e-14);
        let hazards = matches!(family, LogTimeFamily::Exponential | LogTimeFamily::Weibull);
        assert_eq!(coefficient.hazard_ratio.is_some(), hazards);
        assert_eq!(coefficient.odds_ratio.is_some(), family == LogTimeFamily::LogLogistic);
        let Some(ratio) = coefficient.hazard_ratio.or(coefficient.odds_ratio) else { continue };
        close(ratio.value, (-beta / result.spread).exp(), 1e-12);
        // Delta method on −β·e^{−ln σ}: derivatives −1/σ and β/σ.
        let v = &result.covariance;
        let (by_beta, by_spread) = (-1.0 / result.spread, beta / result.spread);
        let mut variance = by_beta * by_beta * v[1][1];
        if result.ln_spread.is_some() {
            variance += 2.0 * by_beta * by_spread * v[1][2] + by_spread * by_spread * v[2][2];
        }
        close(ratio.standard_error.expect("an error"), variance.sqrt(), 1e-10);
        // By the predicted curves themselves, at two times.
        let curve =
            |level: u16| model.predicted_survival(&[ProfileValue::Level(level)], &[10.0, 30.0], SurvivalIntervalMethod::Log);
        for (without, with) in curve(0).iter().zip(curve(1)) {
            let (without, with) = (known(without).value.value(), known(&with).value.value());
            let found = if hazards { with.ln() / without.ln() } else { (1.0 - with) / with * without / (1.0 - without) };
            close(found, ratio.value, 1e-12);
        }
    }
}

#[derive(Clone, Copy, Debug)]
struct Row {
    entry: f64,
    lower: f64,
    upper: f64,
    weight: f64,
    cluster: u32,
    x: f64,
    level: u16,
}

fn row() -> impl Strategy<Value = Row> {
    (0_u8..6, 1_u16..400, 1_u16..300, 0_u16..200, 1_u8..4, 0_u32..12, -20_i8..20, 0_u16..3).prop_map(
        |(kind, time, more, entry, weight, cluster, x, level)| {
            let (time, more) = (f64::from(time) / 10.0, f64::from(more) / 10.0);
            let (lower, upper) = match kind {
                0 | 1 => (time, time),
                2 | 3 => (time, NEVER),
                4 => (time, time + more),
                _ => (0.0, time),
            };
            let entry = f64::from(entry) / 10.0;
            let entry = if kind < 4 && entry < time && weight == 2 { entry } else { 0.0 };
            Row { entry, lower, upper, weight: f64::from(weight), cluster, x: f64::from(x) / 10.0, level }
        },
    )
}

fn bounds_of(rows: &[Row]) -> (TimedBounds, CoxDesign) {
    let mut bounds = TimedBounds::default();
    for row in rows {
        bounds.push_weighted(row.entry, row.lower, row.upper, row.cluster, row.weight).expect("in order");
    }
    let x = Covariate::number("x", rows.iter().map(|row| row.x).collect());
    let codes = rows.iter().map(|row| row.level).collect();
    (bounds, CoxDesign::new(vec![x, factor("level", codes, 3)]).expect("fits"))
}

fn same(a: &ParametricModel, b: &ParametricModel, within: f64) -> Result<(), TestCaseError> {
    let near = |a: f64, b: f64, scale: f64, what: &str| {
        prop_assert!((a - b).abs() <= within * scale.max(1.0), "{what}: {a:?} against {b:?}");
        Ok(())
    };
    let (a, b) = (&a.regression, &b.regression);
    near(a.ln_likelihood, b.ln_likelihood, a.ln_likelihood.abs(), "ln L")?;
    for (k, (x, y)) in estimates(a).iter().zip(estimates(b)).enumerate() {
        // Against the error as well: where little is known of a coefficient, little is asked of its digits.
        near(*x, y, x.abs() + a.covariance[k][k].sqrt(), "estimate")?;
    }
    let robust = (&a.cluster_robust_covariance, &b.cluster_robust_covariance);
    for (x, y) in a.covariance.iter().zip(&b.covariance).chain(known(robust.0).iter().zip(&known(robust.1))) {
        let largest = x.iter().fold(0.0_f64, |largest, x| largest.max(x.abs()));
        for (x, y) in x.iter().zip(y) {
            near(*x, *y, 1e2 * largest, "covariance")?;
        }
    }
    Ok(())
}

proptest! {
    #[test]
    fn weights_splits_order_and_units_change_nothing(
        rows in prop::collection::vec(row(), 14..40),
        family in prop::sample::select(LogTimeFamily::ALL.to_vec()),
        cut in 1_u16..100,
        shuffle in any::<u64>(),
    ) {
        let (bounds, design) = bounds_of(&rows);
        let options = options(family, Variance::ClusterRobust);
        let Ok(model) = parametric_regression(&bounds, &design, options) else {
            return Err(TestCaseError::reject("no fit"));
        };
        prop_assume!(model.regression.behind.clusters > 1);
        // Weights as so many rows.
        let many: Vec<Row> = rows.iter().flat_map(|&row| std::iter::repeat_n(Row { weight: 1.0, ..row }, row.weight as usize)).collect();
        let (b, d) = bounds_of(&many);
        same(&model, &parametric_regression(&b, &d, options).expect("a fit"), 1e-8)?;
        // Rows cut in two by a delayed entry.
        let at = f64::from(cut) / 4.0;
        let cut: Vec<Row> = rows.iter().flat_map(|&row| {
            if row.entry < at && at < row.lower {
                vec![Row { lower: at, upper: NEVER, ..row }, Row { entry: at, ..row }]
            } else {
                vec![row]
            }
        }).collect();
        let (b, d) = bounds_of(&cut);
        same(&model, &parametric_regression(&b, &d, options).expect("a fit"), 1e-8)?;
        // Another order.
        let mut ordered: Vec<(u64, Row)> = (0..).zip(&rows).map(|(i, &row)| ((shuffle ^ i).wrapping_mul(0x9E37_79B9_7F4A_7C15), row)).collect();
        ordered.sort_by_key(|(key, _)| *key);
        let (b, d) = bounds_of(&ordered.into_iter().map(|(_, row)| row).collect::<Vec<_>>());
        same(&model, &parametric_regression(&b, &d, options).expect("a fit"), 1e-8)?;
        // Another unit of time moves μ, and for exact times the density, by its logarithm; nothing else.
        let unit = 365.25;
        let years: Vec<Row> = rows.iter().map(|&row| Row { entry: row.entry / unit, lower: row.lower / unit, upper: row.upper / unit, ..row }).collect();
        let (b, d) = bounds_of(&years);
        let mut moved = parametric_regression(&b, &d, options).expect("a fit");
        let exact: f64 = rows.iter().filter(|row| row.upper <= row.lower).map(|row| row.weight).sum();
        moved.regression.intercept.value += unit.ln();
        moved.regression.ln_likelihood -= exact * unit.ln();
        same(&model, &moved, 1e-8)?;
    }

    #[test]
    fn a_constant_hazard_is_the_weibull_family_with_a_spread_of_one_and_never_fits_better(
        rows in prop::collection::vec(row(), 14..40),
    ) {
        let (bounds, design) = bounds_of(&rows);
        let exponential = options(LogTimeFamily::Exponential, Variance::ClusterRobust);
        let Ok(model) = parametric_regression(&bounds, &design, exponential) else {
            return Err(TestCaseError::reject("no fit"));
        };
        let given = ParametricOptions { family: LogTimeFamily::Weibull, spread: Spread::Given(1.0), ..exponential };
        let same_model = parametric_regression(&bounds, &design, given).expect("a fit");
        prop_assert_eq!(estimates(&model.regression), estimates(&same_model.regression));
        prop_assert_eq!(&model.regression.covariance, &same_model.regression.covariance);
        let free = ParametricOptions { spread: Spread::Estimated, ..given };
        if let Ok(weibull) = parametric_regression(&bounds, &design, free) {
            let gain = weibull.regression.ln_likelihood - model.regression.ln_likelihood;
            prop_assert!(gain >= -1e-9, "{}", gain);
        }
    }

    #[test]
    fn a_predicted_quantile_is_where_the_predicted_survival_is_what_is_left(
        rows in prop::collection::vec(row(), 14..40),
        family in prop::sample::select(LogTimeFamily::ALL.to_vec()),
        part in 0.001_f64..0.999,
        x in -2.0_f64..2.0,
    ) {
        let (bounds, design) = bounds_of(&rows);
        let Ok(model) = parametric_regression(&bounds, &design, options(family, Variance::ModelBased)) else {
            return Err(TestCaseError::reject("no fit"));
        };
        let profile = [ProfileValue::Number(x), ProfileValue::Level(0)];
        let time = known(&model.predicted_quantile(&profile, Fraction::new(part)).time).value;
        prop_assume!(time > 0.0 && time < 1e300);
        let survival = known(&model.predicted_survival(&profile, &[time], SurvivalIntervalMethod::Log)[0]);
        prop_assert!((survival.value.value() - (1.0 - part)).abs() < 1e-9, "{} against {}", survival.value.value(), part);
    }
}

#[test]
fn another_level_widens_the_intervals() {
    let (bounds, design) = cosmesis();
    let wide = ParametricOptions { level: ConfidenceLevel::new(0.99).expect("a level"), ..ParametricOptions::default() };
    let usual = parametric_regression(&bounds, &design, ParametricOptions::default()).expect("a fit");
    let wide = parametric_regression(&bounds, &design, wide).expect("a fit");
    let length = |model: &ParametricModel| {
        let limits = known(&model.regression.coefficients[0].coefficient.interval);
        limits.upper - limits.lower
    };
    // 2.5758293035489/1.9599639845401, two normal quantiles.
    close(length(&wide) / length(&usual), 2.575_829_303_548_9 / 1.959_963_984_540_054, 1e-12);
}
