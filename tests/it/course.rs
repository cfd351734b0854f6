//! What visits make of a restoration's course: same day, departures, days that outcomes happened, recalls and criteria.

use manebit::quantity::{Day, Days, Known, WhyNotKnown};
use manebit::record::Coded;
use manebit::result::{Caution, Review};

use crate::run::{PLACEMENTS, Records, VISITS, said};

fn records(placements: &str, visits: &str) -> Records {
    Records::new(&[
        ("placements.csv", format!("{PLACEMENTS}{placements}").as_bytes()),
        ("visits.csv", format!("{VISITS}{visits}").as_bytes()),
    ])
}

const ONE: &str = "R1,P1,14,facial,2020-01-10,op,self_etch,universal\n";

fn ends(review: &Review, endpoint: usize) -> (u64, u64, u64, f64) {
    let group = &review.endpoints[endpoint].all;
    let years = group.exposure_years.count();
    (group.behind.failures, group.competing, group.censored, (years * 365.25).round())
}

fn known_day(records: &Records) -> Review {
    let protocol = manebit::protocol::Protocol::BUILT_IN_TEXT.replace("\"day_found\"", "\"day_known\"");
    std::fs::write(records.path().join("known.toml"), protocol).expect("a protocol");
    records.review(&["--protocol", "known.toml"])
}

#[test]
fn of_two_looks_on_one_day_the_graver_counts_whatever_their_order() {
    let lost = "R1,2021-01-10,e1,usphs_3,C,,,,\n";
    let whole = "R1,2021-01-10,e2,usphs_3,A,A,,,\n";
    let extracted = "R1,2021-01-10,e2,,,,extracted,,unrelated\n";
    for (visits, expected) in [
        (format!("{lost}{whole}"), (1, 0, 0, 366.0)),
        (format!("{whole}{lost}"), (1, 0, 0, 366.0)),
        (format!("{lost}{extracted}"), (1, 0, 0, 366.0)),
        (format!("{extracted}{lost}"), (1, 0, 0, 366.0)),
    ] {
        assert_eq!(ends(&records(ONE, &visits).review(&[]), 0), expected, "{visits}");
    }
}

#[test]
fn an_extraction_because_the_filling_failed_is_a_failure_of_survival() {
    let of = |reason: &str| {
        let review = records(ONE, &format!("R1,2021-01-10,ex,,,,extracted,,{reason}\n")).review(&[]);
        [0, 1, 2].map(|endpoint| ends(&review, endpoint).0)
    };
    assert_eq!(of("failure"), [0, 1, 1]);
    assert_eq!(of("unrelated"), [0, 0, 0]);
    assert_eq!(of(""), [0, 0, 0]);
}

#[test]
fn endings_are_dated_to_the_day_they_happened_and_failures_as_the_protocol_reads_them() {
    // Extracted on day 100, told on day 366: it left the risk set on day 100, whatever the reading of failures.
    let extracted = "R1,2021-01-10,ex,,,,extracted,2020-04-19,unrelated\n";
    assert_eq!(ends(&records(ONE, extracted).review(&[]), 0), (0, 1, 0, 100.0));
    // Repaired on day 100 elsewhere, seen whole on day 200, told on day 366.
    let repaired = "R1,2020-07-28,ex,usphs_3,A,A,,,\nR1,2021-01-10,ex,usphs_3,A,A,repaired,2020-04-19,\n";
    assert_eq!(ends(&records(ONE, repaired).review(&[]), 2), (1, 0, 0, 366.0));
    assert_eq!(ends(&known_day(&records(ONE, repaired)), 2), (1, 0, 0, 100.0));
    // Lost on day 100 as the patient remembers.
    let lost = "R1,2021-01-10,ex,usphs_3,C,,lost,2020-04-19,\n";
    assert_eq!(ends(&records(ONE, lost).review(&[]), 0), (1, 0, 0, 366.0));
    let review = known_day(&records(ONE, lost));
    assert_eq!(ends(&review, 0), (1, 0, 0, 100.0));
    let found_late = |review: &Review| review.cautions.contains(&manebit::result::Caution::FoundAtRecall);
    assert!(!found_late(&review) && found_late(&records(ONE, lost).review(&[])));
}

