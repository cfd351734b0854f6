//! `estimate`: times to failure from any field, through the same engine.

use std::io::Write as _;
use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::exit::Exit;
use super::reading::{Stop, ended, progress};
use crate::estimate::asked::{Asked, Roles, TiesAsked, Want};
use crate::estimate::columns::{Trouble, read_columns};
use crate::estimate::comparison::weighting;
use crate::estimate::data::{make_ready, wanted_columns};
use crate::estimate::{answer, text};
use crate::quantity::{ConfidenceLevel, DAYS_PER_YEAR, Variance};
use crate::stats::{AdjustmentMethod, SurvivalIntervalMethod, Weighting};
use crate::wording::escape_terminal;

/// The scale of an interval, as it is asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum ScaleAsked {
    /// ln(−ln S).
    #[default]
    ComplementaryLogLog,
    /// ln S.
    Log,
    /// S itself.
    Plain,
    /// ln(S / (1 − S)).
    Logit,
    /// The arcsine of the square root of S.
    ArcsineSquareRoot,
}

/// An adjustment for the number of tests, as it is asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum AdjustmentAsked {
    /// Keeps the chance of any false difference.
    #[default]
    Holm,
    /// The same, a little less strictly.
    Hochberg,
    /// Keeps the share of false ones among the differences found.
    BenjaminiHochberg,
}

