//! An invented practice: patients with their placements and visits.
//!
//! Everything of a patient is drawn from streams of that patient alone, so patient 17 is the same in a practice of 50 and of
//! five million. Patients are made one after the other and never held together.

use super::random::Stream;
use super::truth::Truth;
use crate::protocol::{Protocol, RecallWindow};
use crate::quantity::{Day, Days};
use crate::record::{
    AdhesiveClass, Aetiology, CervicalMargin, Cleanser, CompositeClass, Criterion, Drying, EtchStrategy, Isolation, Outcome,
    Placement, Preparation, Reason, Scheme, Score, Source, Surface, Tooth, Visit,
};

/// How restorations are observed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Observation {
    /// At recalls, with gaps; losses bring some patients in early.
    Recalls,
    /// Every loss is seen on its day, and every restoration on the last day: for judging estimators.
    Continuous,
}

/// What besides loss ends the follow-up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Endings {
    /// Deaths, moves, drop-out, extractions, crowns, replacements.
    Realistic,
    /// Nothing but the last day.
    LossOnly,
}

/// How an invented practice is to be made.
#[derive(Clone, Debug, PartialEq)]
pub struct SimulatedPractice {
    /// Seed of everything.
    pub seed: u64,
    /// At least so many placements; the last patient may bring more.
    pub restorations: u64,
    /// First day of the registry.
    pub first_day: Day,
    /// Last day of the records.
    pub last_day: Day,
    /// The truth about loss.
    pub truth: Truth,
    /// How restorations are observed.
    pub observation: Observation,
    /// What besides loss ends the follow-up.
    pub endings: Endings,
    /// One in so many patients brings a restoration from before the first day; 0 for none.
    pub legacy_one_in: u64,
}

impl Default for SimulatedPractice {
    fn default() -> Self {
        Self {
            seed: 20_140_106,
            restorations: 600,
            first_day: Day::from_epoch(16_076),
            last_day: Day::from_epoch(20_441),
            truth: Truth::default(),
            observation: Observation::Recalls,
            endings: Endings::Realistic,
            legacy_one_in: 28,
        }
    }
}

/// One patient's records.
#[derive(Clone, Debug, PartialEq)]
pub struct PatientRecords {
    /// Placements, in order.
    pub placements: Vec<Placement>,
    /// Visits, by restoration, in order.
    pub visits: Vec<Visit>,
    /// What really happened, in the order of the placements.
    pub courses: Vec<Course>,
}

/// What really happened to one restoration.
///
/// The marginal truth speaks of restorations that are there whatever their mouth's frailty. One that replaces another is not
/// among them: it exists because another was lost, so its mouth is frailer than most and it is lost sooner than that truth says.
/// One that entered late follows it from its day of entry on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Course {
    /// Hazard ratio of its technique.
    pub ratio: f64,
    /// Day of loss since placement, were nothing else to end it; none within a century.
    pub loss: Option<Days>,
}

impl SimulatedPractice {
    /// All patients, one after the other, until there are enough restorations; none if the last day doesn't follow the first.
    pub fn patients(&self) -> impl Iterator<Item = PatientRecords> + '_ {
        let recalls = Protocol::built_in().recalls;
        let mut placed = 0;
        (0_u64..)
            .map_while(move |place| {
                if placed >= self.restorations || self.last_day <= self.first_day {
                    return None;
                }
                let records = Patient::new(self, place, &recalls).records();
                placed += records.placements.len() as u64;
                Some(records)
            })
            .filter(|records| !records.placements.is_empty())
    }
}

/// How the patient's own follow-up ends.
#[derive(Clone, Copy)]
struct Leaving {
    day: i32,
    outcome: Outcome,
    /// Whether the practice hears of it.
    told: bool,
}

struct Patient<'a> {
    practice: &'a SimulatedPractice,
    recalls: &'a [RecallWindow],
    place: u64,
    pseudonym: String,
    frailty: f64,
    attendance: f64,
    leaving: Leaving,
    stream: Stream,
    records: PatientRecords,
    next_id: u32,
}

/// What ends a restoration besides loss.
#[derive(Clone, Copy)]
struct OtherEnd {
    day: i32,
    outcome: Outcome,
    reason: Option<Reason>,
}

