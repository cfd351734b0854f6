//! One cell of a row, checked and added to its column.

use std::sync::Arc;

use super::cell::{self, Wrong};
use super::declaration::{DayOrder, Decimal};
use super::plan::{From, Plan, TextRole};
use super::sheet::{Row, as_text};
use super::tally::Tally;
use crate::finding::{FindingKind, Findings, Place};
use crate::quantity::{Day, Days};
use crate::record::tooth::refutes;
use crate::record::{Cell, Coded, Need, Scheme, ToothNotation, says_replaced};
use crate::table::{ColumnBuilder, NO_CODE};
use crate::wording::unescape_spreadsheet;

/// A cell's bytes, trimmed, and where it stands.
#[derive(Clone, Copy)]
pub(super) struct CellAt<'a> {
    pub(super) bytes: &'a [u8],
    pub(super) row: u64,
    pub(super) may_break: bool,
    /// Whether what it says is declared, and doesn't stand in the file.
    pub(super) is_declared: bool,
}

/// What a cell needs to know of its file.
pub(super) struct CellReader<'a> {
    pub(super) name: &'a str,
    pub(super) today: Day,
    pub(super) days: Option<DayOrder>,
    pub(super) notation: ToothNotation,
    pub(super) digits_from: Option<u8>,
    pub(super) commas: bool,
}

impl Plan {
    /// What stands in every row, if the column is the same throughout.
    pub(super) fn constant(&self) -> Option<Arc<str>> {
        match &self.from {
            From::Constant(constant) => Some(Arc::clone(constant)),
            _ => None,
        }
    }

    /// The bytes of its cell in a row, trimmed; none where nothing was written.
    pub(super) fn bytes<'a>(&self, row: &Row<'a>, constant: Option<&'a str>) -> &'a [u8] {
        match &self.from {
            From::Cell(cell) => self.but_empty(row.cell(*cell)),
            _ => constant.unwrap_or("").as_bytes(),
        }
    }

    /// Checks a cell, adds its value, and hands back its code if it has one.
    pub(super) fn take(
        &mut self,
        cell: CellAt<'_>,
        scheme: u8,
        reader: &CellReader<'_>,
        tally: &mut Tally,
        findings: &mut Findings,
    ) -> u8 {
        let bytes = cell.bytes;
        self.last_empty = bytes.is_empty();
        if bytes.is_empty() {
            self.take_nothing(cell.row, reader, findings);
            return NO_CODE;
        }
        if self.take_likely(bytes, reader) {
            return NO_CODE;
        }
        // A code that was met in the same letters before needs no second look.
        let remembers = self.has_codes;
        if remembers && let Some(code) = self.met.find(scheme, bytes) {
            if let ColumnBuilder::Code(builder) = &mut self.builder {
                builder.append_value(code);
            }
            return code;
        }
        let before = if self.text.is_id() { findings.noted() } else { 0 };
        let given = as_text(bytes);
        if given.is_empty() {
            // White space that only Unicode knows.
            self.last_empty = true;
            self.take_nothing(cell.row, reader, findings);
            return NO_CODE;
        }
        let changed = if self.values.is_empty() { None } else { self.values.get(&given.to_lowercase()).cloned() };
        let text = changed.as_deref().unwrap_or(given);
        let at = CellAt { is_declared: changed.is_some(), ..cell };
        // What is declared means what is declared.
        let may_be_empty = changed.is_none() && matches!(self.from, From::Cell(_)) && cell::may_be_empty(given);
        match self.push(text, scheme, at, reader, tally, findings) {
            Ok(code) => {
                if may_be_empty && matches!(self.builder, ColumnBuilder::Text(_)) {
                    findings.note(
                        FindingKind::MayBeEmpty,
                        Place::cell(reader.name, cell.row, &self.written),
                        Some(given),
                        "Many programs write this where nothing was entered; it is taken as it stands.",
                        if self.is_optional { says_empty(given) } else { "Write the id; leave it if it is one.".to_owned() },
                    );
                }
                if remembers {
                    self.met.add(scheme, bytes, code);
                } else if self.text.is_id() && findings.noted() == before && !given.contains(['\n', '\r']) {
                    given.clone_into(&mut self.last_id);
                }
                code
            }
            Err(wrong) => {
                let place = Place::cell(reader.name, cell.row, &self.written);
                let mend = if may_be_empty && self.is_optional { says_empty(given) } else { wrong.mend };
                findings.note(wrong.kind, place, Some(given), wrong.what, mend);
                self.builder.push_none();
                NO_CODE
            }
        }
    }

