//! What a visit states, its scores and its outcome, as one cell: the registry keeps it so, and who reads visits takes it so.
//!
//! Among millions of visits are only some thousand different statements. So the coded columns of a visit, a dozen, are told by the number of a
//! statement and a list of what each states. Written out, a statement names each column that is filled with its term, as
//! `scheme=fdi_2010 retention=1 colour=2 outcome=in_place`; a visit that states nothing has an empty cell.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

use hashbrown::HashTable;
use polars::prelude::{Column as FrameColumn, DataFrame, PolarsError, StringChunked};
use polars_arrow::array::{Array, DictionaryArray, PrimitiveArray, Utf8ViewArray};
use polars_arrow::datatypes::{ArrowDataType, IntegerType};

use super::filled::Filled;
use super::numbered_texts::NumberedTexts;
use super::records::{RecordTable, TableError};
use super::text_hash::{mixed, text_hash};
use super::{ColumnBuilder, NO_CODE};
use crate::record::{Cell, Column, Score, VISIT_COLUMNS, find_term};

/// The column that has a visit's statement written out.
pub const STATED_COLUMN: &str = "stated";

/// How many columns of a visit are coded.
pub const CODED: usize = {
    let (mut at, mut coded) = (0, 0);
    while at < VISIT_COLUMNS.len() {
        coded += is_coded(&VISIT_COLUMNS[at]) as usize;
        at += 1;
    }
    coded
};

/// The codes of one visit, in the order of [`coded_columns`]; [`NO_CODE`] where empty.
pub type Codes = [u8; CODED];

/// Whether a column of a visit is part of what it states.
pub const fn is_coded(column: &Column) -> bool {
    matches!(column.cell, Cell::Term(_) | Cell::Score(_))
}

/// The columns of a visit that are part of what it states, in their order.
pub fn coded_columns() -> impl Iterator<Item = &'static Column> {
    VISIT_COLUMNS.iter().filter(|column| is_coded(column))
}

/// These columns of a frame of visits.
///
/// # Errors
/// When it lacks one of them.
pub fn coded_columns_of(visits: &DataFrame) -> Result<Vec<FrameColumn>, PolarsError> {
    coded_columns().map(|column| visits.column(column.name).cloned()).collect()
}

/// A term, or a column, that this version doesn't know.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnknownStatement(pub String);

/// What some visits state.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct StatedRows {
    /// By row, the number of what it states.
    pub numbers: Vec<u32>,
    /// What is stated, by its number, in the order of the first appearance.
    pub codes: Vec<Codes>,
}

#[expect(clippy::cast_possible_truncation, reason = "any bits will do")]
fn hash(key: u128) -> u64 {
    mixed((key >> 64) as u64, key as u64)
}

impl StatedRows {
    /// Of the coded columns of visits, given in their order.
    ///
    /// # Errors
    /// When there are not as many columns, or one of them holds no codes.
    pub fn of_columns(columns: &[FrameColumn]) -> Result<Self, TableError> {
        let rows = columns.first().map_or(0, FrameColumn::len);
        let table = RecordTable::new(DataFrame::new(rows, columns.to_vec())?, Vec::new());
        let mut all: [Vec<u8>; CODED] = Default::default();
        for (codes, column) in all.iter_mut().zip(coded_columns()) {
            *codes = table.codes(column.name)?;
        }
        Ok(Self::of_codes(all.each_ref().map(|codes| &codes[..rows]), rows))
    }

    /// Of the coded columns of a frame of visits.
    ///
    /// # Errors
    /// When it lacks one of them, or one of them holds no codes.
    pub fn of_frame(frame: &DataFrame) -> Result<Self, TableError> {
        Self::of_columns(&coded_columns_of(frame)?)
    }

    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    fn of_codes(columns: [&[u8]; CODED], rows: usize) -> Self {
        let mut stated = Self { numbers: Vec::with_capacity(rows), codes: Vec::new() };
        let mut known: HashTable<(u128, u32)> = HashTable::new();
        for row in 0..rows {
            let key = columns.iter().rev().fold(0_u128, |key, codes| key << 8 | u128::from(codes[row]));
            let found = known.find(hash(key), |(other, _)| *other == key).map(|(_, number)| *number);
            stated.numbers.push(found.unwrap_or_else(|| {
                let number = stated.codes.len() as u32;
                stated.codes.push(columns.map(|codes| codes[row]));
                known.insert_unique(hash(key), (key, number), |(key, _)| hash(*key));
                number
            }));
        }
        stated
    }