/// Teeth with cervical lesions, premolars commonest (Aw et al. 2002: premolars 46 %, upper jaw 65 %, hind teeth 70 %; from memory).
const TEETH: &[(u8, f64)] = &[
    (14, 9.0),
    (15, 6.0),
    (24, 9.0),
    (25, 6.0),
    (34, 5.0),
    (35, 4.0),
    (44, 5.0),
    (45, 4.0),
    (13, 6.0),
    (23, 6.0),
    (33, 3.0),
    (43, 3.0),
    (16, 6.0),
    (26, 6.0),
    (36, 3.0),
    (46, 3.0),
    (11, 2.0),
    (21, 2.0),
    (12, 2.0),
    (22, 2.0),
    (32, 1.0),
    (42, 1.0),
];
const OPERATORS: [&str; 3] = ["op-a", "op-b", "op-c"];
const EXAMINERS: [&str; 2] = ["ex-1", "ex-2"];
const SHADES: &[(&str, f64)] = &[("s1", 1.0), ("s2", 3.0), ("s3", 4.0), ("s3+s5", 1.0), ("s4", 1.0)];

impl<'a> Patient<'a> {
    fn new(practice: &'a SimulatedPractice, place: u64, recalls: &'a [RecallWindow]) -> Self {
        let mut stream = Stream::new(practice.seed, 1, place);
        let frailty = stream.gamma_with_mean_one(practice.truth.frailty_variance);
        let attendance = (0.86 + 0.10 * stream.normal()).clamp(0.35, 0.99);
        let pseudonym = pseudonym(practice.seed, place);
        let last = practice.last_day.since_epoch();
        let leaving = match practice.endings {
            Endings::LossOnly => Leaving { day: last + 1, outcome: Outcome::LeftPractice, told: false },
            Endings::Realistic => {
                let first = practice.first_day.since_epoch();
                let died = first + years_of(stream.exponential() * 70.0);
                let left = first + years_of(stream.exponential() * 28.0);
                let (day, outcome) = if died < left { (died, Outcome::PatientDied) } else { (left, Outcome::LeftPractice) };
                Leaving { day, outcome, told: stream.happens(0.5) }
            }
        };
        let records = PatientRecords { placements: Vec::new(), visits: Vec::new(), courses: Vec::new() };
        Self { practice, recalls, place, pseudonym, frailty, attendance, leaving, stream, records, next_id: 0 }
    }

    fn records(mut self) -> PatientRecords {
        let first = self.practice.first_day.since_epoch();
        let last = self.practice.last_day.since_epoch();
        let session = match self.practice.observation {
            Observation::Continuous => first + self.stream.between(0, (last - first) / 3),
            Observation::Recalls => first + self.stream.between(0, last - first - 90),
        };
        if session >= self.leaving.day {
            // Came after having left: somebody else, who stays.
            self.leaving.day = last + 1;
        }
        let how_many = self.stream.choose(&[(1, 59.0), (2, 25.0), (3, 9.5), (4, 4.0), (5, 1.7), (6, 0.8)]).unwrap_or(1);
        let legacy =
            self.practice.legacy_one_in > 0 && self.place % self.practice.legacy_one_in == 7 % self.practice.legacy_one_in;
        let mut taken: Vec<u8> = Vec::new();
        for one in 0..how_many {
            let Some(tooth) = self.stream.choose(TEETH) else { break };
            if taken.contains(&tooth) {
                continue;
            }
            taken.push(tooth);
            if legacy && one == 0 {
                self.legacy(tooth);
            } else {
                // Most of a mouth is filled in one session, some weeks later.
                let later = if self.stream.happens(0.7) { 0 } else { self.stream.between(14, 400) };
                if session + later < last.min(self.leaving.day) {
                    self.place_and_follow(tooth, None, session + later, None, None);
                }
            }
        }
        self.records
    }

    /// A restoration from before the first day that is still there when it is first seen; one that was lost before that is
    /// never recorded.
    fn legacy(&mut self, tooth: u8) {
        let first = self.practice.first_day.since_epoch();
        let placed = first - self.stream.between(200, 2100);
        let entered = first + self.stream.between(5, 300);
        if entered < self.leaving.day.min(self.practice.last_day.since_epoch()) {
            self.place_and_follow(tooth, None, placed, Some(entered), None);
        }
    }

