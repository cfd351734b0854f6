//! Where an endpoint's restorations sit, how they fared year by year, and the course of each in a small cohort.

use std::collections::BTreeSet;

use super::group::annual_failure;
use crate::cohort::{EndpointFollowUp, FactorLevels, Histories};
use crate::protocol::Protocol;
use crate::quantity::{Behind, DAYS_PER_YEAR, Day, Days, Years};
use crate::result::{Course, CourseEnd, FailedRestoration, ToothCount, YearReview};
use crate::stats::{Ending, person_time_over_years};
use crate::table::{PlacementTable, TableError};

/// Courses are told one by one up to so many restorations; more would be no picture.
const MOST_COURSES: usize = 80;
/// So many failures are listed at most.
const MOST_LISTED: usize = 1000;

/// Restorations and failures tooth by tooth, in the order of the teeth; and how many restorations are on teeth with fewer patients than
/// the protocol shows.
///
/// # Errors
/// When the table lacks a column, which would be a fault of the program.
pub fn teeth(
    placements: &PlacementTable,
    histories: &Histories,
    follow_up: &EndpointFollowUp,
    protocol: &Protocol,
) -> Result<(Vec<ToothCount>, u64), TableError> {
    let of_row = placements.0.codes_in_place("tooth")?;
    let (endings, patients) = (follow_up.observations.ending(), follow_up.observations.cluster());
    let mut counts: Vec<(u64, u64, BTreeSet<u32>)> = vec![(0, 0, BTreeSet::new()); usize::from(u8::MAX) + 1];
    for (place, &restoration) in follow_up.restoration.iter().enumerate() {
        let tooth = of_row.get(histories.placement_row[restoration as usize] as usize);
        let (placed, failed, of) = &mut counts[usize::from(tooth)];
        *placed += 1;
        *failed += u64::from(endings[place] == Ending::Failed);
        // Enough are known to be shown once there are as many as the protocol asks for.
        if of.len() < protocol.smallest_cell as usize {
            of.insert(patients[place]);
        }
    }
    let shown = |patients: &BTreeSet<u32>| patients.len() >= protocol.smallest_cell as usize;
    let met = || (0..=u8::MAX).zip(&counts).filter(|(_, (placed, _, _))| *placed > 0);
    let hidden = met().filter(|(_, (_, _, patients))| !shown(patients)).map(|(_, (placed, _, _))| placed).sum();
    let teeth = met()
        .filter(|(_, (_, _, patients))| shown(patients))
        .map(|(tooth, &(placed, failed, _))| ToothCount { tooth, placed, failed })
        .collect();
    Ok((teeth, hidden))
}

/// Failures and time at risk in each calendar year from the first under observation to the last, years without any included.
///
/// A restoration under observation from day a to day b is at risk on the days after a up to b; each counts for the year that it lies in.
/// How many are at risk is counted on the grid of days: one more from the day after a on, one less from the day after b.
pub fn years(histories: &Histories, follow_up: &EndpointFollowUp, protocol: &Protocol) -> Vec<YearReview> {
    let observations = &follow_up.observations;
    let (entry, exit, ending) = (observations.entry(), observations.exit(), observations.ending());
    let placed = |restoration: &u32| histories.placed[*restoration as usize];
    let starts = || follow_up.restoration.iter().map(placed).zip(entry.iter().zip(exit));
    let span = starts().fold(None, |span: Option<(i32, i32)>, (placed, (entry, exit))| {
        let (from, to) = (placed + entry, placed + exit);
        Some(span.map_or((from, to), |(first, last)| (first.min(from), last.max(to))))
    });
    let Some((first_day, last_day)) = span else { return Vec::new() };
    let mut changes = vec![0_i64; (last_day - first_day) as usize + 2];
    let mut failures = vec![0_u64; changes.len()];
    for ((placed, (entry, exit)), ending) in starts().zip(ending) {
        let (from, to) = ((placed + entry - first_day) as usize, (placed + exit - first_day) as usize);
        changes[from + 1] += 1;
        changes[to + 1] -= 1;
        failures[to] += u64::from(*ending == Ending::Failed);
    }
    let mut at_risk = 0;
    let by_day = (first_day..=last_day).zip(changes).zip(failures).map(|((day, change), failures)| {
        at_risk += change;
        (Day::from_epoch(day).year(), at_risk.cast_unsigned(), failures)
    });
    let by_day: Vec<(i32, u64, u64)> = by_day.collect();
    by_day
        .chunk_by(|one, other| one.0 == other.0)
        .map(|days| {
            let exposure_years = Years::new(days.iter().map(|day| day.1).sum::<u64>() as f64 / DAYS_PER_YEAR);
            let failures = days.iter().map(|day| day.2).sum();
            let behind = Behind { failures, ..Behind::default() };
            let rate = person_time_over_years(behind, exposure_years, protocol.confidence_level).map(annual_failure);
            YearReview { year: days[0].0, failures, exposure_years, rate }
        })
        .collect()
}

