//! Invented records keep every rule that real records are held to, whatever the seed.

use std::collections::{BTreeMap, BTreeSet};

use manebit::record::{AdhesiveClass, Criterion, EtchStrategy, Extent, Outcome, Placement, Source, Visit};
use manebit::simulate::{PatientRecords, SimulatedPractice};

/// Everything that contradicts itself in one patient's records, in words.
fn contradictions(practice: &SimulatedPractice, records: &PatientRecords) -> Vec<String> {
    let mut found = Vec::new();
    let mut of: BTreeMap<&str, Vec<&Visit>> = BTreeMap::new();
    for visit in &records.visits {
        of.entry(&visit.restoration_id).or_default().push(visit);
    }
    let ids: BTreeSet<&str> = records.placements.iter().map(|placement| placement.restoration_id.as_str()).collect();
    if ids.len() != records.placements.len() {
        found.push("an id occurs twice".to_owned());
    }
    found.extend(of.keys().filter(|id| !ids.contains(*id)).map(|id| format!("a visit of {id}, which was never placed")));
    let mut closings: BTreeMap<&str, manebit::quantity::Day> = BTreeMap::new();
    let mut gone = None;
    for (placement, course) in records.placements.iter().zip(&records.courses) {
        let id = placement.restoration_id.as_str();
        if let (Some(entered), Some(loss)) = (placement.entered_on, course.loss)
            && placement.placed_on + loss <= entered
        {
            found.push(format!("{id}: lost before it came under observation"));
        }
        let mut tell = |what: &str| found.push(format!("{id}: {what}"));
        check_placement(practice, placement, &mut tell);
        let mut closed = None;
        let mut last = None;
        for visit in of.get(id).map_or(&[][..], Vec::as_slice) {
            if closed.is_some() {
                tell("a visit after the closing one");
            }
            if last.is_some_and(|last| last >= visit.visited_on) {
                tell("visits out of order, or two on one day");
            }
            if visit.visited_on < placement.entered_on.unwrap_or(placement.placed_on) || visit.visited_on > practice.last_day
            {
                tell("a visit before the restoration was under observation, or after the last day");
            }
            if let Some(happened) = visit.outcome_on
                && (happened > visit.visited_on
                    || happened < placement.placed_on
                    || last.is_some_and(|last| last >= happened))
            {
                tell("an outcome before the placement, after its visit, or before a visit that saw it in place");
            }
            check_visit(visit, &mut tell);
            last = Some(visit.visited_on);
            let ends = matches!(
                visit.outcome,
                Some(
                    Outcome::Lost
                        | Outcome::Replaced
                        | Outcome::Extracted
                        | Outcome::Crowned
                        | Outcome::PatientDied
                        | Outcome::LeftPractice
                )
            );
            if ends {
                closed = Some(visit.visited_on);
                closings.insert(id, visit.visited_on);
            }
            if matches!(visit.outcome, Some(Outcome::PatientDied | Outcome::LeftPractice)) {
                gone = Some(visit.visited_on);
            }
        }
        if let Some(old) = placement.replaces_restoration.as_deref().filter(|old| !["yes", "no"].contains(old)) {
            match records.placements.iter().find(|other| other.restoration_id == old) {
                None => tell("replaces a restoration that was never placed"),
                Some(other) => {
                    if (other.tooth, other.surface) != (placement.tooth, placement.surface) {
                        tell("replaces a restoration of another tooth or surface");
                    }
                    if closings.get(old).is_none_or(|closed| *closed > placement.placed_on) {
                        tell("replaces a restoration that was not closed by then");
                    }
                }
            }
        }
    }
    for (place, one) in records.placements.iter().enumerate() {
        for other in &records.placements[place + 1..] {
            let (earlier, later) = if one.placed_on <= other.placed_on { (one, other) } else { (other, one) };
            if (one.tooth, one.surface) == (other.tooth, other.surface)
                && closings.get(earlier.restoration_id.as_str()).is_none_or(|closed| *closed > later.placed_on)
            {
                found.push(format!("{} and {} overlap", earlier.restoration_id, later.restoration_id));
            }
        }
    }
    if let Some(gone) = gone {
        let after = records.visits.iter().any(|visit| visit.visited_on > gone)
            || records.placements.iter().any(|placement| placement.placed_on >= gone);
        if after {
            found.push(format!("something happens after the patient was gone on {gone}"));
        }
    }
    found
}