    /// Places a restoration and follows it to its end; `surface` is that of the one it replaces.
    fn place_and_follow(
        &mut self,
        tooth: u8,
        surface: Option<Surface>,
        placed: i32,
        entered: Option<i32>,
        replaces: Option<String>,
    ) {
        self.next_id += 1;
        let id = format!("R{:05}-{}", self.place + 1, self.next_id);
        let (mut placement, ratio) = self.placement(&id, tooth, placed, entered, replaces);
        placement.surface = surface.or(placement.surface);
        let surface = placement.surface;
        let exponential = self.stream.exponential();
        let loss = self.practice.truth.day_of_loss(self.frailty, ratio, exponential);
        let lost_on = loss.map(|loss| placed + loss.count());
        if let (Some(lost_on), Some(entered)) = (lost_on, entered)
            && lost_on <= entered
        {
            return;
        }
        let (operator, etch) = (placement.operator.clone().unwrap_or_default(), placement.etch_strategy);
        self.records.placements.push(placement);
        self.records.courses.push(Course { ratio, loss });
        let closed = match self.practice.observation {
            Observation::Continuous => {
                self.continuous(&id, placed, lost_on);
                None
            }
            Observation::Recalls => self.recalls(&id, placed, entered, lost_on, &operator, etch),
        };
        if let Some(closed) = closed
            && closed < self.practice.last_day.since_epoch() - 60
            && closed < self.leaving.day
            && self.next_id < 9
            && self.stream.happens(0.85)
        {
            self.place_and_follow(tooth, surface, closed, None, Some(id));
        }
    }

