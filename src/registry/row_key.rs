//! What makes two rows speak of the same thing: a placement's restoration; a visit's restoration, day and examiner.

use polars::prelude::{DataFrame, StringChunked};

use super::error::RegistryError;
use super::manifest::Holds;
use crate::table::NO_DAY;

/// Restoration, day, examiner; of a placement the restoration alone.
pub type RowKey<'a> = (&'a str, i32, Option<&'a str>);

/// The keys of a table's rows.
pub struct RowKeys<'a> {
    restoration: &'a StringChunked,
    visit: Option<(Vec<i32>, &'a StringChunked)>,
}

impl<'a> RowKeys<'a> {
    /// The keys of a table.
    pub fn new(frame: &'a DataFrame, holds: Holds) -> Result<Self, RegistryError> {
        let text = |name: &str| -> Result<&'a StringChunked, RegistryError> {
            Ok(frame.column(name)?.as_materialized_series().str()?)
        };
        let visit = match holds {
            Holds::Placements => None,
            Holds::Visits => {
                let days = frame.column("visited_on")?.as_materialized_series().date()?;
                Some((days.physical().iter().map(|day| day.unwrap_or(NO_DAY)).collect(), text("examiner")?))
            }
        };
        Ok(Self { restoration: text("restoration_id")?, visit })
    }

    /// The key of a row.
    pub fn key(&self, row: usize) -> RowKey<'a> {
        let restoration = self.restoration.get(row).unwrap_or("");
        match &self.visit {
            None => (restoration, NO_DAY, None),
            Some((days, examiner)) => (restoration, days.get(row).copied().unwrap_or(NO_DAY), examiner.get(row)),
        }
    }
}
