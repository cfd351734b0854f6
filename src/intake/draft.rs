//! A draft of `records.toml`: what the tables of record files show, as a declaration to correct and keep.
//!
//! Nothing is guessed silently. A line that holds says why beside it, with a few values; what can't be told stands behind a mark,
//! with what was seen. Only the first rows of a table are looked at. Values that may tell who somebody is are never repeated. What
//! was declared before is taken over. The draft is a declaration that can be read as it is.

use std::collections::{BTreeMap, BTreeSet};

use super::cell::tells_who;
use super::declaration::LEAVE_OUT;
use super::draft_names::{Recall, telling_words};
use super::draft_sample::{DaySigns, Sample, ToothSigns, number, sample};
use super::draft_table::{Fate, Placed, place};
use super::draft_text::{
    HIDDEN, Lines, all_quoted, day_order, decimal, destination, encoding, quoted, samples, separator, toml_string,
};
use super::folder::{IntakeRequest, all_sheets};
use super::sheet::Sheet;
use crate::finding::{Findings, Severity};
use crate::record::{Cell, Coded, Column, Criterion, Need, RecordKind, Scheme, Term, Tooth, ToothNotation, find_term};
use crate::wording::{count, counted, escape_terminal};

/// Distinct values that a column of terms lists at most.
const MOST_VALUES: usize = 30;

const INTRODUCTION: &str = "\
# A draft of records.toml. What the files show is filled in, with the reason behind it; what can't be told stands behind a mark (#).
# Read every line, correct it, take marks away where a line is right, and keep it as records.toml beside the record files.
";

/// Drafts a declaration of record files; none, with findings, if there is no table to look at. Files that can't be read are named in
/// the draft and in the findings.
pub fn draft(request: IntakeRequest<'_>, findings: &mut Findings) -> Option<String> {
    let sheets = all_sheets(request, findings);
    if sheets.is_empty() {
        return None;
    }
    let mut tables: BTreeMap<String, u64> = BTreeMap::new();
    for sheet in &sheets {
        *tables.entry(file_of(sheet)).or_default() += 1;
    }
    let mut text = INTRODUCTION.to_owned();
    for mut sheet in sheets {
        let lone = tables.get(&file_of(&sheet)).is_none_or(|count| *count == 1);
        let table = Table::look(&mut sheet, lone, request.own_columns, findings);
        text.push('\n');
        text += &table.text();
    }
    let errors = findings.sorted().into_iter().filter(|finding| finding.kind.severity() == Severity::Error);
    for finding in errors {
        let row = finding.place.row.map_or_else(String::new, |row| format!(", row {row}"));
        text += &format!(
            "\n# Could not be looked at: {}{row}. {} {}\n",
            quoted(&finding.place.file),
            escape_terminal(&finding.what),
            escape_terminal(&finding.mend)
        );
    }
    Some(text)
}

/// The file's name without the sheet's.
fn file_of(sheet: &Sheet) -> String {
    let tail = sheet.sheet.as_ref().map(|sheet| format!(": {sheet}"));
    tail.and_then(|tail| sheet.name.strip_suffix(&tail)).unwrap_or(&sheet.name).to_owned()
}

/// A table that was looked at.
struct Table<'a> {
    sheet: &'a Sheet,
    file: String,
    lone: bool,
    samples: Vec<Sample>,
    rows: u64,
    more: bool,
    placed: Placed,
    /// The records' columns with the places that feed them.
    fed: Vec<(Column, usize)>,
}

impl<'a> Table<'a> {
    fn look(sheet: &'a mut Sheet, lone: bool, own: &[String], findings: &mut Findings) -> Self {
        let (samples, rows, more) = sample(sheet, findings);
        let sheet: &Sheet = sheet;
        let placed = place(&sheet.header, &samples, &sheet.declared, own, (!more).then_some(rows));
        let mut fed: Vec<(Column, usize)> = Vec::new();
        if let Some(kind) = placed.kind.taken {
            let of = |kind: RecordKind, name: &str| kind.columns().iter().find(|column| column.name == name).copied();
            for (place, fate) in placed.fates.iter().enumerate() {
                let name = match fate {
                    Fate::Own(name) => name,
                    Fate::Declared(to) | Fate::Proposed(to, _) => to.column(),
                    _ => continue,
                };
                fed.extend(of(kind, name).map(|column| (column, place)));
            }
            fed.extend(placed.blocks.iter().flat_map(|block| block.columns.iter().copied()));
            for (name, written) in sheet.declared.visits.iter().flat_map(|visit| &visit.columns) {
                let place = sheet.header.iter().position(|header| header == written);
                fed.extend(of(RecordKind::Visit, name).zip(place));
            }
        }
        Self { file: file_of(sheet), sheet, lone, samples, rows, more, placed, fed }
    }