const TWO_IN_ONE_MOUTH: &str = "R1,P1,14,facial,2020-01-10,op,self_etch,universal\n\
R2,P1,24,facial,2020-01-10,op,self_etch,universal\nR3,P2,24,facial,2020-01-10,op,self_etch,universal\n";

fn due_and_seen(review: &Review, months: u16) -> (u64, u64) {
    let recall = review.recalls.iter().find(|recall| recall.months == months).expect("a recall");
    (recall.due, recall.seen)
}

#[test]
fn a_departure_told_at_one_restoration_holds_for_the_whole_mouth() {
    let seen = "R3,2021-01-10,ex,usphs_3,A,A,,,\nR3,2022-06-01,ex,usphs_3,A,A,,,\n";
    let died = format!("{seen}R1,2020-08-01,,,,,patient_died,,\n");
    assert_eq!(due_and_seen(&records(TWO_IN_ONE_MOUTH, &died).review(&[]), 12), (1, 1), "the dead are not due");
    let nobody_told = records(TWO_IN_ONE_MOUTH, seen).review(&[]);
    assert_eq!(due_and_seen(&nobody_told, 12), (3, 1));
    // Told within the window: no examination, so not seen; gone before the due day, so not due.
    let within = format!("{seen}R1,2020-12-01,,,,,left_practice,,\n");
    assert_eq!(due_and_seen(&records(TWO_IN_ONE_MOUTH, &within).review(&[]), 12), (1, 1));
    // Who is examined later came back.
    let back = format!("{seen}R1,2020-08-01,,,,,left_practice,,\nR2,2021-02-01,ex,usphs_3,A,A,,,\n");
    assert_eq!(due_and_seen(&records(TWO_IN_ONE_MOUTH, &back).review(&[]), 12), (3, 2));
}

#[test]
fn a_report_is_no_examination() {
    let header = VISITS.trim_end().to_owned() + ",source\n";
    let visits = format!("{header}R1,2021-01-10,,,,,in_place,,,reported\nR1,2022-06-01,ex,usphs_3,A,A,,,,\n");
    let records =
        Records::new(&[("placements.csv", format!("{PLACEMENTS}{ONE}").as_bytes()), ("visits.csv", visits.as_bytes())]);
    assert_eq!(due_and_seen(&records.review(&[]), 12), (1, 0));
}

#[test]
fn who_was_examined_after_death_is_found() {
    let visits = "R1,2020-08-01,,,,,patient_died,,\nR2,2021-02-01,ex,usphs_3,A,A,,,\n";
    let records = records(TWO_IN_ONE_MOUTH, visits);
    let output = records.run(&["review", "records"]);
    let text = said(&records, &output);
    assert!(text.starts_with("exit 1"), "{text}");
    assert!(text.contains("visits.csv, row 3, column visited_on: 2021-02-01"), "{text}");
    assert!(text.contains("The patient is said to have died by 2020-08-01 (visits.csv row 2)."), "{text}");
}

#[test]
fn two_examiners_may_differ_on_a_day_but_nobody_sees_a_lost_filling_later() {
    for visits in [
        "R1,2021-01-10,e1,usphs_3,C,,,,\nR1,2021-01-10,e2,usphs_3,A,A,,,\n",
        "R1,2021-01-10,e2,usphs_3,A,A,,,\nR1,2021-01-10,e1,usphs_3,C,,,,\n",
    ] {
        assert!(records(ONE, visits).run(&["review", "records"]).status.success(), "{visits}");
    }
    let later = records(ONE, "R1,2021-01-10,e1,usphs_3,C,,,,\nR1,2021-01-11,e2,usphs_3,A,A,,,\n");
    assert_eq!(later.run(&["review", "records"]).status.code(), Some(1));
}

