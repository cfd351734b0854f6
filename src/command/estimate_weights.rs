//! What `estimate` was told of weights from propensities.

use super::answering::misused as usage;
use super::estimate_arguments::EstimateArguments;
use super::reading::Stop;
use crate::estimate::asked::PopulationAsked;
use crate::stats::WeightTrimming;

/// Which population is meant.
pub(super) fn population(arguments: &EstimateArguments) -> Result<PopulationAsked, Stop> {
    let Some(name) = &arguments.population else { return Ok(PopulationAsked::default()) };
    match (&**name, name.split_once('=')) {
        ("plain", _) => Ok(PopulationAsked::Plain),
        ("stabilised", _) => Ok(PopulationAsked::Stabilised),
        ("overlap", _) => Ok(PopulationAsked::Overlap),
        (_, Some(("level", label))) => Ok(PopulationAsked::Level(label.to_owned())),
        _ => Err(usage(format!(
            "There is no population {name}.\nMend: take plain, stabilised or overlap, or name a group as in --population level=rinse."
        ))),
    }
}

/// What is to be done about large weights.
pub(super) fn trimming(arguments: &EstimateArguments) -> Result<WeightTrimming, Stop> {
    let below_half = |part: f64| part > 0.0 && part < 0.5;
    match (arguments.cut_weights, arguments.least_chance) {
        (None, None) => Ok(WeightTrimming::None),
        (Some(part), None) if below_half(part) => Ok(WeightTrimming::CutAtQuantiles(part)),
        (None, Some(chance)) if below_half(chance) => Ok(WeightTrimming::PropensitiesFrom(chance)),
        (Some(_), Some(_)) => Err(usage(
            "--cut-weights and --least-chance are two ways to deal with large weights.\nMend: leave one of them out.",
        )),
        _ => Err(usage(
            "--cut-weights and --least-chance take a part above 0 and below 0.5.\nMend: give one such as --cut-weights 0.01 or --least-chance 0.05.",
        )),
    }
}
