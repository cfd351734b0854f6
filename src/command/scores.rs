//! `scores`: scores from any field, compared and held against each other, through the same engine.

use std::path::PathBuf;

use clap::{Args, ValueEnum as _};

use super::answering::{Cells, Telling, disordered, misused, read, tell};
use super::estimate_arguments::AdjustmentAsked;
use super::exit::Exit;
use super::reading::{Stop, ended, progress};
use crate::estimate::columns::Trouble;
use crate::quantity::ConfidenceLevel;
use crate::scores::asked::{ScoreRoles, ScoreWant, ScoresAsked};
use crate::scores::data::{make_ready, wanted_columns};
use crate::scores::{answer, text};
use crate::stats::{AdjustmentMethod, ZeroDifferences};

/// Arguments of `scores`.
#[derive(Debug, Args)]
pub struct ScoresArguments {
    /// Table with one row for each score: .csv, .parquet, .xlsx or .jsonl.
    table: PathBuf,
    /// Column with the score: a code such as alpha, or a number.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    score: String,
    /// Column of the groups to compare.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    group: Option<String>,
    /// Column of the clusters: scores of one cluster may hang together [default: the subjects, where they are named].
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    cluster: Option<String>,
    /// Column that says what was scored, where it was scored several times.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    subject: Option<String>,
    /// Column that says who scored it, or on which occasion.
    #[arg(long, visible_alias = "occasion", value_name = "COLUMN", help_heading = "Columns")]
    examiner: Option<String>,
    #[command(flatten)]
    cells: Cells,
    /// What to tell, several with commas between [default: table, and ranks if there are groups; agreement if there are examiners].
    #[arg(long, value_enum, value_name = "WHAT", value_delimiter = ',', help_heading = "What to tell")]
    want: Vec<ScoreWant>,
    /// All scores in ascending order [default: numbers by size, texts by letter].
    #[arg(long, value_name = "SCORE", value_delimiter = ',', allow_negative_numbers = true, help_heading = "What to tell")]
    levels: Vec<String>,
    /// The scores whose share is asked [default: the last, where there are two].
    #[arg(long, value_name = "SCORE", value_delimiter = ',', allow_negative_numbers = true, help_heading = "What to tell")]
    share_of: Vec<String>,
    /// A number for each group in their order, for the trend [default: 1, 2, 3 and so on].
    #[arg(long, value_name = "NUMBER", value_delimiter = ',', allow_negative_numbers = true, help_heading = "What to tell")]
    group_scores: Vec<f64>,
    /// How the tests of pairs are adjusted for their number.
    #[arg(long, value_enum, value_name = "METHOD", default_value_t = AdjustmentAsked::Holm, help_heading = "How")]
    adjustment: AdjustmentAsked,
    /// Rank pairs without a difference with the others before their ranks are dropped, in the test of signed ranks [default: such
    /// pairs are dropped first].
    #[arg(long, help_heading = "How")]
    rank_equal_pairs: bool,
    /// Coverage of intervals.
    #[arg(long, value_name = "LEVEL", default_value_t = 0.95, help_heading = "How")]
    confidence: f64,
    /// Take all rows as independent, though clusters or subjects are named.
    #[arg(long, help_heading = "How")]
    independent: bool,
    /// How many steps the exact test of a table may take; a million is some tenth of a second.
    #[arg(long, value_name = "NUMBER", default_value_t = 10_000_000, help_heading = "How")]
    exact_steps: u64,
    /// How many random tables are drawn where the exact test would take more steps.
    #[arg(long, value_name = "NUMBER", default_value_t = 100_000, value_parser = clap::value_parser!(u32).range(100..), help_heading = "How")]
    sampled_tables: u32,
    /// How many times subjects or clusters are resampled for the limits of alpha, at least 100.
    #[arg(long, value_name = "NUMBER", default_value_t = 1999, value_parser = clap::value_parser!(u32).range(100..), help_heading = "How")]
    resamples: u32,
    /// Where the random numbers start; the same number gives the same results.
    #[arg(long, value_name = "NUMBER", default_value_t = 1, help_heading = "How")]
    seed: u64,
    /// Leave rows out that lack a score, group, cluster, subject or examiner, and count them.
    #[arg(long, help_heading = "How")]
    leave_out_incomplete: bool,
    #[command(flatten)]
    telling: Telling,
}

/// Runs `scores`.
pub fn run(arguments: &ScoresArguments) -> Exit {
    ended(try_run(arguments).map(|()| Exit::Done))
}