    /// Of statements that are written out.
    ///
    /// # Errors
    /// When one of them names what this version doesn't know.
    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    pub fn of_texts(texts: &StringChunked) -> Result<Self, UnknownStatement> {
        let mut stated = Self { numbers: Vec::with_capacity(texts.len()), codes: Vec::new() };
        let mut known: HashMap<Option<&str>, u32> = HashMap::new();
        for part in texts.downcast_iter() {
            // Of one part, the same view is the same text.
            let mut marks: HashTable<(u128, u32)> = HashTable::new();
            let mut last = None;
            let filled = part.validity().filter(|filled| filled.unset_bits() > 0);
            for (row, view) in part.views().iter().enumerate() {
                let mark = filled.is_none_or(|filled| filled.get_bit(row)).then(|| view.as_u128());
                if let Some((before, number)) = last
                    && before == mark
                {
                    stated.numbers.push(number);
                    continue;
                }
                let met = mark.and_then(|mark| marks.find(hash(mark), |(other, _)| *other == mark));
                let number = match met {
                    Some((_, number)) => *number,
                    None => {
                        let says = mark.map(|_| part.value(row));
                        let number = match known.get(&says) {
                            Some(number) => *number,
                            None => {
                                let number = stated.codes.len() as u32;
                                stated.codes.push(says.map_or(Ok([NO_CODE; CODED]), read)?);
                                known.insert(says, number);
                                number
                            }
                        };
                        if let Some(mark) = mark {
                            marks.insert_unique(hash(mark), (mark, number), |(mark, _)| hash(*mark));
                        }
                        number
                    }
                };
                last = Some((mark, number));
                stated.numbers.push(number);
            }
        }
        Ok(stated)
    }

    /// The same of statements that are told by number.
    ///
    /// # Errors
    /// As [`Self::of_texts`].
    #[expect(clippy::cast_possible_truncation, reason = "tables hold fewer than 2^32 rows")]
    pub fn of_numbered(texts: &NumberedTexts, known: &KnownStatements) -> Result<Self, UnknownStatement> {
        let mut codes = known.read_all(texts.listed().values_iter())?;
        let nothing = codes.len() as u32;
        codes.push([NO_CODE; CODED]);
        Ok(Self { numbers: texts.numbers().iter().map(|number| nothing.min(*number)).collect(), codes })
    }

    /// The rows that stay.
    #[must_use]
    pub fn only(self, stays: &[bool]) -> Self {
        let numbers = self.numbers.into_iter().zip(stays).filter(|(_, stays)| **stays).map(|(number, _)| number);
        Self { numbers: numbers.collect(), codes: self.codes }
    }

    /// The coded columns.
    pub fn columns(&self) -> Vec<FrameColumn> {
        let column = |(place, column): (usize, &Column)| {
            let of_statements: Vec<u8> = self.codes.iter().map(|codes| codes[place]).collect();
            let mut builder = ColumnBuilder::with_room(column.name, column.cell, self.numbers.len());
            if let ColumnBuilder::Code(codes) = &mut builder {
                codes.extend(self.numbers.iter().map(|number| of_statements[*number as usize]));
            }
            builder.finish()
        };
        coded_columns().enumerate().map(column).collect()
    }

    /// The statements written out, each once, with which each row has.
    ///
    /// # Errors
    /// When a number is that of no statement.
    pub fn texts(&self) -> Result<DictionaryArray<u32>, TableError> {
        let texts: Vec<String> = self.codes.iter().map(written).collect();
        // Where nothing is stated the cell is empty.
        let nothing = texts.iter().position(String::is_empty);
        let keys = match nothing.and_then(|place| u32::try_from(place).ok()) {
            None => PrimitiveArray::from_slice(&self.numbers),
            Some(nothing) => self.numbers.iter().map(|number| (*number != nothing).then_some(*number)).collect(),
        };
        let texts = Utf8ViewArray::from_slice_values(&texts);
        let dictionary = ArrowDataType::Dictionary(IntegerType::UInt32, Box::new(texts.dtype().clone()), false);
        Ok(DictionaryArray::try_new(dictionary, keys, Box::new(texts))?)
    }

