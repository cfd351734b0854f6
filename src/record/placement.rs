//! A placement: one restoration, placed once.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::lesion::{Aetiology, CervicalMargin, Surface};
use super::technique::{AdhesiveClass, Cleanser, CompositeClass, Drying, EtchStrategy, Isolation, Preparation};
use super::tooth::Tooth;
use crate::quantity::Day;

/// One restoration, placed once. The unit of analysis is patient × tooth × surface × placement.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Placement {
    /// The restoration's own name in these records; occurs once.
    pub restoration_id: String,
    /// A pseudonym for the patient; never a name or a number that anybody else knows.
    pub patient_id: String,
    /// The tooth.
    pub tooth: Tooth,
    /// The surface of the tooth.
    pub surface: Option<Surface>,
    /// The day it was placed.
    pub placed_on: Day,
    /// For restorations that were already there: the day they came under observation. Before that day they are not at risk.
    pub entered_on: Option<Day>,
    /// A pseudonym for who placed it.
    pub operator: Option<String>,
    /// What wore the tooth away.
    pub aetiology: Option<Aetiology>,
    /// Height of the lesion, from gum to crown, in millimetres.
    #[schemars(range(min = 0.5, max = 8.0))]
    pub lesion_height_mm: Option<f64>,
    /// Width of the lesion, along the arch, in millimetres.
    #[schemars(range(min = 0.5, max = 12.0))]
    pub lesion_width_mm: Option<f64>,
    /// Depth of the lesion, towards the pulp, in millimetres.
    #[schemars(range(min = 0.2, max = 5.0))]
    pub lesion_depth_mm: Option<f64>,
    /// Sclerosis of the dentine: 1 none to 4 marked (dark, glassy).
    #[schemars(range(min = 1, max = 4))]
    pub sclerosis: Option<u8>,
    /// What the margin towards the root lies in.
    pub cervical_margin: Option<CervicalMargin>,
    /// Whether it replaces an earlier restoration: yes, no, or that restoration's id.
    pub replaces_restoration: Option<String>,
    /// Sensitivity before treatment, 0 none to 10 worst.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub preop_sensitivity: Option<f64>,
    /// How the field was kept dry.
    pub isolation: Option<Isolation>,
    /// What was done to the surface of the lesion.
    pub preparation: Option<Preparation>,
    /// What the cavity was cleaned with.
    pub cleanser: Option<Cleanser>,
    /// How enamel and dentine were etched.
    pub etch_strategy: Option<EtchStrategy>,
    /// Concentration of the phosphoric acid, per cent.
    #[schemars(range(min = 10.0, max = 40.0))]
    pub acid_percent: Option<f64>,
    /// Time of acid on enamel, seconds.
    #[schemars(range(min = 3.0, max = 90.0))]
    pub etch_enamel_s: Option<f64>,
    /// Time of acid on dentine, seconds.
    #[schemars(range(min = 0.0, max = 60.0))]
    pub etch_dentine_s: Option<f64>,
    /// The class of the adhesive.
    pub adhesive_class: Option<AdhesiveClass>,
    /// How long the adhesive was rubbed in, seconds.
    #[schemars(range(min = 0.0, max = 120.0))]
    pub application_s: Option<f64>,
    /// How the adhesive was thinned.
    pub drying: Option<Drying>,
    /// Light curing of each increment, seconds.
    #[schemars(range(min = 3.0, max = 120.0))]
    pub cure_s: Option<f64>,
    /// The class of the composite.
    pub composite_class: Option<CompositeClass>,
    /// Shade or shades.
    pub shades: Option<String>,
    /// Lot of the adhesive.
    pub adhesive_lot: Option<String>,
    /// Lot of the composite.
    pub composite_lot: Option<String>,
}

/// What a cell of `replaces_restoration` says in words: whether an earlier restoration is replaced. None where it is no such word, and so
/// that restoration's id.
pub fn says_replaced(cell: &str) -> Option<bool> {
    let is_one_of = |words: [&str; 3]| words.iter().any(|word| cell.eq_ignore_ascii_case(word));
    if is_one_of(["yes", "y", "1"]) {
        Some(true)
    } else if is_one_of(["no", "n", "0"]) {
        Some(false)
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::says_replaced;

    #[test]
    fn words_for_yes_and_no_are_told_from_ids() {
        assert_eq!(["yes", "Y", "1", "NO", "n", "0"].map(says_replaced), [true, true, true, false, false, false].map(Some));
        assert_eq!(["R00001-1", "nein", "", "10", "yes "].map(says_replaced), [None; 5]);
    }
}