/// Arguments of `estimate`.
#[derive(Debug, Args)]
pub struct EstimateArguments {
    /// Table with one row for each that was followed: .csv, .parquet, .xlsx or .jsonl.
    table: PathBuf,
    /// Column with the time at which following ended.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    time: String,
    /// Column with the time at which following began [default: 0 for all].
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    entry: Option<String>,
    /// Column that says how it ended [default: all failed].
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    cause: Option<String>,
    /// What stands in the column of causes for a failure.
    #[arg(long, value_name = "VALUE", default_value = "1", help_heading = "Columns")]
    failure: String,
    /// What stands there for one that was still followed when last seen. Any other value is a competing cause.
    #[arg(long, value_name = "VALUE", default_value = "0", help_heading = "Columns")]
    censored: String,
    /// Column of the groups to compare.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    group: Option<String>,
    /// Column of the strata within which groups are compared.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    stratum: Option<String>,
    /// Column of the clusters: rows of one cluster may share their fate.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    cluster: Option<String>,
    /// Column of case weights: how many such rows each stands for. With weights of another kind, such as those of sampling,
    /// name clusters, too, so that errors allow for them.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    weight: Option<String>,
    /// Columns of covariates that are numbers, for regression. Groups take part in a regression only as a factor.
    #[arg(long, value_name = "COLUMN", value_delimiter = ',', help_heading = "Columns")]
    covariate: Vec<String>,
    /// Columns of covariates that are categories.
    #[arg(long, value_name = "COLUMN", value_delimiter = ',', help_heading = "Columns")]
    factor: Vec<String>,
    /// Reference level of a factor [default: the first in order].
    #[arg(long, value_name = "COLUMN=LEVEL", value_delimiter = ',', help_heading = "Columns")]
    reference: Vec<String>,
    /// What to estimate, several with commas between [default: survival, quantiles, and tests if there are groups].
    #[arg(long, value_enum, value_name = "WHAT", value_delimiter = ',', help_heading = "What to estimate")]
    want: Vec<Want>,
    /// Times at which survival and the like are read [default: eight, evenly spread].
    #[arg(long, value_name = "TIME", value_delimiter = ',', help_heading = "What to estimate")]
    at: Vec<f64>,
    /// The earlier time of conditional survival.
    #[arg(long, value_name = "TIME", default_value_t = 0.0, help_heading = "What to estimate")]
    given: f64,
    /// How far restricted means reach [default: the smallest last time of any group].
    #[arg(long, value_name = "TIME", help_heading = "What to estimate")]
    until: Option<f64>,
    /// Cut points of the actuarial life table [default: the times of --at].
    #[arg(long, value_name = "TIME", value_delimiter = ',', help_heading = "What to estimate")]
    cuts: Vec<f64>,
    /// Parts that have failed, for the quantiles [default: 0.25, 0.5, 0.75].
    #[arg(long, value_name = "PART", value_delimiter = ',', help_heading = "What to estimate")]
    failed_part: Vec<f64>,
    /// Scores of the groups in order, for the trend [default: 1, 2, 3 and so on].
    #[arg(
        long,
        value_name = "SCORE",
        value_delimiter = ',',
        allow_negative_numbers = true,
        help_heading = "What to estimate"
    )]
    score: Vec<f64>,
    /// How tests weigh failures: log-rank, gehan, tarone-ware, peto-peto, modified-peto-peto, or fleming-harrington:RHO:GAMMA
    /// [default: log-rank].
    #[arg(long, value_name = "NAME", value_delimiter = ',', help_heading = "What to estimate")]
    weighting: Vec<String>,
    /// How the tests of pairs are adjusted for their number.
    #[arg(long, value_enum, value_name = "METHOD", default_value_t = AdjustmentAsked::Holm, help_heading = "What to estimate")]
    adjustment: AdjustmentAsked,
    /// A published yearly failure rate to hold the failures against, such as 0.02.
    #[arg(long, value_name = "RATE", help_heading = "What to estimate")]
    published_rate: Option<f64>,
    /// What a regression's prediction is for: a value for each covariate.
    #[arg(long, value_name = "COLUMN=VALUE", value_delimiter = ',', help_heading = "What to estimate")]
    profile: Vec<String>,
    /// List residuals and influences of the rows, too (in the JSON).
    #[arg(long, help_heading = "What to estimate")]
    residuals: bool,
    /// List the steps of the curves, too (in the JSON).
    #[arg(long, help_heading = "What to estimate")]
    curves: bool,
    /// Coverage of intervals.
    #[arg(long, value_name = "LEVEL", default_value_t = 0.95, help_heading = "How")]
    confidence: f64,
    /// The scale on which intervals of survival are symmetric.
    #[arg(long, value_enum, value_name = "SCALE", default_value_t = ScaleAsked::ComplementaryLogLog, help_heading = "How")]
    scale: ScaleAsked,
    /// Take all rows as independent, though clusters are named.
    #[arg(long, help_heading = "How")]
    independent: bool,
    /// How ties are handled in regression.
    #[arg(long, value_enum, value_name = "TIES", default_value_t = TiesAsked::Efron, help_heading = "How")]
    ties: TiesAsked,
    /// Units of time in a year, for yearly rates.
    #[arg(long, value_name = "NUMBER", default_value_t = DAYS_PER_YEAR, help_heading = "How")]
    year: f64,
    /// How many times clusters are resampled, at least 100.
    #[arg(long, value_name = "NUMBER", default_value_t = 1000, value_parser = clap::value_parser!(u32).range(100..), help_heading = "How")]
    resamples: u32,
    /// Where the random numbers start; the same number gives the same results.
    #[arg(long, value_name = "NUMBER", default_value_t = 1, help_heading = "How")]
    seed: u64,
    /// Leave rows out that lack a time, cause, group, stratum, cluster or weight, and count them.
    #[arg(long, help_heading = "How")]
    leave_out_incomplete: bool,
    /// Print the results as JSON, at full precision.
    #[arg(long, help_heading = "Results")]
    json: bool,
    /// Write the JSON into this file, and the table to standard output.
    #[arg(long, value_name = "FILE", conflicts_with = "json", help_heading = "Results")]
    out: Option<PathBuf>,
}

/// Runs `estimate`.
pub fn run(arguments: &EstimateArguments) -> Exit {
    ended(try_run(arguments).map(|()| Exit::Done))
}

fn usage(why: impl std::fmt::Display) -> Stop {
    Stop(Exit::Usage, escaped(&why.to_string()))
}

