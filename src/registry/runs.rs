//! New rows that come in order, as those of one export mostly do: all of a patient together, restorations in rising order, visits in the
//! order of their restorations. Then parts are stretches of the rows as they were staged, and nothing is put down again by part.
//!
//! Cost.  One pass over the ids. Memory: 8 bytes a patient.

use polars::prelude::{DataFrame, StringChunked};

use super::error::RegistryError;
use super::manifest::Holds;
use super::staging::Staged;
use crate::table::text_hash::text_hash;
use crate::table::text_order::{Rising, TextOrder};
use crate::wording::folded;

/// More patients than this are not remembered.
const MOST_PATIENTS: usize = 32_000_000;

/// How many times longer than the mean a stretch may be.
const UNEVEN: u64 = 4;

/// Stretches of placements and visits that belong together.
pub(super) struct Runs {
    /// Where each stretch of placements begins, and that of visits; one more than stretches.
    starts: Vec<[u64; 2]>,
}

/// Where a stretch of placements may begin: the row, and its restoration.
struct Boundary {
    row: u64,
    restoration: String,
}

impl Runs {
    /// Cuts staged rows into about so many stretches; none if they don't come in order, or would make a stretch far longer than others.
    ///
    /// # Errors
    /// When rows can't be read again.
    pub(super) fn find(staged: &Staged, wanted: usize) -> Result<Option<Self>, RegistryError> {
        let Some((order, boundaries)) = placements_cut(staged, wanted)? else { return Ok(None) };
        let [placements, visits] = staged.rows();
        let mut starts = vec![[0, 0]];
        let mut next = boundaries.iter().peekable();
        let (mut row, mut rising) = (0, Rising::new());
        staged.pieces_of(Holds::Visits, &["restoration_id"], &mut |frame| {
            let ids = text(&frame, "restoration_id")?;
            rising.take(ids);
            let mut last = None;
            for id in ids.iter() {
                let id = id.unwrap_or("");
                if last == Some(id) {
                    row += 1;
                    continue;
                }
                last = Some(id);
                while let Some(boundary) = next.next_if(|boundary| order.compare(&boundary.restoration, id).is_le()) {
                    starts.push([boundary.row, row]);
                }
                row += 1;
            }
            Ok(rising.rises_by(order))
        })?;
        if !rising.rises_by(order) {
            return Ok(None);
        }
        starts.extend(next.map(|boundary| [boundary.row, visits]));
        starts.push([placements, visits]);
        // Visits without placements, say, would all be in one.
        let most = (placements + visits) / wanted as u64 * UNEVEN;
        let fits = |pair: &[[u64; 2]]| pair[1][0] - pair[0][0] + pair[1][1] - pair[0][1] <= most;
        Ok(starts.windows(2).all(fits).then_some(Self { starts }))
    }

    /// How many stretches.
    pub(super) const fn count(&self) -> usize {
        self.starts.len() - 1
    }

    /// Where the rows of a stretch begin and end.
    pub(super) fn of(&self, stretch: usize, holds: Holds) -> (u64, u64) {
        let place = usize::from(holds == Holds::Visits);
        (self.starts[stretch][place], self.starts[stretch + 1][place])
    }
}

/// The order of restorations, and where a stretch may end: between two patients. None if restorations don't rise, or a patient's rows don't
/// stand together.
fn placements_cut(staged: &Staged, wanted: usize) -> Result<Option<(TextOrder, Vec<Boundary>)>, RegistryError> {
    let step = (staged.rows()[0] / wanted as u64).max(1);
    let (mut row, mut boundaries) = (0, Vec::new());
    let (mut patients, mut last): (Vec<u64>, [String; 2]) = (Vec::new(), [String::new(), String::new()]);
    let (mut rising, mut in_order) = (Rising::new(), true);
    staged.pieces_of(Holds::Placements, &["restoration_id", "patient_id"], &mut |frame| {
        let (restorations, ids) = (text(&frame, "restoration_id")?, text(&frame, "patient_id")?);
        rising.take(restorations);
        for (restoration, patient) in restorations.iter().zip(ids.iter()) {
            let (restoration, patient) = (restoration.unwrap_or(""), patient.unwrap_or(""));
            // A restoration that is given with two patients keeps both together.
            let begins = restoration != last[0];
            if begins {
                restoration.clone_into(&mut last[0]);
            }
            if row == 0 || patient != last[1] {
                let known = text_hash(&folded(patient));
                // Two spellings of one patient may follow each other.
                if patients.last() != Some(&known) {
                    patients.push(known);
                    if begins && row >= step * (boundaries.len() as u64 + 1) {
                        boundaries.push(Boundary { row, restoration: restoration.to_owned() });
                    }
                }
                patient.clone_into(&mut last[1]);
            }
            row += 1;
        }
        in_order = rising.order().is_some() && patients.len() <= MOST_PATIENTS;
        Ok(in_order)
    })?;
    patients.sort_unstable();
    let together = patients.windows(2).all(|pair| pair[0] != pair[1]);
    Ok(rising.order().filter(|_| in_order && together).map(|order| (order, boundaries)))
}