/// FDI 4 (not acceptable) is worse than USPHS B (acceptable), though "4" stands before "B" among signs.
#[test]
fn of_two_scores_on_one_day_the_worse_counts_across_schemes() {
    let one = "R1,2021-01-10,e1,usphs_3,A,B,,,\n";
    let other = "R1,2021-01-10,e2,fdi_2010,1,4,,,\n";
    let seen_later = "R1,2022-06-01,e1,usphs_3,A,A,,,\n";
    for visits in [format!("{one}{other}{seen_later}"), format!("{other}{one}{seen_later}")] {
        let review = records(ONE, &visits).review(&[]);
        let colour = review
            .criteria
            .iter()
            .find(|entry| entry.criterion.code() == "colour" && entry.months == 12 && entry.factor == "all")
            .expect("scores");
        let counts: Vec<u64> = colour.standings.iter().map(|share| share.count).collect();
        assert_eq!(counts, [0, 0, 1], "{visits}");
    }
}

#[test]
fn criteria_are_counted_only_at_recalls_whose_window_has_closed() {
    let review = records(ONE, "R1,2021-01-10,ex,usphs_3,A,A,,,\n").review(&[]);
    assert_eq!(due_and_seen(&review, 12), (0, 0), "the window is still open on the last day of the records");
    assert!(!review.criteria.iter().any(|entry| entry.months == 12));
}

#[test]
fn who_came_under_observation_after_a_window_opened_is_not_due_at_it() {
    let header = PLACEMENTS.trim_end().to_owned() + ",entered_on\n";
    let placements = format!(
        "{header}R1,P1,14,facial,2020-01-10,op,self_etch,universal,2020-12-01\n\
R2,P2,14,facial,2020-01-10,op,self_etch,universal,2020-06-01\n"
    );
    let visits = format!("{VISITS}R1,2022-06-01,ex,usphs_3,A,A,,,\nR2,2022-06-01,ex,usphs_3,A,A,,,\n");
    let records = Records::new(&[("placements.csv", placements.as_bytes()), ("visits.csv", visits.as_bytes())]);
    assert_eq!(due_and_seen(&records.review(&[]), 12), (1, 0));
}

#[test]
fn each_endpoint_counts_whom_it_leaves_out() {
    let header = PLACEMENTS.trim_end().to_owned() + ",entered_on\n";
    // Repaired before its record began: it can't fail by intervention any more, but it can still be lost.
    let placements = format!("{header}R1,P1,14,facial,2015-01-10,op,self_etch,universal,2020-06-01\n");
    let visits = format!("{VISITS}R1,2019-06-01,ex,usphs_3,A,A,repaired,,\nR1,2022-06-01,ex,usphs_3,A,A,,,\n");
    let records = Records::new(&[("placements.csv", placements.as_bytes()), ("visits.csv", visits.as_bytes())]);
    let review = records.review(&[]);
    let analysed: Vec<u64> = review.endpoints.iter().map(|endpoint| endpoint.flow.analysed).collect();
    assert_eq!(analysed, [1, 1, 0]);
    assert_eq!(review.endpoints[2].flow.excluded.iter().map(|one| one.count).sum::<u64>(), 1);
    let flow = std::fs::read_to_string(records.path().join("out/tables/flow.csv")).expect("a table");
    assert!(flow.contains("any_intervention,placements,excluded,"), "{flow}");
}

#[test]
fn placements_without_a_visit_are_reviewed_and_say_so() {
    let records = Records::new(&[("placements.csv", format!("{PLACEMENTS}{ONE}").as_bytes())]);
    let review = records.review(&[]);
    assert_eq!(review.endpoints[0].flow.never_seen, 1);
    assert!(review.notices.iter().any(|notice| notice.code == "no-visits"));
    assert!(matches!(review.endpoints[0].all.horizons[0].survival, Known::NotKnown(_)));
    assert_eq!(review.headline_day, Days::new(1826));
}

