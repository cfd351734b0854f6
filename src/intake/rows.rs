//! All rows of a file into the columns of a table, every cell checked, every finding with its row and column.

use std::collections::HashSet;

use polars::prelude::{ChunkedBuilder, Column as FrameColumn, DataFrame};

use super::cell::{self, Wrong};
use super::text_file::TextFile;
use crate::finding::{FindingKind, Findings, Place};
use crate::quantity::Day;
use crate::record::tooth::refutes;
use crate::record::{
    AdhesiveClass, Cell, Coded, Column, EtchStrategy, Need, PLACEMENT_COLUMNS, Scheme, ToothNotation, VISIT_COLUMNS,
};
use crate::table::columns::whole_numbers;
use crate::table::records::{FILE_COLUMN, ROW_COLUMN};
use crate::table::{ColumnBuilder, TableError};

/// Which kind of records a file holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RecordKind {
    /// Placements.
    Placement,
    /// Visits.
    Visit,
}

impl RecordKind {
    /// The kind that a header names: placements have `placed_on`, visits have `visited_on`.
    pub fn of_header(header: &[String]) -> Option<Self> {
        let has = |name: &str| header.iter().any(|column| column == name);
        match (has("placed_on"), has("visited_on")) {
            (true, false) => Some(Self::Placement),
            (false, true) => Some(Self::Visit),
            _ => None,
        }
    }

    /// The record's own spelling of a column's name: capitals, and spaces or hyphens for underscores, don't matter. A name that
    /// is no column of either kind stays as it is.
    pub fn column_name(written: &str) -> String {
        let plain = written.to_lowercase().replace([' ', '-'], "_");
        let known = PLACEMENT_COLUMNS.iter().chain(VISIT_COLUMNS).any(|column| column.name == plain);
        if known { plain } else { written.to_owned() }
    }

    const fn columns(self) -> &'static [Column] {
        match self {
            Self::Placement => PLACEMENT_COLUMNS,
            Self::Visit => VISIT_COLUMNS,
        }
    }
}

/// What is the same for a whole file.
pub struct FileContext<'a> {
    /// Its name.
    pub name: &'a str,
    /// Its place in the list of files.
    pub place: u32,
    /// How it writes teeth.
    pub notation: ToothNotation,
    /// No day lies after this one.
    pub today: Day,
    /// Columns of the practice's own, kept as text.
    pub own_columns: &'a [String],
}

/// Rows of one file.
pub struct RowsRead {
    /// Rows with their origin; only complete if no error was found.
    pub frame: DataFrame,
    /// Rows met.
    pub received: u64,
    /// Rows that repeat an earlier one of the same file to the letter; counted and left out.
    pub identical: u64,
    /// Own columns that the file has.
    pub own_present: Vec<String>,
    /// Restorations named in rows that could not be told into cells; their visits are no orphans.
    pub unread_restorations: Vec<String>,
}

struct Plan<'a> {
    column: Column,
    cell: Option<usize>,
    builder: ColumnBuilder,
    name: &'a str,
}

const PERSONAL: &[&str] = &[
    "name",
    "surname",
    "firstname",
    "lastname",
    "birth",
    "dob",
    "phone",
    "mobile",
    "email",
    "mail",
    "address",
    "street",
    "insurance",
    "ssn",
    "socialsecurity",
    "nhs",
];

fn looks_personal(header: &str) -> bool {
    let words: Vec<String> = header.to_lowercase().split(|c: char| !c.is_alphanumeric()).map(str::to_owned).collect();
    let joined = words.concat();
    words.iter().any(|word| PERSONAL.contains(&word.as_str()))
        || PERSONAL.contains(&joined.as_str())
        || joined == "dateofbirth"
}

/// Checks the header, and says which cell feeds which column. Own columns stand behind the record's.
fn plan<'a>(
    kind: RecordKind,
    header: &[String],
    context: &'a FileContext<'_>,
    findings: &mut Findings,
) -> Option<Vec<Plan<'a>>> {
    let before = findings.total(crate::finding::Severity::Error);
    let own: &[String] = if kind == RecordKind::Placement { context.own_columns } else { &[] };
    for (place, name) in header.iter().enumerate() {
        let at = || Place::cell(context.name, 1, name);
        if looks_personal(name) {
            findings.note(
                FindingKind::PersonalData,
                at(),
                Some(name),
                "This column looks as if it told who the patient is; such columns never enter.",
                "Take the column out of the file.",
            );
        } else if header[..place].contains(name) {
            findings.note(
                FindingKind::ColumnTwice,
                at(),
                Some(name),
                "Two columns have this name.",
                "Rename or remove one of them.",
            );
        } else if !kind.columns().iter().any(|column| column.name == name) && !own.contains(name) {
            findings.note(
                FindingKind::ColumnUnknown,
                at(),
                Some(name),
                "The records have no such column.",
                "Correct its name, take it out, or name it under own_factors in the protocol.",
            );
        }
    }
    let find = |name: &str| header.iter().position(|column| column == name);
    let mut plans = Vec::new();
    for column in kind.columns() {
        let cell = find(column.name);
        if cell.is_none() && column.need == Need::Required {
            findings.note(
                FindingKind::ColumnMissing,
                Place::cell(context.name, 1, column.name),
                None,
                format!("The column {} is missing.", column.name),
                "Add it; every row must have it.",
            );
        }
        plans.push(Plan { column: *column, cell, builder: ColumnBuilder::new(column.name, column.cell), name: column.name });
    }
    for name in own {
        let column = Column { name: "", label: "", cell: Cell::Text, need: Need::Optional };
        plans.push(Plan { column, cell: find(name), builder: ColumnBuilder::new(name, Cell::Text), name });
    }
    (findings.total(crate::finding::Severity::Error) == before).then_some(plans)
}

