//! Each option of `estimate`: what the program says against the estimator itself, called by hand on the same rows.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use manebit::estimate::answer::Answers;
use manebit::estimate::regression::Fitted;
use manebit::quantity::{ConfidenceLevel, Days, Fraction, Known, Variance, WhyNotKnown};
use manebit::stats::{
    self, Axis, BandShape, CensoringReading, Covariate, CoxDesign, CoxOptions, Ending, FineGrayOptions, GrayOptions,
    Grouping, HazardVarianceFormula, IncidenceInference, IncidenceVariance, Observations, ObservationsByCause,
    ReferenceDistribution, ResampledGroups, ResampledQuantity, ResampledStatistic, Resampling, WeightInfluence,
};

use super::estimate::{answers, near, remission, teeth};
use super::run::{Records, said};

/// The invented teeth with times in whole quarters, so that a tick is a quarter, and with what the estimators need of them.
struct Teeth {
    csv: String,
    observations: Observations,
    causes: Vec<u8>,
    etch: Grouping,
    jaw: Grouping,
    depth: Vec<f64>,
    /// The site of each mouth.
    sites: Vec<u32>,
}

impl Teeth {
    fn grown() -> Self {
        let mut csv = String::new();
        let mut observations = Observations::default();
        let (mut causes, mut etch, mut jaw, mut depth, mut sites) =
            (Vec::new(), Vec::new(), Vec::new(), Vec::new(), Vec::new());
        let mut mouths = BTreeMap::new();
        for (place, line) in teeth().lines().enumerate() {
            let cells: Vec<&str> = line.split(',').collect();
            let [mouth, from, years, end, etched, side, weight, deep, class] = cells[..] else { panic!("nine cells") };
            if place == 0 {
                writeln!(csv, "mouth,from,quarters,end,etch,jaw,weight,depth,class,site").expect("written");
                continue;
            }
            let quarters = |years: &str| years.parse::<f64>().expect("a number") * 4.0;
            let (entry, exit) = (quarters(from), quarters(years));
            let next = u32::try_from(mouths.len()).expect("few");
            let cluster = *mouths.entry(mouth.to_owned()).or_insert(next);
            if cluster == next {
                sites.push(next % 2);
            }
            let site = ["north", "south"][sites[cluster as usize] as usize];
            writeln!(csv, "{mouth},{entry},{exit},{end},{etched},{side},{weight},{deep},{class},{site}").expect("written");
            let (cause, ending) = match end {
                "lost" => (1, Ending::Failed),
                "extracted" => (2, Ending::Competing),
                _ => (0, Ending::Censored),
            };
            let (entry, exit) = (Days::new(entry as i32), Days::new(exit as i32));
            observations.push_weighted(entry, exit, ending, cluster, weight.parse().expect("a weight")).expect("in order");
            causes.push(cause);
            let code = |labels: &[&str], label: &str| labels.iter().position(|known| *known == label).expect("known");
            etch.push(u16::try_from(code(&["rinse", "selective", "self"], etched)).expect("few"));
            jaw.push(u16::try_from(code(&["lower", "upper"], side)).expect("few"));
            depth.push(deep.parse().expect("a number"));
        }
        let (etch, jaw) = (Grouping::new(etch, 3).expect("codes"), Grouping::new(jaw, 2).expect("codes"));
        Self { csv, observations, causes, etch, jaw, depth, sites }
    }

    /// The program's answers to a question about them.
    fn answers(&self, more: &[&str]) -> Answers {
        let records = Records::new(&[("teeth.csv", self.csv.as_bytes())]);
        let mut arguments = vec!["records/teeth.csv", "--time", "quarters", "--entry", "from", "--cause", "end"];
        arguments.extend(["--failure", "lost", "--censored", "there", "--weight", "weight", "--cluster", "mouth"]);
        arguments.extend(more);
        answers(&records, &arguments)
    }

    fn by_cause(&self) -> ObservationsByCause<'_> {
        ObservationsByCause::new(&self.observations, &self.causes, 2).expect("codes")
    }

    fn groups(&self) -> Vec<Observations> {
        self.observations.by_group(&self.etch)
    }
}

const TIMES: [Days; 2] = [Days::new(12), Days::new(20)];

