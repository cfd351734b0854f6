//! A first look at a file's bytes: its hash, and what kind of file it is. One pass in pieces; the file is never held whole.

use std::fs::File;
use std::io::{self, Read};
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::sync_channel;
use std::thread;

use sha2::{Digest, Sha256};

use super::declaration::{Encoding, FileDeclaration, Separator};

/// What kind of file it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Text in columns.
    Text {
        /// How it is encoded.
        encoding: Encoding,
        /// Whether lines end in a lone carriage return.
        old_line_ends: bool,
    },
    /// A workbook of sheets.
    Workbook,
    /// Parquet.
    Parquet,
    /// One JSON object a line.
    JsonLines,
    /// Text that is not written in the encoding that is declared.
    Misdeclared(Encoding),
    /// None of these.
    Unknown,
}

/// What the first look tells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Probe {
    /// SHA-256 of the bytes.
    pub digest: [u8; 32],
    /// What kind of file.
    pub format: Format,
    /// Whether there is nothing but white space.
    pub blank: bool,
}

/// Bytes read at a time.
const PIECE: usize = 1 << 20;

/// Looks at a file's bytes.
///
/// # Errors
/// When it can't be read.
pub fn probe(path: &Path, declared: &FileDeclaration) -> io::Result<Probe> {
    let mut file = File::open(path)?;
    let mut look = Look::default();
    // Hashing takes longer than looking, so another thread does it meanwhile.
    let digest = thread::scope(|scope| -> io::Result<[u8; 32]> {
        let (send, pieces) = sync_channel::<(Arc<Vec<u8>>, Range<usize>)>(HASHED_BEHIND);
        let hashing = scope.spawn(move || {
            let mut hasher = Sha256::new();
            for (piece, fresh) in pieces {
                hasher.update(&piece[fresh]);
            }
            hasher.finalize().into()
        });
        let mut kept = Vec::new();
        loop {
            let mut piece = vec![0; PIECE];
            piece[..kept.len()].copy_from_slice(&kept);
            let count = file.read(&mut piece[kept.len()..])?;
            if count == 0 {
                look.ends_inside_a_letter = !kept.is_empty();
                break;
            }
            let (piece, filled) = (Arc::new(piece), kept.len() + count);
            if send.send((Arc::clone(&piece), kept.len()..filled)).is_err() {
                break;
            }
            kept = piece[filled - look.take(&piece[..filled])..filled].to_vec();
        }
        drop(send);
        Ok(hashing.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
    })?;
    let format = look.format(declared);
    Ok(Probe { digest, format, blank: look.blank })
}

/// Pieces that may wait to be hashed.
const HASHED_BEHIND: usize = 4;

struct Look {
    head: Vec<u8>,
    utf8: bool,
    blank: bool,
    zeros: u64,
    feeds: bool,
    returns: bool,
    ends_inside_a_letter: bool,
}

impl Default for Look {
    fn default() -> Self {
        Self {
            head: Vec::new(),
            utf8: true,
            blank: true,
            zeros: 0,
            feeds: false,
            returns: false,
            ends_inside_a_letter: false,
        }
    }
}

impl Look {
    /// Takes the next bytes; hands back how many at their end begin a letter that goes on behind them.
    fn take(&mut self, bytes: &[u8]) -> usize {
        if self.head.len() < 4096 {
            self.head.extend(bytes.iter().take(4096));
        }
        self.blank = self.blank && bytes.iter().all(u8::is_ascii_whitespace);
        self.zeros += memchr::memchr_iter(0, bytes).count() as u64;
        self.feeds = self.feeds || memchr::memchr(b'\n', bytes).is_some();
        self.returns = self.returns || memchr::memchr(b'\r', bytes).is_some();
        if !self.utf8 {
            return 0;
        }
        match std::str::from_utf8(bytes) {
            Ok(_) => 0,
            Err(error) if error.error_len().is_none() => bytes.len() - error.valid_up_to(),
            Err(_) => {
                self.utf8 = false;
                0
            }
        }
    }

    fn format(&self, declared: &FileDeclaration) -> Format {
        let head = self.head.as_slice();
        let text = |encoding| Format::Text { encoding, old_line_ends: self.returns && !self.feeds };
        if let Some(encoding) = declared.encoding {
            let broken = match encoding {
                Encoding::Utf8 => !self.utf8 || self.ends_inside_a_letter || self.zeros > 0,
                Encoding::Windows1252 => self.zeros > 0,
                Encoding::Utf16Le | Encoding::Utf16Be => false,
            };
            return if broken { Format::Misdeclared(encoding) } else { text(encoding) };
        }
        // A zip archive, or the older compound file: both are workbooks if they are anything to us.
        if head.starts_with(b"PK\x03\x04") || head.starts_with(b"\xd0\xcf\x11\xe0") {
            return Format::Workbook;
        }
        if head.starts_with(b"PAR1") {
            return Format::Parquet;
        }
        if head.starts_with(b"\xff\xfe") {
            return text(Encoding::Utf16Le);
        }
        if head.starts_with(b"\xfe\xff") {
            return text(Encoding::Utf16Be);
        }
        if self.zeros > 0 {
            // UTF-16 without a mark: every other byte of plain text is zero.
            let zeros = |odd: usize| head.iter().skip(odd).step_by(2).filter(|byte| **byte == 0).count();
            return match (zeros(0), zeros(1)) {
                (even, odd) if odd * 3 > head.len() && even == 0 => text(Encoding::Utf16Le),
                (even, odd) if even * 3 > head.len() && odd == 0 => text(Encoding::Utf16Be),
                _ => Format::Unknown,
            };
        }
        if self.utf8 && !self.ends_inside_a_letter {
            let start = head.strip_prefix(b"\xef\xbb\xbf").unwrap_or(head).trim_ascii_start();
            return if start.starts_with(b"{") { Format::JsonLines } else { text(Encoding::Utf8) };
        }
        // Bytes that Windows-1252 leaves undefined, or control characters, are no old text but no text at all.
        let odd = |byte: &u8| matches!(byte, 0x81 | 0x8d | 0x8f | 0x90 | 0x9d | 0x00..=0x08 | 0x0e..=0x1f);
        if head.iter().any(odd) { Format::Unknown } else { text(Encoding::Windows1252) }
    }
}

/// What stands between the columns of a header: the mark that makes most columns that are known, then most columns at all.
pub fn separator_of(header: &str, known: &dyn Fn(&str) -> bool) -> Separator {
    let count = |separator: &Separator| {
        let cells: Vec<&str> = header.split(char::from(separator.byte())).collect();
        let recognised = cells.iter().filter(|cell| known(cell.trim().trim_matches('"'))).count();
        (recognised, cells.len(), std::cmp::Reverse(separator.byte()))
    };
    let mut best = Separator::Comma;
    for separator in Separator::ALL {
        if count(&separator) > count(&best) {
            best = separator;
        }
    }
    best
}
