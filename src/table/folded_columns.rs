//! Columns whose rows say the same again and again: each form of their cells is held once, and each row tells which it has; of a column
//! whose neighbouring rows say the same, each run of rows.

use polars::prelude::{Column, DataFrame, IdxCa, PlSmallStr};

use super::TableError;

/// Some columns of a table, folded.
#[derive(Clone, Debug)]
pub struct FoldedColumns {
    /// A row for each form, in the order in which rows have them first. Two may say the same.
    pub forms: DataFrame,
    /// The form of each row of the table, by its place.
    pub of_row: Vec<u32>,
}

/// A column of a table, run by run.
#[derive(Clone, Debug)]
pub struct RunColumn {
    /// A row for each run. Two that follow each other may say the same.
    pub values: Column,
    /// How many rows each run has.
    pub rows: Vec<u32>,
}

impl FoldedColumns {
    /// The columns, row by row.
    ///
    /// # Errors
    /// When a row has a form that is not there, which would be a fault of the program.
    pub fn unfolded(self) -> Result<DataFrame, TableError> {
        Ok(self.forms.take(&IdxCa::from_vec(PlSmallStr::EMPTY, self.of_row))?)
    }
}

impl RunColumn {
    /// The column, row by row.
    ///
    /// # Errors
    /// When there are more runs than values, which would be a fault of the program.
    pub fn unfolded(self) -> Result<Column, TableError> {
        let runs = (0..).zip(&self.rows);
        let places = runs.flat_map(|(run, rows)| std::iter::repeat_n(run, *rows as usize)).collect();
        Ok(self.values.take(&IdxCa::from_vec(PlSmallStr::EMPTY, places))?)
    }
}

#[cfg(test)]
mod tests {
    use polars::prelude::{NamedFrom, Series};

    use super::*;

    fn column(name: &str, values: &[Option<&str>]) -> Column {
        Series::new(name.into(), values).into()
    }

    #[test]
    fn each_row_gets_the_cells_of_its_form() {
        let forms = vec![column("b", &[Some("x"), None]), column("d", &[Some("y"), Some("z")])];
        let folded = FoldedColumns { forms: DataFrame::new_infer_height(forms).expect("forms"), of_row: vec![0, 1, 0] };
        let expected = vec![column("b", &[Some("x"), None, Some("x")]), column("d", &[Some("y"), Some("z"), Some("y")])];
        let whole = folded.unfolded().expect("columns");
        assert!(whole.equals_missing(&DataFrame::new_infer_height(expected).expect("a table")), "{whole}");
    }

    #[test]
    fn each_row_gets_the_value_of_its_run() {
        let runs = RunColumn { values: column("a", &[Some("x"), Some("x"), None]), rows: vec![1, 2, 3] };
        let expected = column("a", &[Some("x"), Some("x"), Some("x"), None, None, None]);
        assert!(runs.unfolded().expect("a column").equals_missing(&expected));
    }
}