#[test]
fn those_lost_tip_a_survival_as_the_engine_says() {
    let teeth = Teeth::grown();
    let found = teeth
        .answers(&["--group", "etch", "--want", "incidence", "--at", "12,20", "--tip-below", "0.8,0.5", "--closing", "24"])
        .incidences
        .expect("incidences");
    let mut tipping = found.tipping.iter();
    for group in teeth.groups() {
        let lost = stats::lost_before(&group, Days::new(24));
        for time in TIMES {
            for below in [0.8, 0.5] {
                let reference = stats::tipping_point(&group, &lost, time, Fraction::new(below));
                let reference = reference.known().expect("known");
                let one = tipping.next().expect("a line");
                assert_eq!(one.lost, Known::Known(reference.lost));
                assert_eq!((one.latest_first, one.earliest_first), (reference.latest_first, reference.earliest_first));
            }
        }
    }
    assert!(tipping.next().is_none());
    let of_closing = |closing: Days| -> Vec<u64> {
        let lost = |group: &Observations| {
            stats::lost_bounds(group, &stats::lost_before(group, closing), &TIMES[1..])[0].known().expect("known").lost
        };
        teeth.groups().iter().map(lost).collect()
    };
    let counted: Vec<u64> = found.bounds.iter().skip(1).step_by(2).map(|one| *one.lost.known().expect("known")).collect();
    assert_eq!(counted, of_closing(Days::new(24)), "those still there on closing were not lost");
}

#[test]
fn those_that_the_table_calls_lost_are_the_lost_ones() {
    // By hand: of four, one lost in year 1 and one seen last in year 2 by plan. S at 3 if the one fails: 3/4.
    let records = Records::new(&[("a.csv", b"years,end\n1,gone\n2,0\n5,0\n5,0\n" as &[u8])]);
    let found = answers(
        &records,
        &["records/a.csv", "--time", "years", "--cause", "end", "--lost", "gone", "--at", "3", "--want", "incidence"]
            .into_iter()
            .chain(["--tip-below", "0.8,0.75"])
            .collect::<Vec<_>>(),
    );
    assert_eq!(found.groups[0].censored, 4);
    let found = found.incidences.expect("incidences");
    assert_eq!(found.bounds[0].lost, Known::Known(1));
    near(found.bounds[0].survival.known().expect("known").worst.value(), 0.75, 15);
    assert_eq!(found.tipping[0].latest_first, Known::Known(1));
    assert_eq!(found.tipping[1].earliest_first, Known::NotKnown(WhyNotKnown::NotReached), "not below 3/4");
}

#[test]
fn grays_weights_and_the_variances_of_incidences_are_those_asked_for() {
    let teeth = Teeth::grown();
    let common = ["--group", "etch", "--want", "incidence", "--at", "12,20", "--curves"];
    let with = |more: &[&str]| teeth.answers(&[&common, more].concat()).incidences.expect("incidences");
    let found = with(&["--gray-exponent", "1.5", "--incidence-variance", "aalen"]);
    for (code, test) in (1..).zip(&found.tests) {
        let options = GrayOptions { rho: 1.5, strata: None, variance: Variance::ClusterRobust };
        assert_eq!(test.test, stats::gray_test(&teeth.by_cause(), code, &teeth.etch, options));
        assert_ne!(test.test, stats::gray_test(&teeth.by_cause(), code, &teeth.etch, GrayOptions::default()));
    }
    let first: Vec<u8> =
        teeth.causes.iter().zip(teeth.etch.codes()).filter(|(_, group)| **group == 0).map(|(cause, _)| *cause).collect();
    let groups = teeth.groups();
    let rinse = ObservationsByCause::new(&groups[0], &first, 2).expect("codes");
    for (name, variance) in [
        ("aalen", IncidenceVariance::Aalen),
        ("multinomial", IncidenceVariance::Multinomial),
        ("clusters", IncidenceVariance::ClusterRobust),
    ] {
        let found = with(&["--incidence-variance", name]);
        let inference = IncidenceInference { variance, ..IncidenceInference::default() };
        let reference = stats::incidence_at_horizons(&rinse, 1, &TIMES, inference);
        assert_eq!(found.incidence[0].at.iter().map(|at| at.estimate).collect::<Vec<_>>(), reference, "{name}");
    }
    // The part that has met no cause, and the steps of a cause's hazard.
    let all = stats::cumulative_incidence(&rinse, IncidenceVariance::Multinomial);
    let event_free = found.event_free.expect("two causes compete");
    assert_eq!(event_free[0].at[1].estimate, all.event_free_at(TIMES[1]));
    let hazard = stats::cause_specific_hazard(&rinse, 2, HazardVarianceFormula::ClusterRobust);
    let steps = found.incidence[1].hazard_steps.as_ref().expect("asked for");
    let shown: Vec<_> = steps.iter().map(|step| (step.cumulative_hazard, step.variance)).collect();
    assert_eq!(shown, hazard.steps().iter().map(|step| (step.cumulative_hazard, step.variance)).collect::<Vec<_>>());
}

