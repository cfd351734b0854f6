//! What is counted over a whole table, because only all of its rows together tell it.

use super::cell_column::CellReader;
use super::phrases::Said;
use crate::finding::{FindingKind, Findings, Place};
use crate::record::Coded;
use crate::wording::counted;

/// What is counted over a whole table.
#[derive(Default)]
pub(super) struct Tally {
    pub(super) refuted: u64,
    pub(super) first_refuting: Option<(u64, String, String)>,
    pub(super) settling: u64,
    pub(super) teeth: u64,
    pub(super) commas: u64,
    pub(super) points: u64,
    /// Filled cells that stand for empty ones, as declared.
    pub(super) emptied: u64,
    pub(super) first_comma: Option<(u64, String, String)>,
}

impl Tally {
    /// Counts what cells that were read before say again.
    pub(super) fn add(&mut self, said: Said) {
        self.teeth += u64::from(said.teeth);
        self.settling += u64::from(said.settling);
        self.commas += u64::from(said.commas);
        self.points += u64::from(said.points);
        self.emptied += u64::from(said.emptied);
    }

    /// Takes over what the rows that follow came to.
    pub(super) fn take_over(&mut self, later: Self) {
        self.refuted += later.refuted;
        self.settling += later.settling;
        self.teeth += later.teeth;
        self.commas += later.commas;
        self.points += later.points;
        self.emptied += later.emptied;
        self.first_refuting = self.first_refuting.take().or(later.first_refuting);
        self.first_comma = self.first_comma.take().or(later.first_comma);
    }

    /// Says what only the whole table tells: the notation of its teeth, and its decimal marks.
    pub(super) fn close(self, reader: &CellReader<'_>, declared_notation: bool, findings: &mut Findings) {
        if let Some((row, column, text)) = self.first_refuting {
            findings.note(
                FindingKind::NotationRefuted,
                Place::cell(reader.name, row, &column),
                Some(&text),
                format!(
                    "The file is taken as {}, but {} only in the other notation. Codes such as 11 mean different teeth in the two.",
                    reader.notation.label(),
                    counted(self.refuted, "of its teeth exists", "of its teeth exist")
                ),
                "Declare the file's notation in records.toml (tooth_notation = \"universal\" or \"iso_3950\"), or correct these teeth.",
            );
        } else if self.teeth > 0 && self.settling == 0 && !declared_notation {
            findings.note(
                FindingKind::NotationUnsettled,
                Place::file(reader.name),
                None,
                "Every tooth of this file could stand in either notation (11 to 18, 21 to 28, 31, 32); they are taken as ISO 3950.",
                "If they are Universal numbers, declare it in records.toml (tooth_notation = \"universal\"); declare iso_3950 to settle it.",
            );
        }
        if self.commas > 0
            && self.points > 0
            && let Some((row, column, text)) = self.first_comma
        {
            findings.note(
                FindingKind::DecimalMarksMixed,
                Place::cell(reader.name, row, &column),
                Some(&text),
                format!(
                    "{} numbers of this file have a comma, {} a point; one of them may part thousands.",
                    self.commas, self.points
                ),
                "Write all numbers with the same decimal mark.",
            );
        }
    }
}