/// The failures, the latest first; none where the protocol hides what only few patients stand behind.
///
/// # Errors
/// When the table lacks a column, which would be a fault of the program.
pub fn failed(
    placements: &PlacementTable,
    histories: &Histories,
    follow_up: &EndpointFollowUp,
    factors: &[FactorLevels],
    protocol: &Protocol,
) -> Result<Vec<FailedRestoration>, TableError> {
    if protocol.smallest_cell > 1 {
        return Ok(Vec::new());
    }
    let (names, teeth) = (placements.0.text("restoration_id")?, placements.0.codes_in_place("tooth")?);
    let (endings, exits) = (follow_up.observations.ending(), follow_up.observations.exit());
    let placed = |place: usize| histories.placed[follow_up.restoration[place] as usize];
    // The latest first; of one day in the order of the records.
    let key = |place: usize| (std::cmp::Reverse(placed(place) + exits[place]), place);
    let (mut places, mut last): (Vec<usize>, _) = (Vec::new(), None);
    for place in (0..endings.len()).filter(|place| endings[*place] == Ending::Failed) {
        if last.is_some_and(|last| key(place) > last) {
            continue;
        }
        places.push(place);
        if places.len() >= 2 * MOST_LISTED {
            // Those that come behind the last of these are not listed, nor are any behind it that follow.
            places.select_nth_unstable_by_key(MOST_LISTED - 1, |place| key(*place));
            places.truncate(MOST_LISTED);
            last = places.last().map(|place| key(*place));
        }
    }
    places.sort_unstable_by_key(|place| key(*place));
    places.truncate(MOST_LISTED);
    Ok(places
        .into_iter()
        .map(|place| {
            let restoration = follow_up.restoration[place] as usize;
            let row = histories.placement_row[restoration] as usize;
            let level = |factor: &FactorLevels| {
                let level = factor.levels.get(usize::from(factor.codes[restoration]));
                level.map_or_else(String::new, |(_, label)| label.clone())
            };
            FailedRestoration {
                restoration: names.get(row).unwrap_or_default().to_owned(),
                tooth: teeth.get(row),
                placed_on: Day::from_epoch(placed(place)),
                last_good_on: Day::from_epoch(placed(place) + follow_up.last_known_good(place)),
                failed_on: Day::from_epoch(placed(place) + exits[place]),
                after: Days::new(exits[place]),
                levels: factors.iter().map(level).collect(),
            }
        })
        .collect())
}

/// The course of each restoration in a small cohort, in order of placement; none where there are many, or where the protocol hides
/// what only few patients stand behind.
pub fn courses(histories: &Histories, follow_up: &EndpointFollowUp, protocol: &Protocol) -> Vec<Course> {
    if follow_up.restoration.len() > MOST_COURSES || protocol.smallest_cell > 1 {
        return Vec::new();
    }
    let mut order: Vec<usize> = (0..follow_up.restoration.len()).collect();
    order.sort_by_key(|&place| histories.placed[follow_up.restoration[place] as usize]);
    let observations = &follow_up.observations;
    order
        .into_iter()
        .map(|place| {
            let restoration = follow_up.restoration[place] as usize;
            let exit = observations.exit()[place];
            let mut seen: Vec<Days> = histories
                .looks(restoration)
                .iter()
                .filter(|look| histories.said(look).examined)
                .map(|look| Days::new(look.day - histories.placed[restoration]))
                .filter(|day| day.count() <= exit)
                .collect();
            seen.dedup();
            Course {
                length: Days::new(exit),
                seen,
                end: match observations.ending()[place] {
                    Ending::Failed => CourseEnd::Failed,
                    Ending::Competing => CourseEnd::Competing,
                    Ending::Censored => CourseEnd::InPlace,
                },
            }
        })
        .collect()
}