#[test]
fn the_subdistribution_regression_reads_censoring_as_asked_and_predicts() {
    let teeth = Teeth::grown();
    let common = ["--want", "fine-gray", "--covariate", "depth", "--profile", "depth=2", "--at", "12,20"];
    let with = |more: &[&str]| teeth.answers(&[&common, more].concat()).subdistribution.expect("asked for");
    let plain = with(&[]);
    let mut seen = vec![plain.coefficients.known().expect("a fit")[0].standard_error];
    for (more, options) in [
        (
            vec!["--censoring-reading", "endings-first"],
            FineGrayOptions { censoring: CensoringReading::EndingsFirst, ..FineGrayOptions::default() },
        ),
        (
            vec!["--weight-influence", "derivative"],
            FineGrayOptions { weight_influence: WeightInfluence::Derivative, ..FineGrayOptions::default() },
        ),
        (
            vec!["--censoring-stratum", "jaw"],
            FineGrayOptions { censoring_strata: Some(&teeth.jaw), ..FineGrayOptions::default() },
        ),
    ] {
        let options = FineGrayOptions { horizons: &TIMES, ..options };
        let reference = stats::fine_gray(&teeth.by_cause(), 1, std::slice::from_ref(&teeth.depth), &options).expect("a fit");
        let found = with(&more);
        assert_eq!(found.coefficients, Known::Known(reference.coefficients.clone()), "{more:?}");
        let predicted: Vec<_> = found.predicted.iter().map(|one| one.incidence).collect();
        assert_eq!(predicted, reference.predicted_incidence(&[2.0]), "{more:?}");
        let error = found.coefficients.known().expect("a fit")[0].standard_error;
        // Entries are late, for which both influences are the derivative.
        assert_eq!(seen.contains(&error), more[1] == "derivative", "{more:?} changes something");
        seen.push(error);
    }
    // A factor's level counts as its indicators: the two levels that are no reference.
    let found = teeth.answers(&[
        "--want",
        "fine-gray",
        "--factor",
        "etch",
        "--reference",
        "etch=selective",
        "--profile",
        "etch=self",
        "--at",
        "12,20",
        "--curves",
    ]);
    let found = found.subdistribution.expect("asked for");
    let indicator = |level: u16| teeth.etch.codes().iter().map(|code| f64::from(u8::from(*code == level))).collect();
    let options = FineGrayOptions { horizons: &TIMES, ..FineGrayOptions::default() };
    let reference = stats::fine_gray(&teeth.by_cause(), 1, &[indicator(0), indicator(2)], &options).expect("a fit");
    assert_eq!(found.names, ["etch: rinse", "etch: self"]);
    let predicted: Vec<_> = found.predicted.iter().map(|one| one.incidence).collect();
    assert_eq!(predicted, reference.predicted_incidence(&[0.0, 1.0]));
    assert_eq!(found.baseline.expect("asked for").len(), reference.baseline.len());
    assert_eq!(found.fit.expect("a fit").centre, reference.centre);
}

#[test]
fn a_hazard_has_the_variance_and_the_scale_asked_for() {
    let records = Records::new(&[("remission.csv", remission(1.0, ',', false).as_bytes())]);
    let of = |variance: &str| {
        let arguments = ["records/remission.csv", "--time", "weeks", "--cause", "relapse", "--group", "arm", "--at", "6"];
        let more = ["--want", "hazard", "--hazard-variance", variance, "--hazard-scale", "plain"];
        answers(&records, &[&arguments[..], &more].concat()).hazards.expect("hazards")
    };
    // By hand, 6-MP in week 6: 3 of 21 fail; Poisson 3/21², binomial 3·18/21³.
    for (name, variance) in [("poisson", 3.0 / 441.0), ("binomial", 54.0 / 9261.0)] {
        let hazards = of(name);
        let estimate = hazards[0].at[0].estimate.known().expect("known");
        let error = f64::sqrt(variance);
        near(estimate.standard_error.expect("known"), error, 14);
        // Normal quantile 1.959963984540054 (published tables).
        near(estimate.interval.known().expect("known").upper, 3.0 / 21.0 + 1.959_963_984_540_054 * error, 13);
    }
    // Each its own cluster and none entered late: the robust variance is the binomial one.
    let robust = of("clusters")[0].at[0].estimate.known().expect("known").standard_error.expect("known");
    near(robust, f64::sqrt(54.0 / 9261.0), 13);
}