    /// Its entry, or why it needs none.
    fn text(&self) -> String {
        let mut lines = Lines::default();
        let of_sheet = self.sheet.sheet.as_ref().filter(|_| !self.lone);
        let called = match of_sheet {
            Some(sheet) => format!("{}, sheet {}", quoted(&self.file), quoted(sheet)),
            None => quoted(&self.file),
        };
        if of_sheet.is_some() && self.placed.kind.taken.is_none() && self.sheet.declared.name.is_empty() {
            lines.says(&format!("{called}: nothing in it looks like records, so it is passed over."));
            lines.says(&format!("Its columns: {}.", all_quoted(self.sheet.header.iter().take(8))));
            return lines.text;
        }
        lines.holds("[[files]]", "");
        lines.holds(&format!("name = {}", toml_string(&self.file)), "");
        if let Some(sheet) = of_sheet {
            lines.holds(&format!("sheet = {}", toml_string(sheet)), "");
        }
        self.format(&mut lines);
        self.kind(&mut lines);
        self.decimal(&mut lines);
        self.days(&mut lines);
        self.teeth(&mut lines);
        self.digits(&mut lines);
        self.empty(&mut lines);
        self.columns(&mut lines);
        self.values(&mut lines);
        self.constants(&mut lines);
        self.visits(&mut lines);
        if lines.asks || !self.sheet.declared.name.is_empty() {
            return lines.text;
        }
        let mut none = Lines::default();
        none.says(&format!("{called}: columns and terms are the records' own, so it needs no entry."));
        none.text
    }

    fn format(&self, lines: &mut Lines) {
        let rows = if self.more {
            format!("the first {} rows were looked at", count(self.rows))
        } else {
            counted(self.rows, "row", "rows")
        };
        lines.says(&format!("Read as {}; {rows}.", self.sheet.said));
        let declared = &self.sheet.declared;
        if let Some(written) = declared.encoding {
            lines.holds(encoding(written), AS_NOW);
        }
        if let Some(written) = declared.separator {
            lines.holds(separator(written), AS_NOW);
        }
        if self.sheet.said.starts_with("CSV") && (declared.encoding, declared.separator) == (None, None) {
            lines.says("If that is wrong: encoding = \"utf_8\", \"utf_16_le\", \"utf_16_be\" or \"windows_1252\"; separator = \",\", \";\", \"tab\" or \"|\".");
        }
    }

    fn kind(&self, lines: &mut Lines) {
        let kind = &self.placed.kind;
        let label = kind.taken.unwrap_or(RecordKind::Placement).label();
        let toml = format!("holds = \"{label}\"");
        if kind.told {
            lines.holds(&toml, &kind.why);
        } else {
            lines.leaves_open(&toml, &format!("or \"visits\"; {}", kind.why));
        }
    }

    /// The values of all columns whose cells are of a kind.
    fn values_of(&self, wanted: impl Fn(Cell) -> bool) -> impl Iterator<Item = &String> {
        let places: BTreeSet<usize> =
            self.fed.iter().filter(|(column, _)| wanted(column.cell)).map(|(_, place)| *place).collect();
        places.into_iter().flat_map(|place| &self.samples[place].values)
    }

