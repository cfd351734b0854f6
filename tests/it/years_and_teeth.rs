//! What a review tells year by year, tooth by tooth and restoration by restoration, against counts by hand and against its own totals.

use std::fs;

use manebit::quantity::Days;
use manebit::result::{Course, CourseEnd, ToothCount};

use super::run::{PLACEMENTS, Records, VISITS};

/// Three fillings whose days are easily counted. One under observation from 2020-07-01 to 2021-06-30 is at risk on 183 days of 2020 (2 July to
/// 31 December) and 181 of 2021; one lost on 2022-01-01 is at risk on one day of 2022; one was never seen again.
fn three() -> Records {
    let placements = format!(
        "{PLACEMENTS}R1,P1,14,facial,2020-07-01,op-a,self_etch,universal\nR2,P2,14,facial,2021-01-01,op-a,self_etch,universal\nR3,P2,33,facial,2021-03-01,op-a,self_etch,universal\n"
    );
    let visits = format!(
        "{VISITS}R1,2020-12-01,ex,usphs_3,A,A,,,\nR1,2021-06-30,ex,usphs_3,A,A,,,\nR2,2021-07-01,ex,usphs_3,A,A,,,\nR2,2022-01-01,ex,usphs_3,C,,lost,,\n"
    );
    Records::new(&[("placements.csv", placements.as_bytes()), ("visits.csv", visits.as_bytes())])
}

#[test]
fn each_day_at_risk_counts_for_its_year() {
    let review = three().review(&[]);
    let years: Vec<(i32, u64, i64)> = review.endpoints[0]
        .years
        .iter()
        .map(|year| (year.year, year.failures, (year.exposure_years.count() * 365.25).round() as i64))
        .collect();
    // 2021: 181 days of R1, 364 of R2 (2 January to 31 December).
    assert_eq!(years, [(2020, 0, 183), (2021, 0, 181 + 364), (2022, 1, 1)]);
    let rate = review.endpoints[0].years[2].rate.known().expect("a day at risk").rate;
    assert!((rate.value.per_year() - 365.25).abs() < 1e-9);
    // Exact limits of one event: 0.025318 to 5.571643 (Garwood 1936; handbook table, from memory).
    let limits = rate.interval.known().expect("limits");
    assert!((limits.lower.per_year() / 365.25 - 0.025_317_8).abs() < 1e-6);
    assert!((limits.upper.per_year() / 365.25 - 5.571_643_4).abs() < 1e-6);
}

#[test]
fn teeth_and_courses_are_counted_by_hand() {
    let review = three().review(&[]);
    let retention = &review.endpoints[0];
    assert_eq!(
        retention.teeth,
        [ToothCount { tooth: 14, placed: 2, failed: 1 }, ToothCount { tooth: 33, placed: 1, failed: 0 }]
    );
    let failed = &retention.failed;
    assert_eq!(failed.len(), 1);
    let day = |text: &str| text.parse::<manebit::quantity::Day>().expect("a day");
    assert_eq!((failed[0].restoration.as_str(), failed[0].tooth, failed[0].after), ("R2", 14, Days::new(365)));
    let days_of = [failed[0].placed_on, failed[0].last_good_on, failed[0].failed_on];
    assert_eq!(days_of, [day("2021-01-01"), day("2021-07-01"), day("2022-01-01")]);
    assert_eq!(failed[0].levels, ["Self-etch", "Universal adhesive"]);
    let days = |days: &[i32]| days.iter().map(|day| Days::new(*day)).collect::<Vec<_>>();
    assert_eq!(
        retention.courses,
        [
            Course { length: Days::new(364), seen: days(&[153, 364]), end: CourseEnd::InPlace },
            Course { length: Days::new(365), seen: days(&[181, 365]), end: CourseEnd::Failed },
            Course { length: Days::new(0), seen: Vec::new(), end: CourseEnd::InPlace },
        ]
    );
}

#[test]
fn what_only_few_patients_stand_behind_is_hidden_where_the_protocol_says_so() {
    let records = three();
    let protocol = manebit::protocol::Protocol::BUILT_IN_TEXT.replace("smallest_cell = 0", "smallest_cell = 2");
    fs::write(records.path().join("protocol.toml"), protocol).expect("a protocol");
    let review = records.review(&["--protocol", "protocol.toml"]);
    let retention = &review.endpoints[0];
    assert_eq!(
        (retention.teeth.as_slice(), retention.teeth_hidden),
        (&[ToothCount { tooth: 14, placed: 2, failed: 1 }][..], 1)
    );
    assert!(retention.courses.is_empty() && retention.failed.is_empty());
}

#[test]
fn years_and_teeth_of_the_sample_add_up_to_all() {
    let text = include_str!("../../reports/results.json");
    let review: manebit::result::Review = serde_json::from_str(text).expect("the committed review");
    assert!(review.endpoints.len() > 1);
    for endpoint in &review.endpoints {
        let failures: u64 = endpoint.years.iter().map(|year| year.failures).sum();
        let exposure: f64 = endpoint.years.iter().map(|year| year.exposure_years.count()).sum();
        assert_eq!(failures, endpoint.all.behind.failures);
        assert!((exposure - endpoint.all.exposure_years.count()).abs() < 1e-9 * exposure, "{exposure}");
        let placed: u64 = endpoint.teeth.iter().map(|tooth| tooth.placed).sum();
        assert_eq!(placed + endpoint.teeth_hidden, endpoint.flow.analysed);
        assert_eq!(endpoint.teeth.iter().map(|tooth| tooth.failed).sum::<u64>(), endpoint.all.behind.failures);
        assert_eq!(endpoint.failed.len() as u64, endpoint.all.behind.failures);
        assert!(endpoint.failed.is_sorted_by(|one, next| one.failed_on >= next.failed_on));
        assert!(endpoint.courses.is_empty(), "hundreds of courses are no picture");
    }
}