#[test]
fn a_band_holds_over_the_range_asked_for() {
    let teeth = Teeth::grown();
    let group = &teeth.groups()[0];
    let of = |more: &[&str]| {
        let common = ["--group", "etch", "--want", "bands", "--at", "12,20"];
        let found = teeth.answers(&[&common, more].concat()).bands.expect("bands");
        found[0].band.known().cloned().expect("a band")
    };
    let engine = |range: Option<(i32, i32)>| {
        let range = range.map(|(from, to)| (Days::new(from), Days::new(to)));
        let (shape, level) = (BandShape::EqualPrecision, ConfidenceLevel::USUAL);
        stats::confidence_band(group, shape, stats::SurvivalIntervalMethod::default(), level, range)
            .known()
            .cloned()
            .expect("a band")
    };
    let whole = engine(None);
    for (more, range) in [
        (&["--band-from", "10", "--band-to", "18.5"][..], Some((10, 18))),
        (&["--band-from", "10"], Some((10, whole.to.count()))),
        (&["--band-to", "18"], Some((whole.from.count(), 18))),
        (&[], None),
    ] {
        let (found, reference) = (of(more), engine(range));
        assert_eq!(found.critical_value.to_bits(), reference.critical_value.to_bits(), "{more:?}");
        let limits: Vec<_> = found.steps.iter().map(|step| (step.lower, step.upper)).collect();
        assert_eq!(
            limits,
            reference.points.iter().map(|point| (point.limits.lower, point.limits.upper)).collect::<Vec<_>>()
        );
    }
    assert!(
        of(&["--band-from", "10", "--band-to", "18"]).critical_value < whole.critical_value,
        "a shorter range costs less"
    );
}

#[test]
fn students_t_and_the_influence_of_clusters_are_those_of_the_engine() {
    let teeth = Teeth::grown();
    let common = ["--want", "cox,concordance", "--covariate", "depth", "--stratum", "jaw", "--residuals"];
    let found = teeth.answers(&[&common[..], &["--student"]].concat());
    let Some(Fitted::Fit(fit)) = found.proportional_hazards else { panic!("a fit") };
    let design = CoxDesign::new(vec![Covariate::number("depth", teeth.depth.clone())]).expect("a design");
    let options = CoxOptions { reference: ReferenceDistribution::StudentByClusters, ..CoxOptions::default() };
    let model = stats::cox_regression(&teeth.observations, &design, Some(&teeth.jaw), options).expect("a fit");
    assert_eq!(fit.regression, model.regression);
    let test = *fit.regression.coefficients[0].test.known().expect("a test");
    assert_eq!(test.degrees_of_freedom, Some(59.0), "60 mouths");
    let plain = teeth.answers(&common);
    let Some(Fitted::Fit(plain)) = plain.proportional_hazards else { panic!("a fit") };
    assert!(test.p_value > plain.regression.coefficients[0].test.known().expect("a test").p_value, "more careful");
    let residuals = fit.residuals.expect("asked for");
    assert_eq!(residuals.influence_of_clusters, Some(model.influence_of_clusters()));
    assert_eq!(residuals.score, model.score_residuals());
    let failed: Vec<u32> = model.scaled_schoenfeld_residuals().iter().map(|one| one.observation).collect();
    assert_eq!(residuals.failed_rows, failed);
    let names: Vec<String> = (0..60).map(|mouth| format!("m{mouth}")).collect();
    assert_eq!(found.cluster_names, Some(names));
    let concordance = stats::concordance(
        &teeth.observations,
        &teeth.depth,
        Some(&teeth.jaw),
        Variance::ClusterRobust,
        ConfidenceLevel::USUAL,
    );
    assert_eq!(found.concordances.expect("asked for")[0].concordance, concordance);
}

#[test]
fn clusters_are_resampled_within_strata_and_ratios_too() {
    let teeth = Teeth::grown();
    let common =
        ["--group", "etch", "--want", "bootstrap", "--at", "12", "--resamples", "100", "--seed", "7", "--until", "20"];
    let found =
        teeth.answers(&[&common[..], &["--resample-within", "site", "--ratios"]].concat()).resampled.expect("asked for");
    let statistic = |groups| ResampledStatistic { quantity: ResampledQuantity::Survival(TIMES[0]), groups };
    let statistics =
        [ResampledGroups::One(0), ResampledGroups::Difference(2, 0), ResampledGroups::Ratio(2, 0)].map(statistic);
    let resampling = Resampling { replicates: 100, seed: 7, ..Resampling::default() };
    let of = |strata| {
        stats::cluster_bootstrap(&teeth.observations, Some(&teeth.etch), &Axis::Days, &statistics, strata, resampling)
    };
    let (within, everywhere) = (of(Some(&*teeth.sites)), of(None));
    let pick = |group: &str, less: Option<&str>, by: Option<&str>| {
        let is = |one: &&manebit::estimate::resampling::ResampledEstimate| {
            one.group == group && one.less.as_deref() == less && one.by.as_deref() == by
        };
        found.iter().find(is).expect("a line").estimate.clone()
    };
    let shown = [pick("rinse", None, None), pick("self", Some("rinse"), None), pick("self", None, Some("rinse"))];
    for ((shown, within), everywhere) in shown.iter().zip(&within).zip(&everywhere) {
        assert_eq!(shown.value, within.value);
        assert_eq!((shown.percentile, shown.bias_corrected), (within.percentile, within.bias_corrected));
        assert_ne!(shown.percentile, everywhere.percentile, "strata change the draws");
    }
}