/// What came from the table or the command may hold anything; line breaks are ours.
fn escaped(text: &str) -> String {
    text.lines().map(|line| format!("{}\n", escape_terminal(line))).collect()
}

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
    let options: [(&str, bool, &[Want]); 8] = [
        ("--given", arguments.given > 0.0, &[Want::Conditional]),
        ("--until", arguments.until.is_some(), &[Want::Mean, Want::Bootstrap]),
        ("--cuts", !arguments.cuts.is_empty(), &[Want::LifeTable]),
        ("--score", !arguments.score.is_empty(), &[Want::Tests]),
        ("--published-rate", arguments.published_rate.is_some(), &[Want::Rates]),
        ("--profile", !arguments.profile.is_empty(), &[Want::Cox]),
        ("--residuals", arguments.residuals, &[Want::Cox]),
        ("--weighting", !arguments.weighting.is_empty(), &[Want::Tests, Want::Pairs]),
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
    Ok(())
}

fn asked(arguments: &EstimateArguments) -> Result<Asked, Stop> {
    let level = ConfidenceLevel::new(arguments.confidence)
        .ok_or_else(|| usage("A confidence level lies between 0 and 1.\nMend: give one such as --confidence 0.95."))?;
    let mut want = arguments.want.clone();
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
    let times = arguments.at.iter().chain(&arguments.cuts).chain(&arguments.until).chain([&arguments.given]);
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
    useful(arguments, &once)?;
    let profile = pairs(&arguments.profile, "--profile depth=2,etch=selective")?;
    let sorted = |times: &[f64]| {
        let mut times = times.to_vec();
        times.sort_by(f64::total_cmp);
        times.dedup();
        times
    };
    Ok(Asked {
        roles: Roles {
            time: arguments.time.clone(),
            entry: arguments.entry.clone(),
            cause: arguments.cause.clone(),
            failure: arguments.failure.clone(),
            censored: arguments.censored.clone(),
            group: arguments.group.clone(),
            stratum: arguments.stratum.clone(),
            cluster: arguments.cluster.clone(),
            weight: arguments.weight.clone(),
            covariates: arguments.covariate.clone(),
            factors: factors.collect(),
        },
        want: once,
        at: sorted(&arguments.at),
        given: arguments.given,
        until: arguments.until,
        cuts: sorted(if arguments.cuts.is_empty() { &arguments.at } else { &arguments.cuts }),
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
        variance: if arguments.cluster.is_some() && !arguments.independent {
            Variance::ClusterRobust
        } else {
            Variance::ModelBased
        },
        ties: arguments.ties,
        year: arguments.year,
        published_rate: arguments.published_rate,
        resamples: arguments.resamples,
        seed: arguments.seed,
        profile,
        residuals: arguments.residuals,
        curves: arguments.curves,
    })
}

fn try_run(arguments: &EstimateArguments) -> Result<(), Stop> {
    let mut asked = asked(arguments)?;
    progress("reading the table");
    let read = read_columns(&arguments.table, &wanted_columns(&asked)).map_err(|trouble| match trouble {
        Trouble::Command(why) => usage(why),
        Trouble::Table(why) => Stop(Exit::Findings, escaped(&why)),
    })?;
    if read.unreadable_count > 0 {
        return Err(Stop(Exit::Findings, text::unreadable(&read)));
    }
    progress("estimating");
    let data =
        make_ready(&mut asked, read, arguments.leave_out_incomplete).map_err(|why| Stop(Exit::Findings, escaped(&why)))?;
    let answers = answer::answer(&mut asked, &data).map_err(usage)?;
    if arguments.json {
        return tell(&answer::json(&answers));
    }
    if let Some(path) = &arguments.out {
        std::fs::write(path, answer::json(&answers))
            .map_err(|error| Stop(Exit::NotWritten, format!("{} can't be written: {error}.\n", path.display())))?;
    }
    tell(&text::table(&answers))
}

/// Writes to standard output. A reader that has gone away is no error; a full disk is.
fn tell(text: &str) -> Result<(), Stop> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Stop(Exit::NotWritten, format!("The result can't be written: {error}.\n")))
        }
        _ => Ok(()),
    }
}