#[test]
fn spellings_and_replaced_restorations_that_may_be_slips_are_named() {
    let header = PLACEMENTS.trim_end().to_owned() + ",replaces_restoration\n";
    let placements = format!(
        "{header}R1,P1,14,facial,2020-01-10,CD,self_etch,universal,R9\n\
R2,p1,24,facial,2020-01-10,cd,self_etch,universal,yes\n"
    );
    let visits = format!("{VISITS}R1,2021-06-01,ex,usphs_3,A,A,,,\n");
    let records = Records::new(&[("placements.csv", placements.as_bytes()), ("visits.csv", visits.as_bytes())]);
    let output = records.run(&["review", "records", "--cautions"]);
    let text = said(&records, &output);
    for part in [
        "placements.csv, row 3, column operator: cd",
        "In placements.csv row 2 it is written CD; the two are counted as two operators.",
        "placements.csv, row 3, column patient_id: p1",
        "placements.csv, row 2, column replaces_restoration: R9",
    ] {
        assert!(text.contains(part), "{part} in {text}");
    }
    assert!(!text.contains("column replaces_restoration: yes"), "{text}");
}

#[test]
fn a_visit_on_the_day_of_placement_is_the_baseline() {
    let review = records(ONE, "R1,2020-01-10,ex,usphs_3,A,A,,,\nR1,2021-06-10,ex,usphs_3,A,B,,,\n").review(&[]);
    assert_eq!(due_and_seen(&review, 0), (1, 1));
    assert_eq!(ends(&review, 0), (0, 0, 1, 517.0));
}

#[test]
fn an_empty_cell_is_never_taken_for_a_perfect_score() {
    let records = records(ONE, "R1,2021-01-10,ex,usphs_3,A,,,,\nR1,2022-01-10,ex,usphs_3,A,B,,,\n");
    let review = records.review(&[]);
    let of = |months: u16| {
        let pooled = |entry: &&manebit::result::CriterionReview| {
            entry.months == months && entry.factor == "all" && entry.scheme.is_none()
        };
        let colour = |entry: &&manebit::result::CriterionReview| entry.criterion.code() == "colour";
        review.criteria.iter().filter(pooled).find(colour).map(|entry| entry.scored)
    };
    assert_eq!(of(12), None, "nothing was scored for colour, so there is no share");
    let check = String::from_utf8_lossy(&records.run(&["check", "records"]).stdout).into_owned();
    assert!(check.contains("visits filled in part: colour 50.0 %"), "{check}");
}

#[test]
fn when_the_last_one_followed_fails_no_yearly_rate_is_made_of_it() {
    let placements =
        "R1,P1,14,facial,2015-01-10,op,self_etch,universal\nR2,P2,14,facial,2015-01-10,op,self_etch,universal\n";
    let review = records(placements, "R1,2016-01-10,ex,usphs_3,A,A,,,\nR2,2017-01-10,ex,usphs_3,C,,,,\n").review(&[]);
    let at = |day: i32| review.endpoints[0].all.horizon(Days::new(day)).expect("a horizon");
    // It failed on the very day of the horizon of two years.
    let Known::Known(survival) = at(731).survival else { panic!("survival is known") };
    assert!(survival.value.value() < 1e-12);
    assert_eq!(at(731).geometric, Known::NotKnown(WhyNotKnown::AllFailed));
    // To five years nobody was followed; that the curve stays at 0 tells nothing of them.
    assert_eq!(at(1826).survival, Known::NotKnown(WhyNotKnown::PastLastFollowUp));
    assert_eq!(at(1826).geometric, Known::NotKnown(WhyNotKnown::PastLastFollowUp));
}

