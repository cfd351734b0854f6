//! One builder a column: cells are pushed as they are checked, and the column comes out typed.

use polars::prelude::{
    ChunkedArray, Column, Float64Type, Int32Type, IntoColumn, IntoSeries, PlSmallStr, PolarsNumericType,
    StringChunkedBuilder, UInt8Type,
};
use polars_arrow::bitmap::Bitmap;

use crate::record::Cell;

/// Stands for "no code" where codes are read as plain numbers.
pub const NO_CODE: u8 = u8::MAX;
/// Stands for "no day" where days are read as plain numbers.
pub const NO_DAY: i32 = i32::MIN;

/// A column under construction.
pub enum ColumnBuilder {
    /// Text.
    Text(StringChunkedBuilder),
    /// Days since 1970-01-01.
    Day(NumberBuilder<Int32Type>),
    /// Numbers in the column's unit.
    Number(NumberBuilder<Float64Type>),
    /// Places in a vocabulary, ISO teeth, grades, or score signs.
    Code(NumberBuilder<UInt8Type>),
}

/// A column of plain numbers under construction: cells are numbers side by side, an empty one among them a number that stands for
/// none, and which are empty is told once, when the column is finished.
pub struct NumberBuilder<T: Gapped> {
    name: PlSmallStr,
    cells: Vec<T::Native>,
}

/// Numbers of which one stands for none.
pub trait Gapped: PolarsNumericType {
    /// That one.
    const NONE: Self::Native;
    /// Whether a number is that one.
    fn is_none(number: Self::Native) -> bool;
}

impl Gapped for Int32Type {
    const NONE: i32 = NO_DAY;

    fn is_none(number: i32) -> bool {
        number == NO_DAY
    }
}

impl Gapped for Float64Type {
    /// Numbers of the records are finite.
    const NONE: f64 = f64::NAN;

    fn is_none(number: f64) -> bool {
        number.is_nan()
    }
}

impl Gapped for UInt8Type {
    const NONE: u8 = NO_CODE;

    fn is_none(number: u8) -> bool {
        number == NO_CODE
    }
}

impl<T: Gapped> NumberBuilder<T> {
    fn with_room(name: PlSmallStr, room: usize) -> Self {
        Self { name, cells: Vec::with_capacity(room) }
    }

    /// Adds a number; that which stands for none adds an empty cell.
    #[inline]
    pub fn append_value(&mut self, number: T::Native) {
        self.cells.push(number);
    }

    /// Adds numbers; those that stand for none add empty cells.
    #[inline]
    pub fn extend(&mut self, numbers: impl Iterator<Item = T::Native>) {
        self.cells.extend(numbers);
    }

    /// The last cell; the number that stands for none where it is empty, or where there is none yet.
    pub fn last(&self) -> T::Native {
        self.cells.last().copied().unwrap_or(T::NONE)
    }

    /// Adds an empty cell.
    #[inline]
    pub fn append_null(&mut self) {
        self.cells.push(T::NONE);
    }

    fn finish(self) -> ChunkedArray<T> {
        if !self.cells.iter().any(|cell| T::is_none(*cell)) {
            return ChunkedArray::from_vec(self.name, self.cells);
        }
        let eight = |cells: &[T::Native]| {
            cells.iter().zip(0..).fold(0_u8, |bits, (cell, place)| bits | u8::from(!T::is_none(*cell)) << place)
        };
        let (eights, rest) = self.cells.as_chunks::<8>();
        let mut filled: Vec<u8> = eights.iter().map(|cells| eight(cells)).collect();
        filled.extend((!rest.is_empty()).then(|| eight(rest)));
        let filled = Bitmap::from_u8_vec(filled, self.cells.len());
        ChunkedArray::from_vec_validity(self.name, self.cells, Some(filled))
    }
}

impl ColumnBuilder {
    /// A builder for the cells of a column.
    pub fn new(name: &str, cell: Cell) -> Self {
        Self::with_room(name, cell, 0)
    }

    /// The same with room for so many cells.
    pub fn with_room(name: &str, cell: Cell, room: usize) -> Self {
        let name = PlSmallStr::from_str(name);
        match cell {
            Cell::Text => Self::Text(StringChunkedBuilder::new(name, room)),
            Cell::Day => Self::Day(NumberBuilder::with_room(name, room)),
            Cell::Number { .. } => Self::Number(NumberBuilder::with_room(name, room)),
            Cell::Tooth | Cell::Grade { .. } | Cell::Term(_) | Cell::Score(_) => {
                Self::Code(NumberBuilder::with_room(name, room))
            }
        }
    }

    /// Adds an empty cell.
    #[inline]
    pub fn push_none(&mut self) {
        match self {
            Self::Text(builder) => builder.append_null(),
            Self::Day(builder) => builder.append_null(),
            Self::Number(builder) => builder.append_null(),
            Self::Code(builder) => builder.append_null(),
        }
    }

    /// The finished column.
    pub fn finish(self) -> Column {
        match self {
            Self::Text(builder) => builder.finish().into_series().into_column(),
            Self::Day(builder) => builder.finish().into_date().into_series().into_column(),
            Self::Number(builder) => builder.finish().into_series().into_column(),
            Self::Code(builder) => builder.finish().into_series().into_column(),
        }
    }
}

/// A column of whole numbers without gaps.
pub fn whole_numbers(name: &str, numbers: Vec<u32>) -> Column {
    polars::prelude::UInt32Chunked::from_vec(PlSmallStr::from_str(name), numbers).into_series().into_column()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::Range;

    #[test]
    fn empty_cells_come_out_empty() {
        let anything = Range { least: 0.0, most: 9.0 };
        let mut numbers = ColumnBuilder::new("n", Cell::Number { possible: anything, plausible: anything });
        let mut days = ColumnBuilder::new("d", Cell::Day);
        let mut codes = ColumnBuilder::new("c", Cell::Tooth);
        for row in 0..130_u8 {
            if row % 3 == 0 {
                [&mut numbers, &mut days, &mut codes].into_iter().for_each(ColumnBuilder::push_none);
                continue;
            }
            if let ColumnBuilder::Number(numbers) = &mut numbers {
                numbers.append_value(f64::from(row) / 2.0);
            }
            if let ColumnBuilder::Day(days) = &mut days {
                days.append_value(i32::from(row) - 60);
            }
            if let ColumnBuilder::Code(codes) = &mut codes {
                codes.append_value(row);
            }
        }
        let (numbers, days, codes) = (numbers.finish(), days.finish(), codes.finish());
        assert_eq!([numbers.null_count(), days.null_count(), codes.null_count()], [44; 3]);
        let number: Vec<Option<f64>> = numbers.as_materialized_series().f64().expect("numbers").iter().collect();
        let day: Vec<Option<i32>> = days.as_materialized_series().date().expect("days").physical().iter().collect();
        let code: Vec<Option<u8>> = codes.as_materialized_series().u8().expect("codes").iter().collect();
        for (row, at) in (0..130_u8).zip(0_usize..) {
            let filled = row % 3 != 0;
            assert_eq!(number[at], filled.then(|| f64::from(row) / 2.0));
            assert_eq!(day[at], filled.then(|| i32::from(row) - 60));
            assert_eq!(code[at], filled.then_some(row));
        }
    }
}