/// Reads all rows of an opened file.
///
/// # Errors
/// When the columns don't make a table, which would be a fault of the program.
pub fn read_rows(
    kind: RecordKind,
    file: &mut TextFile<'_>,
    context: &FileContext<'_>,
    findings: &mut Findings,
) -> Result<Option<RowsRead>, TableError> {
    let header = file.header.clone();
    let Some(mut plans) = plan(kind, &header, context, findings) else { return Ok(None) };
    let scheme_cell = header.iter().position(|name| name == "scheme");
    let id_cell = header.iter().position(|name| name == "restoration_id");
    let mut unread_restorations = Vec::new();
    let mut record = csv::ByteRecord::new();
    let mut rows: Vec<u32> = Vec::new();
    let (mut received, mut identical, mut refuted) = (0, 0, 0_u64);
    let mut first_refuting: Option<(u64, String)> = None;
    let mut seen: HashSet<[u8; 16]> = HashSet::new();
    while let Some(row) = file.next_row(context.name, &mut record, findings) {
        if record.iter().all(|cell| cell.trim_ascii().is_empty()) {
            continue;
        }
        received += 1;
        if record.len() != header.len() {
            findings.note(
                FindingKind::RowLength,
                Place::row(context.name, row),
                None,
                format!("The row has {} cells, the header {}.", record.len(), header.len()),
                "Put text that holds a comma into quotation marks, or fill up the row.",
            );
            unread_restorations.push(cell_text(&record, id_cell).to_owned());
            continue;
        }
        if !seen.insert(row_digest(&record)) {
            identical += 1;
            findings.note(
                FindingKind::IdenticalRow,
                Place::row(context.name, row),
                None,
                "The row repeats an earlier one to the letter; it is counted once.",
                "Nothing to mend unless the export doubled rows.",
            );
            continue;
        }
        rows.push(u32::try_from(row).unwrap_or(u32::MAX));
        let scheme_text = cell_text(&record, scheme_cell);
        let scheme = <Scheme as Coded>::read(scheme_text);
        let scheme_unread = scheme.is_none() && !scheme_text.is_empty();
        for plan in &mut plans {
            let text = cell_text(&record, plan.cell);
            if text.is_empty() {
                if plan.column.need == Need::Required {
                    findings.note(
                        FindingKind::CellMissing,
                        Place::cell(context.name, row, plan.name),
                        None,
                        "Every row must have a value here.",
                        "Fill the cell.",
                    );
                }
                plan.builder.push_none();
                continue;
            }
            if matches!(plan.column.cell, Cell::Tooth) && refutes(text, context.notation) {
                refuted += 1;
                first_refuting.get_or_insert((row, text.to_owned()));
                plan.builder.push_none();
                continue;
            }
            if scheme_unread && matches!(plan.column.cell, Cell::Score(_)) {
                // The scheme itself is a finding; without it nothing can be said of its scores.
                plan.builder.push_none();
                continue;
            }
            if let Err(wrong) = push(plan, text, scheme, row, context, findings) {
                findings.note(wrong.kind, Place::cell(context.name, row, plan.name), Some(text), wrong.what, wrong.mend);
                plan.builder.push_none();
            }
        }
        check_row(kind, &record, &header, row, context, findings);
    }
    if let Some((row, text)) = first_refuting {
        findings.note(
            FindingKind::NotationRefuted,
            Place::cell(context.name, row, "tooth"),
            Some(&text),
            format!(
                "The file is declared as {}, but {refuted} of its teeth exist only in the other notation. Codes such as 11 mean different teeth in the two.",
                context.notation.label()
            ),
            "Declare the file's notation in records.toml (tooth_notation = \"universal\" or \"iso_3950\"), or correct these teeth.",
        );
    }
    let mut columns: Vec<FrameColumn> = plans.into_iter().map(|plan| plan.builder.finish()).collect();
    columns.push(whole_numbers(FILE_COLUMN, vec![context.place; rows.len()]));
    columns.push(whole_numbers(ROW_COLUMN, rows));
    let own_present = context.own_columns.iter().filter(|name| header.contains(name)).cloned().collect();
    let frame = DataFrame::new_infer_height(columns)?;
    Ok(Some(RowsRead { frame, received, identical, own_present, unread_restorations }))
}

/// The trimmed text of a cell; empty where there is none. The bytes were found to be UTF-8 when the file was opened.
fn cell_text(record: &csv::ByteRecord, cell: Option<usize>) -> &str {
    cell.and_then(|cell| record.get(cell)).and_then(|bytes| std::str::from_utf8(bytes).ok()).map_or("", str::trim)
}

