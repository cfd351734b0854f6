//! Text in columns as rows of cells, each with the row number that a spreadsheet shows, read in pieces: the memory taken doesn't
//! grow with the file.
//!
//! A row ends at a line end outside quotation marks; a mark opens a quoted cell only at the cell's start, and two marks within it
//! stand for one (RFC 4180). Cells are slices of the piece; only cells with doubled marks are copied.
//!
//! A text can be cut into stretches of whole rows, which are read each by itself.

use std::io::{self, Read};

/// Bytes read at a time, at most.
const PIECE: usize = 1 << 20;
/// Bytes read for a stretch of a long text: few enough that several stretches fit into memory.
const STRETCH: usize = 4 << 20;
/// Bytes read for a stretch of a short text: enough rows that handing it on costs nothing.
const SHORT_STRETCH: usize = 256 << 10;
/// Into so many stretches a text is cut that is neither short nor long; they keep all threads busy to its end.
const STRETCHES: u64 = 16;
/// A row that spans more lines than this has a quotation mark that is never closed.
pub const LONGEST_ROW_IN_LINES: u64 = 1000;

/// Where a cell of a row with quotation marks lies: in the row's bytes, or in the copy without doubled marks.
#[derive(Clone, Copy, Debug)]
struct Span {
    from: usize,
    to: usize,
    copied: bool,
    /// Whether anything but white space stands behind the closing mark.
    trails: bool,
}

/// Rows of a text.
pub struct TextRows {
    input: Box<dyn Read + Send>,
    buffer: Vec<u8>,
    from: usize,
    ended: bool,
    next_row: u64,
    separator: u8,
    /// Where each cell of the row ends in its bytes, as written.
    ends: Vec<usize>,
    spans: Vec<Span>,
    copies: Vec<u8>,
    /// Why no more can be read, kept until the rows before it were handed on.
    failed: Option<io::Error>,
    length: u64,
}

/// One row.
#[derive(Clone, Copy)]
pub struct TextRow<'a> {
    /// Its number, as a spreadsheet shows it.
    pub number: u64,
    /// Whether any cell was in quotation marks.
    pub quoted: bool,
    /// Whether the text ends in it, without the end of a line.
    pub unended: bool,
    separator: u8,
    bytes: &'a [u8],
    ends: &'a [usize],
    copies: &'a [u8],
    /// Empty in a row without quotation marks, whose cells are as written.
    spans: &'a [Span],
}

impl<'a> TextRow<'a> {
    /// How many cells.
    pub const fn width(&self) -> usize {
        self.ends.len()
    }

    /// Whether a cell over several lines looks as if it had swallowed rows: something stands between its closing mark and the next
    /// separator, or one of its lines has as many separators as a whole row.
    pub fn swallows(&self) -> bool {
        let over_lines =
            self.spans.iter().enumerate().filter(|(place, _)| memchr::memchr(b'\n', self.cell(*place)).is_some());
        for (place, span) in over_lines {
            if span.trails {
                return true;
            }
            let separators = |line: &[u8]| memchr::memchr_iter(self.separator, line).count();
            if self.width() > 2
                && self.cell(place).split(|byte| *byte == b'\n').any(|line| separators(line) + 1 == self.width())
            {
                return true;
            }
        }
        false
    }

    /// A cell's bytes; empty past the end.
    #[inline]
    pub fn cell(&self, place: usize) -> &'a [u8] {
        match self.spans.get(place) {
            Some(span) if span.copied => &self.copies[span.from..span.to],
            Some(span) => &self.bytes[span.from..span.to],
            None => self.as_written(place, place),
        }
    }

    /// The bytes from one cell to another, with the quotation marks and separators among them; empty past the end. The same bytes are
    /// always the same cells.
    #[inline]
    pub fn as_written(&self, first: usize, last: usize) -> &'a [u8] {
        let from = if first == 0 { Some(0) } else { self.ends.get(first - 1).map(|end| end + 1) };
        match (from, self.ends.get(last)) {
            (Some(from), Some(&to)) => &self.bytes[from..to],
            _ => &[],
        }
    }
}

/// Why there is no next row.
#[derive(Debug)]
pub enum RowTrouble {
    /// A quotation mark opened in this row is never closed.
    UnclosedQuote(u64),
    /// The file can't be read any further.
    Unreadable(u64, io::Error),
}

struct Found {
    end: usize,
    next: usize,
    quoted: bool,
}

enum Search {
    Row(Found),
    More { inside_quotes: bool },
}

