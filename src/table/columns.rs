//! One builder a column: cells are pushed as they are checked, and the column comes out typed.

use polars::prelude::{
    ChunkedBuilder, Column, Float64Type, Int32Type, IntoColumn, IntoSeries, PlSmallStr, PrimitiveChunkedBuilder,
    StringChunkedBuilder, UInt8Type,
};

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
    Day(PrimitiveChunkedBuilder<Int32Type>),
    /// Numbers in the column's unit.
    Number(PrimitiveChunkedBuilder<Float64Type>),
    /// Places in a vocabulary, ISO teeth, grades, or score signs.
    Code(PrimitiveChunkedBuilder<UInt8Type>),
}

impl ColumnBuilder {
    /// A builder for the cells of a column.
    pub fn new(name: &str, cell: Cell) -> Self {
        let name = PlSmallStr::from_str(name);
        match cell {
            Cell::Text => Self::Text(StringChunkedBuilder::new(name, 0)),
            Cell::Day => Self::Day(PrimitiveChunkedBuilder::new(name, 0)),
            Cell::Number { .. } => Self::Number(PrimitiveChunkedBuilder::new(name, 0)),
            Cell::Tooth | Cell::Grade { .. } | Cell::Term(_) | Cell::Score(_) => {
                Self::Code(PrimitiveChunkedBuilder::new(name, 0))
            }
        }
    }

    /// Adds an empty cell.
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
