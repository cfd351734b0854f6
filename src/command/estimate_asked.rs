//! What `estimate` was told, made into what is asked; what can't be meant is said with how to mend it.

use clap::ValueEnum;

use super::answering::misused as usage;
use super::estimate_arguments::{
    AdjustmentAsked, CensoringAsked, EstimateArguments, FamilyAsked, HazardScaleAsked, HazardVarianceAsked,
    IncidenceVarianceAsked, ScaleAsked, WeightInfluenceAsked,
};
use super::estimate_ends::ends;
use super::estimate_weights::{population, trimming};
use super::reading::Stop;
use crate::estimate::asked::{Asked, Roles, TiesAsked, Want};
use crate::estimate::comparison::weighting;
use crate::quantity::{ConfidenceLevel, Variance};
use crate::stats::{
    AdjustmentMethod, CensoringReading, HazardIntervalMethod, HazardVarianceFormula, IncidenceVariance, LogTimeFamily,
    ReferenceDistribution, SurvivalIntervalMethod, WeightInfluence, Weighting,
};

/// Pairs of a column and what is said of it.
fn pairs(given: &[String], example: &str) -> Result<Vec<(String, String)>, Stop> {
    let pair = |given: &String| {
        let (name, value) = given
            .split_once('=')
            .ok_or_else(|| usage(format!("“{given}” names no column with a value.\nMend: write it as {example}.")))?;
        Ok((name.to_owned(), value.to_owned()))
    };
    given.iter().map(pair).collect()
}

