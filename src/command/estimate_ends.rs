//! That what `estimate` was told of the ends of following fits what is wanted of them.

use clap::ValueEnum;

use super::answering::misused as usage;
use super::estimate_arguments::EstimateArguments;
use super::reading::Stop;
use crate::estimate::asked::Want;

/// What can be had from bounds.
const FROM_BOUNDS: [Want; 3] = [Want::Intervals, Want::Parametric, Want::Bootstrap];

fn name(want: Want) -> String {
    want.to_possible_value().map_or_else(String::new, |value| value.get_name().to_owned())
}

/// That there is either a time or two bounds, and that what is wanted can be had from them.
pub(super) fn ends(arguments: &EstimateArguments, want: &[Want]) -> Result<(), Stop> {
    match (&arguments.time, &arguments.after, &arguments.by) {
        (Some(_), None, None) => return one_resampling(arguments, want),
        (None, Some(_), Some(_)) => {}
        (Some(_), ..) => {
            return Err(usage(
                "--time says exactly when following ended, --after and --by only between which times.\nMend: give either the one or the two others.",
            ));
        }
        (None, None, None) => {
            return Err(usage(
                "Nothing says when following ended.\nMend: name its column with --time; or, where failures are only known to lie between two times, those columns with --after and --by.",
            ));
        }
        _ => {
            return Err(usage(
                "--after and --by are the two bounds of a time.\nMend: name both columns, or --time instead.",
            ));
        }
    }
    if let Some(exact) = want.iter().find(|one| !FROM_BOUNDS.contains(one)) {
        let names: Vec<String> = FROM_BOUNDS.iter().map(|one| name(*one)).collect();
        return Err(usage(format!(
            "{} needs exact times, and there are only bounds of them.\nMend: name a column of exact times with --time; from --after and --by there is --want {}.",
            name(*exact),
            names.join(", ")
        )));
    }
    if want.contains(&Want::Bootstrap) && !want.contains(&Want::Intervals) {
        return Err(usage(
            "From bounds, it is the curve of intervals that is resampled.\nMend: write --want intervals,bootstrap.",
        ));
    }
    if arguments.cause.is_some() {
        return Err(usage(
            "With --after and --by, it is the latter that says who failed.\nMend: leave --cause out, and leave the column of --by empty for those not seen to fail.",
        ));
    }
    if arguments.draw_signs {
        return Err(usage(
            "--draw-signs needs exact times.\nMend: leave it out, or name a column of exact times with --time.",
        ));
    }
    if arguments.ratios {
        return Err(usage("--ratios needs exact times.\nMend: leave it out, or name a column of exact times with --time."));
    }
    one_resampling(arguments, want)
}

/// The curve of intervals is resampled without strata.
fn one_resampling(arguments: &EstimateArguments, want: &[Want]) -> Result<(), Stop> {
    let both = want.contains(&Want::Intervals) && want.contains(&Want::Bootstrap);
    if both && arguments.resample_within.is_some() {
        return Err(usage(
            "Intervals are resampled from all clusters, not within strata.\nMend: leave --resample-within out, or intervals.",
        ));
    }
    Ok(())
}
