//! Neighbouring cells of a row that are read together: what they were found to mean is remembered by their bytes, so that cells
//! which say what others said before need not be read one by one. Scores and terms repeat far more often than rows do.
//!
//! Decided.     Only time hangs on it. Cells are remembered that gave no finding; a row with any cells that were not met before is
//!              read cell by cell, so that what is found, and in what order, is the same as if nothing was remembered.
//! Left out.    Ids, which each row has its own of, and the days that every row must have.

use hashbrown::HashTable;

use super::cell_column::settles;
use super::plan::{From, Plan};
use super::sheet::{Row, as_text};
use crate::record::{Cell, Need};
use crate::table::text_hash::bytes_hash;
use crate::table::{ColumnBuilder, NO_CODE, NO_DAY};
use crate::wording::unescape_spreadsheet;

/// Looks after which it is weighed whether cells should be read together.
const WINDOW: u32 = 4096;
/// Windows in which a phrase may still learn.
const LEARNING: u32 = 8;
/// How many forms of a phrase are remembered, before it begins anew.
const MOST: usize = 1 << 14;
/// Bytes of the longest form that is remembered.
const LONGEST: usize = 256;

/// Stands for no form.
const NOT_MET: u32 = u32::MAX;

/// What cells of a row say, as far as other cells and the whole table need it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Said {
    /// Whether any makes a visit say something.
    pub(super) says: bool,
    pub(super) scheme: u8,
    /// Whether the scheme is filled and is none.
    pub(super) scheme_unread: bool,
    pub(super) etch: u8,
    pub(super) adhesive: u8,
    pub(super) etch_empty: bool,
    /// How many teeth there are, and how many of them settle the notation.
    pub(super) teeth: u8,
    pub(super) settling: u8,
    /// How many numbers have a comma, and how many a point.
    pub(super) commas: u8,
    pub(super) points: u8,
    /// How many filled cells stand for empty ones.
    pub(super) emptied: u16,
}

impl Said {
    pub(super) const NOTHING: Self = Self {
        says: false,
        scheme: NO_CODE,
        scheme_unread: false,
        etch: NO_CODE,
        adhesive: NO_CODE,
        etch_empty: true,
        teeth: 0,
        settling: 0,
        commas: 0,
        points: 0,
        emptied: 0,
    };

    /// What both say together; each column is in one of them.
    const fn and(self, other: Self) -> Self {
        const fn either(one: u8, other: u8) -> u8 {
            if one == NO_CODE { other } else { one }
        }
        Self {
            says: self.says || other.says,
            scheme: either(self.scheme, other.scheme),
            scheme_unread: self.scheme_unread || other.scheme_unread,
            etch: either(self.etch, other.etch),
            adhesive: either(self.adhesive, other.adhesive),
            etch_empty: self.etch_empty && other.etch_empty,
            teeth: self.teeth + other.teeth,
            settling: self.settling + other.settling,
            commas: self.commas + other.commas,
            points: self.points + other.points,
            emptied: self.emptied + other.emptied,
        }
    }
}

/// The columns of which others need to know what their cells say.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Roles {
    pub(super) scheme: Option<usize>,
    pub(super) etch: Option<usize>,
    pub(super) adhesive: Option<usize>,
}

/// The phrases of a table's rows.
pub(super) struct Phrases {
    phrases: Vec<Phrase>,
    /// The number of each one's form in the row that was looked at last; [`NOT_MET`] if it has none.
    found: Vec<u32>,
    /// The columns that are read cell by cell in every row, in the order of reading.
    loose: Vec<usize>,
}

struct Phrase {
    /// Its first and last cell.
    first: usize,
    last: usize,
    /// Its columns, in the order of its cells.
    plans: Vec<usize>,
    /// The cell of the scheme, where it has scores and the scheme stands outside.
    scheme_cell: Option<usize>,
    /// Its forms; what is needed to tell one stands together.
    known: HashTable<Form>,
    /// The bytes of all forms.
    texts: Vec<u8>,
    /// What the cells of each column mean, form by form.
    meanings: Vec<Meanings>,
    /// The forms of the rows since it was written into columns last.
    pending: Vec<u32>,
    looked: u32,
    missed: u32,
    windows: u32,
}

struct Form {
    hash: u64,
    /// Where its bytes begin, and how many they are: the scheme's, then its own.
    from: u32,
    scheme: u16,
    own: u16,
    /// Which of the forms it is.
    number: u32,
    said: Said,
}

