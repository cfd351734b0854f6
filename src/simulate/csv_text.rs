//! Invented records as CSV, in the record's own columns; streams, so any size will do.

use std::io::{self, Write};

use super::practice::SimulatedPractice;

/// Writes all placements and visits.
///
/// # Errors
/// When a writer fails.
pub fn write_records(
    practice: &SimulatedPractice,
    placements: impl Write,
    visits: impl Write,
) -> io::Result<(u64, u64, u64)> {
    let (mut placement_rows, mut visit_rows) = (csv::Writer::from_writer(placements), csv::Writer::from_writer(visits));
    let (mut patients, mut placed, mut seen) = (0, 0, 0);
    for patient in practice.patients() {
        patients += 1;
        for placement in &patient.placements {
            placement_rows.serialize(placement).map_err(io::Error::other)?;
            placed += 1;
        }
        for visit in &patient.visits {
            visit_rows.serialize(visit).map_err(io::Error::other)?;
            seen += 1;
        }
    }
    placement_rows.flush()?;
    visit_rows.flush()?;
    Ok((patients, placed, seen))
}
