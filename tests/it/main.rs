//! Tests of whole runs and of the numbers, as one binary.

mod stats_properties;
mod stats_reference;