fn check_placement(practice: &SimulatedPractice, placement: &Placement, tell: &mut impl FnMut(&str)) {
    if placement.placed_on > practice.last_day {
        tell("placed after the last day");
    }
    match placement.entered_on {
        None if placement.placed_on < practice.first_day => tell("placed before the first day, with no day of entry"),
        Some(entered) if entered < practice.first_day || entered < placement.placed_on => tell("entered too early"),
        Some(_) if placement.placed_on >= practice.first_day => tell("an entry for a restoration followed from its day"),
        _ => {}
    }
    use AdhesiveClass::{OneStepSelfEtch, ThreeStepEtchAndRinse, TwoStepEtchAndRinse, TwoStepSelfEtch, Universal};
    let fits = match (placement.adhesive_class, placement.etch_strategy) {
        (Some(ThreeStepEtchAndRinse | TwoStepEtchAndRinse), Some(etch)) => etch == EtchStrategy::EtchAndRinse,
        (Some(TwoStepSelfEtch | OneStepSelfEtch), Some(etch)) => etch != EtchStrategy::EtchAndRinse,
        (Some(Universal) | None, _) | (_, None) => true,
        _ => false,
    };
    if !fits {
        tell("an adhesive that contradicts the etch strategy");
    }
    if placement.etch_strategy == Some(EtchStrategy::SelfEtch)
        && (placement.acid_percent.is_some() || placement.etch_enamel_s.is_some())
    {
        tell("acid with self-etch");
    }
    if placement.adhesive_class == Some(Universal) && placement.placed_on.year() < 2016 {
        tell("a universal adhesive before 2016");
    }
    let within = |value: Option<f64>, least: f64, most: f64| value.is_none_or(|value| (least..=most).contains(&value));
    if !within(placement.lesion_height_mm, 0.5, 8.0)
        || !within(placement.lesion_width_mm, 0.5, 12.0)
        || !within(placement.lesion_depth_mm, 0.2, 5.0)
    {
        tell("a lesion outside the possible range");
    }
}

fn check_visit(visit: &Visit, tell: &mut impl FnMut(&str)) {
    let scored = || Criterion::ALL.into_iter().filter_map(|criterion| Some((criterion, visit.score(criterion)?)));
    if scored().next().is_none() && visit.outcome.is_none() {
        tell("a visit that says nothing");
    }
    for (criterion, score) in scored() {
        if visit.scheme.is_none_or(|scheme| scheme.standing(criterion, score).is_none()) {
            tell("a score that its scheme hasn't");
        }
    }
    let extent = visit.scheme.zip(visit.retention).and_then(|(scheme, score)| scheme.extent(score));
    let lost = visit.outcome == Some(Outcome::Lost);
    if lost && scored().any(|(criterion, _)| !criterion.survives_loss()) {
        tell("a lost filling with scores");
    }
    if lost && visit.source != Some(Source::Reported) && extent != Some(Extent::Lost) {
        tell("an examined loss without its retention score");
    }
    if extent == Some(Extent::Lost) && !lost {
        tell("a lost filling with another outcome");
    }
    if visit.source == Some(Source::Reported) && scored().next().is_some() {
        tell("scores though only reported");
    }
    if visit.scheme == Some(manebit::record::Scheme::Fdi2023) && visit.visited_on.year() < 2022 {
        tell("a scheme before it was published (2022 online, 2023 in print)");
    }
}

#[test]
fn records_of_many_seeds_contradict_nothing() {
    let mut kinds: BTreeMap<String, (usize, String)> = BTreeMap::new();
    let (mut placements, mut visits) = (0, 0);
    for seed in 0..20 {
        let practice = SimulatedPractice { seed, restorations: 2_000, ..SimulatedPractice::default() };
        for records in practice.patients() {
            placements += records.placements.len();
            visits += records.visits.len();
            for told in contradictions(&practice, &records) {
                let kind = told.split_once(": ").map_or(told.clone(), |(_, kind)| kind.to_owned());
                let kind = if kind.contains("overlap") { "overlap".to_owned() } else { kind };
                let kind = if kind.contains("gone on") { "after gone".to_owned() } else { kind };
                kinds.entry(kind).or_insert((0, format!("seed {seed}: {told}"))).0 += 1;
            }
        }
    }
    assert!(placements > 40_000 && visits > 100_000, "{placements} placements, {visits} visits");
    assert!(kinds.is_empty(), "{kinds:#?}");
}