enum Meanings {
    Days(Vec<i32>),
    Numbers(Vec<f64>),
    Codes(Vec<u8>),
    Texts(Vec<Option<Box<str>>>),
}

impl Phrases {
    /// The phrases of a table: as many neighbouring cells as can be. `order` is the order in which columns are read.
    pub(super) fn new(plans: &[Plan], order: &[usize], roles: Roles) -> Self {
        let mut repeating: Vec<(usize, usize)> = (0..plans.len())
            .filter(|place| repeats(&plans[*place]))
            .filter_map(|place| Some((cell_of(&plans[place])?, place)))
            .collect();
        repeating.sort_unstable();
        let phrases = repeating
            .chunk_by(|one, next| one.0 + 1 == next.0)
            .map(|run| Phrase::new(run[0].0, run.iter().map(|(_, place)| *place).collect(), plans, roles))
            .collect();
        let mut all = Self { phrases, found: Vec::new(), loose: Vec::new() };
        all.arrange(order);
        all
    }

    /// Tells apart what is read together and what by itself.
    fn arrange(&mut self, order: &[usize]) {
        let together = |place: &usize| self.phrases.iter().any(|phrase| phrase.plans.contains(place));
        self.loose = order.iter().copied().filter(|place| !together(place)).collect();
        self.found = vec![NOT_MET; self.phrases.len()];
    }

    /// The columns that are read by themselves in every row.
    pub(super) fn loose(&self) -> &[usize] {
        &self.loose
    }

    /// What the phrases of a row say, if all were met before.
    pub(super) fn find(&mut self, row: &Row<'_>) -> Option<Said> {
        if self.phrases.is_empty() {
            return None;
        }
        let (mut said, mut all) = (Said::NOTHING, true);
        for (phrase, found) in self.phrases.iter_mut().zip(&mut self.found) {
            let (scheme, own) = phrase.bytes(row)?;
            let form = phrase.known.find(hash_of(scheme, own), |form| form.is(scheme, own, &phrase.texts));
            *found = form.map_or(NOT_MET, |form| form.number);
            phrase.looked += 1;
            match form {
                Some(form) => said = said.and(form.said),
                None => {
                    phrase.missed += 1;
                    all = false;
                }
            }
        }
        all.then_some(said)
    }

    /// Adds the cells that were found in the row that was looked at last.
    pub(super) fn add(&mut self) {
        for (phrase, found) in self.phrases.iter_mut().zip(&self.found) {
            phrase.pending.push(*found);
        }
    }

    /// Writes what was added into the columns.
    pub(super) fn write(&mut self, plans: &mut [Plan]) {
        self.phrases.iter_mut().filter(|phrase| !phrase.pending.is_empty()).for_each(|phrase| phrase.write(plans));
    }

    /// Remembers the cells of a row that were just read one by one, where they are `clean`: gave no finding.
    pub(super) fn remember(&mut self, row: &Row<'_>, plans: &[Plan], clean: &[bool], order: &[usize], roles: Roles) {
        for (phrase, found) in self.phrases.iter_mut().zip(&self.found) {
            if *found == NOT_MET && phrase.plans.iter().all(|place| clean[*place]) {
                phrase.remember(row, plans, roles);
            }
        }
        if self.phrases.iter().any(Phrase::should_part) {
            let phrases = std::mem::take(&mut self.phrases);
            self.phrases = phrases
                .into_iter()
                .flat_map(|phrase| if phrase.should_part() { phrase.parted(plans, roles) } else { vec![phrase] })
                .collect();
            self.arrange(order);
        }
        self.phrases.iter_mut().for_each(Phrase::end_window);
    }
}

/// The cell a column is read from.
const fn cell_of(plan: &Plan) -> Option<usize> {
    match plan.from {
        From::Cell(cell) => Some(cell),
        _ => None,
    }
}

/// Whether a column's cells are likely to say what others said before.
fn repeats(plan: &Plan) -> bool {
    let of_kind = match plan.column.cell {
        Cell::Text => !plan.text.is_id(),
        Cell::Day => plan.column.need == Need::Optional,
        Cell::Number { .. } | Cell::Tooth | Cell::Grade { .. } | Cell::Term(_) | Cell::Score(_) => true,
    };
    // Declared values may be texts, or numbers with another mark, that don't stand in the cell; so may what is put before it.
    of_kind && ((plan.values.is_empty() && plan.begin.is_empty()) || plan.has_codes)
}

