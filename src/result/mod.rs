//! What an analysis hands over: plain results, with the units in their types. Pages, charts and tables draw from here and
//! compute nothing; `results.json` is this, at full precision.
//!
//! - [`review`]: the whole review
//! - [`group`]: one group of restorations under one endpoint
//! - [`course`]: tooth by tooth, year by year, restoration by restoration
//! - [`recall`]: recalls and criteria scores
//! - [`caution`]: what weakens a result
//! - [`comparison`]: one factor compared under one endpoint
//! - [`guard`]: what weakens a comparison
//! - [`verdict`]: what may be said of a level against the reference

pub mod caution;
pub mod comparison;
pub mod course;
pub mod group;
pub mod guard;
pub mod recall;
pub mod review;
pub mod verdict;

pub use caution::Caution;
pub use comparison::{
    Adjusted, AdjustedPair, BetweenVisits, BetweenVisitsCurve, ComparedEndpoint, ComparedFactor, ComparedLevel, Comparison,
    Computed, CovariateSetAside, CriterionComparison, CriterionContrast, Crude, CrudePair, IncidenceAt, IncidenceByLevel,
    IncidenceCurve, IncidencePoint, LEAST_RESAMPLED_FAILURES, RegressionPair, SharedPatients, Together, TogetherLine,
    WithinPatients,
};
pub use course::{Course, CourseEnd, FailedRestoration, ToothCount, YearReview};
pub use group::{
    AnnualFailure, AnnualFormula, BETWEEN_VISITS_ROWS, Counts, CurvePoint, FactorOrigin, FactorReview, GroupReview,
    HorizonReview, QuantileReview, ReadingsPart, RestrictedMeanReview, TestReview,
};
pub use guard::{Guard, Weakens};
pub use recall::{CriterionReview, LevelShare, RecallCut, RecallReview, ScoreCount};
pub use review::{Benchmark, EndpointFlow, EndpointReview, Exclusion, Flow, NoticeCount, Review, Totals};
pub use verdict::{
    Agreement, Needed, PublishedAgreement, PublishedDirection, PublishedFinding, Verdict, VerdictBasis, VerdictKind,
    VerdictMeasure, VerdictNumbers,
};