    fn decimal(&self, lines: &mut Lines) {
        if let Some(mark) = self.sheet.declared.decimal {
            lines.holds(decimal(mark), AS_NOW);
            return;
        }
        let numbers = || self.values_of(|cell| matches!(cell, Cell::Number { .. })).filter(|text| number(text).is_some());
        let commas: Vec<&String> = numbers().filter(|text| text.contains(',')).collect();
        let Some(first) = commas.first() else { return };
        let toml = decimal(super::declaration::Decimal::Comma);
        let thousands = |text: &&&String| text.split_once(',').is_some_and(|(_, after)| after.len() == 3);
        if let Some(point) = numbers().find(|text| text.contains('.')) {
            let why = format!(
                "can't be told: both {} and {} are there; one of them may part thousands",
                quoted(first),
                quoted(point)
            );
            lines.leaves_open(toml, &why);
        } else if commas.iter().all(|text| thousands(&text)) {
            lines.leaves_open(toml, &format!("can't be told: the comma in {} may part thousands", quoted(first)));
        } else {
            lines.proposes(toml, &format!("{} has a comma", quoted(first)));
        }
    }

    fn days(&self, lines: &mut Lines) {
        if let Some(order) = self.sheet.declared.days {
            lines.holds(day_order(order), AS_NOW);
            return;
        }
        use super::declaration::DayOrder::{DayMonthYear, MonthDayYear};
        let mut signs = DaySigns::default();
        self.values_of(|cell| matches!(cell, Cell::Day)).for_each(|text| signs.take(text));
        match (&signs.day_first, &signs.month_first, &signs.either) {
            (Some(day), None, _) => {
                lines.proposes(day_order(DayMonthYear), &format!("{} can only be day, month, year", quoted(day)));
            }
            (None, Some(month), _) => {
                lines.proposes(day_order(MonthDayYear), &format!("{} can only be month, day, year", quoted(month)));
            }
            (Some(day), Some(month), _) => lines.leaves_open(
                day_order(DayMonthYear),
                &format!(
                    "or \"month_day_year\"; no order fits: {} is day, month, year and {} is month, day, year; correct the file",
                    quoted(day),
                    quoted(month)
                ),
            ),
            (None, None, Some(either)) => lines.leaves_open(
                day_order(DayMonthYear),
                &format!("or \"month_day_year\"; can't be told: {} may be either, and so may all others", quoted(either)),
            ),
            (None, None, None) => {}
        }
        if let Some(text) = &signs.unreadable {
            lines.asks = true;
            lines.says(&format!(
                "{} can be read in no order; write such days as year-month-day, with four digits of the year.",
                quoted(text)
            ));
        }
    }

    fn teeth(&self, lines: &mut Lines) {
        let toml = |notation: ToothNotation| format!("tooth_notation = \"{}\"", notation.code());
        if let Some(notation) = self.sheet.declared.tooth_notation {
            lines.holds(&toml(notation), AS_NOW);
            return;
        }
        let mut signs = ToothSigns::default();
        self.values_of(|cell| matches!(cell, Cell::Tooth)).for_each(|text| signs.take(text));
        let either = "or \"universal\"";
        match (&signs.iso, &signs.universal, signs.both) {
            (Some(iso), None, _) => {
                lines.holds(&toml(ToothNotation::Iso3950), &format!("{} is a tooth in ISO 3950 only", quoted(iso)));
            }
            (None, Some(universal), _) => {
                let why = format!("{} is a tooth in Universal notation only", quoted(universal));
                lines.proposes(&toml(ToothNotation::Universal), &why);
            }
            (Some(iso), Some(universal), _) => lines.leaves_open(
                &toml(ToothNotation::Iso3950),
                &format!(
                    "{either}; no notation fits: {} is ISO 3950 only and {} Universal only; correct the file",
                    quoted(iso),
                    quoted(universal)
                ),
            ),
            (None, None, true) => lines.leaves_open(
                &toml(ToothNotation::Iso3950),
                &format!("{either}; can't be told: every tooth here has a number in both"),
            ),
            (None, None, false) => {}
        }
    }

    /// The scheme of all rows, declared or found.
    fn scheme(&self) -> Option<&String> {
        let found = self.placed.fates.iter().find_map(|fate| match fate {
            Fate::Constant(column, value) if column.name == "scheme" => Some(value),
            _ => None,
        });
        self.sheet.declared.constants.get("scheme").or(found)
    }

