//! Charts of where a review's restorations sit, how they fared year by year, and the course of each in a small cohort.

use crate::figure::Drawing;
use crate::figure::mouth_chart::{MouthChart, ToothCount, mouth_chart_on};
use crate::figure::stage::Stage;
use crate::figure::timeline_chart::{LineEnd, TimelineChart, TimelineLine, TimelineOrder, timeline_chart_on};
use crate::figure::yearly_chart::{RateWithin, YearRate, YearlyChart, yearly_chart_on};
use crate::quantity::{Known, Variance};
use crate::result::{AnnualFailure, CourseEnd, EndpointReview, Review};
use crate::wording::counted;

use super::sentence::interval_word;

fn file_name(what: &str, endpoint: &EndpointReview) -> String {
    format!("{what}-{}", endpoint.name.replace('_', "-"))
}

/// Where restorations sit, and which failed, on a stage.
pub fn mouth_on(endpoint: &EndpointReview, stage: &Stage) -> Drawing {
    let teeth: Vec<ToothCount> =
        endpoint.teeth.iter().map(|one| ToothCount { tooth: one.tooth, placed: one.placed, failed: one.failed }).collect();
    let hidden = match endpoint.teeth_hidden {
        0 => String::new(),
        hidden => format!(" Not drawn: {} of teeth with few patients.", counted(hidden, "restoration", "restorations")),
    };
    mouth_chart_on(
        &MouthChart {
            name: &file_name("mouth", endpoint),
            title: &format!("{}: where restorations sit, and which failed", endpoint.title),
            definition: &endpoint.definition,
            teeth: &teeth,
            footnote: &format!(
                "Over the whole follow-up, which differs between teeth: this shows where failures are, not where they are likely.{hidden}"
            ),
        },
        stage,
    )
}

fn rate(rate: &Known<AnnualFailure>) -> Option<RateWithin> {
    let found = rate.known()?.rate;
    let limits = found.interval.known().map(|limits| (limits.lower.per_hundred_years(), limits.upper.per_hundred_years()));
    Some(RateWithin { rate: found.value.per_hundred_years(), limits })
}

/// Failures year by year on a stage.
pub fn yearly_on(review: &Review, endpoint: &EndpointReview, stage: &Stage) -> Drawing {
    let years: Vec<YearRate> = endpoint
        .years
        .iter()
        .map(|year| YearRate {
            year: year.year,
            failures: year.failures,
            filling_years: year.exposure_years.count(),
            rate: rate(&year.rate),
        })
        .collect();
    yearly_chart_on(
        &YearlyChart {
            name: &file_name("yearly", endpoint),
            title: &format!("{} year by year", endpoint.title),
            definition: &endpoint.definition,
            years: &years,
            overall: rate(&endpoint.all.person_time),
            benchmark: None,
            footnote: &format!(
                "{}s of each year exact (Poisson), as if every filling were independent{}. A failure counts in the year in which it was found. Years differ in how old their fillings are.",
                interval_word(review.confidence_level),
                match review.variance {
                    Variance::ClusterRobust => "; that of all years lets fillings of one mouth share their fate",
                    Variance::ModelBased => "",
                }
            ),
        },
        stage,
    )
}

/// The course of each restoration on a stage; none where there are too many for a picture.
pub fn timeline_on(endpoint: &EndpointReview, stage: &Stage) -> Option<Drawing> {
    if endpoint.courses.is_empty() {
        return None;
    }
    let lines: Vec<TimelineLine> = endpoint
        .courses
        .iter()
        .map(|course| TimelineLine {
            level: 0,
            length: course.length,
            seen: course.seen.clone(),
            end: match course.end {
                CourseEnd::Failed => LineEnd::Failed,
                CourseEnd::Competing => LineEnd::Competing,
                CourseEnd::InPlace => LineEnd::InPlace,
            },
        })
        .collect();
    Some(timeline_chart_on(
        &TimelineChart {
            name: &file_name("timeline", endpoint),
            title: &format!("{}: the course of each restoration", endpoint.title),
            definition: &endpoint.definition,
            levels: &[],
            lines: &lines,
            order: TimelineOrder::Length,
            footnote: "Failures stand at the visit that found them.",
        },
        stage,
    ))
}