    fn placement(
        &mut self,
        id: &str,
        tooth: u8,
        placed: i32,
        entered: Option<i32>,
        replaces: Option<String>,
    ) -> (Placement, f64) {
        let stream = &mut self.stream;
        let operator = stream.choose(&[(0_usize, 50.0), (1, 30.0), (2, 20.0)]).unwrap_or(0);
        // Universal adhesives come in over the years; each operator leans to one etch strategy.
        let since = f64::from(placed - self.practice.first_day.since_epoch()) / 365.25;
        let universal = ((since - 2.0) * 0.12).clamp(0.0, 0.75);
        let class = if stream.happens(universal) {
            AdhesiveClass::Universal
        } else {
            stream
                .choose(&[
                    (AdhesiveClass::ThreeStepEtchAndRinse, 25.0),
                    (AdhesiveClass::TwoStepEtchAndRinse, 25.0),
                    (AdhesiveClass::TwoStepSelfEtch, 32.0),
                    (AdhesiveClass::OneStepSelfEtch, 18.0),
                ])
                .unwrap_or(AdhesiveClass::TwoStepSelfEtch)
        };
        let leaning = [[0.25, 0.55, 0.20], [0.45, 0.25, 0.30], [0.20, 0.30, 0.50]][operator];
        let strategies = [EtchStrategy::EtchAndRinse, EtchStrategy::SelectiveEnamelEtch, EtchStrategy::SelfEtch];
        let allowed: Vec<(EtchStrategy, f64)> = strategies
            .into_iter()
            .zip(leaning)
            .filter(|(etch, _)| match class {
                AdhesiveClass::ThreeStepEtchAndRinse | AdhesiveClass::TwoStepEtchAndRinse => {
                    *etch == EtchStrategy::EtchAndRinse
                }
                AdhesiveClass::Universal => true,
                _ => *etch != EtchStrategy::EtchAndRinse,
            })
            .collect();
        let etch = stream.choose(&allowed).unwrap_or(EtchStrategy::SelfEtch);
        let acid = etch != EtchStrategy::SelfEtch;
        let tenth = |value: f64| (value * 10.0).round() / 10.0;
        let recorded = |stream: &mut Stream| !stream.happens(0.04);
        let height = tenth((2.1 + 0.7 * stream.normal()).clamp(0.8, 5.0));
        let depth = tenth((1.5 + 0.45 * stream.normal()).clamp(0.5, 3.0));
        let lot_year = Day::from_epoch(placed).year() % 100;
        let placement = Placement {
            restoration_id: id.to_owned(),
            patient_id: self.pseudonym.clone(),
            tooth: Tooth::from_iso(tooth).unwrap_or_else(unreachable_tooth),
            surface: Some(if stream.happens(0.96) { Surface::Facial } else { Surface::Lingual }),
            placed_on: Day::from_epoch(placed),
            entered_on: entered.map(Day::from_epoch),
            operator: Some(OPERATORS[operator].to_owned()),
            aetiology: stream
                .choose(&[
                    (Some(Aetiology::Mixed), 50.0),
                    (Some(Aetiology::Abrasion), 22.0),
                    (Some(Aetiology::Abfraction), 15.0),
                    (Some(Aetiology::Erosion), 9.0),
                    (None, 4.0),
                ])
                .flatten(),
            lesion_height_mm: recorded(stream).then_some(height),
            lesion_width_mm: recorded(stream).then(|| tenth(height + 1.0)),
            lesion_depth_mm: recorded(stream).then_some(depth),
            sclerosis: recorded(stream).then(|| stream.choose(&[(1, 30.0), (2, 30.0), (3, 26.0), (4, 14.0)]).unwrap_or(1)),
            cervical_margin: Some(if stream.happens(0.85) { CervicalMargin::Dentine } else { CervicalMargin::Enamel }),
            replaces_restoration: Some(replaces.unwrap_or_else(|| "no".to_owned())),
            preop_sensitivity: recorded(stream).then(|| {
                f64::from(stream.choose(&[(0, 45.0), (1, 15.0), (2, 12.0), (4, 14.0), (6, 9.0), (8, 5.0)]).unwrap_or(0))
            }),
            isolation: stream
                .choose(&[
                    (Some(Isolation::RubberDam), 30.0),
                    (Some(Isolation::CottonRollsAndCord), 40.0),
                    (Some(Isolation::CottonRolls), 25.0),
                    (None, 5.0),
                ])
                .flatten(),
            preparation: stream.choose(&[
                (Preparation::None, 45.0),
                (Preparation::Roughened, 30.0),
                (Preparation::Bevelled, 15.0),
                (Preparation::RoughenedAndBevelled, 10.0),
            ]),
            cleanser: stream.choose(&[(Cleanser::Pumice, 60.0), (Cleanser::None, 25.0), (Cleanser::Chlorhexidine, 15.0)]),
            etch_strategy: Some(etch),
            acid_percent: acid.then_some(37.0),
            etch_enamel_s: acid.then(|| if stream.happens(0.7) { 15.0 } else { 30.0 }),
            etch_dentine_s: (etch == EtchStrategy::EtchAndRinse).then_some(15.0),
            adhesive_class: Some(class),
            application_s: recorded(stream).then_some(20.0),
            drying: Some(Drying::AirThinned),
            cure_s: Some(if stream.happens(0.8) { 20.0 } else { 40.0 }),
            composite_class: stream.choose(&[
                (CompositeClass::Hybrid, 50.0),
                (CompositeClass::Nanofilled, 25.0),
                (CompositeClass::HighlyFilledFlowable, 15.0),
                (CompositeClass::Flowable, 10.0),
            ]),
            shades: stream.choose(SHADES).map(str::to_owned),
            adhesive_lot: recorded(stream).then(|| format!("AD{lot_year:02}-{}", stream.between(1, 4))),
            composite_lot: recorded(stream).then(|| format!("CO{lot_year:02}-{}", stream.between(1, 6))),
        };
        (placement, Truth::hazard_ratio(etch, class))
    }

    fn continuous(&mut self, id: &str, placed: i32, lost_on: Option<i32>) {
        let last = self.practice.last_day.since_epoch();
        let mut visit = blank(id, lost_on.unwrap_or(last).min(last));
        visit.scheme = Some(Scheme::UsphsThreeLevel);
        let lost = lost_on.is_some_and(|day| day <= last);
        visit.retention = Score::from_sign(if lost { b'C' } else { b'A' });
        if visit.visited_on.since_epoch() >= placed {
            self.records.visits.push(visit);
        }
    }