impl Phrase {
    fn new(first: usize, plans: Vec<usize>, all: &[Plan], roles: Roles) -> Self {
        let scored = plans.iter().any(|place| matches!(all[*place].column.cell, Cell::Score(_)));
        let outside = roles.scheme.filter(|place| scored && !plans.contains(place));
        let meanings = plans.iter().map(|place| Meanings::like(&all[*place].builder)).collect();
        Self {
            first,
            last: first + plans.len() - 1,
            plans,
            scheme_cell: outside.and_then(|place| cell_of(&all[place])),
            known: HashTable::new(),
            texts: Vec::new(),
            meanings,
            pending: Vec::new(),
            looked: 0,
            missed: 0,
            windows: 0,
        }
    }

    /// The scheme's bytes and its own; none in a row that is no text.
    fn bytes<'a>(&self, row: &Row<'a>) -> Option<(&'a [u8], &'a [u8])> {
        let scheme = self.scheme_cell.map_or(&[][..], |cell| row.cell(cell));
        Some((scheme, row.as_written(self.first, self.last)?))
    }

    #[expect(clippy::cast_possible_truncation, reason = "there are at most MOST forms of LONGEST bytes")]
    fn remember(&mut self, row: &Row<'_>, plans: &[Plan], roles: Roles) {
        let Some((scheme, own)) = self.bytes(row) else { return };
        // What a line break in a text means hangs on the quotation marks of its row.
        if scheme.len() + own.len() > LONGEST || memchr::memchr2(b'\n', b'\r', own).is_some() {
            return;
        }
        let Some(said) = self.said(row, plans, roles) else { return };
        if self.known.len() == MOST {
            self.known.clear();
            self.texts.clear();
            self.meanings.iter_mut().for_each(Meanings::clear);
        }
        for (meanings, place) in self.meanings.iter_mut().zip(&self.plans) {
            let plan = &plans[*place];
            meanings.push_last(&plan.builder, as_text(plan.bytes(row, None)));
        }
        let hash = hash_of(scheme, own);
        let (from, number) = (self.texts.len() as u32, self.known.len() as u32);
        self.texts.extend_from_slice(scheme);
        self.texts.extend_from_slice(own);
        let form = Form { hash, from, scheme: scheme.len() as u16, own: own.len() as u16, number, said };
        self.known.insert_unique(hash, form, |form| form.hash);
    }

    /// What its cells say in a row that was just read; none where they are not to be remembered.
    fn said(&self, row: &Row<'_>, plans: &[Plan], roles: Roles) -> Option<Said> {
        let mut said = Said::NOTHING;
        for &place in &self.plans {
            let plan = &plans[place];
            let bytes = plan.bytes(row, None);
            said.emptied += u16::from(bytes.is_empty() && !row.cell(cell_of(plan)?).is_empty());
            let code = if let ColumnBuilder::Code(builder) = &plan.builder { builder.last() } else { NO_CODE };
            said.says = said.says || (plan.says && !bytes.is_empty());
            if Some(place) == roles.scheme {
                // White space that only Unicode knows is no scheme, and yet no empty cell.
                if code == NO_CODE && !bytes.is_empty() {
                    return None;
                }
                said.scheme = code;
            } else if Some(place) == roles.etch {
                said.etch = code;
                said.etch_empty = plan.last_empty;
            } else if Some(place) == roles.adhesive {
                said.adhesive = code;
            }
            match plan.column.cell {
                Cell::Tooth if !bytes.is_empty() => {
                    // One that refutes the notation is counted, and the first of them named.
                    if code == NO_CODE {
                        return None;
                    }
                    said.teeth += 1;
                    said.settling += u8::from(settles(code));
                }
                Cell::Number { .. } if bytes.contains(&b',') => said.commas += 1,
                Cell::Number { .. } if bytes.contains(&b'.') => said.points += 1,
                _ => {}
            }
        }
        Some(said)
    }

    fn write(&mut self, plans: &mut [Plan]) {
        for (meanings, place) in self.meanings.iter().zip(&self.plans) {
            let forms = self.pending.iter().map(|at| *at as usize);
            match (meanings, &mut plans[*place].builder) {
                (Meanings::Days(days), ColumnBuilder::Day(builder)) => builder.extend(forms.map(|at| days[at])),
                (Meanings::Numbers(all), ColumnBuilder::Number(builder)) => builder.extend(forms.map(|at| all[at])),
                (Meanings::Codes(codes), ColumnBuilder::Code(builder)) => builder.extend(forms.map(|at| codes[at])),
                (Meanings::Texts(texts), ColumnBuilder::Text(builder)) => {
                    forms.for_each(|at| builder.append_option(texts[at].as_deref()));
                }
                // Meanings are made like the builder.
                _ => {}
            }
        }
        self.pending.clear();
    }

    /// Whether its cells had better be read in two parts, because they hardly ever come together again.
    const fn should_part(&self) -> bool {
        self.looked >= WINDOW
            && (self.missed > self.looked / 2 || (self.windows >= LEARNING && self.missed > self.looked / 16))
    }

    const fn end_window(&mut self) {
        if self.looked >= WINDOW {
            (self.looked, self.missed) = (0, 0);
            self.windows += 1;
        }
    }

    /// Its two parts; none where it is a single cell.
    fn parted(self, plans: &[Plan], roles: Roles) -> Vec<Self> {
        if self.plans.len() < 2 {
            return Vec::new();
        }
        let (one, other) = self.plans.split_at(self.plans.len() / 2);
        let next = self.first + one.len();
        vec![Self::new(self.first, one.to_vec(), plans, roles), Self::new(next, other.to_vec(), plans, roles)]
    }
}