    /// Adds a cell that is what most such cells are: a day as the records write it, or the id of the row before. False if it is not.
    #[inline]
    fn take_likely(&mut self, bytes: &[u8], reader: &CellReader<'_>) -> bool {
        if !self.values.is_empty() || !self.begin.is_empty() {
            return false;
        }
        match &mut self.builder {
            ColumnBuilder::Day(builder) => {
                let likely = cell::FIRST_DAY..=reader.today.since_epoch();
                let day = Day::from_iso_bytes(bytes).map(Day::since_epoch).filter(|day| likely.contains(day));
                day.is_some_and(|day| {
                    builder.append_value(day);
                    true
                })
            }
            ColumnBuilder::Text(builder) if self.text.is_id() && self.last_id.as_bytes() == bytes => {
                builder.append_value(unescape_spreadsheet(&self.last_id));
                true
            }
            _ => false,
        }
    }

    /// A cell that stands for an empty one; a finding if it must be filled.
    pub(super) fn take_emptied(&mut self, bytes: &[u8], row: u64, reader: &CellReader<'_>, findings: &mut Findings) {
        if self.is_optional {
            return self.take_nothing(row, reader, findings);
        }
        self.last_empty = true;
        findings.note(
            FindingKind::CellMissing,
            Place::cell(reader.name, row, &self.written),
            Some(as_text(bytes)),
            "This is declared to stand for an empty cell, and every row must have a value here.",
            "Fill the cell, or correct records.toml.",
        );
        self.builder.push_none();
    }

    /// An empty cell; a finding if it must be filled.
    pub(super) fn take_nothing(&mut self, row: u64, reader: &CellReader<'_>, findings: &mut Findings) {
        if self.column.need == Need::Required {
            findings.note(
                FindingKind::CellMissing,
                Place::cell(reader.name, row, &self.written),
                None,
                "Every row must have a value here.",
                "Fill the cell.",
            );
        }
        self.builder.push_none();
    }

    /// A visit without a day of its own, at so many months after the placement.
    pub(super) fn take_reckoned(
        &mut self,
        row: u64,
        months: u16,
        placed: Option<Day>,
        reader: &CellReader<'_>,
        findings: &mut Findings,
    ) {
        let day = placed.map(|placed| Day::from_epoch(placed.since_epoch() + Days::of_months(months).count()));
        let place = || Place::cell(reader.name, row, &self.written);
        match (day, &mut self.builder) {
            (Some(day), ColumnBuilder::Day(builder)) if day <= reader.today => {
                builder.append_value(day.since_epoch());
                findings.note(
                    FindingKind::DayReckoned,
                    place(),
                    Some(&day.to_string()),
                    format!("The file gives no day for this visit; it is taken as {months} months after the placement, as declared."),
                    "Give the column with the day (visited_on) if there is one; exact days make better curves.",
                );
            }
            (day, builder) => {
                builder.push_none();
                if let Some(day) = day {
                    findings.note(
                        FindingKind::FutureDay,
                        place(),
                        Some(&day.to_string()),
                        format!("{months} months after the placement have not passed yet (today is {}).", reader.today),
                        "Empty the cells of this visit, or correct the day of placement.",
                    );
                }
            }
        }
    }