fn text<'a>(frame: &'a DataFrame, name: &str) -> Result<&'a StringChunked, RegistryError> {
    Ok(frame.column(name)?.as_materialized_series().str()?)
}

#[cfg(test)]
mod tests {
    use polars::prelude::{Column, IntoColumn, NewChunkedArray};

    use super::super::{Pseudonyms, Registry, Writer};
    use super::*;
    use crate::table::columns::whole_numbers;
    use crate::table::records::{FILE_COLUMN, ROW_COLUMN};

    /// Rows staged piece by piece, and where they are cut; `held` rows of a kind stay in memory.
    fn cut(placements: &[(String, String)], visits: &[String], wanted: usize, held: usize) -> Option<Vec<[u64; 2]>> {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("kept");
        Registry::create(&path, &Pseudonyms::Plain).expect("a registry");
        let writer = Writer::take(&path).expect("a writer");
        let mut staging = writer.stage(&Pseudonyms::Plain, &[], held);
        let text = |name: &str, texts: Vec<&str>| -> Column { StringChunked::from_slice(name.into(), &texts).into_column() };
        let mut take = |holds, mut columns: Vec<Column>| {
            let rows = columns[0].len();
            columns.extend([FILE_COLUMN, ROW_COLUMN].map(|name| whole_numbers(name, vec![0; rows])));
            staging.take(holds, &DataFrame::new_infer_height(columns).expect("a frame")).expect("taken");
        };
        for some in placements.chunks(7) {
            let restorations = some.iter().map(|row| row.0.as_str()).collect();
            let patients = some.iter().map(|row| row.1.as_str()).collect();
            take(Holds::Placements, vec![text("restoration_id", restorations), text("patient_id", patients)]);
        }
        for some in visits.chunks(11) {
            take(Holds::Visits, vec![text("restoration_id", some.iter().map(String::as_str).collect())]);
        }
        let staged = staging.end(Vec::new()).expect("staged");
        let runs = Runs::find(&staged, wanted).expect("read again")?;
        for stretch in 0..runs.count() {
            for (holds, rows) in [(Holds::Placements, placements.len()), (Holds::Visits, visits.len())] {
                let (from, to) = runs.of(stretch, holds);
                let found = staged.rows_between(holds, (from, to)).expect("rows");
                assert_eq!(found.map_or(0, |frame| frame.height() as u64), to - from, "of {rows}");
            }
        }
        Some(runs.starts)
    }

    fn rows(patients: impl Fn(usize) -> String) -> (Vec<(String, String)>, Vec<String>) {
        let placements = (0..40).map(|n| (format!("R{n}-1"), patients(n))).collect();
        // Visits of restorations that were never placed stand among the others.
        let visits = (0..40).flat_map(|n| vec![format!("R{n}-1"); n % 4].into_iter().chain([format!("R{n}-2")])).collect();
        (placements, visits)
    }

    #[test]
    fn patients_and_their_visits_stay_together() {
        let (placements, visits) = rows(|n| format!("P{}", n / 3));
        for held in [0, 1_000] {
            let starts = cut(&placements, &visits, 5, held).expect("they come in order");
            assert_eq!((starts[0], starts[starts.len() - 1]), ([0, 0], [40, visits.len() as u64]));
            assert_eq!(starts.len(), 6);
            for start in &starts[1..5] {
                let [row, visit] = start.map(|place| usize::try_from(place).expect("a place"));
                assert_ne!(placements[row - 1].1, placements[row].1, "a patient is cut");
                let known = |id: &str| id.split('-').next().map(|id| format!("{id}-1")).unwrap_or_default();
                assert_eq!(known(&visits[visit]), placements[row].0);
                assert_eq!(known(&visits[visit - 1]), placements[row - 1].0);
            }
        }
    }

    #[test]
    fn what_does_not_come_in_order_is_not_cut() {
        let (placements, visits) = rows(|n| format!("P{}", n % 13));
        assert_eq!(cut(&placements, &visits, 5, 0), None, "patients come again");
        let (mut placements, mut visits) = rows(|n| format!("P{n}"));
        assert!(cut(&placements, &visits, 5, 0).is_some());
        visits.swap(3, 30);
        assert_eq!(cut(&placements, &visits, 5, 0), None, "a visit out of order");
        visits.swap(3, 30);
        placements.swap(8, 9);
        assert_eq!(cut(&placements, &visits, 5, 0), None, "a placement out of order");
    }

    #[test]
    fn a_restoration_with_two_patients_keeps_them_together() {
        let (mut placements, visits) = rows(|n| format!("P{n}"));
        // All of them share a restoration with the next, so that there is nowhere to cut.
        placements.iter_mut().for_each(|row| "R1".clone_into(&mut row.0));
        assert_eq!(cut(&placements, &visits[..1], 2, 0), Some(vec![[0, 0], [40, 1]]));
        assert_eq!(cut(&placements, &visits[..1], 5, 0), None, "too long a stretch");
    }

    #[test]
    fn visits_without_placements_are_not_one_stretch() {
        let (_, visits) = rows(|n| format!("P{n}"));
        assert_eq!(cut(&[], &visits, 5, 0), None);
    }
}
