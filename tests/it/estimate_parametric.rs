//! Parametric regression through the whole program, against general-purpose software and the statistics called directly.

use manebit::estimate::answer::Answers;
use manebit::estimate::parametric::ParametricFit;
use manebit::estimate::regression::Fitted;
use manebit::quantity::{Fraction, Known};
use manebit::stats::{
    CoxDesign, LogTimeFamily, Observations, ParametricOptions, ProductLimit, SurvivalBetween, TimedBounds, curve_distance,
    parametric_regression,
};

use super::estimate::{answers, near};
use super::estimate_intervals::cosmesis;
use super::run::Records;

const COSMESIS: [&str; 7] = ["records/cosmesis.csv", "--after", "seen", "--by", "retracted", "--want", "parametric"];

fn of_cosmesis(more: &[&str]) -> Answers {
    let records = Records::new(&[("cosmesis.csv", cosmesis(1.0).as_bytes())]);
    answers(&records, &[&COSMESIS[..], more].concat())
}

fn fit(found: Answers) -> ParametricFit {
    match found.parametric.expect("asked for").fit {
        Fitted::Fit(fit) => fit,
        Fitted::NoFit(why) => panic!("{why}"),
    }
}

#[test]
fn breast_cosmesis_gives_the_numbers_of_general_purpose_software() {
    // μ, β of chemotherapy, ln σ with their errors, and the log-likelihood: computed with general-purpose software.
    let weibull = ([3.899_276_23, -0.567_550_537, -0.479_101_36], [0.140_529_791, 0.175_729_563, 0.119_891_982]);
    let logistic = ([3.609_245_08, -0.487_306_874, -0.693_903_725], [0.151_080_486, 0.195_127_203, 0.120_832_528]);
    let normal = ([3.547_874_88, -0.421_000_456, -0.125_402_887], [0.154_167_926, 0.203_190_047, 0.109_490_112]);
    let families = [
        ("weibull", weibull, -143.320_827_1),
        ("log_logistic", logistic, -145.585_062_2),
        ("log_normal", normal, -146.622_332),
    ];
    for (family, (values, errors), ln_likelihood) in families {
        let fit = fit(of_cosmesis(&["--covariate", "chemo", "--family", family])).regression;
        let spread = fit.ln_spread.expect("estimated");
        for (one, (value, error)) in
            [fit.intercept, fit.coefficients[0].coefficient, spread].iter().zip(values.into_iter().zip(errors))
        {
            near(one.value, value, 6);
            near(one.standard_error.expect("an error"), error, 6);
        }
        near(fit.ln_likelihood, ln_likelihood, 9);
    }
    let constant = fit(of_cosmesis(&["--covariate", "chemo", "--family", "exponential"])).regression;
    near(constant.intercept.value, 4.118_559_78, 7);
    near(constant.coefficients[0].coefficient.value, -0.741_581_199, 7);
    near(constant.ln_likelihood, -149.866_355_7, 9);
}

#[test]
fn without_a_family_all_are_compared_and_the_best_is_fitted() {
    let found = of_cosmesis(&["--at", "20"]).parametric.expect("asked for");
    let comparison = found.comparison.as_ref().expect("no family asked for");
    // Log-likelihoods without covariates: computed with general-purpose software.
    for (one, ln_likelihood) in
        comparison.families.iter().zip([-153.597_403_8, -148.792_431_2, -148.653_807_3, -148.792_682_6])
    {
        near(one.fit.known().expect("a fit").ln_likelihood, ln_likelihood, 9);
    }
    assert_eq!(found.family, Known::Known(LogTimeFamily::LogLogistic));
    let Fitted::Fit(fit) = found.fit else { panic!("{:?}", found.fit) };
    near(fit.regression.intercept.value, 3.337_656_79, 7);
    let distance = *fit.distance.as_ref().and_then(Known::known).expect("no covariates");
    // Turnbull's curve of all women falls by 0.126 within (38, 39] alone; no smooth curve follows that closely.
    assert!(distance.largest.value() > 0.02 && distance.largest.value() < 0.3, "{distance:?}");
    assert!(distance.at.lower <= distance.at.upper);
}

#[test]
fn clusters_profiles_and_exact_times_reach_the_statistics() {
    let records = Records::new(&[("remission.csv", super::estimate::remission(1.0, ',', false).as_bytes())]);
    let columns = ["records/remission.csv", "--time", "weeks", "--cause", "relapse", "--want", "parametric"];
    let more =
        ["--cluster", "patient", "--covariate", "placebo", "--profile", "placebo=1", "--at", "5,10", "--family", "weibull"];
    let through = fit(answers(&records, &[&columns[..], &more].concat()));
    // The same rows, read again by hand.
    let text = super::estimate::remission(1.0, ',', false);
    let mut bounds = TimedBounds::default();
    let (mut placebo, mut observations) = (Vec::new(), Observations::default());
    for line in text.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let (weeks, failed): (f64, bool) = (cells[0].parse().expect("weeks"), cells[1] == "1");
        let patient: u32 = cells[3].parse().expect("a patient");
        bounds.push(weeks, if failed { weeks } else { f64::INFINITY }, patient - 1).expect("in order");
        placebo.push(cells[4].parse::<f64>().expect("0 or 1"));
        let ending = if failed { manebit::stats::Ending::Failed } else { manebit::stats::Ending::Censored };
        let (start, end) = (manebit::quantity::Days::new(0), manebit::quantity::Days::new(weeks as i32));
        observations.push(start, end, ending, patient - 1).expect("in order");
    }
    let design = CoxDesign::new(vec![manebit::stats::Covariate::number("placebo".to_owned(), placebo)]).expect("a design");
    let direct = parametric_regression(&bounds, &design, ParametricOptions::default()).expect("a fit");
    assert_eq!(through.regression, direct.regression);
    let profile = [manebit::stats::ProfileValue::Number(1.0)];
    let survival = direct.predicted_survival(&profile, &[5.0, 10.0], manebit::stats::SurvivalIntervalMethod::default());
    for (through, direct) in through.predicted.iter().zip(survival) {
        assert_eq!(through.survival, direct);
    }
    assert_eq!(through.quantiles[1], direct.predicted_quantile(&profile, Fraction::new(0.5)));
    assert!(through.distance.is_none());
    let through = fit(answers(&records, &[&columns[..], &["--cluster", "patient", "--family", "weibull"]].concat()));
    let design = CoxDesign::default();
    let direct = parametric_regression(&bounds, &design, ParametricOptions::default()).expect("a fit");
    let points = SurvivalBetween::of_product_limit(&ProductLimit::of(&observations), &manebit::stats::Axis::Days);
    assert_eq!(through.distance, Some(curve_distance(&direct, &points)));
}

#[test]
fn a_failure_at_time_0_is_said_with_how_to_mend_it() {
    let records = Records::new(&[("times.csv", "weeks\n0\n3\n4\n".as_bytes())]);
    let output = records.run(&["estimate", "records/times.csv", "--time", "weeks", "--want", "parametric"]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!output.status.success() && said.contains("Mend: give a failure at time 0 as one between bounds"), "{said}");
    let output = records.run(&["estimate", "records/times.csv", "--time", "weeks", "--family", "weibull"]);
    assert!(String::from_utf8_lossy(&output.stderr).contains("--family is of no use"));
}