    /// The scores that are digits, unless a scheme with digits is known.
    fn digits(&self, lines: &mut Lines) {
        if let Some(base) = self.sheet.declared.digits_from {
            lines.holds(&format!("digits_from = {base}"), AS_NOW);
            return;
        }
        let constant = self.scheme();
        let of_column = self.fed.iter().filter(|(column, _)| column.name == "scheme").map(|(_, place)| *place);
        let mut named = of_column.flat_map(|place| &self.samples[place].values).chain(constant).peekable();
        let in_digits = named.peek().is_some()
            && named.all(|text| <Scheme as Coded>::read(text).is_some_and(|scheme| !scheme.has_letters()));
        let is_digit = |text: &&String| matches!(text.as_bytes(), [b'0'..=b'9']);
        let digits: BTreeSet<&String> = self.values_of(|cell| matches!(cell, Cell::Score(_))).filter(is_digit).collect();
        if in_digits || digits.is_empty() {
            return;
        }
        if digits.iter().any(|digit| *digit == "0") {
            let why = "0 is among the scores, so A is 0; digits stand for letters only in the letter schemes";
            lines.proposes("digits_from = 0", why);
        } else {
            lines.leaves_open(
                "digits_from = 1",
                &format!(
                    "or 0; can't be told: the digits are {}; if the scheme is one of letters, say which digit is A; if it is an FDI scheme, leave this out",
                    all_quoted(digits)
                ),
            );
        }
    }

    /// Columns that may enter, but are none of the records': own ones, and those that are left open.
    fn others(&self) -> Vec<(Column, usize)> {
        let text = Column { name: "", label: "", cell: Cell::Text, need: Need::Optional };
        let may_enter = |fate: &Fate| match fate {
            Fate::Declared(to) | Fate::Proposed(to, _) => to.column() != LEAVE_OUT,
            Fate::Own(_) | Fate::Open(..) => true,
            Fate::OfVisit | Fate::PassedOver | Fate::Constant(..) | Fate::LeftOut(_) => false,
        };
        let fed = |place: &usize| self.fed.iter().any(|(_, other)| other == place);
        let entering = self.placed.fates.iter().enumerate().filter(|(_, fate)| may_enter(fate)).map(|(place, _)| place);
        entering.filter(|place| !fed(place)).map(|place| (text, place)).collect()
    }

    /// What stands for empty cells.
    fn empty(&self, lines: &mut Lines) {
        let declared = &self.sheet.declared;
        // Where each form stands that is declared neither as an empty cell nor as a value of its column.
        let mut forms: Vec<Standing<'_>> = Vec::new();
        for (column, place) in self.fed.iter().chain(&self.others()) {
            for form in &self.samples[*place].empty {
                let folded = form.to_lowercase();
                let values = declared.values.get(column.name);
                if values.is_some_and(|values| values.keys().any(|value| value.trim().to_lowercase() == folded)) {
                    continue;
                }
                let at = forms.iter().position(|known| known.form.to_lowercase() == folded).unwrap_or_else(|| {
                    forms.push(Standing { form, places: Vec::new() });
                    forms.len() - 1
                });
                let places = &mut forms[at].places;
                if places.iter().all(|(_, other)| other != place) {
                    places.push((*column, *place));
                }
            }
        }
        // A text may be somebody's initials, or a code; anything else it can't be.
        let refused = |column: &Column, form: &str| match column.cell {
            Cell::Text => false,
            Cell::Term(terms) => find_term(terms, form).is_none(),
            _ => true,
        };
        let stand =
            |places: &[(Column, usize)]| all_quoted(places.iter().take(8).map(|(_, place)| &self.sheet.header[*place]));
        forms.sort_by_key(|standing| standing.form.to_lowercase());
        let (sure, unsure): (Vec<_>, Vec<_>) =
            forms.into_iter().partition(|Standing { form, places }| places.iter().all(|(column, _)| refused(column, form)));
        let array = |forms: &[&String]| {
            format!("empty = [{}]", forms.iter().map(|form| toml_string(form)).collect::<Vec<_>>().join(", "))
        };
        let live: Vec<&String> = declared.empty.iter().chain(sure.iter().map(|standing| standing.form)).collect();
        let mut places: Vec<(Column, usize)> = sure.iter().flat_map(|standing| standing.places.iter().copied()).collect();
        places.sort_unstable_by_key(|(_, place)| *place);
        places.dedup_by_key(|(_, place)| *place);
        if sure.is_empty() && !live.is_empty() {
            lines.holds(&array(&live), AS_NOW);
        } else if !live.is_empty() {
            lines.proposes(&array(&live), &format!("stands in {} where nothing was written", stand(&places)));
        }
        for Standing { form, places } in &unsure {
            let why = format!("stands in {}", stand(places));
            if live.is_empty() && unsure.len() == 1 {
                lines.leaves_open(&array(&[form]), &format!("{why}; leave it out if it is a code of yours"));
            } else {
                lines.asks = true;
                let into = "put it into empty if it means that nothing was written; leave it out if it is a code of yours";
                lines.says(&format!("{} {why}; {into}.", toml_string(form)));
            }
        }
    }