    /// Recall after recall until something ends it; gives the day on which the restoration was closed.
    fn recalls(
        &mut self,
        id: &str,
        placed: i32,
        entered: Option<i32>,
        lost_on: Option<i32>,
        operator: &str,
        etch: Option<EtchStrategy>,
    ) -> Option<i32> {
        let last = self.practice.last_day.since_epoch();
        let from = entered.unwrap_or(placed);
        let other = self.other_end(from);
        let mut days = self.visit_days(placed, entered);
        // A loss, or another end, brings some patients in of their own accord.
        let troubled = match (lost_on, other) {
            (Some(lost), Some(other)) => Some(lost.min(other.day)),
            (lost, other) => lost.or(other.map(|other| other.day)),
        };
        if let Some(day) = troubled {
            let comes = other.is_some_and(|other| other.day == day) || self.stream.happens(0.5);
            if comes {
                days.push(day + self.stream.between(0, 40));
            }
        }
        days.sort_unstable();
        days.dedup();
        let (mut repaired, mut baseline) = (false, true);
        let mut last_visit = from - 1;
        for day in days {
            if day > last || day <= last_visit || day >= self.leaving.day {
                continue;
            }
            last_visit = day;
            let lost_by_now = lost_on.filter(|&lost| lost <= day);
            if let Some(end) = other.filter(|end| end.day <= day && lost_by_now.is_none_or(|lost| end.day < lost)) {
                let mut visit = blank(id, day);
                visit.outcome = Some(end.outcome);
                visit.outcome_on = Some(Day::from_epoch(end.day));
                visit.reason = end.reason;
                visit.examiner = Some(self.examiner(operator));
                self.records.visits.push(visit);
                return (end.outcome == Outcome::Replaced).then_some(day);
            }
            if let Some(lost) = lost_by_now {
                let visit = self.loss_visit(id, day, lost, operator);
                self.records.visits.push(visit);
                return Some(day);
            }
            let visit = self.scored_visit(id, day, placed, operator, etch, baseline, &mut repaired);
            baseline = false;
            self.records.visits.push(visit);
        }
        if self.leaving.told && self.leaving.day <= last && self.leaving.day > last_visit && self.leaving.day > from {
            let mut visit = blank(id, self.leaving.day);
            visit.outcome = Some(self.leaving.outcome);
            visit.source = Some(Source::Reported);
            self.records.visits.push(visit);
        }
        None
    }

    fn visit_days(&mut self, placed: i32, entered: Option<i32>) -> Vec<i32> {
        let mut days = Vec::new();
        if let Some(entered) = entered {
            days.push(entered + self.stream.between(0, 2));
        }
        for window in self.recalls {
            let due = placed + window.due().count();
            // Recalls past the schedule's last year thin out; attendance falls with time.
            let falling = 1.0 - 0.012 * f64::from(window.months) / 12.0;
            if !self.stream.happens(self.attendance * falling) {
                continue;
            }
            let day =
                if window.months == 0 { placed + self.stream.between(7, 14) } else { due + self.stream.between(-35, 60) };
            if day > entered.unwrap_or(placed) {
                days.push(day);
            }
        }
        // Between the scheduled recalls people also come for their yearly check.
        for year in 4..=12 {
            if self.stream.happens(self.attendance * 0.45) {
                let day = placed + year * 365 + self.stream.between(-60, 90);
                if day > entered.unwrap_or(placed) {
                    days.push(day);
                }
            }
        }
        days
    }

    fn other_end(&mut self, from: i32) -> Option<OtherEnd> {
        if self.practice.endings == Endings::LossOnly {
            return None;
        }
        let causes = [
            (Outcome::Extracted, None, 220.0),
            (Outcome::Crowned, None, 260.0),
            (Outcome::Replaced, Some(Reason::Failure), 90.0),
            (Outcome::Replaced, Some(Reason::Unrelated), 420.0),
        ];
        let drawn = causes.map(|(outcome, reason, mean_years)| OtherEnd {
            day: from + 30 + years_of(self.stream.exponential() * mean_years),
            outcome,
            reason,
        });
        drawn.into_iter().min_by_key(|end| end.day)
    }