impl TextRows {
    /// Rows of a text in UTF-8.
    pub fn new(input: Box<dyn Read + Send>, separator: u8) -> Self {
        Self {
            input,
            buffer: Vec::new(),
            from: 0,
            ended: false,
            next_row: 1,
            separator,
            ends: Vec::new(),
            spans: Vec::new(),
            copies: Vec::new(),
            failed: None,
            length: 0,
        }
    }

    /// The same, with its length in bytes, more or less.
    #[must_use]
    pub fn of_length(self, length: u64) -> Self {
        Self { length, ..self }
    }

    /// Its length in bytes, more or less; 0 if it was not told.
    pub const fn length(&self) -> u64 {
        self.length
    }

    /// The next stretch of whole rows, to be read by itself; none at the end. Where a quotation mark is never closed, all that follows
    /// is in the last stretch, which tells of it.
    ///
    /// `room` is where bytes were that are needed no more; it may be empty.
    ///
    /// # Errors
    /// When the file can't be read any further.
    pub fn next_stretch(&mut self, room: Vec<u8>) -> Result<Option<Self>, RowTrouble> {
        let share = usize::try_from(self.length / STRETCHES).unwrap_or(STRETCH);
        let wanted = if self.length == 0 { STRETCH } else { share.clamp(SHORT_STRETCH, STRETCH) };
        self.next_stretch_of(wanted, room)
    }

    fn next_stretch_of(&mut self, wanted: usize, mut room: Vec<u8>) -> Result<Option<Self>, RowTrouble> {
        self.buffer.drain(..self.from);
        self.from = 0;
        let mut wanted = wanted;
        loop {
            while !self.ended && self.failed.is_none() && self.buffer.len() < wanted {
                if let Err(RowTrouble::Unreadable(_, error)) = self.fill(wanted.min(PIECE)) {
                    self.failed = Some(error);
                }
            }
            let (rows, end) = whole_rows(&self.buffer, self.separator);
            let unclosed = || lines_in(&self.buffer[end..]) > LONGEST_ROW_IN_LINES;
            let to_end = self.ended || unclosed();
            if end == 0 && !to_end && self.failed.is_none() {
                // A row longer than a stretch.
                wanted = self.buffer.len() + PIECE;
                continue;
            }
            let end = if to_end { self.buffer.len() } else { end };
            if end == 0 {
                let next_row = self.next_row;
                return self.failed.take().map_or(Ok(None), |error| Err(RowTrouble::Unreadable(next_row, error)));
            }
            room.clear();
            room.extend_from_slice(&self.buffer[end..]);
            let mut bytes = std::mem::replace(&mut self.buffer, room);
            bytes.truncate(end);
            let mut stretch = Self::new(Box::new(io::empty()), self.separator);
            (stretch.buffer, stretch.next_row, stretch.ended) = (bytes, self.next_row, true);
            self.next_row += rows;
            // Nothing that follows a mark that is never closed can be told apart.
            self.ended = to_end;
            return Ok(Some(stretch));
        }
    }

    /// How many bytes there are to be read in what is held.
    pub const fn held(&self) -> usize {
        self.buffer.len() - self.from
    }

    /// Where its bytes were.
    pub fn into_room(self) -> Vec<u8> {
        self.buffer
    }

    /// The next row; none at the end. Lines without anything are passed over, but counted.
    ///
    /// # Errors
    /// When a quotation mark is never closed, or the file can't be read.
    pub fn next_row(&mut self) -> Result<Option<TextRow<'_>>, RowTrouble> {
        loop {
            match search(&self.buffer[self.from..], self.separator, self.ended) {
                Search::Row(found) => {
                    let start = self.from;
                    self.from += found.next;
                    let number = self.next_row;
                    self.next_row += 1;
                    if found.end == 0 {
                        if found.next == 0 {
                            return Ok(None);
                        }
                        continue;
                    }
                    let bytes = &self.buffer[start..start + found.end];
                    let (separator, quoted, unended) = (self.separator, found.quoted, found.next == found.end);
                    self.ends.clear();
                    self.spans.clear();
                    if quoted {
                        split(bytes, separator, &mut self.ends, &mut self.spans, &mut self.copies);
                    } else {
                        each_place(separator, bytes, |end| self.ends.push(end));
                        self.ends.push(bytes.len());
                    }
                    let (ends, copies, spans) = (&self.ends[..], &self.copies[..], &self.spans[..]);
                    return Ok(Some(TextRow { number, quoted, unended, separator, bytes, ends, copies, spans }));
                }
                Search::More { inside_quotes } => {
                    let rest = &self.buffer[self.from..];
                    if inside_quotes && (self.ended || lines_in(rest) > LONGEST_ROW_IN_LINES) {
                        return Err(RowTrouble::UnclosedQuote(self.next_row));
                    }
                    self.fill(SHORT_STRETCH)?;
                }
            }
        }
    }

    /// Reads so many bytes more, at most, behind what is left of the last ones.
    fn fill(&mut self, most: usize) -> Result<(), RowTrouble> {
        self.buffer.drain(..self.from);
        self.from = 0;
        let kept = self.buffer.len();
        self.buffer.resize(kept + most, 0);
        let read = self.input.read(&mut self.buffer[kept..]);
        self.buffer.truncate(kept + read.as_ref().map_or(0, |count| *count));
        let count = read.map_err(|error| RowTrouble::Unreadable(self.next_row, error))?;
        self.ended = count == 0;
        Ok(())
    }
}