    fn columns(&self, lines: &mut Lines) {
        let own: Vec<&String> =
            self.placed.fates.iter().filter_map(|fate| if let Fate::Own(name) = fate { Some(name) } else { None }).collect();
        lines.parts();
        lines.holds("[files.columns]", "");
        if !own.is_empty() {
            lines.says(&format!("The records' own names: {}.", all_quoted(own)));
        }
        let mut written: BTreeSet<&String> = BTreeSet::new();
        for (place, fate) in self.placed.fates.iter().enumerate() {
            let header = &self.sheet.header[place];
            if !written.insert(header) {
                continue;
            }
            let line = |to: &str| format!("{} = {to}", toml_string(header));
            let shown = || samples(&self.samples[place]);
            match fate {
                Fate::Own(_) | Fate::OfVisit | Fate::PassedOver => {}
                Fate::Declared(to) => lines.holds(&line(&destination(to)), AS_NOW),
                Fate::Proposed(to, why) => lines.proposes(&line(&destination(to)), &format!("{why}; {}", shown())),
                Fate::Constant(column, _) => {
                    let why = format!("every row has the same; it is the constant {} below", column.name);
                    lines.proposes(&line(&toml_string(LEAVE_OUT)), &why);
                }
                Fate::LeftOut(why) => lines.proposes(&line(&toml_string(LEAVE_OUT)), why),
                Fate::Open(Some(to), why) => {
                    let names = to.column() == "patient_id" && self.samples[place].no_pseudonyms();
                    let said = if names { format!("{why}; {HIDDEN}") } else { format!("{why}; {}", shown()) };
                    lines.leaves_open(&line(&destination(to)), &said);
                }
                Fate::Open(None, why) => {
                    let sample = &self.samples[place];
                    let said = if sample.years().is_some() {
                        why.clone()
                    } else if sample.may_be_names() || sample.has_sentences() {
                        format!("{why}; {HIDDEN}")
                    } else {
                        format!("{why}; {}", shown())
                    };
                    lines.leaves_open(&line(&toml_string(LEAVE_OUT)), &said);
                }
            }
        }
        for (header, to) in self.sheet.declared.columns.iter().filter(|(header, _)| !self.sheet.header.contains(header)) {
            lines.leaves_open(
                &format!("{} = {}", toml_string(header), destination(to)),
                "declared now, but the file has no such column",
            );
        }
        let Some(kind) = self.placed.kind.taken else { return };
        let constants = &self.sheet.declared.constants;
        let there = |column: &&Column| {
            self.fed.iter().any(|(fed, _)| fed.name == column.name) || constants.contains_key(column.name)
        };
        let missing: Vec<&str> = kind
            .columns()
            .iter()
            .filter(|column| column.need == Need::Required && !there(column))
            .map(|column| column.name)
            .collect();
        if !missing.is_empty() {
            lines.asks = true;
            lines.says(&format!(
                "Not found, though every row needs it: {}. A column left open above may be it; else add it to the file.",
                missing.join(", ")
            ));
        }
    }

