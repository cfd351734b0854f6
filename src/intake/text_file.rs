//! A file's bytes as rows of cells, each with the row number that a spreadsheet shows.

use crate::finding::{FindingKind, Findings, Place};

/// The header and a reader of the rows behind it.
pub struct TextFile<'a> {
    /// Column names, trimmed.
    pub header: Vec<String>,
    reader: csv::Reader<&'a [u8]>,
    bytes: &'a [u8],
    counted_to: usize,
    breaks: u64,
    breaks_inside_cells: u64,
    last_row: u64,
}

/// A record that spans more lines than this has a quotation mark that is never closed.
const LONGEST_ROW_IN_LINES: u64 = 1000;

impl<'a> TextFile<'a> {
    /// Opens the bytes of a file; none, with a finding, if they are not comma-separated text.
    pub fn open(name: &str, bytes: &'a [u8], findings: &mut Findings) -> Option<Self> {
        let place = || Place::file(name);
        if bytes.iter().all(u8::is_ascii_whitespace) {
            findings.note(
                FindingKind::FileEmpty,
                place(),
                None,
                "The file holds no rows at all.",
                "Export it again, or take it out of the folder.",
            );
            return None;
        }
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        if bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff") || memchr::memchr(0, bytes).is_some() {
            findings.note(
                FindingKind::FileNotText,
                place(),
                None,
                "The file is not plain text: it holds bytes that no comma-separated file has.",
                "In the spreadsheet, save it as “CSV UTF-8 (comma delimited)”.",
            );
            return None;
        }
        if let Err(error) = std::str::from_utf8(bytes) {
            let row = line_breaks(&bytes[..error.valid_up_to()]) + 1;
            findings.note(
                FindingKind::FileNotText,
                Place::row(name, row),
                None,
                "The text is not in UTF-8: a letter with an accent was written in another encoding.",
                "In the spreadsheet, save it as “CSV UTF-8 (comma delimited)”.",
            );
            return None;
        }
        let mut reader = csv::ReaderBuilder::new().flexible(true).has_headers(true).from_reader(bytes);
        let header: Vec<String> = match reader.byte_headers() {
            Ok(record) => record.iter().map(|cell| String::from_utf8_lossy(cell).trim().to_owned()).collect(),
            Err(_) => return None,
        };
        if let [only] = header.as_slice()
            && let Some(mark) = [';', '\t', '|'].into_iter().find(|mark| only.contains(*mark))
        {
            let said = if mark == '\t' { "tabs".to_owned() } else { format!("“{mark}”") };
            findings.note(
                FindingKind::UnknownDelimiter,
                Place::row(name, 1),
                Some(only),
                format!("The columns are separated by {said}, not by commas."),
                "Save it with commas between the columns: “CSV UTF-8 (comma delimited)”.",
            );
            return None;
        }
        let breaks_inside_cells = header.iter().map(|cell| line_breaks(cell.as_bytes())).sum();
        Some(Self { header, reader, bytes, counted_to: 0, breaks: 0, breaks_inside_cells, last_row: 1 })
    }

    /// The row of a record: line breaks before its first byte, less those inside cells. The reader's own position may lie before
    /// the rest of a line end or before blank lines, so both are skipped.
    fn row_of(&mut self, record: &csv::ByteRecord) -> u64 {
        let from = record.position().map_or(0, |position| usize::try_from(position.byte()).unwrap_or(usize::MAX));
        let from = from.clamp(self.counted_to, self.bytes.len());
        let skipped = self.bytes[from..].iter().take_while(|byte| matches!(byte, b'\r' | b'\n')).count();
        let start = from + skipped;
        self.breaks += line_breaks(&self.bytes[self.counted_to..start]);
        self.counted_to = start;
        self.breaks + 1 - self.breaks_inside_cells.min(self.breaks)
    }

    /// Reads the next row into `record` and gives its number; none at the end, or, with a finding, where no rows can be told
    /// apart any more.
    pub fn next_row(&mut self, name: &str, record: &mut csv::ByteRecord, findings: &mut Findings) -> Option<u64> {
        match self.reader.read_byte_record(record) {
            Ok(true) => {}
            _ => {
                self.check_end(name, findings);
                return None;
            }
        }
        let row = self.row_of(record);
        self.last_row = row;
        let breaks = line_breaks(record.as_slice());
        self.breaks_inside_cells += breaks;
        if breaks > LONGEST_ROW_IN_LINES {
            findings.note(
                FindingKind::UnclosedQuote,
                Place::row(name, row),
                None,
                format!("A quotation mark opened in this row is not closed within {LONGEST_ROW_IN_LINES} lines."),
                "Close the quotation mark, or take it out.",
            );
            return None;
        }
        Some(row)
    }

    /// At the end of the file: a quotation mark opened in the last row read and never closed has swallowed what followed it.
    fn check_end(&self, name: &str, findings: &mut Findings) {
        let rest = &self.bytes[self.counted_to..];
        if memchr::memchr_iter(b'"', rest).count() % 2 == 1 && opens_a_cell(rest) {
            findings.note(
                FindingKind::UnclosedQuote,
                Place::row(name, self.last_row),
                None,
                "A quotation mark opened in this row is never closed, so all that follows was taken for one cell.",
                "Close the quotation mark, or take it out.",
            );
        }
    }
}

/// Whether a quotation mark stands at the start of a cell.
fn opens_a_cell(bytes: &[u8]) -> bool {
    memchr::memchr_iter(b'"', bytes).any(|at| at == 0 || matches!(bytes[at - 1], b',' | b'\n' | b'\r'))
}

/// How many lines end in the bytes: at a line feed, or at a carriage return without one.
pub(super) fn line_breaks(bytes: &[u8]) -> u64 {
    let feeds = memchr::memchr_iter(b'\n', bytes).count();
    let lone = memchr::memchr_iter(b'\r', bytes).filter(|&at| bytes.get(at + 1) != Some(&b'\n')).count();
    (feeds + lone) as u64
}