/// Checks one filled cell and adds its value; a caution is noted here, an error handed back.
fn push(
    plan: &mut Plan<'_>,
    text: &str,
    scheme: Option<Scheme>,
    row: u64,
    context: &FileContext<'_>,
    findings: &mut Findings,
) -> Result<(), Wrong> {
    match (&mut plan.builder, plan.column.cell) {
        (ColumnBuilder::Text(builder), _) => builder.append_value(cell::text(text, plan.name)?),
        (ColumnBuilder::Day(builder), _) => builder.append_value(cell::day(text, context.today)?.since_epoch()),
        (ColumnBuilder::Number(builder), Cell::Number { possible, plausible }) => {
            let (number, likely) = cell::number(text, possible, plausible)?;
            if !likely {
                findings.note(
                    FindingKind::ImplausibleValue,
                    Place::cell(context.name, row, plan.name),
                    Some(text),
                    format!("Possible, but outside the usual {} to {}.", plausible.least, plausible.most),
                    "Check it against the notes of the visit; leave it if it is right.",
                );
            }
            builder.append_value(number);
        }
        (ColumnBuilder::Code(builder), Cell::Tooth) => {
            let tooth = cell::tooth(text, context.notation)?;
            if tooth.is_primary() {
                findings.note(
                    FindingKind::PrimaryTooth,
                    Place::cell(context.name, row, plan.name),
                    Some(text),
                    "This is a primary tooth; what is known of cervical restorations concerns permanent ones.",
                    "Check the number; leave it if it is right.",
                );
            }
            builder.append_value(tooth.iso());
        }
        (ColumnBuilder::Code(builder), Cell::Grade { possible }) => builder.append_value(cell::grade(text, possible)?),
        (ColumnBuilder::Code(builder), Cell::Term(terms)) => builder.append_value(cell::term(text, terms)?),
        (ColumnBuilder::Code(builder), Cell::Score(criterion)) => {
            builder.append_value(cell::score(text, scheme, criterion)?)
        }
        (builder, _) => builder.push_none(),
    }
    Ok(())
}

/// Checks that concern several cells of one row.
fn check_row(
    kind: RecordKind,
    record: &csv::ByteRecord,
    header: &[String],
    row: u64,
    context: &FileContext<'_>,
    findings: &mut Findings,
) {
    let text = |name: &str| {
        let text = cell_text(record, header.iter().position(|column| column == name));
        (!text.is_empty()).then_some(text)
    };
    match kind {
        RecordKind::Visit => {
            let says =
                VISIT_COLUMNS.iter().any(|column| matches!(column.cell, Cell::Score(_)) && text(column.name).is_some());
            if !says && text("outcome").is_none() {
                findings.note(
                    FindingKind::NothingScored,
                    Place::row(context.name, row),
                    None,
                    "The visit has neither a score nor an outcome, so it says nothing.",
                    "Score at least one criterion, or fill outcome (such as in_place).",
                );
            }
        }
        RecordKind::Placement => {
            let etch = text("etch_strategy").and_then(EtchStrategy::read);
            let Some(class) = text("adhesive_class").and_then(AdhesiveClass::read) else { return };
            let place = || Place::cell(context.name, row, "etch_strategy");
            let written = text("etch_strategy");
            match (class, etch) {
                (
                    AdhesiveClass::ThreeStepEtchAndRinse | AdhesiveClass::TwoStepEtchAndRinse,
                    Some(EtchStrategy::SelfEtch | EtchStrategy::SelectiveEnamelEtch),
                ) => {
                    findings.note(
                        FindingKind::ContradictoryTechnique,
                        place(),
                        written,
                        format!("A {} adhesive needs acid on enamel and dentine.", class.label().to_lowercase()),
                        "Correct the etch strategy or the adhesive class.",
                    );
                }
                (AdhesiveClass::TwoStepSelfEtch | AdhesiveClass::OneStepSelfEtch, Some(EtchStrategy::EtchAndRinse)) => {
                    findings.note(
                        FindingKind::OffLabelTechnique,
                        place(),
                        written,
                        format!("A {} adhesive is not made for etched dentine.", class.label().to_lowercase()),
                        "Check the etch strategy; leave it if it is right.",
                    )
                }
                (AdhesiveClass::Universal, None) if written.is_none() => findings.note(
                    FindingKind::EtchStrategyMissing,
                    place(),
                    None,
                    "A universal adhesive says little without its etch strategy.",
                    "Fill etch_strategy if it is known.",
                ),
                _ => {}
            }
        }
    }
}

/// A digest of a row's cells and their lengths: the first half of a SHA-256.
fn row_digest(record: &csv::ByteRecord) -> [u8; 16] {
    use sha2::{Digest, Sha256};
    let mut hasher = Sha256::new();
    for cell in record {
        hasher.update((cell.len() as u64).to_le_bytes());
        hasher.update(cell);
    }
    let full = hasher.finalize();
    let mut half = [0; 16];
    half.copy_from_slice(&full[..16]);
    half
}
