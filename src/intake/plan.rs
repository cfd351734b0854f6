//! Which cell of a table feeds which column of the records, by the table's header and what is declared of it.

use std::collections::HashMap;
use std::sync::Arc;

use super::declaration::{Decimal, Holds, LEAVE_OUT, RowVisit};
use super::empty_forms::EmptyForms;
use super::met::Met;
use super::sheet::Sheet;
use crate::finding::{FindingKind, Findings, Place, SET_ASIDE_BECAUSE, SET_ASIDE_FROM, Severity};
use crate::record::{Cell, Column, Need, PLACEMENT_COLUMNS, RecordKind, VISIT_COLUMNS};
use crate::table::ColumnBuilder;

/// The records' own spelling of a column's name: capitals, and spaces or hyphens for underscores, don't matter. A name that is no
/// column of either kind stays as it is.
pub fn column_name(written: &str) -> String {
    let plain = written.trim().to_lowercase().replace([' ', '-'], "_");
    let known = PLACEMENT_COLUMNS.iter().chain(VISIT_COLUMNS).any(|column| column.name == plain);
    if known { plain } else { written.trim().to_owned() }
}

/// Whether the program itself wrote a column behind set-aside rows; it is passed over when such a file is read again.
pub fn set_aside_column(name: &str) -> bool {
    name.starts_with(SET_ASIDE_FROM) || name == SET_ASIDE_BECAUSE
}

/// What the text of a column stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TextRole {
    /// A patient's pseudonym.
    Patient,
    /// A restoration's id.
    Restoration,
    /// A shade or a lot, which looks like anything.
    Product,
    /// An operator, an examiner, a factor of the practice's own: the same few again and again.
    Other,
}

impl TextRole {
    /// Whether it tells which patient or restoration.
    pub const fn is_id(self) -> bool {
        matches!(self, Self::Patient | Self::Restoration)
    }
}

/// Where the values of a column come from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum From {
    /// A cell of the row.
    Cell(usize),
    /// The same for every row.
    Constant(Arc<str>),
    /// So many months after the placement.
    MonthsAfterPlacement(u16),
    /// Nowhere: the column stays empty.
    Nothing,
}

/// One column of the records, as one table fills it.
pub struct Plan {
    /// The column.
    pub column: Column,
    /// Its name in the records; an own column's too.
    pub name: String,
    /// Its name in the file, for findings.
    pub written: String,
    /// Where its values come from.
    pub from: From,
    /// The file's values with the records' terms, in lower case.
    pub values: HashMap<String, String>,
    /// What stands in its cells where nothing was written.
    pub(super) empty: EmptyForms,
    /// What is put before what its cells say.
    pub begin: String,
    /// By how much numbers are multiplied.
    pub factor: f64,
    /// What its text stands for.
    pub text: TextRole,
    /// Whether a filled cell makes its visit say something: a score or an outcome.
    pub says: bool,
    /// Whether a cell may be empty.
    pub is_optional: bool,
    /// Whether its cells become codes of a list or scale.
    pub has_codes: bool,
    /// Whether the last cell was empty.
    pub last_empty: bool,
    /// The cells so far.
    pub builder: ColumnBuilder,
    /// Written forms already met.
    pub met: Met,
    /// Of a column of ids, the last one that gave no finding, as the file has it.
    pub last_id: String,
}

impl Plan {
    /// The bytes of one of its cells, trimmed; none where they stand for an empty cell.
    #[inline]
    pub(super) fn but_empty<'a>(&self, bytes: &'a [u8]) -> &'a [u8] {
        let is_number = matches!(self.column.cell, Cell::Number { .. });
        if self.empty.hold(bytes) || (is_number && self.empty.hold_number(bytes)) { b"" } else { bytes }
    }

    /// The same without any cells.
    fn fresh(&self) -> Self {
        Self {
            column: self.column,
            name: self.name.clone(),
            written: self.written.clone(),
            from: self.from.clone(),
            values: self.values.clone(),
            empty: self.empty.clone(),
            begin: self.begin.clone(),
            factor: self.factor,
            text: self.text,
            says: self.says,
            is_optional: self.is_optional,
            has_codes: self.has_codes,
            last_empty: true,
            builder: ColumnBuilder::new(&self.name, self.column.cell),
            met: Met::default(),
            last_id: String::new(),
        }
    }
}