fn hash_of(scheme: &[u8], own: &[u8]) -> u64 {
    if scheme.is_empty() { bytes_hash(own) } else { bytes_hash(own) ^ bytes_hash(scheme).rotate_left(32) }
}

impl Form {
    #[inline]
    fn is(&self, scheme: &[u8], own: &[u8], texts: &[u8]) -> bool {
        if usize::from(self.own) != own.len() || usize::from(self.scheme) != scheme.len() {
            return false;
        }
        let from = self.from as usize;
        let begins = from + scheme.len();
        texts[begins..begins + own.len()] == *own && (scheme.is_empty() || texts[from..begins] == *scheme)
    }
}

impl Meanings {
    const fn like(builder: &ColumnBuilder) -> Self {
        match builder {
            ColumnBuilder::Day(_) => Self::Days(Vec::new()),
            ColumnBuilder::Number(_) => Self::Numbers(Vec::new()),
            ColumnBuilder::Code(_) => Self::Codes(Vec::new()),
            ColumnBuilder::Text(_) => Self::Texts(Vec::new()),
        }
    }

    /// Adds what a column's last cell, which gave no finding, was found to mean.
    fn push_last(&mut self, builder: &ColumnBuilder, text: &str) {
        match (self, builder) {
            (Self::Days(days), ColumnBuilder::Day(builder)) => days.push(builder.last()),
            (Self::Numbers(numbers), ColumnBuilder::Number(builder)) => numbers.push(builder.last()),
            (Self::Codes(codes), ColumnBuilder::Code(builder)) => codes.push(builder.last()),
            (Self::Texts(texts), _) => texts.push((!text.is_empty()).then(|| unescape_spreadsheet(text).into())),
            // Meanings are made like the builder.
            (Self::Days(days), _) => days.push(NO_DAY),
            (Self::Numbers(numbers), _) => numbers.push(f64::NAN),
            (Self::Codes(codes), _) => codes.push(NO_CODE),
        }
    }