    /// Values that no term is known for, column by column.
    fn values(&self, lines: &mut Lines) {
        let mut columns: BTreeMap<&str, (Column, Vec<usize>)> = BTreeMap::new();
        for (column, place) in &self.fed {
            columns.entry(column.name).or_insert_with(|| (*column, Vec::new())).1.push(*place);
        }
        let nothing = BTreeMap::new();
        for (name, (column, places)) in &columns {
            let declared = self.sheet.declared.values.get(*name).unwrap_or(&nothing);
            let mut met: BTreeSet<String> = declared.keys().map(|value| value.trim().to_lowercase()).collect();
            let values = places.iter().flat_map(|place| &self.samples[*place].values);
            let mut unknown: Vec<&String> =
                values.filter(|value| !is_known(column.cell, value) && met.insert(value.to_lowercase())).collect();
            if unknown.is_empty() && declared.is_empty() {
                continue;
            }
            lines.parts();
            lines.holds(&format!("[files.values.{name}]"), "");
            for (theirs, ours) in declared {
                lines.holds(&format!("{} = {}", toml_string(theirs), toml_string(ours)), AS_NOW);
            }
            let choices = self.choices(column.cell);
            let names = places.iter().any(|place| self.samples[*place].looks_like_names());
            let all = unknown.len();
            unknown.retain(|value| !names && tells_who(value).is_none() && value.chars().count() <= 60);
            let hidden = (all - unknown.len()) as u64;
            if hidden > 0 {
                lines.says(&format!(
                    "{} in no list and not shown, since they may tell who somebody is; mend them in the file.",
                    counted(hidden, "value is", "values are")
                ));
            }
            for value in unknown.iter().take(MOST_VALUES) {
                let near = near_term(column.cell, value).unwrap_or("");
                lines.leaves_open(
                    &format!("{} = {}", toml_string(value), toml_string(near)),
                    &format!("one of: {choices}; or \"\" for an empty cell"),
                );
            }
            if unknown.len() > MOST_VALUES {
                lines.says(&format!(
                    "{} more values are in no list; is this the right column?",
                    count((unknown.len() - MOST_VALUES) as u64)
                ));
            }
        }
        // What is declared of columns that nothing feeds any more.
        for (name, declared) in self.sheet.declared.values.iter().filter(|(name, _)| !columns.contains_key(name.as_str())) {
            lines.parts();
            lines.holds(&format!("[files.values.{}]", toml_string(name)), AS_NOW);
            for (theirs, ours) in declared {
                lines.holds(&format!("{} = {}", toml_string(theirs), toml_string(ours)), "");
            }
        }
    }

    fn choices(&self, cell: Cell) -> String {
        match cell {
            Cell::Term(terms) => codes(terms),
            Cell::Score(criterion) => {
                let scheme = self.scheme().and_then(|scheme| <Scheme as Coded>::read(scheme));
                scheme.map_or_else(
                    || "A, B, C, D in a scheme of letters, 1 to 5 in an FDI scheme".to_owned(),
                    |scheme| scheme.choices(criterion),
                )
            }
            Cell::Tooth => "a tooth, such as 14".to_owned(),
            Cell::Grade { possible } => format!("{} to {}", possible.least, possible.most),
            _ => String::new(),
        }
    }

    fn constants(&self, lines: &mut Lines) {
        let declared = &self.sheet.declared.constants;
        let found: Vec<(&Column, &String)> = self
            .placed
            .fates
            .iter()
            .filter_map(|fate| if let Fate::Constant(column, value) = fate { Some((column, value)) } else { None })
            .filter(|(column, _)| !declared.contains_key(column.name))
            .collect();
        let scored = self.fed.iter().any(|(column, _)| matches!(column.cell, Cell::Score(_)));
        let asks = scored && self.scheme().is_none() && !self.fed.iter().any(|(column, _)| column.name == "scheme");
        if declared.is_empty() && found.is_empty() && !asks {
            return;
        }
        lines.parts();
        lines.holds("[files.constants]", "");
        for (column, value) in declared {
            lines.holds(&format!("{} = {}", toml_string(column), toml_string(value)), AS_NOW);
        }
        for (column, value) in found {
            lines.proposes(&format!("{} = {}", column.name, toml_string(value)), "the only value of its column");
        }
        if asks {
            lines.leaves_open(
                "scheme = \"usphs_3\"",
                &format!("scores mean nothing without their scheme; choose one of: {}", codes(Scheme::TERMS)),
            );
        }
    }