    fn loss_visit(&mut self, id: &str, day: i32, lost: i32, operator: &str) -> Visit {
        let mut visit = blank(id, day);
        let scheme = scheme_of(day, operator);
        if self.stream.happens(0.06) {
            visit.source = Some(Source::Reported);
            visit.outcome = Some(Outcome::Lost);
        } else {
            visit.examiner = Some(self.examiner(operator));
            visit.scheme = Some(scheme);
            visit.retention = Score::from_sign(if scheme.has_letters() { b'C' } else { b'5' });
            visit.outcome = Some(Outcome::Lost);
            visit.sensitivity = self.stream.happens(0.6).then(|| sensitivity(&mut self.stream, scheme, false)).flatten();
        }
        if self.stream.happens(0.4) {
            visit.outcome_on = Some(Day::from_epoch(lost));
        }
        visit
    }

    #[expect(clippy::too_many_arguments, reason = "one visit's circumstances")]
    fn scored_visit(
        &mut self,
        id: &str,
        day: i32,
        placed: i32,
        operator: &str,
        etch: Option<EtchStrategy>,
        baseline: bool,
        repaired: &mut bool,
    ) -> Visit {
        let mut visit = blank(id, day);
        visit.examiner = Some(self.examiner(operator));
        let scheme = scheme_of(day, operator);
        visit.scheme = Some(scheme);
        let years = f64::from(day - placed) / 365.25;
        let staining = if etch == Some(EtchStrategy::SelfEtch) { 0.075 } else { 0.04 };
        let stream = &mut self.stream;
        visit.retention = whole(stream, scheme);
        visit.marginal_staining = worsening(stream, scheme, staining * years);
        visit.marginal_adaptation = worsening(stream, scheme, 0.045 * years);
        visit.colour = worsening(stream, scheme, 0.03 + 0.015 * years);
        visit.sensitivity = sensitivity(stream, scheme, baseline && years < 0.2);
        visit.caries = Criterion::Caries.survives_loss().then(|| worsening(stream, scheme, 0.003 * years)).flatten();
        if stream.happens(0.8) {
            visit.surface_texture = worsening(stream, scheme, 0.02 * years);
            visit.anatomic_form = worsening(stream, scheme, 0.018 * years);
        }
        if self.practice.endings == Endings::Realistic {
            let partial = Score::from_sign(if scheme.has_letters() { b'B' } else { b'4' });
            if stream.happens(0.004 * years) {
                visit.retention = partial;
            }
            visit.outcome = if !*repaired && stream.happens(0.006 * years) {
                *repaired = true;
                Some(Outcome::Repaired)
            } else if stream.happens(0.008 * years) {
                Some(Outcome::Refurbished)
            } else if stream.happens(0.0012 * years) {
                Some(Outcome::RootFilled)
            } else {
                Some(Outcome::InPlace)
            };
            // Some recalls note only that all is well.
            if stream.happens(0.03) {
                let outcome = visit.outcome;
                visit = blank(id, day);
                visit.outcome = outcome;
            }
        }
        visit
    }

    fn examiner(&mut self, operator: &str) -> String {
        if self.stream.happens(0.08) {
            operator.to_owned()
        } else {
            EXAMINERS[self.stream.index(EXAMINERS.len())].to_owned()
        }
    }
}

/// Every number in [`TEETH`] is a tooth; a test holds that. Tooth 11 stands in.
fn unreachable_tooth() -> Tooth {
    const { Tooth::from_iso(11).expect("tooth 11") }
}

fn years_of(years: f64) -> i32 {
    Days::count(crate::quantity::Years::new(years.min(400.0)).days())
}

fn blank(id: &str, day: i32) -> Visit {
    Visit {
        restoration_id: id.to_owned(),
        visited_on: Day::from_epoch(day),
        examiner: None,
        source: None,
        scheme: None,
        retention: None,
        marginal_staining: None,
        marginal_adaptation: None,
        colour: None,
        sensitivity: None,
        caries: None,
        surface_texture: None,
        anatomic_form: None,
        outcome: None,
        outcome_on: None,
        reason: None,
    }
}

/// Letters until the end of 2019, then FDI; one operator's patients are scored by the names of 2023 from that year on.
fn scheme_of(day: i32, operator: &str) -> Scheme {
    match (Day::from_epoch(day).year(), operator) {
        (..2020, _) => Scheme::UsphsThreeLevel,
        (2023.., "op-c") => Scheme::Fdi2023,
        _ => Scheme::Fdi2010,
    }
}

