//! Invented records as CSV, in the record's own columns; streams, so any size will do.

use std::io::{self, Write};

use super::practice::SimulatedPractice;
use crate::record::{Column, PLACEMENT_COLUMNS, VISIT_COLUMNS};

/// Writes all placements and visits; gives the numbers of patients, placements and visits.
///
/// # Errors
/// When a writer fails.
pub fn write_records(
    practice: &SimulatedPractice,
    placements: impl Write,
    visits: impl Write,
) -> io::Result<(u64, u64, u64)> {
    let mut placement_rows = headed(placements, PLACEMENT_COLUMNS)?;
    let mut visit_rows = headed(visits, VISIT_COLUMNS)?;
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

/// A writer that has written the names of the columns, also where no row follows.
fn headed<W: Write>(file: W, columns: &[Column]) -> io::Result<csv::Writer<W>> {
    let mut rows = csv::WriterBuilder::new().has_headers(false).from_writer(file);
    rows.write_record(columns.iter().map(|column| column.name)).map_err(io::Error::other)?;
    Ok(rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_without_rows_still_names_its_columns() {
        let practice = SimulatedPractice { restorations: 0, ..SimulatedPractice::default() };
        let mut placements = Vec::new();
        assert_eq!(write_records(&practice, &mut placements, io::sink()).expect("written"), (0, 0, 0));
        assert!(
            placements.starts_with(b"restoration_id,patient_id,tooth,surface,placed_on,") && placements.ends_with(b"\n")
        );
    }

    /// Cells stand under their own column: read back by name, a row is the placement that it came from.
    #[test]
    fn rows_read_back_by_column_are_the_placements() {
        let practice = SimulatedPractice { restorations: 50, ..SimulatedPractice::default() };
        let mut written = Vec::new();
        write_records(&practice, &mut written, io::sink()).expect("written");
        let read: Vec<crate::record::Placement> =
            csv::Reader::from_reader(&written[..]).deserialize().collect::<Result<_, _>>().expect("placements");
        assert_eq!(read, practice.patients().flat_map(|patient| patient.placements).collect::<Vec<_>>());
    }
}
