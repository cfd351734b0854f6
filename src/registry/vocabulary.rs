//! Kept codes to today's codes.
//!
//! A coded column holds places in a list of terms. The manifest keeps the lists that held when a batch was written, so that a
//! later version with more terms, or in another order, reads the same terms.

use std::collections::BTreeMap;

use polars::prelude::{ChunkAgg, DataFrame, IntoColumn, NewChunkedArray, UInt8Chunked};

use super::error::RegistryError;
use crate::record::{Cell, Column, PLACEMENT_COLUMNS, Term, VISIT_COLUMNS, find_term};

/// For each coded column the codes of its terms, in order.
pub type TermTables = BTreeMap<String, Vec<String>>;

/// The lists of this version.
pub fn todays_terms() -> TermTables {
    let columns = PLACEMENT_COLUMNS.iter().chain(VISIT_COLUMNS);
    columns
        .filter_map(|column| match column.cell {
            Cell::Term(terms) => Some((column.name.to_owned(), terms.iter().map(|term| term.code.to_owned()).collect())),
            _ => None,
        })
        .collect()
}

/// Today's place of each kept code; none where today has no such term.
fn places(kept: &[String], today: &[Term]) -> Vec<Option<u8>> {
    kept.iter().map(|code| find_term(today, code)).collect()
}

/// A table with kept codes as a table with today's codes.
///
/// # Errors
/// When it holds a term that this version doesn't know.
pub fn translate(
    mut frame: DataFrame,
    columns: &[Column],
    kept: &TermTables,
    batch: u32,
) -> Result<DataFrame, RegistryError> {
    for column in columns {
        let Cell::Term(today) = column.cell else { continue };
        let Ok(found) = frame.column(column.name) else { continue };
        let empty = Vec::new();
        let list = kept.get(column.name).unwrap_or(&empty);
        let places = places(list, today);
        if places.iter().zip(0_u8..).all(|(place, same)| *place == Some(same))
            && places.len() == list.len()
            && !list.is_empty()
        {
            let highest = found.as_materialized_series().u8()?.max();
            if highest.is_none_or(|highest| usize::from(highest) < places.len()) {
                continue;
            }
        }
        let unknown = |code: u8| {
            let term = list.get(usize::from(code)).map_or_else(|| format!("number {code}"), Clone::clone);
            RegistryError::UnknownInBatch { batch, what: format!("the term {term} in the column {}", column.name) }
        };
        let translated: Vec<Option<u8>> = found
            .as_materialized_series()
            .u8()?
            .iter()
            .map(|code| match code {
                None => Ok(None),
                Some(code) => places.get(usize::from(code)).copied().flatten().map(Some).ok_or_else(|| unknown(code)),
            })
            .collect::<Result<_, _>>()?;
        frame.with_column(UInt8Chunked::from_slice_options(column.name.into(), &translated).into_column())?;
    }
    Ok(frame)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Coded, Need, Surface};

    fn column() -> Column {
        Column { name: "surface", label: "", cell: Cell::Term(Surface::TERMS), need: Need::Optional }
    }

    fn frame(codes: &[Option<u8>]) -> DataFrame {
        let column = UInt8Chunked::from_slice_options("surface".into(), codes).into_column();
        DataFrame::new_infer_height(vec![column]).expect("a frame")
    }

    #[test]
    fn a_list_in_another_order_gives_the_same_terms() {
        let today: Vec<String> = Surface::TERMS.iter().map(|term| term.code.to_owned()).collect();
        let kept = TermTables::from([("surface".to_owned(), today.iter().rev().cloned().collect())]);
        let translated = translate(frame(&[Some(0), None]), &[column()], &kept, 1).expect("known terms");
        let last = u8::try_from(today.len() - 1).expect("few terms");
        assert_eq!(
            translated.column("surface").expect("it").u8().expect("codes").iter().collect::<Vec<_>>(),
            [Some(last), None]
        );
    }

    #[test]
    fn an_unknown_term_is_refused_if_a_row_has_it() {
        let mut list: Vec<String> = Surface::TERMS.iter().map(|term| term.code.to_owned()).collect();
        list.insert(0, "no_longer_a_surface".to_owned());
        let kept = TermTables::from([("surface".to_owned(), list)]);
        assert!(translate(frame(&[Some(1)]), &[column()], &kept, 1).is_ok());
        let refused = translate(frame(&[Some(0)]), &[column()], &kept, 4).expect_err("unknown");
        assert!(refused.to_string().contains("Batch 4 holds the term no_longer_a_surface"), "{refused}");
    }
}