/// Where the first row of the bytes ends. A row with quotation marks that spans too many lines doesn't end, whatever follows.
fn search(bytes: &[u8], separator: u8, ended: bool) -> Search {
    match first_row(bytes, separator, ended) {
        Search::Row(found) if found.quoted && lines_in(&bytes[..found.end]) > LONGEST_ROW_IN_LINES => {
            Search::More { inside_quotes: true }
        }
        found => found,
    }
}

/// How many line ends there are.
fn lines_in(bytes: &[u8]) -> u64 {
    memchr::memchr_iter(b'\n', bytes).count() as u64
}

fn first_row(bytes: &[u8], separator: u8, ended: bool) -> Search {
    let mut at = 0;
    let mut quoted = false;
    while let Some(found) = memchr::memchr2(b'"', b'\n', &bytes[at..]).map(|found| at + found) {
        if bytes[found] == b'\n' {
            let end = if found > 0 && bytes[found - 1] == b'\r' { found - 1 } else { found };
            return Search::Row(Found { end, next: found + 1, quoted });
        }
        at = found + 1;
        let opens = found == 0 || bytes[found - 1] == separator;
        if !opens {
            continue;
        }
        quoted = true;
        loop {
            let Some(close) = memchr::memchr(b'"', &bytes[at..]).map(|close| at + close) else {
                return Search::More { inside_quotes: true };
            };
            at = close + 1;
            if bytes.get(at) != Some(&b'"') {
                break;
            }
            at += 1;
        }
    }
    if ended {
        let end = if bytes.ends_with(b"\r") { bytes.len() - 1 } else { bytes.len() };
        Search::Row(Found { end, next: bytes.len(), quoted })
    } else {
        Search::More { inside_quotes: false }
    }
}

/// How many whole rows the bytes begin with, lines without anything among them, and where the last of them ends.
fn whole_rows(bytes: &[u8], separator: u8) -> (u64, usize) {
    if memchr::memchr(b'"', bytes).is_none() {
        let end = memchr::memrchr(b'\n', bytes).map_or(0, |last| last + 1);
        return (memchr::memchr_iter(b'\n', &bytes[..end]).count() as u64, end);
    }
    let (mut rows, mut end) = (0, 0);
    while let Search::Row(found) = search(&bytes[end..], separator, false) {
        rows += 1;
        end += found.next;
    }
    (rows, end)
}

/// Where a byte stands, eight bytes at a time: cells are short, so that a search for each of them would begin more often than it
/// looks.
#[inline]
fn each_place(wanted: u8, bytes: &[u8], mut take: impl FnMut(usize)) {
    const LOW: u64 = 0x7f7f_7f7f_7f7f_7f7f;
    let eight = u64::from_ne_bytes([wanted; 8]);
    let (words, rest) = bytes.as_chunks::<8>();
    for (at, word) in words.iter().enumerate() {
        // A byte of the difference is zero where the wanted one stands; its high bit is set below there and nowhere else.
        let differs = u64::from_le_bytes(*word) ^ eight;
        let mut found = !(((differs & LOW) + LOW) | differs | LOW);
        while found != 0 {
            take(at * 8 + found.trailing_zeros() as usize / 8);
            found &= found - 1;
        }
    }
    let before = words.len() * 8;
    for (at, byte) in rest.iter().enumerate() {
        if *byte == wanted {
            take(before + at);
        }
    }
}