/// Of many clusters the formula is as good as the draws, which take a sign for each of them each time.
#[test]
fn signs_of_many_clusters_are_drawn_only_when_asked_for() {
    let mut csv = "t,d,g,c\n".to_owned();
    for cluster in 0..10_050 {
        let (time, group) = (1 + cluster % 7, cluster % 2);
        writeln!(csv, "{time},1,{group},{cluster}\n{},0,{},{cluster}", time + 1, 1 - group).expect("written");
    }
    let records = Records::new(&[("many.csv", csv.as_bytes())]);
    let all = "estimate records/many.csv --time t --cause d --group g --cluster c --want tests --resamples 100";
    let asked = |more: &[&str]| {
        let all: Vec<&str> = all.split(' ').chain(more.iter().copied()).collect();
        records.run(&all)
    };
    let unasked = said(&records, &asked(&[]));
    assert!(unasked.contains("10050 clusters carry information: many enough for the formula."), "{unasked}");
    assert!(!unasked.contains("  signs of clusters"), "{unasked}");
    let signs = said(&records, &asked(&["--draw-signs"]));
    assert!(signs.contains("  signs of clusters") && !signs.contains("many enough"), "{signs}");
}

#[test]
fn every_option_is_answered_in_words() {
    let teeth = Teeth::grown();
    let records = Records::new(&[("teeth.csv", teeth.csv.as_bytes())]);
    let arguments = "estimate records/teeth.csv --time quarters --entry from --cause end --failure lost --censored there --cluster mouth \
        --group etch --covariate depth --profile depth=2 --at 12,20.5 --band-from 4 --band-to 24 --closing 24 --tip-below 0.8 \
        --resample-within site --ratios --resamples 100 --until 20 --failed-part 0.25 --hazard-variance binomial \
        --hazard-scale plain --incidence-variance aalen --gray-exponent 1 --censoring-reading endings-first \
        --weight-influence derivative --censoring-stratum jaw --student --want \
        bands,hazard,incidence,fine-gray,concordance,cox,bootstrap";
    let output = records.run(&arguments.split_whitespace().collect::<Vec<_>>());
    insta::assert_snapshot!(said(&records, &output));
}

#[test]
fn what_an_option_cannot_mean_is_said_with_how_to_mend_it() {
    let records = Records::new(&[(
        "a.csv",
        b"t,d,g,c,s,x\n1,1,a,p,n,1\n2,0,b,p,m,2\n3,1,a,q,n,1\n4,9,b,q,n,3\n5,0,a,r,,2\n" as &[u8],
    )]);
    let mut text = String::new();
    for more in [
        "--want bands --band-from 4 --band-to 2",
        "--want survival --band-from 4",
        "--want incidence --tip-below 80",
        "--want incidence --gray-exponent 1",
        "--want incidence --group g --gray-exponent inf",
        "--want incidence --lost 9 --closing 4",
        "--want incidence --lost 0",
        "--want cox --covariate x --student",
        "--want cox --covariate x --cluster c --ties exact --student",
        "--want cox --covariate x --weight-influence derivative",
        "--want bootstrap --resample-within s",
        "--want bootstrap --cluster c --resample-within s --leave-out-incomplete",
        "--want bootstrap --ratios",
        "--want tests --group g --draw-signs",
        "--want fine-gray --covariate x --profile x=much",
        "--want fine-gray --covariate x --censoring-stratum s",
        "--want concordance --factor g",
    ] {
        let mut all = vec!["estimate", "records/a.csv", "--time", "t", "--cause", "d"];
        all.extend(more.split(' '));
        let output = records.run(&all);
        writeln!(text, "$ … {more}\n{}", said(&records, &output)).expect("written");
    }
    insta::assert_snapshot!(text);
}