    fn visits(&self, lines: &mut Lines) {
        for visit in &self.sheet.declared.visits {
            lines.parts();
            lines.holds("[[files.visits]]", AS_NOW);
            if let Some(months) = visit.months_after_placement {
                lines.holds(&format!("months_after_placement = {months}"), "");
            }
            for (column, written) in &visit.columns {
                lines.holds(&format!("{} = {}", toml_string(column), toml_string(written)), "");
            }
        }
        for block in &self.placed.blocks {
            let dated = block.columns.iter().any(|(column, _)| column.name == "visited_on");
            let (title, months) = match block.recall {
                Some(Recall::Months(0)) => ("baseline".to_owned(), Some(0)),
                Some(Recall::Months(months)) => {
                    (format!("the recall at {}", counted(u64::from(months), "month", "months")), Some(months))
                }
                Some(Recall::Numbered(number)) => (format!("recall {number}"), None),
                None => ("a visit in the same row".to_owned(), None),
            };
            let live = self.placed.kind.told && (dated || months.is_some());
            lines.parts();
            let mut line =
                |toml: &str, said: &str| if live { lines.proposes(toml, said) } else { lines.leaves_open(toml, said) };
            line("[[files.visits]]", &title);
            match months {
                _ if dated => {}
                Some(months) => line(
                    &format!("months_after_placement = {months}"),
                    "no column has the day of this visit; better write visited_on = its column",
                ),
                None => {
                    line("months_after_placement = 0", "say how many months, or write visited_on = the column with its day")
                }
            }
            for (column, place) in &block.columns {
                let toml = format!("{} = {}", column.name, toml_string(&self.sheet.header[*place]));
                line(&toml, &samples(&self.samples[*place]));
            }
        }
    }
}

/// What most likely stands for empty cells, and the columns in which it does.
struct Standing<'a> {
    form: &'a String,
    places: Vec<(Column, usize)>,
}

/// What is said of lines that were declared before.
const AS_NOW: &str = "as declared now";

fn codes(terms: &[Term]) -> String {
    terms.iter().map(|term| term.code).collect::<Vec<_>>().join(", ")
}

/// Whether a value needs no word to be understood.
fn is_known(cell: Cell, value: &str) -> bool {
    match cell {
        Cell::Term(terms) => find_term(terms, value).is_some(),
        Cell::Score(criterion) => is_score(criterion, value),
        Cell::Tooth => [ToothNotation::Iso3950, ToothNotation::Universal]
            .into_iter()
            .any(|notation| Tooth::read(value, notation).is_some()),
        Cell::Grade { .. } => value.parse::<u8>().is_ok(),
        Cell::Text | Cell::Day | Cell::Number { .. } => true,
    }
}

fn is_score(criterion: Criterion, value: &str) -> bool {
    let mut schemes = (0..).map_while(Scheme::from_index);
    matches!(value.as_bytes(), [b'0'..=b'5']) || schemes.any(|scheme| scheme.read(criterion, value).is_some())
}

/// The one term that shares most words with a value.
fn near_term(cell: Cell, value: &str) -> Option<&'static str> {
    let Cell::Term(terms) = cell else { return None };
    let own = telling_words(value);
    let shared = |term: &Term| {
        let spelt = term.synonyms.iter().copied().chain([term.code, term.label]);
        spelt.map(|text| telling_words(text).iter().filter(|word| own.contains(word)).count()).max().unwrap_or(0)
    };
    let most = terms.iter().map(shared).max().filter(|most| *most > 0)?;
    let mut best = terms.iter().filter(|term| shared(term) == most);
    match (best.next(), best.next()) {
        (Some(only), None) => Some(only.code),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::EtchStrategy;

    #[test]
    fn a_near_term_is_the_only_one_that_shares_most_words() {
        let near = |value| near_term(Cell::Term(EtchStrategy::TERMS), value);
        assert_eq!(near("etch, then rinse"), Some("etch_and_rinse"));
        assert_eq!(near("selective"), Some("selective_enamel_etch"));
        assert_eq!(near("something"), None);
        assert_eq!(near("etch"), None);
    }
}
