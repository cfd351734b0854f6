//! Times asked for between those that occur: every answer agrees on who is still followed then, on listed times and on whole ones.

use manebit::estimate::answer::Answers;
use manebit::estimate::regression::Fitted;
use manebit::quantity::{Known, WhyNotKnown};

use super::estimate::{answers, near, teeth};
use super::run::Records;

const WANTED: &str =
    "survival,hazard,quantiles,mean,contrasts,conditional,life-table,incidence,rates,bootstrap,fine-gray,cox";

/// Group a is followed to 1.5 (or 3), b to 4.5 (or 9); both fail at times before.
fn two_groups(divide: f64) -> String {
    let mut text = "time,end,group,x\n".to_owned();
    for (time, end, group) in
        [(1, 1, "a"), (2, 0, "a"), (2, 2, "a"), (3, 0, "a"), (3, 0, "a"), (1, 0, "b"), (2, 1, "b"), (3, 2, "b"), (5, 1, "b")]
    {
        text += &format!("{},{end},{group},{}\n", f64::from(time) / divide, time % 2);
    }
    text + &format!("{},0,b,1\n{},0,b,0\n", 9.0 / divide, 9.0 / divide)
}

fn of(text: &str, at: &str, more: &[&str]) -> Answers {
    let records = Records::new(&[("a.csv", text.as_bytes())]);
    let mut arguments = vec!["records/a.csv", "--time", "time", "--cause", "end", "--group", "group", "--want", WANTED];
    arguments.extend(["--covariate", "x", "--profile", "x=0", "--resamples", "100", "--at", at]);
    arguments.extend(more);
    answers(&records, &arguments)
}

#[test]
fn past_the_last_follow_up_of_a_group_nothing_of_it_is_known() {
    // Whole times asked at a fraction, and times with fractions asked between two: 3 < 3.5 and 1.5 < 1.75, the next being 5 and 2.5.
    for (divide, at) in [(1.0, "3.5"), (2.0, "1.75")] {
        let found = of(&two_groups(divide), at, &["--given", &format!("{}", 1.0 / divide)]);
        let past = WhyNotKnown::PastLastFollowUp;
        let survival = found.survival.expect("asked for");
        assert_eq!((survival[0].at[0].estimate, survival[0].at[0].at_risk), (Known::NotKnown(past), 0), "÷ {divide}");
        assert_eq!(survival[1].at[0].at_risk, 3);
        let hazards = found.hazards.expect("asked for");
        assert_eq!(hazards[0].at[0].estimate, Known::NotKnown(past));
        assert!(hazards[1].at[0].estimate.known().is_some());
        assert_eq!(found.contrasts.expect("asked for")[0].difference, Known::NotKnown(past));
        assert_eq!(found.conditional.expect("asked for")[0].at[0].estimate, Known::NotKnown(past));
        let incidences = found.incidences.expect("asked for");
        assert_eq!(incidences.incidence[0].at[0].estimate, Known::NotKnown(past));
        assert_eq!(incidences.incidence[0].hazard[0], Known::NotKnown(past));
        assert_eq!(incidences.event_free.expect("two causes")[0].at[0].estimate, Known::NotKnown(past));
        // All three censored in group a were lost by then, and could have failed: worst, nobody is left.
        assert_eq!(incidences.bounds[0].lost, Known::Known(3));
        assert_eq!(incidences.bounds[0].survival.known().expect("known").worst.value().to_bits(), 0.0_f64.to_bits());
        assert_eq!(found.resampled.expect("asked for")[0].estimate.value, Known::NotKnown(past));
    }
    // Past the end of all, predictions too.
    let found = of(&two_groups(2.0), "4.75", &["--given", "0.5"]);
    let Some(Fitted::Fit(fit)) = found.proportional_hazards else { panic!("a fit") };
    assert_eq!(fit.predicted[0].survival, Known::NotKnown(WhyNotKnown::PastLastFollowUp));
    let regression = found.subdistribution.expect("asked for");
    assert_eq!(regression.predicted[0].incidence, Known::NotKnown(WhyNotKnown::PastLastFollowUp));
}

#[test]
fn a_cut_between_two_times_divides_them() {
    // By hand: 0.5 fails before the cut at 0.75, at its own time; 1, 1, 1.5, 1.5 and 1.5 come after.
    let found = of(&two_groups(2.0), "1.75", &["--cuts", "0.75,1.25"]);
    let table = &found.life_tables.expect("asked for")[0];
    assert_eq!((table.group.as_str(), table.intervals.len(), table.later), ("a", 2, 2));
    let counted: Vec<_> =
        table.intervals.iter().map(|row| (row.from, row.to, row.entered, row.failed, row.withdrawn)).collect();
    assert_eq!(counted, [(0.0, 0.75, 5.0, 1.0, 0.0), (0.75, 1.25, 4.0, 0.0, 2.0)]);
    // By hand: hazard at the midpoint 2·(1/5)/(0.75·(1 + 4/5)).
    near(*table.intervals[0].hazard.known().expect("known"), 0.4 / 1.35, 14);
}