/// Of fillings seen once each, within the window of one recall, the curve by the day found falls to three quarters where one in ten was lost.
#[test]
fn a_curve_at_its_only_recall_is_cut_and_not_tested() {
    let (mut placements, mut visits) = (String::new(), String::new());
    for n in 0..360 {
        let (etch, lost) = (if n % 2 == 0 { "self_etch" } else { "etch_and_rinse" }, n / 2 % 10 == 5);
        let seen = Day::from_calendar(2020, 1, 10).expect("a day") + Days::new(325 + n / 2 * 80 / 180);
        placements.push_str(&format!("R{n},P{n},14,facial,2019-01-10,op,{etch},universal\n"));
        visits.push_str(&format!("R{n},{},ex,usphs_3,{},,,,\n", seen + Days::new(-365), if lost { "C" } else { "A" }));
        if etch == "etch_and_rinse" && !lost {
            visits.push_str(&format!("R{n},{seen},ex,usphs_3,A,,,,\n"));
        }
    }
    let review = records(&placements, &visits).review(&[]);
    let factor = review.endpoints[0].factors.iter().find(|factor| factor.factor == "etch_strategy").expect("the factor");
    let group = |code: &str| factor.groups.iter().find(|group| group.level == code).expect("the level");
    let part = group("self_etch").readings_part.expect("they part");
    assert!(part.day_found.value() < 0.8 && part.between_visits.least.value() > 0.87, "{part:?}");
    assert!(group("self_etch").drawn_to_day < Days::new(390) && group("etch_and_rinse").readings_part.is_none());
    assert!(factor.tests.is_empty() && factor.not_tested.as_ref().is_some_and(|why| why.contains("Self-etch parts")));
    let named = |caution: &Caution| matches!(caution, Caution::ReadingsPart { factor: Some(factor), levels } if factor == "Etch strategy" && levels.len() == 1);
    assert!(review.cautions.iter().any(named));
}

/// The sample data as they are read, and a day after all of them.
fn sample() -> (manebit::intake::Intake, Day) {
    use manebit::finding::Findings;
    use manebit::intake::{IntakeRequest, read_records};
    let sample = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data");
    let today = Day::from_calendar(2026, 1, 1).expect("a day");
    let request = IntakeRequest { records: &sample, declaration: None, today, own_columns: &[], progress: None };
    (read_records(request, &mut Findings::default()).expect("read").expect("files"), today)
}

/// Each restoration by itself, held against the words of the rule.
#[test]
fn who_is_due_at_a_recall_is_so_by_the_rule() {
    use manebit::cohort::recall::due;
    use manebit::cohort::{Look, select};
    use manebit::protocol::RecallWindow;
    let (intake, today) = sample();
    // Once with windows that have not closed for all.
    for as_of in [today, Day::from_calendar(2022, 6, 1).expect("a day")] {
        let histories = select(&intake.placements, &intake.visits, as_of).expect("laid out");
        let (mut left, mut ended) = (0, 0);
        for windows in [
            &[(0, 0, 1), (6, 2, 2), (12, 1, 1), (18, 3, 3), (24, 2, 6), (36, 5, 12), (60, 11, 12)][..],
            &[(12, 12, 3), (24, 6, 6), (36, 5, 1)],
            &[(36, 30, 12)],
            &[],
        ] {
            let window = |&(months, early, late): &(u16, u16, u16)| RecallWindow { months, early, late };
            let windows: Vec<RecallWindow> = windows.iter().map(window).collect();
            let found = due(&histories, &windows);
            assert_eq!(found.len(), windows.len());
            for (window, found) in windows.iter().zip(&found) {
                let (opens, closes) = (window.opens().count(), window.closes().count());
                let mut expected = Vec::new();
                for place in 0..histories.len() {
                    let placed = histories.placed[place];
                    let looks = histories.looks(place);
                    let within = |look: &&Look| (opens..=closes).contains(&(look.day - placed));
                    let any = |is_so: &dyn Fn(&Look) -> bool| looks.iter().filter(within).any(is_so);
                    let seen = any(&|look| histories.said(look).examined);
                    let before = |look: &Look| look.day - placed < opens && histories.said(look).closes;
                    if placed + closes > as_of.since_epoch() || histories.entry[place] > opens {
                        continue;
                    }
                    if looks.iter().any(before) {
                        ended += 1;
                        continue;
                    }
                    let gone = histories.gone[histories.patient[place] as usize];
                    if !seen && gone.is_some_and(|gone| gone - placed <= window.due().count()) {
                        left += 1;
                        continue;
                    }
                    expected.push((place, seen, any(&|look| histories.said(look).scored)));
                }
                let found: Vec<_> = found.iter().map(|one| (one.restoration as usize, one.seen, one.scored)).collect();
                assert_eq!(found, expected, "{window:?}");
                assert!(window.months == 0 || found.iter().any(|due| due.2) && found.iter().any(|due| !due.1), "{window:?}");
            }
        }
        assert!(left > 0 && ended > 0, "{left} {ended}");
    }
}