/// That every option given is of use to something that is wanted.
fn useful(arguments: &EstimateArguments, want: &[Want]) -> Result<(), Stop> {
    ends(arguments, want)?;
    let hazards: &[Want] = &[Want::Hazard, Want::Incidence];
    let options: [(&str, bool, &[Want]); 30] = [
        ("--given", arguments.given > 0.0, &[Want::Conditional]),
        ("--until", arguments.until.is_some(), &[Want::Mean, Want::Intervals, Want::Weighted, Want::Bootstrap]),
        ("--cuts", !arguments.cuts.is_empty(), &[Want::LifeTable]),
        ("--score", !arguments.score.is_empty(), &[Want::Tests]),
        ("--published-rate", arguments.published_rate.is_some(), &[Want::Rates]),
        ("--profile", !arguments.profile.is_empty(), &[Want::Cox, Want::FineGray, Want::Parametric]),
        ("--residuals", arguments.residuals, &[Want::Cox]),
        ("--weighting", !arguments.weighting.is_empty(), &[Want::Tests, Want::Pairs]),
        ("--band-from", arguments.band_from.is_some(), &[Want::Bands]),
        ("--band-to", arguments.band_to.is_some(), &[Want::Bands]),
        ("--closing", arguments.closing.is_some(), &[Want::Incidence]),
        ("--tip-below", !arguments.tip_below.is_empty(), &[Want::Incidence]),
        ("--hazard-variance", arguments.hazard_variance.is_some(), hazards),
        ("--hazard-scale", arguments.hazard_scale.is_some(), hazards),
        ("--incidence-variance", arguments.incidence_variance.is_some(), &[Want::Incidence]),
        ("--gray-exponent", arguments.gray_exponent.is_some(), &[Want::Incidence]),
        ("--censoring-reading", arguments.censoring_reading.is_some(), &[Want::FineGray]),
        ("--weight-influence", arguments.weight_influence.is_some(), &[Want::FineGray]),
        ("--censoring-stratum", arguments.censoring_stratum.is_some(), &[Want::FineGray]),
        ("--resample-within", arguments.resample_within.is_some(), &[Want::Bootstrap]),
        ("--permutations", arguments.permutations.is_some(), &[Want::Intervals]),
        ("--ratios", arguments.ratios, &[Want::Bootstrap]),
        ("--draw-signs", arguments.draw_signs, &[Want::Tests]),
        ("--adjust-for", !arguments.adjust_for.is_empty(), &[Want::Weighted]),
        ("--population", arguments.population.is_some(), &[Want::Weighted]),
        ("--cut-weights", arguments.cut_weights.is_some(), &[Want::Weighted]),
        ("--least-chance", arguments.least_chance.is_some(), &[Want::Weighted]),
        ("--penalise-separated", arguments.penalise_separated, &[Want::Weighted]),
        ("--family", arguments.family.is_some(), &[Want::Parametric]),
        ("--student", arguments.student, &[Want::Cox, Want::Parametric]),
    ];
    for (option, given, uses) in options {
        if given && !uses.iter().any(|one| want.contains(one)) {
            let names: Vec<String> =
                uses.iter().filter_map(|one| one.to_possible_value()).map(|value| value.get_name().to_owned()).collect();
            return Err(usage(format!(
                "{option} is of no use to what is wanted.\nMend: leave it out, or add to --want: {}.",
                names.join(" or ")
            )));
        }
    }
    if arguments.given > 0.0 && !arguments.at.is_empty() && arguments.at.iter().all(|time| *time <= arguments.given) {
        return Err(usage("No time of --at is after --given.\nMend: ask for later times."));
    }
    if let (Some(from), Some(to)) = (arguments.band_from, arguments.band_to)
        && from > to
    {
        return Err(usage(format!("--band-from {from} lies after --band-to {to}.\nMend: give the earlier time first.")));
    }
    if arguments.gray_exponent.is_some() && arguments.group.is_none() {
        return Err(usage(
            "--gray-exponent weighs a test of groups.\nMend: name their column with --group, or leave it out.",
        ));
    }
    if arguments.draw_signs && arguments.cluster.is_none() {
        return Err(usage(
            "--draw-signs draws the signs of clusters.\nMend: name their column with --cluster, or leave it out.",
        ));
    }
    if arguments.ratios && arguments.group.is_none() {
        return Err(usage("--ratios are those of groups.\nMend: name their column with --group, or leave it out."));
    }
    if arguments.lost.is_some() && arguments.closing.is_some() {
        return Err(usage("--lost and --closing say in two ways who was lost.\nMend: leave one of them out."));
    }
    if arguments.student && (arguments.cluster.is_none() || arguments.independent) {
        return Err(usage(
            "--student counts clusters, and none are used.\nMend: name their column with --cluster, without --independent.",
        ));
    }
    if arguments.student && arguments.ties == TiesAsked::Exact {
        return Err(usage(
            "--student needs a variance by clusters, which --ties exact has not.\nMend: take --ties efron or breslow.",
        ));
    }
    if arguments.lost.is_some() && arguments.cause.is_none() {
        return Err(usage("--lost says what stands in the column of causes.\nMend: name that column with --cause."));
    }
    Ok(())
}