fn try_run(arguments: &ScoresArguments) -> Result<(), Stop> {
    let mut asked = asked(arguments)?;
    let read = read(&arguments.table, &wanted_columns(&asked), &arguments.cells)?;
    progress("comparing");
    let stop = |trouble| match trouble {
        Trouble::Command(why) => misused(why),
        Trouble::Table(why) => disordered(format!("{}: {why}", arguments.table.display())),
    };
    let data = make_ready(&mut asked, read, arguments.leave_out_incomplete).map_err(stop)?;
    let answers = answer::answer(&mut asked, &data).map_err(stop)?;
    tell(&arguments.telling, &answers, || text::table(&answers))
}

/// What is wanted where nothing was said.
fn usual(arguments: &ScoresArguments) -> Vec<ScoreWant> {
    match (&arguments.examiner, &arguments.group) {
        (Some(_), Some(_)) => vec![ScoreWant::Table, ScoreWant::Ranks, ScoreWant::Agreement],
        (Some(_), None) => vec![ScoreWant::Agreement],
        (None, Some(_)) => vec![ScoreWant::Table, ScoreWant::Ranks],
        (None, None) => vec![ScoreWant::Table],
    }
}

fn asked(arguments: &ScoresArguments) -> Result<ScoresAsked, Stop> {
    let level = ConfidenceLevel::new(arguments.confidence)
        .ok_or_else(|| misused("A confidence level lies between 0 and 1.\nMend: give one such as --confidence 0.95."))?;
    let mut want = Vec::new();
    for one in if arguments.want.is_empty() { usual(arguments) } else { arguments.want.clone() } {
        if !want.contains(&one) {
            want.push(one);
        }
    }
    let name = |want: ScoreWant| want.to_possible_value().map_or_else(String::new, |value| value.get_name().to_owned());
    if let (Some(one), None) = (want.iter().find(|want| want.needs_groups()), &arguments.group) {
        return Err(misused(format!("{} compares groups.\nMend: name their column with --group.", name(*one))));
    }
    let crossed = arguments.subject.is_some() && arguments.examiner.is_some();
    if let (Some(one), false) = (want.iter().find(|want| want.needs_subjects()), crossed) {
        return Err(misused(format!(
            "{} compares several scores of the same subject.\nMend: say with --subject what was scored, and with --examiner by whom or when.",
            name(*one)
        )));
    }
    let wants = |some: &[ScoreWant]| some.iter().any(|one| want.contains(one));
    let of_use = [
        ("--share-of", !arguments.share_of.is_empty(), &[ScoreWant::Shares, ScoreWant::Trend, ScoreWant::Paired][..]),
        ("--group-scores", !arguments.group_scores.is_empty(), &[ScoreWant::Trend][..]),
        ("--rank-equal-pairs", arguments.rank_equal_pairs, &[ScoreWant::Paired][..]),
        (
            "--group",
            arguments.group.is_some(),
            &[ScoreWant::Table, ScoreWant::Shares, ScoreWant::Ranks, ScoreWant::Trend][..],
        ),
        ("--examiner", arguments.examiner.is_some(), &[ScoreWant::Paired, ScoreWant::Agreement][..]),
    ];
    if let Some((option, _, uses)) = of_use.into_iter().find(|(_, given, uses)| *given && !wants(uses)) {
        let names: Vec<String> = uses.iter().map(|want| name(*want)).collect();
        return Err(misused(format!(
            "{option} is of no use to what is wanted.\nMend: leave it out, or add to --want: {}.",
            names.join(" or ")
        )));
    }
    if let Some(number) = arguments.group_scores.iter().find(|number| !number.is_finite()) {
        return Err(misused(format!("--group-scores takes plain numbers, and {number} is none.\nMend: correct it.")));
    }
    let clusters = arguments.cluster.is_some() || arguments.subject.is_some();
    if arguments.independent && !clusters {
        return Err(misused("--independent is of no use without clusters or subjects.\nMend: leave it out."));
    }
    Ok(ScoresAsked {
        roles: ScoreRoles {
            score: arguments.score.clone(),
            group: arguments.group.clone(),
            cluster: arguments.cluster.clone(),
            subject: arguments.subject.clone(),
            examiner: arguments.examiner.clone(),
        },
        want,
        levels: arguments.levels.clone(),
        share_of: arguments.share_of.clone(),
        group_scores: arguments.group_scores.clone(),
        adjustment: match arguments.adjustment {
            AdjustmentAsked::Holm => AdjustmentMethod::Holm,
            AdjustmentAsked::Hochberg => AdjustmentMethod::Hochberg,
            AdjustmentAsked::BenjaminiHochberg => AdjustmentMethod::BenjaminiHochberg,
        },
        zero_differences: if arguments.rank_equal_pairs {
            ZeroDifferences::RankedThenDropped
        } else {
            ZeroDifferences::Dropped
        },
        level,
        clustered: clusters && !arguments.independent,
        exact_steps: arguments.exact_steps,
        sampled_tables: arguments.sampled_tables,
        resamples: arguments.resamples,
        seed: arguments.seed,
    })
}