/// Two routes to one answer: years as they are listed, and the same as whole eighths of a year, where every time asked for is a tick of
/// its own anyway.
#[test]
fn between_two_times_the_answers_are_those_of_a_finer_unit() {
    let mut eighths = String::new();
    for (place, line) in teeth().lines().enumerate() {
        let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
        if place > 0 {
            for cell in &mut cells[1..3] {
                *cell = format!("{}", cell.parse::<f64>().expect("a number") * 8.0);
            }
        }
        eighths += &(cells.join(",") + "\n");
    }
    let of = |text: &str, times: &str, given: &str, until: &str, year: &str| {
        let records = Records::new(&[("a.csv", text.as_bytes())]);
        let mut arguments =
            vec!["records/a.csv", "--time", "years", "--entry", "from", "--cause", "end", "--failure", "lost"];
        arguments.extend(["--censored", "there", "--cluster", "mouth", "--group", "etch", "--covariate", "depth"]);
        arguments.extend(["--profile", "depth=2", "--resamples", "100", "--want", WANTED, "--year", year]);
        arguments.extend(["--at", times, "--given", given, "--until", until]);
        answers(&records, &arguments)
    };
    let listed = of(&teeth(), "0.875,3.125,6.875", "0.375", "4.125", "1");
    let whole = of(&eighths, "7,25,55", "3", "33", "8");
    let known = |one: &Known<manebit::quantity::Estimate<manebit::quantity::Fraction>>| {
        one.map(|found| (found.value, found.standard_error, found.behind))
    };
    for (one, other) in listed.survival.expect("some").iter().zip(whole.survival.expect("some")) {
        for (one, other) in one.at.iter().zip(&other.at) {
            assert_eq!((known(&one.estimate), one.at_risk), (known(&other.estimate), other.at_risk));
        }
    }
    for (one, other) in listed.conditional.expect("some").iter().zip(whole.conditional.expect("some")) {
        for (one, other) in one.at.iter().zip(&other.at) {
            assert_eq!((known(&one.estimate), one.at_risk), (known(&other.estimate), other.at_risk));
        }
    }
    for (one, other) in listed.contrasts.expect("some").iter().zip(whole.contrasts.expect("some")) {
        assert_eq!((one.difference, one.ratio), (other.difference, other.ratio));
    }
    let (one, other) = (listed.incidences.expect("some"), whole.incidences.expect("some"));
    for (one, other) in one.incidence.iter().zip(&other.incidence) {
        assert_eq!(one.hazard, other.hazard);
        assert!(one.at.iter().zip(&other.at).all(|(one, other)| known(&one.estimate) == known(&other.estimate)));
    }
    for (one, other) in one.bounds.iter().zip(&other.bounds) {
        assert_eq!(one.lost, other.lost);
        let (one, other) = (one.survival.known().expect("known"), other.survival.known().expect("known"));
        assert!((one.worst.value() - other.worst.value()).abs() < 1e-14, "absolute");
    }
    for (one, other) in listed.life_tables.expect("some").iter().zip(whole.life_tables.expect("some")) {
        for (one, other) in one.intervals.iter().zip(&other.intervals) {
            assert_eq!(
                (one.entered, one.joined, one.failed, one.withdrawn),
                (other.entered, other.joined, other.failed, other.withdrawn)
            );
            assert_eq!(one.survival, other.survival);
        }
    }
    let same = |one: &Known<f64>, other: &Known<f64>, unit: f64| match (one, other) {
        (Known::Known(one), Known::Known(other)) => {
            assert!((one * unit - other).abs() < 1e-12 * (1.0 + other.abs()), "{one} {other}")
        }
        (one, other) => assert_eq!(one, other),
    };
    for (one, other) in listed.resampled.expect("some").iter().zip(whole.resampled.expect("some")) {
        use manebit::estimate::resampling::Resampled;
        let unit = if matches!(one.quantity, Resampled::RestrictedMean | Resampled::FailureTime) { 8.0 } else { 1.0 };
        same(&one.estimate.value, &other.estimate.value, unit);
        same(&one.estimate.percentile.lower, &other.estimate.percentile.lower, unit);
    }
    for (one, other) in listed.means.expect("some").iter().zip(whole.means.expect("some")) {
        same(&one.mean.map(|mean| mean.value), &other.mean.map(|mean| mean.value), 8.0);
    }
    let (Some(Fitted::Fit(one)), Some(Fitted::Fit(other))) = (listed.proportional_hazards, whole.proportional_hazards)
    else {
        panic!("fits")
    };
    for (one, other) in one.predicted.iter().zip(&other.predicted) {
        assert_eq!(known(&one.survival), known(&other.survival));
    }
    let (one, other) = (listed.subdistribution.expect("some"), whole.subdistribution.expect("some"));
    for (one, other) in one.predicted.iter().zip(&other.predicted) {
        assert_eq!(known(&one.incidence), known(&other.incidence));
    }
}