    /// Reads a filled cell and adds its value; a caution is noted here, an error handed back.
    fn push(
        &mut self,
        text: &str,
        scheme: u8,
        at: CellAt<'_>,
        reader: &CellReader<'_>,
        tally: &mut Tally,
        findings: &mut Findings,
    ) -> Result<u8, Wrong> {
        let written = &self.written;
        let place = || Place::cell(reader.name, at.row, written);
        match (&mut self.builder, self.column.cell) {
            (ColumnBuilder::Text(builder), _) => {
                // The apostrophe that keeps a spreadsheet from running a text as a formula is no part of it.
                let text = unescape_spreadsheet(text);
                let value = if at.may_break { cell::text(text, &self.name)? } else { text };
                cell::no_spreadsheet_error(value)?;
                match self.text {
                    TextRole::Patient => {
                        cell::pseudonym(value)?;
                        if cell::may_be_a_name(value) {
                            findings.note(
                                FindingKind::MayBeAName,
                                place(),
                                Some(text),
                                "A single word with a capital may be a surname.",
                                "Use a pseudonym that only the practice can trace; leave it if it is one.",
                            );
                        }
                    }
                    TextRole::Restoration | TextRole::Product => {}
                    TextRole::Other => {
                        // Few people and lots fill these columns: one that was seen needs no second look.
                        if self.met.find(NO_CODE, value.as_bytes()).is_none() {
                            if let Some(why) = cell::tells_who(value) {
                                return Err(Wrong {
                                    kind: FindingKind::PersonalData,
                                    what: format!("{why} Who somebody is must not enter."),
                                    mend: "Use a code, such as initials or a number.".to_owned(),
                                });
                            }
                            self.met.add(NO_CODE, value.as_bytes(), 0);
                        }
                    }
                }
                // What is declared of a value is meant as it stands, and yes and no name no restoration.
                let is_word = at.is_declared || (self.name == "replaces_restoration" && says_replaced(value).is_some());
                if self.begin.is_empty() || is_word {
                    builder.append_value(value);
                } else {
                    builder.append_value(format!("{}{value}", self.begin));
                }
                Ok(NO_CODE)
            }
            (ColumnBuilder::Day(builder), _) => {
                let day = match cell::day(text, reader.today, reader.days) {
                    Err(wrong) if wrong.kind == FindingKind::NotADay => {
                        let Some(read) = cell::look_alike(text) else { return Err(wrong) };
                        let Ok(day) = cell::day(&read, reader.today, reader.days) else { return Err(wrong) };
                        looks_like(&read, text, place(), findings);
                        day
                    }
                    read => read?,
                };
                builder.append_value(day.since_epoch());
                Ok(NO_CODE)
            }
            (ColumnBuilder::Number(builder), Cell::Number { possible, plausible }) => {
                let read = |text: &str| cell::number(text, reader.commas, self.factor, possible, plausible);
                let number = match read(text) {
                    Err(wrong) if wrong.kind == FindingKind::NotANumber => {
                        let Some(like) = cell::look_alike(text) else { return Err(wrong) };
                        let Ok(number) = read(&like) else { return Err(wrong) };
                        looks_like(&like, text, place(), findings);
                        number
                    }
                    read => read?,
                };
                match number.mark {
                    Some(Decimal::Comma) => {
                        tally.commas += 1;
                        if tally.first_comma.is_none() {
                            tally.first_comma = Some((at.row, self.written.clone(), text.to_owned()));
                        }
                    }
                    Some(Decimal::Point) => tally.points += 1,
                    None => {}
                }
                if !number.plausible {
                    findings.note(
                        FindingKind::ImplausibleValue,
                        place(),
                        Some(text),
                        format!("Possible, but outside the usual {} to {}.", plausible.least, plausible.most),
                        "Check it against the notes of the visit; leave it if it is right.",
                    );
                }
                builder.append_value(number.value);
                Ok(NO_CODE)
            }
            (ColumnBuilder::Code(builder), Cell::Tooth) => {
                let like = || cell::look_alike(text).filter(|like| cell::tooth(like, reader.notation).is_ok());
                let read = match cell::tooth(text, reader.notation) {
                    Ok(tooth) => Ok(tooth),
                    Err(_) if refutes(text, reader.notation) => {
                        tally.refuted += 1;
                        if tally.first_refuting.is_none() {
                            tally.first_refuting = Some((at.row, self.written.clone(), text.to_owned()));
                        }
                        builder.append_null();
                        return Ok(NO_CODE);
                    }
                    Err(wrong) => match like() {
                        Some(like) => {
                            looks_like(&like, text, place(), findings);
                            cell::tooth(&like, reader.notation)
                        }
                        None => Err(wrong),
                    },
                };
                let tooth = read?;
                tally.teeth += 1;
                tally.settling += u64::from(settles(tooth.iso()));
                if tooth.is_primary() {
                    findings.note(
                        FindingKind::PrimaryTooth,
                        place(),
                        Some(text),
                        "This is a primary tooth; what is known of cervical restorations concerns permanent ones.",
                        "Check the number; leave it if it is right.",
                    );
                }
                builder.append_value(tooth.iso());
                Ok(NO_CODE)
            }
            (ColumnBuilder::Code(builder), Cell::Grade { possible }) => {
                builder.append_value(cell::grade(text, possible)?);
                Ok(NO_CODE)
            }
            (ColumnBuilder::Code(builder), Cell::Term(terms)) => {
                let code = cell::term(text, terms)?;
                builder.append_value(code);
                Ok(code)
            }
            (ColumnBuilder::Code(builder), Cell::Score(criterion)) => {
                let sign = cell::score(text, Scheme::from_index(scheme), criterion, reader.digits_from)?;
                builder.append_value(sign);
                Ok(sign)
            }
            (builder, _) => {
                builder.push_none();
                Ok(NO_CODE)
            }
        }
    }
}

/// How a cell is mended that may stand for an empty one.
fn says_empty(text: &str) -> String {
    format!(
        "If it stands for an empty cell, empty it, or declare in records.toml: empty = [\"{text}\"]; else write what it means."
    )
}

/// Names a cell that was read with letters or signs taken for the digits they look like.
fn looks_like(read: &str, text: &str, place: Place, findings: &mut Findings) {
    findings.note(
        FindingKind::LookAlike,
        place,
        Some(text),
        format!("Read as {read}: a letter or sign that looks like a digit."),
        "Write it in plain digits.",
    );
}

/// Whether a tooth written as its ISO number could not be a Universal number, so that it settles the notation.
pub(super) const fn settles(iso: u8) -> bool {
    iso > 32
}