/// Splits a row with quotation marks into its cells.
fn split(bytes: &[u8], separator: u8, ends: &mut Vec<usize>, spans: &mut Vec<Span>, copies: &mut Vec<u8>) {
    copies.clear();
    let mut from = 0;
    loop {
        let to = if bytes.get(from) == Some(&b'"') {
            quoted_cell(bytes, from, separator, spans, copies)
        } else {
            let to = memchr::memchr(separator, &bytes[from..]).map_or(bytes.len(), |to| from + to);
            spans.push(Span { from, to, copied: false, trails: false });
            to
        };
        ends.push(to);
        if to == bytes.len() {
            return;
        }
        from = to + 1;
    }
}

/// A cell that a quotation mark opens; where it ends in the row's bytes.
fn quoted_cell(bytes: &[u8], from: usize, separator: u8, spans: &mut Vec<Span>, copies: &mut Vec<u8>) -> usize {
    let copy_from = copies.len();
    let mut at = from + 1;
    let mut plain = true;
    // Up to the closing mark; two marks stand for one.
    let close = loop {
        let mark = memchr::memchr(b'"', &bytes[at..]).map_or(bytes.len(), |mark| at + mark);
        copies.extend_from_slice(&bytes[at..mark]);
        if bytes.get(mark + 1) == Some(&b'"') && mark < bytes.len() {
            copies.push(b'"');
            at = mark + 2;
            plain = false;
        } else {
            break mark;
        }
    };
    let after = (close + 1).min(bytes.len());
    let to = memchr::memchr(separator, &bytes[after..]).map_or(bytes.len(), |to| after + to);
    // What stands between the closing mark and the separator belongs to the cell, as written.
    let trails = !bytes[after..to].trim_ascii().is_empty();
    if to > after {
        copies.extend_from_slice(&bytes[after..to]);
        plain = false;
    }
    if plain {
        copies.truncate(copy_from);
        spans.push(Span { from: from + 1, to: close, copied: false, trails });
    } else {
        spans.push(Span { from: copy_from, to: copies.len(), copied: true, trails });
    }
    to
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn all(text: &str) -> Vec<(u64, Vec<String>)> {
        let mut rows = TextRows::new(Box::new(std::io::Cursor::new(text.as_bytes().to_vec())), b',');
        let mut found = Vec::new();
        while let Some(row) = rows.next_row().expect("rows") {
            let cells = (0..row.width()).map(|place| String::from_utf8_lossy(row.cell(place)).into_owned()).collect();
            found.push((row.number, cells));
        }
        found
    }

    #[test]
    fn rows_are_numbered_as_a_spreadsheet_shows_them() {
        let rows = all("a,b\r\n\r\n1,\"x\ny\"\r\n2,\"say \"\"so\"\"\"\n3,5\" deep");
        let numbers: Vec<u64> = rows.iter().map(|row| row.0).collect();
        assert_eq!(numbers, [1, 3, 4, 5]);
        assert_eq!(rows[1].1, ["1", "x\ny"]);
        assert_eq!(rows[2].1, ["2", "say \"so\""]);
        assert_eq!(rows[3].1, ["3", "5\" deep"], "a mark inside a cell is a mark");
    }

    #[test]
    fn a_mark_that_is_never_closed_is_found() {
        let mut rows = TextRows::new(Box::new(std::io::Cursor::new(b"a,b\n1,\"x\n2,y\n".to_vec())), b',');
        assert!(rows.next_row().expect("a header").is_some());
        assert!(matches!(rows.next_row(), Err(RowTrouble::UnclosedQuote(2))));
    }

    /// Rows with their numbers, and the row of a mark that was left open.
    type Rows = (Vec<(u64, Vec<Vec<u8>>)>, Option<u64>);

    /// All rows by way of stretches, and whether a mark was left open in them.
    fn by_stretches(text: &[u8], wanted: usize) -> Rows {
        let mut whole = TextRows::new(Box::new(std::io::Cursor::new(text.to_vec())), b',');
        let (mut found, mut unclosed) = (Vec::new(), None);
        while let Some(mut stretch) = whole.next_stretch_of(wanted, vec![b'x'; 3]).expect("stretches") {
            assert_eq!(unclosed, None, "nothing follows a mark left open");
            loop {
                match stretch.next_row() {
                    Ok(Some(row)) => {
                        found.push((row.number, (0..row.width()).map(|place| row.cell(place).to_vec()).collect()));
                    }
                    Ok(None) => break,
                    Err(RowTrouble::UnclosedQuote(row)) => {
                        unclosed = Some(row);
                        break;
                    }
                    Err(RowTrouble::Unreadable(..)) => unreachable!("it is in memory"),
                }
            }
        }
        (found, unclosed)
    }

    /// The same row by row.
    fn row_by_row(text: &[u8]) -> Rows {
        let mut rows = TextRows::new(Box::new(std::io::Cursor::new(text.to_vec())), b',');
        let mut found = Vec::new();
        loop {
            match rows.next_row() {
                Ok(Some(row)) => {
                    found.push((row.number, (0..row.width()).map(|place| row.cell(place).to_vec()).collect()));
                }
                Ok(None) => return (found, None),
                Err(RowTrouble::UnclosedQuote(row)) => return (found, Some(row)),
                Err(RowTrouble::Unreadable(..)) => unreachable!("it is in memory"),
            }
        }
    }

    #[test]
    fn a_mark_left_open_for_many_lines_ends_the_last_stretch() {
        let text = format!("a,b\n1,2\n3,\"x\n{}", "4,5\n".repeat(3_000));
        let (rows, unclosed) = by_stretches(text.as_bytes(), 64);
        assert_eq!((rows.len(), unclosed), (2, Some(3)));
        assert_eq!((rows, unclosed), row_by_row(text.as_bytes()));
    }

    #[test]
    fn a_row_over_too_many_lines_is_left_open_wherever_its_mark_is_closed() {
        for (lines, open) in [(1_000, false), (1_001, true)] {
            let text = format!("a,b\n1,\"{}\"\n2,3\n", "x\n".repeat(lines));
            let expected = if open { (1, Some(2)) } else { (3, None) };
            let (whole, left_open) = row_by_row(text.as_bytes());
            assert_eq!((whole.len(), left_open), expected);
            for wanted in [1, 64, 2_000, 2_020, 1 << 20] {
                assert_eq!(
                    by_stretches(text.as_bytes(), wanted),
                    (whole.clone(), left_open),
                    "{lines} lines, {wanted} bytes"
                );
            }
            // At the end of a text without a line end, too.
            let (rows, left_open) = row_by_row(text.trim_end_matches("\n2,3\n").as_bytes());
            assert_eq!((rows.len(), left_open), if open { (1, Some(2)) } else { (2, None) });
        }
    }

    /// Gives some bytes, then fails.
    struct Failing(io::Cursor<Vec<u8>>);

    impl Read for Failing {
        fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
            match self.0.read(into)? {
                0 => Err(io::Error::other("the disk is gone")),
                count => Ok(count),
            }
        }
    }

    #[test]
    fn rows_before_an_unreadable_place_are_handed_on_first() {
        let mut rows = TextRows::new(Box::new(Failing(io::Cursor::new(b"a,b\n1,2\n3,".to_vec()))), b',');
        let mut stretch = rows.next_stretch(Vec::new()).expect("rows").expect("a stretch");
        assert_eq!(stretch.next_row().expect("a row").map(|row| row.number), Some(1));
        assert_eq!(stretch.next_row().expect("a row").map(|row| row.number), Some(2));
        assert!(stretch.next_row().expect("the end").is_none());
        assert!(matches!(rows.next_stretch(Vec::new()), Err(RowTrouble::Unreadable(3, _))));
    }

    proptest! {
        #[test]
        fn every_place_of_a_byte_is_found(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..40), wanted in 0_u8..) {
            let some: Vec<u8> = bytes.iter().map(|byte| if byte % 3 == 0 { wanted } else { *byte }).collect();
            let expected: Vec<usize> = memchr::memchr_iter(wanted, &some).collect();
            let mut found = Vec::new();
            each_place(wanted, &some, |at| found.push(at));
            prop_assert_eq!(found, expected);
        }

        /// However a text is cut into stretches, its rows are the same.
        #[test]
        fn stretches_hold_the_same_rows(text in "[a,\"\n\r]{0,60}", wanted in 1_usize..20) {
            prop_assert_eq!(by_stretches(text.as_bytes(), wanted), row_by_row(text.as_bytes()));
        }

        /// The rows of any text are those of a general reader of such files.
        #[test]
        fn rows_are_those_of_a_general_reader(cells in proptest::collection::vec(
            proptest::collection::vec("[a-c,\"\n é]{0,6}", 2..5), 1..20)) {
            let mut writer = csv::WriterBuilder::new().flexible(true).from_writer(Vec::new());
            for row in &cells {
                writer.write_record(row).expect("a row");
            }
            let bytes = writer.into_inner().expect("bytes");
            let text = String::from_utf8(bytes).expect("text");
            let found: Vec<Vec<String>> = all(&text).into_iter().map(|row| row.1).collect();
            prop_assert_eq!(found, cells);
        }
    }
}