/// By hand: by a year two of three patients are followed so far, so survival is 0.025^(1/2) or more, and a year costs no more than the rest.
#[test]
fn where_none_failed_the_limit_is_that_of_the_patients_followed_so_far() {
    let placements = "R1,P1,14,facial,2020-01-10,op,self_etch,universal\nR2,P1,24,facial,2020-01-10,op,self_etch,universal\n\
        R3,P2,15,facial,2020-01-10,op,self_etch,universal\nR4,P3,16,facial,2020-01-10,op,self_etch,universal\n";
    let visits = "R1,2022-01-10,ex,usphs_3,A,A,,,\nR2,2022-01-10,ex,usphs_3,A,A,,,\nR3,2021-06-10,ex,usphs_3,A,A,,,\n\
        R4,2020-06-10,ex,usphs_3,A,A,,,\n";
    let records = records(placements, visits);
    let review = records.review(&[]);
    let year = review.endpoints[0].all.horizons.iter().find(|horizon| horizon.months == 12).expect("a year");
    let survival = year.survival.known().expect("followed");
    let limits = survival.interval.known().expect("limits");
    let lower = 0.025_f64.sqrt();
    assert!((limits.lower.value() - lower).abs() < 1e-12 && (limits.upper.value() - 1.0).abs() < 1e-15, "{limits:?}");
    let rate = year.geometric.known().expect("a rate");
    let limits = rate.rate.interval.known().expect("limits");
    assert!((limits.upper.per_year() - (1.0 - lower)).abs() < 1e-12 && limits.lower.per_year().abs() < 1e-15, "{limits:?}");
    // The headline's five years are not reached: what can be read is told, where enough are followed.
    let said_of = |protocol: &str| {
        std::fs::write(records.path().join("p.toml"), protocol).expect("written");
        said(&records, &records.run(&["review", "records", "--out", "out", "--protocol", "p.toml"]))
    };
    let built_in = manebit::protocol::Protocol::BUILT_IN_TEXT;
    let text = said_of(&built_in.replace("least_at_risk = 10", "least_at_risk = 1"));
    let expected =
        "past the last follow-up. After 2 years, 100.0 % retained (95 % interval 2.5 to 100.0 %). What is read here stands";
    assert!(text.contains("Survival after 5 years is not known") && text.contains(expected), "{text}");
    assert!(!said_of(built_in).contains("What is read here"), "too few are followed");
}

