//! What may be said of a level against the reference, as a closed list with the numbers that chose it; the words come where it is
//! printed.
//!
//! The rules, in their order (`relevant` is the protocol's relevant difference; differences are of survival at the headline's
//! horizon; where hazards are not proportional the restricted mean leads and is tested in its place):
//!
//! 1. A level or the reference has fewer failures or patients than the protocol asks for, or fewer failures by the day at which it is
//!    read, or there is no difference to read: *described only*.
//! 2. p, corrected for the number of levels, is below 1 − confidence level, and the other way of adjusting (regression) points to the same
//!    side; or nothing was adjusted, and there is no other way: *differ*.
//! 3. p is below, but regression points to the other side, or has no estimate: *depends on adjustment*.
//! 4. p is below, but where survival leads, its difference's interval, moved by what the reading between visits moves the difference without
//!    adjustment, no longer lies on its side of none: *depends on dating*. Not where failures are dated to days that are known.
//! 5. p is not below, and the whole interval of survival's difference, as it is and so moved, lies within ± relevant: *no clear
//!    difference*.
//! 6. Otherwise: *too little to tell*.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::quantity::{Days, Known};

/// What kind of sentence the numbers bear.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum VerdictKind {
    /// Too small to be tested: described, no more.
    DescribedOnly,
    /// They differ by more than chance, crude and adjusted alike.
    Differ,
    /// They differ by more than chance one way, and not the other.
    DependsOnAdjustment,
    /// They differ with failures on the day they were found, and not with failures between visits.
    DependsOnDating,
    /// No difference, and a relevant one is excluded.
    NoClearDifference,
    /// No difference shown, and a relevant one not excluded.
    TooLittleToTell,
}

/// By which way the verdict's numbers were had.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum VerdictBasis {
    /// Adjusted by weighting.
    Weighted,
    /// Not adjusted: nothing to adjust for, or it could not be done.
    Crude,
}

/// By which measure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum VerdictMeasure {
    /// Survival at the headline's horizon.
    SurvivalAtHorizon,
    /// Mean time in place up to the protocol's horizon: hazards are not proportional.
    RestrictedMean,
}

/// What may be said of a level against the reference.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Verdict {
    /// The place of the level.
    pub level: u16,
    /// What kind of sentence.
    pub kind: VerdictKind,
    /// By which way.
    pub basis: VerdictBasis,
    /// By which measure the kind was chosen.
    pub measure: VerdictMeasure,
    /// The day at which survival is read: the headline's, or the latest horizon before it to which enough are followed; none if there
    /// is none.
    pub day: Option<Days>,
    /// Survival of the reference, of the level, and the level less the reference, on that day.
    pub survival: Option<VerdictNumbers>,
    /// Mean time in place in days of the same.
    pub restricted_mean: Option<VerdictNumbers>,
    /// The crude difference of survival at the horizon, on the same restorations.
    pub crude_difference: Option<f64>,
    /// The difference by regression.
    pub regression_difference: Option<f64>,
    /// By how much the reading between visits moves the difference without adjustment, on that day; 0 where the one lies within what the
    /// other leaves open.
    #[serde(default)]
    pub moved_between_visits: Option<f64>,
    /// p of the measure that leads.
    pub p_value: Known<f64>,
    /// The same corrected for the number of levels (Holm).
    pub corrected_p_value: Known<f64>,
    /// What would settle it; none where it is settled, or can't be told.
    pub needed: Option<Needed>,
    /// Whether what was published agrees.
    pub published: Vec<PublishedAgreement>,
}

/// Two numbers and their difference.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct VerdictNumbers {
    /// Of the reference.
    pub reference: f64,
    /// Of the level.
    pub level: f64,
    /// Level less reference.
    pub difference: f64,
    /// Lower limit of the difference.
    pub lower: f64,
    /// Upper limit of the difference.
    pub upper: f64,
}

/// How many more would settle it: to find the relevant difference with a power of 80 %, as the reference fails now.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Needed {
    /// The hazard ratio that the relevant difference means at the horizon.
    pub hazard_ratio: f64,
    /// How much clustering enlarges the variance here.
    pub design_effect: f64,
    /// Failures of both levels needed.
    pub failures: u64,
    /// Failures of both levels so far.
    pub failures_so_far: u64,
    /// Restorations of both levels needed, followed to the horizon.
    pub restorations: u64,
    /// Restorations of both levels so far.
    pub restorations_so_far: u64,
    /// Years that more placements would take at the pace of these two levels so far, follow-up to the horizon not counted; none where
    /// there are enough.
    pub years: Option<f64>,
}

/// Which way a published finding points.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PublishedDirection {
    /// The first lasts longer.
    FirstBetter,
    /// The second lasts longer.
    SecondBetter,
    /// No difference was found.
    NoDifference,
}

/// A published comparison of two classes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PublishedFinding {
    /// Its place in the table of sources, to be named by.
    pub key: String,
    /// The factor.
    pub factor: String,
    /// The first class, as a level's code.
    pub first: String,
    /// The second.
    pub second: String,
    /// What was measured.
    pub outcome: String,
    /// Whether it is about retention; else about margins or comfort.
    pub about_retention: bool,
    /// Which way it points.
    pub direction: PublishedDirection,
    /// What it says, with its numbers.
    pub says: String,
    /// Where it was published.
    pub source: String,
}

/// Whether the practice's own numbers agree with a published finding.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PublishedAgreement {
    /// The finding's key.
    pub key: String,
    /// Agreement.
    pub agreement: Agreement,
}

/// How own numbers stand to published ones.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Agreement {
    /// Both find the same side better, or both no difference.
    SameWay,
    /// They find different sides better, or one a difference and the other none.
    OtherWay,
    /// The own numbers are too few to say.
    OwnTooFew,
}
