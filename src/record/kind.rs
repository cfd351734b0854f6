//! The two kinds of records.

use super::column::{Column, PLACEMENT_COLUMNS, VISIT_COLUMNS};

/// Which kind of records a table holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RecordKind {
    /// Placements.
    Placement,
    /// Visits.
    Visit,
}

impl RecordKind {
    /// Its columns.
    pub const fn columns(self) -> &'static [Column] {
        match self {
            Self::Placement => PLACEMENT_COLUMNS,
            Self::Visit => VISIT_COLUMNS,
        }
    }

    /// What people call such rows.
    pub const fn label(self) -> &'static str {
        match self {
            Self::Placement => "placements",
            Self::Visit => "visits",
        }
    }
}
