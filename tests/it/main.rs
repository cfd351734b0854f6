//! Tests of whole runs and of the numbers, as one binary.

mod layout;
mod picture;
mod pictures;
mod run;
mod stats_properties;
mod stats_reference;
mod trials;
