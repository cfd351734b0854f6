//! Where records come from, piece by piece.

use super::ExportError;
use crate::record::RecordKind;
use crate::table::{PlacementTable, RecordTable, VisitTable, decoding_threads};
use crate::threads::as_they_come;

/// Records that can be gone through again and again, and are the same rows in the same order each time.
pub trait Source {
    /// Why they don't come, or why they were not written.
    type Error: From<ExportError> + Send;

    /// The practice's own columns of placements.
    fn own_columns(&self) -> &[String];

    /// Goes through the rows of a kind piece by piece: `make` makes something of each on any thread, and `take` takes that in the
    /// order of the rows.
    ///
    /// # Errors
    /// When rows don't come, or what `make` or `take` says.
    fn pieces<T: Send>(
        &self,
        kind: RecordKind,
        make: impl Fn(RecordTable) -> Result<T, Self::Error> + Sync,
        take: impl FnMut(T) -> Result<(), Self::Error>,
    ) -> Result<(), Self::Error>;
}

/// Records in memory.
pub struct Tables<'a> {
    /// Placements.
    pub placements: &'a PlacementTable,
    /// Visits.
    pub visits: &'a VisitTable,
    /// The practice's own columns.
    pub own_columns: &'a [String],
}

/// Rows of a piece of a table in memory.
const PIECE: usize = 100_000;

impl Tables<'_> {
    /// The table of a kind.
    pub const fn table(&self, kind: RecordKind) -> &RecordTable {
        match kind {
            RecordKind::Placement => &self.placements.0,
            RecordKind::Visit => &self.visits.0,
        }
    }
}

impl Source for Tables<'_> {
    type Error = ExportError;

    fn own_columns(&self) -> &[String] {
        self.own_columns
    }

    fn pieces<T: Send>(
        &self,
        kind: RecordKind,
        make: impl Fn(RecordTable) -> Result<T, ExportError> + Sync,
        mut take: impl FnMut(T) -> Result<(), ExportError>,
    ) -> Result<(), ExportError> {
        let table = self.table(kind);
        let mut begins = (0..table.len()).step_by(PIECE);
        let next = || begins.next().map(|from| table.rows(from, PIECE));
        as_they_come(decoding_threads(), next, || (), |(), piece| make(piece), |made| take(made?))
    }
}
