//! Tests of whole runs and of the numbers, as one binary.
#![allow(
    clippy::expect_used,
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    reason = "a test that can't go on fails; what it measured it prints"
)]

mod browser;
mod charts;
mod compare_command;
mod comparison;
mod comparison_page;
mod course;
mod coverage;
mod dialects;
mod dirt;
mod draft;
mod endpoints;
mod estimate;
mod estimate_axis;
mod estimate_intervals;
mod estimate_options;
mod estimate_parametric;
mod estimate_weighted;
mod explain;
mod export;
mod figures_command;
mod findings_file;
mod follow_up_file;
mod generated;
mod guards;
mod invented;
mod layout;
mod messages;
mod picture;
mod pictures;
mod plan_command;
mod registry_damage;
mod registry_faults;
mod registry_ground;
mod registry_messages;
mod registry_model;
mod registry_parts;
mod registry_races;
mod registry_records;
mod run;
mod scores_command;
mod several_practices;
mod stats_adjustment;
mod stats_comparisons;
mod stats_competing;
mod stats_coverage;
mod stats_cox;
mod stats_curves;
mod stats_differences;
mod stats_intervals;
mod stats_parametric;
mod stats_planning;
mod stats_properties;
mod stats_rates;
mod stats_recalls;
mod stats_reference;
mod stats_scores;
mod stats_watching;
mod tables;
mod template;
mod trials;
mod unzip;
mod watch_command;
mod years_and_teeth;