    fn clear(&mut self) {
        match self {
            Self::Days(days) => days.clear(),
            Self::Numbers(numbers) => numbers.clear(),
            Self::Codes(codes) => codes.clear(),
            Self::Texts(texts) => texts.clear(),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::fmt::Write;
    use std::fs;
    use std::path::Path;

    use polars::prelude::{Column, DataFrame};

    use super::WINDOW;
    use crate::finding::{FindingKind, Findings};
    use crate::intake::{IntakeRequest, read_records};
    use crate::quantity::Day;
    use crate::table::records::{FILE_COLUMN, ROW_COLUMN};

    /// A table that says the same as another: as text, whose phrases are remembered, and as objects, whose cells are read one by one.
    struct Invented {
        text: String,
        objects: String,
    }

    impl Invented {
        fn new(header: &[&str], rows: impl Iterator<Item = Vec<String>>) -> Self {
            let mut all = Self { text: header.join(";") + "\n", objects: String::new() };
            for row in rows {
                // Quotation marks in some rows, around some cells.
                let quoted = row[0].ends_with('7');
                let cells: Vec<String> =
                    row.iter().map(|cell| if quoted { format!("\"{cell}\"") } else { cell.clone() }).collect();
                writeln!(all.text, "{}", cells.join(";")).expect("text");
                let named: Vec<String> =
                    header.iter().zip(&row).map(|(name, cell)| format!("\"{name}\":\"{cell}\"")).collect();
                writeln!(all.objects, "{{{}}}", named.join(",")).expect("text");
            }
            all
        }
    }

    type Found = Vec<(FindingKind, Option<u64>, Option<String>, Option<String>, String)>;

    /// What a folder's tables say, and what is found, with rows counted from the first below a header.
    fn read(folder: &Path, header_rows: u64) -> (DataFrame, DataFrame, Found, Vec<(FindingKind, u64)>) {
        let request = IntakeRequest {
            records: folder,
            declaration: None,
            today: Day::from_calendar(2026, 1, 1).expect("a day"),
            own_columns: &[],
            progress: None,
        };
        let mut findings = Findings::default();
        let intake = read_records(request, &mut findings).expect("tables").expect("records");
        let found = findings.sorted().into_iter().map(|found| {
            let (place, what) = (&found.place, found.what.replace(".csv", "").replace(".jsonl", ""));
            (found.kind, place.row.map(|row| row - header_rows), place.column.clone(), found.value.clone(), what)
        });
        let cells = |frame: DataFrame| frame.drop_many([FILE_COLUMN, ROW_COLUMN]);
        (cells(intake.placements.0.into_frame()), cells(intake.visits.0.into_frame()), found.collect(), findings.by_kind())
    }

    #[test]
    fn a_line_break_is_held_against_its_own_row_only() {
        let folder = tempfile::tempdir().expect("a folder");
        // The first row has no quotation marks, so that its sign of an old line end is one like any other; what follows may have been swallowed.
        let rows = "R1,P\r1,36,2019-05-06,op\r1\nR2,P\r1,36,2019-05-06,op\r1\n\"R3\",P\r1,36,2019-05-06,op\r1\n";
        let header = "restoration_id,patient_id,tooth,placed_on,operator\n";
        fs::write(folder.path().join("p.csv"), format!("{header}{rows}")).expect("written");
        let (placements, _, found, _) = read(folder.path(), 1);
        let refused: Vec<_> = found.iter().filter(|found| found.0 == FindingKind::UnclosedQuote).collect();
        let columns: Vec<_> = refused.iter().map(|found| (found.1, found.2.as_deref())).collect();
        assert_eq!(columns, [(Some(3), Some("operator")), (Some(3), Some("patient_id"))], "{found:?}");
        assert_eq!(placements.column("operator").expect("operators").null_count(), 1);
    }

    #[test]
    fn a_scheme_of_white_space_leaves_scores_unread_in_every_row() {
        let folder = tempfile::tempdir().expect("a folder");
        let mut text = "restoration_id,scheme,visited_on,retention\n".to_owned();
        // Scores that are none, so many that they are read by themselves from there on; then a scheme that only looks empty.
        for row in 0..2 * WINDOW {
            writeln!(text, "R{row},usphs_3,2022-03-04,x{row}").expect("text");
        }
        for row in 0..3 {
            writeln!(text, "S{row},\u{a0},2022-03-04,A").expect("text");
        }
        fs::write(folder.path().join("v.csv"), text).expect("written");
        let (_, visits, _, kinds) = read(folder.path(), 1);
        let count = |kind: FindingKind| kinds.iter().find(|(of, _)| *of == kind).map_or(0, |(_, count)| *count);
        assert_eq!(count(FindingKind::ScoreOutsideScheme), u64::from(2 * WINDOW));
        assert_eq!(count(FindingKind::SchemeMissing), 0, "{kinds:?}");
        let retention = visits.column("retention").expect("retention");
        assert_eq!(retention.null_count(), retention.len());
    }

    #[test]
    fn rows_read_by_phrases_say_what_they_say_cell_by_cell() {
        same_by_phrases_and_by_cells(&[]);
    }

    #[test]
    fn rows_read_by_phrases_say_what_they_say_cell_by_cell_where_forms_stand_for_empty_cells() {
        // Some are what cells hold that mean something; a scheme, a tooth, a number with a comma, a score, an outcome, a day are among them.
        same_by_phrases_and_by_cells(&[
            "self_etch",
            "usphs_4",
            "36",
            "0,7",
            "b",
            "in_place",
            "2019-05-06",
            "op-2",
            "universal",
        ]);
    }

    fn same_by_phrases_and_by_cells(empty: &[&str]) {
        const ROWS: u64 = 30_000;
        // Each number in turn by a linear congruential generator (constants: Knuth, TAOCP 2, 3.3.4, from memory).
        let mut state = 1_u64;
        let mut below = move |limit: u64| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) % limit
        };
        let mut pick = |usual: &[&str], odd: &[&str]| -> String {
            let of = if !odd.is_empty() && below(50) == 0 { odd } else { usual };
            of[usize::try_from(below(of.len() as u64)).expect("a place")].to_owned()
        };
        let placements = (0..ROWS).map(|row| {
            vec![
                format!("R{row}"),
                format!("P{}", row / 3),
                pick(&["11", "24", "36", "45"], &["55", "19", "9", ""]),
                pick(&["2019-05-06", "2010-01-02", "2021-12-31"], &["2021-02-30", ""]),
                pick(&["1,5", "1,25", "2", "0,7"], &["12,5", "x", "3,75", "1.5"]),
                // Two numbers that hardly ever meet again.
                format!("{},{:03}", row % 2 + 1, row % 997),
                format!("{},{:03}", row % 3, row % 991),
                pick(&["etch_and_rinse", "self_etch", "selective_enamel_etch", ""], &["etch"]),
                pick(&["universal", "two_step_self_etch", "three_step_etch_and_rinse", ""], &["Universal", "glue"]),
                pick(&["", "2019-05-06"], &["3019-05-06"]),
                pick(&["", "op-1", "op-2", "'=op"], &["somebody@example.org", "#N/A"]),
                pick(&["", "s2", "'-s3"], &["#REF!"]),
            ]
        });
        let header = [
            "restoration_id",
            "patient_id",
            "tooth",
            "placed_on",
            "lesion_depth_mm",
            "lesion_height_mm",
            "lesion_width_mm",
            "etch_strategy",
            "adhesive_class",
            "entered_on",
            "operator",
            "shades",
        ];
        let placements = Invented::new(&header, placements);
        let visits = (0..ROWS).map(|row| {
            let scheme = pick(&["usphs_3", "fdi_2010", "usphs_4"], &["", "fdi_2011"]);
            let letters = scheme.starts_with('u');
            let mut score = || {
                let odd: &[&str] = &["E", "9", "a"];
                if letters { pick(&["A", "B", "C", ""], odd) } else { pick(&["1", "2", "5", ""], odd) }
            };
            let (retention, colour) = (score(), score());
            vec![
                format!("R{row}"),
                scheme,
                // Between the scheme and what is scored by it.
                "2022-03-04".to_owned(),
                retention,
                colour,
                score(),
                pick(&["in_place", "", "failed"], &["gone"]),
                pick(&["", " 2022-03-04"], &["2022-03-05"]),
            ]
        });
        let header =
            ["restoration_id", "scheme", "visited_on", "retention", "colour", "sensitivity", "outcome", "outcome_on"];
        let visits = Invented::new(&header, visits);
        let folders = [0, 1].map(|_| tempfile::tempdir().expect("a folder"));
        let [text, objects] = [folders[0].path(), folders[1].path()];
        for (folder, name, bytes) in [
            (text, "p.csv", &placements.text),
            (text, "v.csv", &visits.text),
            (objects, "p.jsonl", &placements.objects),
            (objects, "v.jsonl", &visits.objects),
        ] {
            fs::write(folder.join(name), bytes).expect("written");
            let forms: Vec<String> = empty.iter().map(|form| format!("\"{form}\"")).collect();
            let declared = format!("[[files]]\nname = \"{name}\"\nempty = [{}]\n", forms.join(", "));
            let before = fs::read_to_string(folder.join("records.toml")).unwrap_or_default();
            fs::write(folder.join("records.toml"), before + &declared).expect("written");
        }
        let (one, other) = (read(text, 1), read(objects, 0));
        let filled = |frame: &DataFrame| -> Vec<usize> { frame.columns().iter().map(Column::null_count).collect() };
        assert_eq!((filled(&one.0), filled(&one.1)), (filled(&other.0), filled(&other.1)));
        assert!(one.0.equals_missing(&other.0), "placements differ");
        assert!(one.1.equals_missing(&other.1), "visits differ");
        assert_eq!(one.3, other.3, "other counts of findings");
        let differing = one.2.iter().zip(&other.2).find(|(one, other)| one != other);
        assert!(one.2 == other.2, "{differing:?}");
        assert!(one.2.len() > 2000, "{} findings are few", one.2.len());
    }
}