fn whole(stream: &mut Stream, scheme: Scheme) -> Option<Score> {
    let sign =
        if scheme.has_letters() { b'A' } else { stream.choose(&[(b'1', 92.0), (b'2', 6.0), (b'3', 2.0)]).unwrap_or(b'1') };
    Score::from_sign(sign)
}

/// A score that is less than ideal with this probability, and seldom unacceptable.
fn worsening(stream: &mut Stream, scheme: Scheme, probability: f64) -> Option<Score> {
    let probability = probability.min(0.7);
    let letters = scheme.has_letters();
    let sign = if !stream.happens(probability) {
        if letters || stream.happens(0.8) { if letters { b'A' } else { b'1' } } else { b'2' }
    } else if stream.happens(0.93) {
        if letters {
            b'B'
        } else if stream.happens(0.6) {
            b'2'
        } else {
            b'3'
        }
    } else if letters {
        b'C'
    } else {
        b'4'
    };
    Score::from_sign(sign)
}

fn sensitivity(stream: &mut Stream, scheme: Scheme, early: bool) -> Option<Score> {
    let some = stream.happens(if early { 0.14 } else { 0.02 });
    Score::from_sign(match (scheme.has_letters(), some) {
        (true, false) => b'A',
        (true, true) => b'B',
        (false, false) => b'1',
        (false, true) => b'2',
    })
}

/// Seven signs that no two patients of a practice share, among the first 2³⁵ (34 thousand million).
fn pseudonym(seed: u64, place: u64) -> String {
    const SIGNS: &[u8; 32] = b"0123456789abcdefghjkmnpqrstvwxyz";
    let number = scattered(place, seed, 35);
    let sign = |place: u32| char::from(SIGNS[usize::try_from((number >> (5 * place)) & 31).unwrap_or(0)]);
    format!("P-{}", (0..7).map(sign).collect::<String>())
}