    /// In how many rows each coded column is filled, added to what is told of other columns.
    pub fn fill(&self, filled: &mut Filled) {
        let mut rows = vec![0_u64; self.codes.len()];
        self.numbers.iter().for_each(|number| rows[*number as usize] += 1);
        for (place, column) in coded_columns().enumerate() {
            let with = self.codes.iter().zip(&rows).filter(|(codes, _)| codes[place] != NO_CODE);
            filled.set(column.name, with.map(|(_, rows)| rows).sum());
        }
    }
}

/// Statements that were read before, so that each is read once of many pieces.
#[derive(Default)]
pub struct KnownStatements(Mutex<HashTable<(String, Codes)>>);

impl KnownStatements {
    fn read_all<'a>(&self, texts: impl Iterator<Item = &'a str>) -> Result<Vec<Codes>, UnknownStatement> {
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let codes = |text: &str| {
            let hash = text_hash(text);
            if let Some((_, codes)) = known.find(hash, |(other, _)| other == text) {
                return Ok(*codes);
            }
            let codes = read(text)?;
            known.insert_unique(hash, (text.to_owned(), codes), |(text, _)| text_hash(text));
            Ok(codes)
        };
        texts.map(codes).collect()
    }
}

/// A statement written out.
fn written(codes: &Codes) -> String {
    let filled = coded_columns().zip(codes).filter(|(_, code)| **code != NO_CODE);
    let term = |(column, code): (&Column, &u8)| match column.cell {
        Cell::Term(terms) => {
            let term = terms.get(usize::from(*code)).map_or_else(|| code.to_string(), |term| term.code.to_owned());
            format!("{}={term}", column.name)
        }
        // The sign of a score.
        _ => format!("{}={}", column.name, char::from(*code)),
    };
    filled.map(term).collect::<Vec<_>>().join(" ")
}

/// A statement that is written out.
fn read(text: &str) -> Result<Codes, UnknownStatement> {
    let mut codes = [NO_CODE; CODED];
    for said in text.split(' ').filter(|said| !said.is_empty()) {
        let (name, term) = said.split_once('=').unwrap_or((said, ""));
        let Some((place, column)) = coded_columns().enumerate().find(|(_, column)| column.name == name) else {
            return Err(UnknownStatement(format!("the column {name}")));
        };
        let code = match column.cell {
            Cell::Term(terms) => find_term(terms, term),
            _ => match term.as_bytes() {
                [sign] => Score::from_sign(*sign).map(Score::sign),
                _ => None,
            },
        };
        codes[place] = code.ok_or_else(|| UnknownStatement(format!("the term {term} in the column {name}")))?;
    }
    Ok(codes)
}

#[cfg(test)]
mod tests {
    use polars::prelude::NewChunkedArray;
    use proptest::prelude::*;

    use super::*;
    use crate::record::{Coded, Scheme};

    fn as_texts(stated: &StatedRows) -> Vec<Option<String>> {
        let dictionary = stated.texts().expect("texts");
        let texts = dictionary.values().as_any().downcast_ref::<Utf8ViewArray>().expect("texts").clone();
        dictionary.keys().iter().map(|key| key.map(|key| texts.value(*key as usize).to_owned())).collect()
    }

    fn column(texts: &[Option<&str>]) -> StringChunked {
        StringChunked::from_slice_options(STATED_COLUMN.into(), texts)
    }

    /// A code for a column of visits, from a number.
    fn code(column: &Column, number: u8) -> u8 {
        match column.cell {
            _ if number == 0 => NO_CODE,
            Cell::Term(terms) => (number - 1) % u8::try_from(terms.len()).expect("few terms"),
            _ => b"ABCD12345"[usize::from(number) % 9],
        }
    }

    #[test]
    fn a_statement_names_each_filled_column_with_its_term() {
        let mut codes = [NO_CODE; CODED];
        for (place, column) in coded_columns().enumerate() {
            codes[place] = match column.name {
                "scheme" => Scheme::Fdi2010.index(),
                "retention" => b'1',
                "outcome" => 0,
                _ => continue,
            };
        }
        let text = written(&codes);
        assert_eq!(text, "scheme=fdi_2010 retention=1 outcome=in_place");
        assert_eq!(read(&text), Ok(codes));
        // Whatever the order.
        assert_eq!(read("outcome=in_place retention=1 scheme=fdi_2010"), Ok(codes));
        assert_eq!(read(""), Ok([NO_CODE; CODED]));
    }