#[test]
fn a_file_that_ends_within_a_row_is_told_and_not_set_aside() {
    let visits = format!("{VISITS}R1,2021-06-01,ex,usphs_3,A,A,,,\nR1,2022-06");
    let records =
        Records::new(&[("placements.csv", format!("{PLACEMENTS}{ONE}").as_bytes()), ("visits.csv", visits.as_bytes())]);
    for more in [&[][..], &["--set-aside", "aside.csv"]] {
        let output = records.run(&[&["review", "records", "--out", "out"][..], more].concat());
        let text = said(&records, &output);
        assert!(text.starts_with("exit 1") && text.contains("visits.csv, row 3"), "{text}");
        assert!(
            text.contains("The file ends in the middle of this row: it has 2 of 9 cells") && text.contains("file-cut-off"),
            "{text}"
        );
        assert!(!records.path().join("aside.csv").exists() && !records.path().join("out").exists());
    }
    // Whole rows without an end of line are no matter, and with one it is a row that lacks cells.
    std::fs::write(records.path().join("records/visits.csv"), visits.replace("\nR1,2022-06", "")).expect("written");
    assert!(said(&records, &records.run(&["review", "records", "--out", "out"])).starts_with("exit 0"));
    std::fs::write(records.path().join("records/visits.csv"), visits + "\n").expect("written");
    assert!(said(&records, &records.run(&["review", "records", "--out", "other"])).contains("row-length"));
}

/// Each restoration has its visits with their days, scores, days of outcome and rows, in whatever order visits came.
#[test]
fn visits_are_laid_out_alike_in_any_order_of_their_rows() {
    use manebit::cohort::{Looks, VisitRows, follow_up::follow_under_all, lay_out};
    use manebit::protocol::Protocol;
    use manebit::table::{RecordTable, VisitTable};
    use polars::prelude::{IdxCa, NewChunkedArray};
    let (intake, today) = sample();
    let (files, frame) = (intake.visits.0.files().to_vec(), intake.visits.0.frame());
    let rows = u32::try_from(frame.height()).expect("few rows");
    let days = frame.column("visited_on").expect("days").as_materialized_series().date().expect("days").physical().clone();
    let mut by_day: Vec<u32> = (0..rows).collect();
    by_day.sort_by_key(|row| days.get(*row as usize));
    let orders: [Vec<u32>; 4] = [
        (0..rows).collect(),
        (0..rows).rev().collect(),
        by_day,
        // Two that belong to one restoration change places here and there.
        (0..rows).map(|row| if row % 10 < 2 && row | 1 < rows { row ^ 1 } else { row }).collect(),
    ];
    let protocol = Protocol::built_in();
    let laid_out = |order: &[u32], taking: Looks| {
        let frame = frame.take(&IdxCa::from_slice("order".into(), order)).expect("rows");
        let visits = VisitTable(RecordTable::new(frame, files.clone()));
        let mut visits = VisitRows::of(&intake.placements, &visits).expect("columns");
        let histories = lay_out(&intake.placements, &mut visits, today, taking).expect("laid out");
        let of_one = |restoration: usize| {
            let mut seen: Vec<String> = histories
                .places(restoration)
                .map(|at| {
                    let (look, row) = (&histories.looks[at], histories.row(at));
                    let (stated, happened) = (histories.said(look).stated, histories.happened(at));
                    let came_from = (visits.file(row), visits.row_in_file(row), visits.examiner(row));
                    format!("{} {stated:?} {happened:?} {came_from:?}", look.day)
                })
                .collect();
            // Two of one day come in the order of their rows.
            seen.sort();
            seen
        };
        assert!((0..histories.len()).all(|place| histories.looks(place).is_sorted_by_key(|look| look.day)));
        let followed = follow_under_all(&histories, &protocol.endpoints, protocol.failure_day);
        let followed: Vec<_> = followed.into_iter().map(|one| (one.observations, one.excluded, one.never_seen)).collect();
        ((0..histories.len()).map(of_one).collect::<Vec<_>>(), format!("{followed:?}"))
    };
    let expected = laid_out(&orders[0], Looks::Taken);
    assert_eq!(expected.0.iter().map(Vec::len).sum::<usize>(), rows as usize);
    assert!(expected.0.iter().flatten().any(|seen| seen.contains("} Some(")), "some outcome has a day");
    for order in &orders {
        assert!(laid_out(order, Looks::Taken) == expected && laid_out(order, Looks::Copied) == expected);
    }
}