/// Everything that one table feeds into one kind of record.
pub struct Feed {
    /// The kind.
    pub kind: RecordKind,
    /// Its columns, the own ones last.
    pub plans: Vec<Plan>,
    /// Whether it is one of several visits that stand in one row, which may be empty.
    pub beside_others: bool,
}

impl Feed {
    /// The same without any rows.
    pub fn fresh(&self) -> Self {
        Self { kind: self.kind, plans: self.plans.iter().map(Plan::fresh).collect(), beside_others: self.beside_others }
    }

    /// The place of a column.
    pub fn place(&self, name: &str) -> Option<usize> {
        self.plans.iter().position(|plan| plan.name == name)
    }
}

/// What a table feeds.
pub struct TablePlan {
    /// Its feeds; placements first.
    pub feeds: Vec<Feed>,
    /// Which kind its rows are.
    pub kind: RecordKind,
    /// Own columns that it has.
    pub own_present: Vec<String>,
    /// Whether commas are decimal marks: declared, or told by the cells.
    pub commas: bool,
}

const PERSONAL: &[&str] = &[
    "name",
    "surname",
    "firstname",
    "lastname",
    "forename",
    "birth",
    "birthday",
    "birthdate",
    "dob",
    "phone",
    "telephone",
    "tel",
    "mobile",
    "email",
    "mail",
    "address",
    "street",
    "postcode",
    "zip",
    "insurance",
    "ssn",
    "socialsecurity",
    "nhs",
    "passport",
    // The same in other languages of Europe (common practice); words that mean something else besides are left out.
    "vorname",
    "nachname",
    "familienname",
    "geburtsdatum",
    "geburtstag",
    "telefon",
    "telefonnummer",
    "handynummer",
    "anschrift",
    "adresse",
    "strasse",
    "straße",
    "plz",
    "wohnort",
    "versicherung",
    "versicherungsnummer",
    "sozialversicherungsnummer",
    "krankenkasse",
    "prénom",
    "prenom",
    "naissance",
    "téléphone",
    "courriel",
    "apellido",
    "apellidos",
    "nacimiento",
    "teléfono",
    "telefono",
    "cognome",
    "nascita",
    "indirizzo",
    "sobrenome",
    "nascimento",
    "telefone",
    "endereço",
    "endereco",
    "patientenname",
    "voornaam",
    "achternaam",
    "geboortedatum",
    "telefoon",
    "adres",
];

/// Whether a column's name looks as if the column told who a patient is.
pub fn looks_personal(header: &str) -> bool {
    let words: Vec<String> = header.to_lowercase().split(|c: char| !c.is_alphanumeric()).map(str::to_owned).collect();
    let joined = words.concat();
    words.iter().any(|word| PERSONAL.contains(&word.as_str()))
        || PERSONAL.contains(&joined.as_str())
        || matches!(joined.as_str(), "dateofbirth" | "patientname" | "phonenumber" | "emailaddress")
}