/// What is asked.
///
/// # Errors
/// A sentence with how to mend it, when options contradict each other or are of no use to what is wanted.
pub fn asked(arguments: &EstimateArguments) -> Result<Asked, Stop> {
    let level = ConfidenceLevel::new(arguments.confidence)
        .ok_or_else(|| usage("A confidence level lies between 0 and 1.\nMend: give one such as --confidence 0.95."))?;
    let mut want = arguments.want.clone();
    if want.is_empty() && arguments.time.is_none() {
        want = vec![Want::Intervals];
    }
    if want.is_empty() {
        want = vec![Want::Survival, Want::Quantiles];
        if arguments.group.is_some() {
            want.push(Want::Tests);
        }
    }
    let mut once = Vec::new();
    for one in want {
        if !once.contains(&one) {
            once.push(one);
        }
    }
    let above_zero = |value: f64| value > 0.0 && value.is_finite();
    if !above_zero(arguments.year) || arguments.published_rate.is_some_and(|rate| !above_zero(rate)) {
        return Err(usage("--year and --published-rate take numbers above 0.\nMend: correct them."));
    }
    if let Some(part) = arguments.failed_part.iter().find(|part| !(**part > 0.0 && **part < 1.0)) {
        return Err(usage(format!(
            "A part that has failed lies between 0 and 1, and {part} doesn't.\nMend: give one such as --failed-part 0.5."
        )));
    }
    if let Some(below) = arguments.tip_below.iter().find(|below| !(**below > 0.0 && **below <= 1.0)) {
        return Err(usage(format!(
            "A survival to fall below lies above 0 and up to 1, and {below} doesn't.\nMend: give one such as --tip-below 0.9."
        )));
    }
    if arguments.gray_exponent.is_some_and(|exponent| !exponent.is_finite()) {
        return Err(usage("--gray-exponent takes a plain number.\nMend: give one such as --gray-exponent 1."));
    }
    let single = [arguments.until, arguments.band_from, arguments.band_to, arguments.closing, Some(arguments.given)];
    let single: Vec<f64> = single.into_iter().flatten().collect();
    let times = arguments.at.iter().chain(&arguments.cuts).chain(&single);
    if let Some(time) = times.into_iter().find(|time| !(time.is_finite() && **time >= 0.0)) {
        return Err(usage(format!("{time} is no time: times are numbers from 0 on.\nMend: correct it.")));
    }
    let mut weightings = Vec::new();
    for name in &arguments.weighting {
        weightings.push(weighting(name).ok_or_else(|| {
            usage(format!(
                "There is no weighting {name}.\nMend: take one that --help lists, such as fleming-harrington:0:1."
            ))
        })?);
    }
    if weightings.is_empty() {
        weightings.push(Weighting::LogRank);
    }
    let references = pairs(&arguments.reference, "--reference etch=rinse")?;
    if let Some((name, _)) = references.iter().find(|(name, _)| !arguments.factor.contains(name)) {
        return Err(usage(format!(
            "--reference names {name}, which is no factor.\nMend: name the column with --factor, too."
        )));
    }
    let level_of = |name: &String| references.iter().find(|(factor, _)| factor == name).map(|(_, level)| level.clone());
    let factors = arguments.factor.iter().map(|name| (name.clone(), level_of(name)));
    let mut all: Vec<&String> = arguments.covariate.iter().chain(&arguments.factor).collect();
    all.sort();
    if let Some(twice) = all.windows(2).find(|pair| pair[0] == pair[1]) {
        return Err(usage(format!("{} is named twice as a covariate.\nMend: name it once.", twice[0])));
    }
    if arguments.failure == arguments.censored {
        return Err(usage(format!(
            "“{}” can't mean both.\nMend: give --failure and --censored different values.",
            arguments.failure
        )));
    }
    if let Some(lost) = arguments.lost.as_ref().filter(|lost| **lost == arguments.failure || **lost == arguments.censored) {
        return Err(usage(format!(
            "“{lost}” can't mean both.\nMend: give --lost a value of its own, other than those of --failure and --censored."
        )));
    }
    useful(arguments, &once)?;
    let profile = pairs(&arguments.profile, "--profile depth=2,etch=selective")?;
    let sorted = |times: &[f64]| {
        let mut times = times.to_vec();
        times.sort_by(f64::total_cmp);
        times.dedup();
        times
    };
    let variance =
        if arguments.cluster.is_some() && !arguments.independent { Variance::ClusterRobust } else { Variance::ModelBased };
    Ok(Asked {
        roles: Roles {
            time: arguments.time.clone(),
            after: arguments.after.clone(),
            by: arguments.by.clone(),
            entry: arguments.entry.clone(),
            cause: arguments.cause.clone(),
            failure: arguments.failure.clone(),
            censored: arguments.censored.clone(),
            lost: arguments.lost.clone(),
            group: arguments.group.clone(),
            stratum: arguments.stratum.clone(),
            cluster: arguments.cluster.clone(),
            resample_within: arguments.resample_within.clone(),
            censoring_stratum: arguments.censoring_stratum.clone(),
            weight: arguments.weight.clone(),
            covariates: arguments.covariate.clone(),
            factors: factors.collect(),
        },
        want: once,
        at: sorted(&arguments.at),
        given: arguments.given,
        until: arguments.until,
        cuts: sorted(if arguments.cuts.is_empty() { &arguments.at } else { &arguments.cuts }),
        band_from: arguments.band_from,
        band_to: arguments.band_to,
        closing: arguments.closing,
        tip_below: arguments.tip_below.clone(),
        failed_parts: if arguments.failed_part.is_empty() { vec![0.25, 0.5, 0.75] } else { arguments.failed_part.clone() },
        scores: arguments.score.clone(),
        weightings,
        adjustment: match arguments.adjustment {
            AdjustmentAsked::Holm => AdjustmentMethod::Holm,
            AdjustmentAsked::Hochberg => AdjustmentMethod::Hochberg,
            AdjustmentAsked::BenjaminiHochberg => AdjustmentMethod::BenjaminiHochberg,
        },
        level,
        scale: match arguments.scale {
            ScaleAsked::ComplementaryLogLog => SurvivalIntervalMethod::ComplementaryLogLog,
            ScaleAsked::Log => SurvivalIntervalMethod::Log,
            ScaleAsked::Plain => SurvivalIntervalMethod::Plain,
            ScaleAsked::Logit => SurvivalIntervalMethod::Logit,
            ScaleAsked::ArcsineSquareRoot => SurvivalIntervalMethod::ArcsineSquareRoot,
        },
        variance,
        hazard_variance: match (arguments.hazard_variance, variance) {
            (Some(HazardVarianceAsked::Clusters), _) | (None, Variance::ClusterRobust) => {
                HazardVarianceFormula::ClusterRobust
            }
            (Some(HazardVarianceAsked::Binomial), _) => HazardVarianceFormula::Binomial,
            (Some(HazardVarianceAsked::Poisson), _) | (None, Variance::ModelBased) => HazardVarianceFormula::Poisson,
        },
        hazard_scale: match arguments.hazard_scale {
            Some(HazardScaleAsked::Plain) => HazardIntervalMethod::Plain,
            Some(HazardScaleAsked::Log) | None => HazardIntervalMethod::Log,
        },
        incidence_variance: match (arguments.incidence_variance, variance) {
            (Some(IncidenceVarianceAsked::Clusters), _) | (None, Variance::ClusterRobust) => {
                IncidenceVariance::ClusterRobust
            }
            (Some(IncidenceVarianceAsked::Aalen), _) => IncidenceVariance::Aalen,
            (Some(IncidenceVarianceAsked::Multinomial), _) | (None, Variance::ModelBased) => IncidenceVariance::Multinomial,
        },
        gray_exponent: arguments.gray_exponent.unwrap_or(0.0),
        censoring_reading: match arguments.censoring_reading {
            Some(CensoringAsked::EndingsFirst) => CensoringReading::EndingsFirst,
            Some(CensoringAsked::EndingsAtRisk) | None => CensoringReading::EndingsAtRisk,
        },
        weight_influence: match arguments.weight_influence {
            Some(WeightInfluenceAsked::Derivative) => WeightInfluence::Derivative,
            Some(WeightInfluenceAsked::Martingale) | None => WeightInfluence::Martingale,
        },
        reference_distribution: if arguments.student {
            ReferenceDistribution::StudentByClusters
        } else {
            ReferenceDistribution::Normal
        },
        ties: arguments.ties,
        adjust_for: arguments.adjust_for.clone(),
        population: population(arguments)?,
        trimming: trimming(arguments)?,
        penalise_separated: arguments.penalise_separated,
        family: arguments.family.map(|family| match family {
            FamilyAsked::Exponential => LogTimeFamily::Exponential,
            FamilyAsked::Weibull => LogTimeFamily::Weibull,
            FamilyAsked::LogLogistic => LogTimeFamily::LogLogistic,
            FamilyAsked::LogNormal => LogTimeFamily::LogNormal,
        }),
        year: arguments.year,
        published_rate: arguments.published_rate,
        resamples: arguments.resamples,
        permutations: arguments.permutations,
        ratios: arguments.ratios,
        draw_signs: arguments.draw_signs,
        seed: arguments.seed,
        profile,
        residuals: arguments.residuals,
        curves: arguments.curves,
    })
}