/// Maps the numbers of so many bits onto themselves, one to one, because each step does: an odd factor, a sum, a shifted
/// exclusive or.
fn scattered(number: u64, seed: u64, bits: u32) -> u64 {
    let mask = (1 << bits) - 1;
    let steps = [(0x9e37_79b9_7f4a_7c15_u64, 18), (0xbf58_476d_1ce4_e5b9, 17), (0x94d0_49bb_1331_11eb, 19)];
    steps.into_iter().fold(number, |number, (factor, shift)| {
        let number = number.wrapping_mul(factor).wrapping_add(seed) & mask;
        number ^ (number >> shift)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_patient_is_the_same_whatever_the_size_of_the_practice() {
        let small: Vec<_> = SimulatedPractice { restorations: 30, ..SimulatedPractice::default() }.patients().collect();
        let large: Vec<_> =
            SimulatedPractice { restorations: 300, ..SimulatedPractice::default() }.patients().take(small.len()).collect();
        assert_eq!(small, large);
    }

    #[test]
    fn the_default_is_a_practice_of_about_the_size_it_says() {
        let patients: Vec<_> = SimulatedPractice::default().patients().collect();
        let placements: usize = patients.iter().map(|patient| patient.placements.len()).sum();
        assert!((600..=606).contains(&placements), "{placements}");
        assert!((290..=370).contains(&patients.len()), "{}", patients.len());
        let legacy = patients
            .iter()
            .flat_map(|patient| &patient.placements)
            .filter(|placement| placement.entered_on.is_some())
            .count();
        assert!((4..=20).contains(&legacy), "{legacy}");
    }

    /// Mean of (kept on the day − its probability) over restorations, in standard errors that add up each mouth first. A
    /// restoration that entered late has the probability S(day) / S(entry) if it entered before that day.
    fn departure(practice: &SimulatedPractice, day: Days, wanted: impl Fn(&Placement) -> bool) -> f64 {
        let (mut sum, mut squares) = (0.0, 0.0);
        for patient in practice.patients() {
            let mut mouth = 0.0;
            for (placement, course) in patient.placements.iter().zip(&patient.courses).filter(|(placed, _)| wanted(placed)) {
                let entry = placement.entered_on.map_or(Days::new(0), |entered| entered - placement.placed_on);
                if entry < day {
                    let survival = |day| practice.truth.survival(day, course.ratio).value();
                    let kept = course.loss.is_none_or(|loss| loss > day);
                    mouth += f64::from(u8::from(kept)) - survival(day) / survival(entry);
                }
            }
            sum += mouth;
            squares += mouth * mouth;
        }
        sum / squares.sqrt()
    }

    fn is_retreatment(placement: &Placement) -> bool {
        placement.replaces_restoration.as_deref().is_some_and(|replaced| replaced.starts_with('R'))
    }

    /// 60 000 restorations; tolerance four standard errors.
    #[test]
    fn losses_of_first_restorations_follow_the_truth() {
        let practice = SimulatedPractice { restorations: 60_000, seed: 5, ..SimulatedPractice::default() };
        for years in [2, 5, 10] {
            let departure = departure(&practice, Days::new(years * 365), |placement| !is_retreatment(placement));
            assert!(departure.abs() < 4.0, "{years} years: {departure} standard errors");
        }
    }

    #[test]
    fn losses_of_those_that_entered_late_follow_the_truth_from_their_entry() {
        let practice = SimulatedPractice { restorations: 20_000, seed: 6, legacy_one_in: 2, ..SimulatedPractice::default() };
        for years in [5, 8, 10] {
            let departure = departure(&practice, Days::new(years * 365), |placement| placement.entered_on.is_some());
            assert!(departure.abs() < 4.0, "{years} years: {departure} standard errors");
        }
    }

    /// With a shared frailty those that replace another are lost sooner; without one they are like all.
    #[test]
    fn replacements_are_lost_sooner_only_where_mouths_differ() {
        let day = Days::new(5 * 365);
        let usual = SimulatedPractice { restorations: 60_000, seed: 7, ..SimulatedPractice::default() };
        let alike = SimulatedPractice { truth: Truth { frailty_variance: 0.0, ..Truth::default() }, ..usual.clone() };
        assert!(departure(&usual, day, is_retreatment) < -4.0);
        assert!(departure(&alike, day, is_retreatment).abs() < 4.0);
    }

    #[test]
    fn every_patient_can_bring_an_old_restoration_and_none_need() {
        let legacy = |legacy_one_in| {
            let practice = SimulatedPractice { restorations: 400, legacy_one_in, ..SimulatedPractice::default() };
            let patients: Vec<_> = practice.patients().collect();
            let with = |patient: &&PatientRecords| patient.placements.iter().any(|placement| placement.entered_on.is_some());
            (patients.iter().filter(with).count(), patients.len())
        };
        assert_eq!(legacy(0).0, 0);
        for one_in in [1, 5] {
            let (with, of) = legacy(one_in);
            let bringing = of as f64 / one_in as f64;
            assert!((0.5 * bringing..=1.1 * bringing).contains(&(with as f64)), "{with} of {of}, one in {one_in}");
        }
    }

    #[test]
    fn a_practice_without_days_has_no_patients() {
        let usual = SimulatedPractice::default();
        let empty = SimulatedPractice { last_day: usual.first_day, ..usual };
        assert_eq!(empty.patients().count(), 0);
    }

    /// Drawn by chance, 31⁷ pseudonyms would be shared by some two of 300 000 patients more often than not (the birthday
    /// problem: 300 000² / (2 · 31⁷) = 1.6), and two mouths be taken for one. All numbers of 20 bits stand for those of 35.
    #[test]
    fn no_two_patients_share_a_pseudonym() {
        for seed in [0, 7, u64::MAX] {
            let all: std::collections::BTreeSet<u64> = (0..1 << 20).map(|number| scattered(number, seed, 20)).collect();
            assert_eq!((all.len(), all.last()), (1 << 20, Some(&((1 << 20) - 1))));
        }
        let named: std::collections::BTreeSet<String> = (0..10_000).map(|place| pseudonym(1, place)).collect();
        assert_eq!(named.len(), 10_000);
        assert_ne!(pseudonym(1, 0), pseudonym(2, 0));
    }

    #[test]
    fn every_listed_tooth_is_one() {
        assert!(TEETH.iter().all(|(tooth, _)| Tooth::from_iso(*tooth).is_some()));
    }
}