/// Plans a table; none, with findings, if its header doesn't serve. `lone` tells whether it is the only table of its file: the
/// other sheets of a workbook may hold anything.
pub fn plan(sheet: &Sheet, own_columns: &[String], findings: &mut Findings) -> Option<TablePlan> {
    let errors = |findings: &Findings| findings.total(Severity::Error);
    let before = errors(findings);
    let declared = &sheet.declared;
    // Each column's destination: declared first, else its own name.
    let destination = |written: &str| -> String {
        declared.columns.get(written).map_or_else(|| column_name(written), |to| to.column().to_owned())
    };
    let header: Vec<String> = sheet.header.iter().map(|written| destination(written)).collect();
    let kind = kind_of(sheet, &header, findings)?;
    let declared_columns = declared.columns.iter().filter(|(_, to)| to.column() != LEAVE_OUT).map(|(written, _)| written);
    for written in declared_columns.filter(|written| !sheet.header.contains(written)) {
        note(
            sheet,
            written,
            FindingKind::ColumnMissing,
            "It is declared, and the file has no such column.",
            "Correct the name in records.toml; capitals and spaces count.",
            findings,
        );
    }
    let unfolded: Vec<&String> = declared.visits.iter().flat_map(|visit| visit.columns.values()).collect();
    for written in unfolded.iter().filter(|written| !sheet.header.contains(written)) {
        note(
            sheet,
            written,
            FindingKind::ColumnMissing,
            "It is declared under [[files.visits]], and the file has no such column.",
            "Correct the name in records.toml; capitals and spaces count.",
            findings,
        );
    }
    let own: &[String] = if kind == RecordKind::Placement { own_columns } else { &[] };
    for (place, (written, name)) in sheet.header.iter().zip(&header).enumerate() {
        if name == LEAVE_OUT || unfolded.contains(&written) || set_aside_column(name) {
            continue;
        }
        let is_column = kind.columns().iter().any(|column| column.name == name);
        let declared_here = declared.columns.contains_key(written);
        if !is_column && looks_personal(written) || (own.contains(name) && looks_personal(name)) {
            note(
                sheet,
                written,
                FindingKind::PersonalData,
                "This column looks as if it told who the patient is; such columns never enter.",
                "Take the column out of the file, or leave it out in records.toml: [files.columns] with its name = \"leave_out\".",
                findings,
            );
        } else if header[..place].contains(name) {
            note(
                sheet,
                written,
                FindingKind::ColumnTwice,
                "Two columns of this name, or two that become the same.",
                "Rename or remove one of them, or leave one out in records.toml.",
                findings,
            );
        } else if !is_column && !own.contains(name) {
            let what = if declared_here {
                format!("It is to become {name}, which {} don't have.", kind.label())
            } else if name.is_empty() {
                "A column without a name.".to_owned()
            } else {
                "The records have no such column.".to_owned()
            };
            note(
                sheet,
                written,
                FindingKind::ColumnUnknown,
                &what,
                "Correct its name, say in records.toml what it becomes or that it is left out, or name it under own_factors in the protocol.",
                findings,
            );
        }
    }
    let mut feeds = vec![feed(sheet, kind, &header, own, None)];
    feeds.extend(declared.visits.iter().map(|visit| feed(sheet, RecordKind::Visit, &header, &[], Some(visit))));
    let mut missing: Vec<&str> = Vec::new();
    let plans = feeds.iter().flat_map(|feed| &feed.plans);
    for plan in plans.filter(|plan| plan.column.need == Need::Required && plan.from == From::Nothing) {
        // Several visits of one row may lack the same column; it is said once.
        if !missing.contains(&plan.name.as_str()) {
            missing.push(&plan.name);
            note(
                sheet,
                &plan.name,
                FindingKind::ColumnMissing,
                &format!("The column {} is missing.", plan.name),
                "Add it, or say in records.toml which column it is; every row must have it.",
                findings,
            );
        }
    }
    for plan in &feeds[0].plans {
        if declared.constants.contains_key(&plan.name) && matches!(plan.from, From::Cell(_)) {
            note(
                sheet,
                &plan.written,
                FindingKind::ColumnTwice,
                &format!("{} is declared as the same for every row, and the file has a column of it.", plan.name),
                "Take the constant out of records.toml, or leave the column out there.",
                findings,
            );
        }
    }
    let is_there = |name: &&String| header.contains(name) || declared.constants.contains_key(*name);
    let own_present = own.iter().filter(is_there).cloned().collect();
    let commas = declared.decimal.map_or(sheet.commas_in_numbers, |decimal| decimal == Decimal::Comma);
    (errors(findings) == before).then_some(TablePlan { feeds, kind, own_present, commas })
}

/// Whether a table's header is that of visits, as far as it tells.
pub fn holds_visits(sheet: &Sheet) -> bool {
    let destination = |written: &String| {
        sheet.declared.columns.get(written).map_or_else(|| column_name(written), |to| to.column().to_owned())
    };
    let header: Vec<String> = sheet.header.iter().map(destination).collect();
    kind_of(sheet, &header, &mut Findings::default()) == Some(RecordKind::Visit)
}

fn note(sheet: &Sheet, column: &str, kind: FindingKind, what: &str, mend: &str, findings: &mut Findings) {
    findings.note(kind, Place::cell(&sheet.name, sheet.header_row.max(1), column), Some(column), what, mend);
}