/// Patients whose rows are no neighbours, visits from the last to the first, and any number of threads: the same recalls and scores.
#[test]
fn recalls_and_scores_are_the_same_in_any_order_and_on_any_number_of_threads() {
    let sample = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data");
    let [placements, visits] = ["placements.csv", "visits.csv"].map(|name| {
        let text = std::fs::read_to_string(sample.join(name)).expect("the sample");
        let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
        let header = lines.remove(0);
        (header, lines)
    });
    let scattered = |lines: &[String]| -> Vec<String> {
        let mut order: Vec<usize> = (0..lines.len()).collect();
        order.sort_by_key(|place| (place % 7, place % 3));
        order.into_iter().map(|place| lines[place].clone()).collect()
    };
    let file = |(header, lines): &(String, Vec<String>)| format!("{header}\n{}\n", lines.join("\n")).into_bytes();
    let mixed = (placements.0.clone(), scattered(&placements.1));
    let backwards = (visits.0.clone(), visits.1.iter().rev().cloned().collect());
    assert_ne!(mixed.1, placements.1);
    for protocol in ["", "smallest_cell = 3"] {
        let reviews: Vec<serde_json::Value> =
            [(&placements, &visits, "1"), (&mixed, &backwards, "1"), (&mixed, &backwards, "3")]
                .map(|(placements, visits, threads)| {
                    let records =
                        crate::run::Records::new(&[("placements.csv", &file(placements)), ("visits.csv", &file(visits))]);
                    let built_in = String::from_utf8(records.run(&["protocol"]).stdout).expect("text");
                    let text = if protocol.is_empty() { built_in } else { built_in.replace("smallest_cell = 0", protocol) };
                    std::fs::write(records.path().join("p.toml"), text).expect("written");
                    let output = assert_cmd::Command::new(env!("CARGO_BIN_EXE_manebit"))
                        .args(["review", "records", "--out", "out", "--protocol", "p.toml"])
                        .current_dir(records.path())
                        .env("MANEBIT_THREADS", threads)
                        .output()
                        .expect("it runs");
                    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
                    let text = std::fs::read_to_string(records.path().join("out/results.json")).expect("results");
                    serde_json::from_str(&text).expect("results read")
                })
                .into();
        for part in ["recalls", "criteria", "totals"] {
            assert!(reviews[0][part].to_string().len() > 50, "{part}");
            assert_eq!(reviews[0][part], reviews[1][part], "{part}, {protocol}");
        }
        assert_eq!(reviews[1], reviews[2], "whatever the threads, {protocol}");
    }
}

/// Rows are set aside from records that are then laid out twice: as of their last day, and as of the one asked for.
#[test]
fn rows_are_set_aside_from_an_earlier_day_too() {
    let placements =
        "R1,P1,14,facial,2020-01-10,op,self_etch,universal\nR2,P2,24,facial,2020-01-10,op,etch_and_rinse,universal\n";
    let visits = "R1,2021-01-10,ex,usphs_3,A,A,,,\nR2,2021-01-11,ex,usphs_3,A,A,,,\nR1,2022-01-10,ex,usphs_3,C,,,,\n";
    let bad = "R1,2021-06-31,ex,usphs_3,A,A,,,\n";
    let good_review = records(placements, visits).review(&["--as-of", "2021-06-30"]);
    let with_bad = records(placements, &format!("{visits}{bad}"));
    let review = with_bad.review(&["--as-of", "2021-06-30", "--set-aside", "aside.csv"]);
    assert_eq!(review.endpoints[0].all.behind, good_review.endpoints[0].all.behind);
    assert_eq!((review.totals.visits, review.totals.failures), (2, 0));
    assert!(std::fs::read_to_string(with_bad.path().join("aside.csv")).expect("set aside").contains("2021-06-31"));
}