    #[test]
    fn what_is_not_known_is_named() {
        for (text, named) in [
            ("lustre=1", "the column lustre"),
            ("retention", "the term  in the column retention"),
            ("scheme=fdi_2090 retention=1", "the term fdi_2090 in the column scheme"),
            ("retention=Z", "the term Z in the column retention"),
            ("retention=11", "the term 11 in the column retention"),
        ] {
            let texts = [Some("retention=1"), None, Some(text)];
            assert_eq!(StatedRows::of_texts(&column(&texts)), Err(UnknownStatement(named.to_owned())));
        }
    }

    #[test]
    fn terms_have_no_letter_that_parts_them() {
        for column in coded_columns() {
            let Cell::Term(terms) = column.cell else { continue };
            let plain = |text: &str| !text.is_empty() && !text.contains([' ', '=']);
            assert!(plain(column.name) && terms.iter().all(|term| plain(term.code)), "{}", column.name);
        }
    }

    proptest! {
        /// Columns to statements to texts, in parts, and back.
        #[test]
        fn nothing_is_lost_on_the_way(
            kinds in prop::collection::vec(prop::array::uniform12(0_u8..12), 1..6),
            rows in prop::collection::vec(0_usize..6, 1..60),
            cut in 0_usize..60,
            stays in prop::collection::vec(any::<bool>(), 60),
        ) {
            let kinds: Vec<Codes> = kinds
                .iter()
                .map(|numbers| {
                    let mut codes = [NO_CODE; CODED];
                    let columns = coded_columns().zip(numbers);
                    codes.iter_mut().zip(columns).for_each(|(to, (column, number))| *to = code(column, *number));
                    codes
                })
                .collect();
            let of_row = |row: &usize| kinds[row % kinds.len()];
            let expected: Vec<Codes> = rows.iter().map(of_row).collect();
            let codes_of = |stated: &StatedRows| -> Vec<Codes> {
                stated.numbers.iter().map(|number| stated.codes[*number as usize]).collect()
            };
            let columns: Vec<FrameColumn> = coded_columns()
                .enumerate()
                .map(|(place, column)| {
                    let mut builder = ColumnBuilder::new(column.name, column.cell);
                    if let ColumnBuilder::Code(codes) = &mut builder {
                        codes.extend(expected.iter().map(|codes| codes[place]));
                    }
                    builder.finish()
                })
                .collect();
            let stated = StatedRows::of_columns(&columns).expect("codes");
            prop_assert_eq!(codes_of(&stated), expected.clone());
            for (place, again) in stated.columns().into_iter().enumerate() {
                prop_assert!(again.equals_missing(&columns[place]));
            }
            let texts = as_texts(&stated);
            let texts: Vec<Option<&str>> = texts.iter().map(Option::as_deref).collect();
            let cut = cut.min(texts.len());
            let mut in_parts = column(&texts[..cut]);
            in_parts.append(&column(&texts[cut..])).expect("texts");
            let read = StatedRows::of_texts(&in_parts).expect("known");
            prop_assert_eq!(codes_of(&read), expected.clone());
            prop_assert_eq!(&read, &stated);
            let numbered = NumberedTexts::of_dictionary(stated.texts().expect("texts")).expect("texts");
            let known = KnownStatements::default();
            for _ in 0..2 {
                let numbered = StatedRows::of_numbered(&numbered, &known).expect("known");
                prop_assert_eq!(codes_of(&numbered), expected.clone());
            }
            let mut filled = Filled::default();
            stated.fill(&mut filled);
            for (place, column) in coded_columns().enumerate() {
                let with = expected.iter().filter(|codes| codes[place] != NO_CODE).count() as u64;
                prop_assert_eq!(filled.column(column.name), Some(with));
            }
            let stays = &stays[..expected.len()];
            let staying: Vec<Codes> = expected.iter().zip(stays).filter(|(_, stays)| **stays).map(|(codes, _)| *codes).collect();
            prop_assert_eq!(codes_of(&stated.only(stays)), staying);
        }
    }
}