fn kind_of(sheet: &Sheet, header: &[String], findings: &mut Findings) -> Option<RecordKind> {
    let has = |name: &str| header.iter().any(|column| column == name) || sheet.declared.constants.contains_key(name);
    match (sheet.declared.holds, has("placed_on"), has("visited_on")) {
        (Some(Holds::Placements), ..) => Some(RecordKind::Placement),
        (Some(Holds::Visits), ..) => Some(RecordKind::Visit),
        (None, true, false) => Some(RecordKind::Placement),
        (None, false, true) => Some(RecordKind::Visit),
        (None, both, _) => {
            findings.note(
                FindingKind::UnknownKind,
                Place::row(&sheet.name, sheet.header_row.max(1)),
                Some(&sheet.header.join(" | ")),
                if both {
                    "The header has both placed_on and visited_on, so its rows may be either."
                } else {
                    "The header is neither that of placements (with placed_on) nor that of visits (with visited_on)."
                },
                "Name the columns as the records do, or say in records.toml what they are (manebit draft writes one), or take the file out of the folder. If a title or empty rows stand above the header, take them out.",
            );
            None
        }
    }
}

fn feed(sheet: &Sheet, kind: RecordKind, header: &[String], own: &[String], visit: Option<&RowVisit>) -> Feed {
    let declared = &sheet.declared;
    let by_name = |name: &str| header.iter().position(|column| column == name);
    let from = |name: &str| -> From {
        if let Some(visit) = visit {
            if let Some(written) = visit.columns.get(name) {
                return sheet.header.iter().position(|column| column == written).map_or(From::Nothing, From::Cell);
            }
            if let (Some(months), "visited_on") = (visit.months_after_placement, name) {
                return From::MonthsAfterPlacement(months);
            }
        }
        // Of a row's own columns a visit beside others takes only which restoration it is.
        let shared = visit.is_none() || name == "restoration_id";
        if let Some(place) = by_name(name).filter(|_| shared) {
            return From::Cell(place);
        }
        declared.constants.get(name).map_or(From::Nothing, |constant| From::Constant(constant.as_str().into()))
    };
    let plan = |name: &str, column: Column| -> Plan {
        let from = from(name);
        let written = match &from {
            From::Cell(place) => sheet.header[*place].clone(),
            _ => name.to_owned(),
        };
        let factor = declared.columns.get(&written).map_or(1.0, super::declaration::Destination::factor);
        let values = declared.values.get(name).map_or_else(HashMap::new, |values| {
            values.iter().map(|(theirs, ours)| (theirs.trim().to_lowercase(), ours.clone())).collect()
        });
        // A value that is declared for this column means what is declared.
        let (nothing, values): (HashMap<String, String>, HashMap<String, String>) =
            values.into_iter().partition(|(_, ours)| ours.trim().is_empty());
        let forms: Vec<String> = declared.empty.iter().cloned().chain(nothing.into_keys()).collect();
        let empty = EmptyForms::new(&forms, |form| values.contains_key(form));
        let builder = ColumnBuilder::new(name, column.cell);
        let says = matches!(column.cell, Cell::Score(_)) || (kind == RecordKind::Visit && name == "outcome");
        let text = match name {
            "patient_id" => TextRole::Patient,
            "restoration_id" | "replaces_restoration" => TextRole::Restoration,
            "shades" | "adhesive_lot" | "composite_lot" => TextRole::Product,
            _ => TextRole::Other,
        };
        // What the file itself counts or abbreviates; a constant is declared as it is to be.
        let is_counted =
            matches!(text, TextRole::Patient | TextRole::Restoration) || matches!(name, "operator" | "examiner");
        let begins = is_counted && matches!(from, From::Cell(_));
        let begin = declared.ids_begin_with.clone().filter(|_| begins).unwrap_or_default();
        let name = name.to_owned();
        Plan {
            column,
            name,
            written,
            from,
            values,
            empty,
            begin,
            factor,
            text,
            says,
            is_optional: column.need == Need::Optional,
            has_codes: matches!(column.cell, Cell::Term(_) | Cell::Score(_)),
            last_empty: true,
            builder,
            met: Met::default(),
            last_id: String::new(),
        }
    };
    let mut plans: Vec<Plan> = kind.columns().iter().map(|column| plan(column.name, *column)).collect();
    let own_column = Column { name: "", label: "", cell: Cell::Text, need: Need::Optional };
    plans.extend(own.iter().map(|name| plan(name, own_column)));
    Feed { kind, plans, beside_others: visit.is_some() }
}
