//! Neighbouring cells of a row that are read together: what they were found to mean is remembered by their bytes, so that cells
//! which say what others said before need not be read one by one. Scores and terms repeat far more often than rows do.
//!
//! Decided.     Only time hangs on it. Cells are remembered that gave no finding; a row with any cells that were not met before is
//!              read cell by cell, so that what is found, and in what order, is the same as if nothing was remembered.
//! Left out.    Ids, which each row has its own of, and the days that every row must have.

use super::phrase::{NOT_MET, Phrase, Roles, Said, cell_of};
use super::plan::Plan;
use super::sheet::Row;
use crate::record::{Cell, Need};

/// The phrases of a table's rows.
pub(super) struct Phrases {
    tops: Vec<Top>,
    /// The columns that are read cell by cell in every row, in the order of reading.
    loose: Vec<usize>,
    /// Which phrase's columns are to hold each form once instead of each row, if any.
    folded: Option<usize>,
    folds: bool,
}

/// A phrase that is part of no other.
struct Top {
    phrase: Phrase,
    /// The forms of the rows since it was written into columns last; if it is folded, where they stand in its columns, of all rows.
    pending: Vec<u32>,
    /// If it is folded, where each form stands in its columns; [`NOT_MET`] if nowhere.
    places: Vec<u32>,
    /// How many forms its columns hold, if it is folded.
    held: u32,
}

impl Phrases {
    /// The phrases of a table: as many neighbouring cells as can be. `order` is the order in which columns are read. If it `folds`, the
    /// columns of the longest phrase hold each form of its cells once, and each row tells which it has.
    pub(super) fn new(plans: &[Plan], order: &[usize], roles: Roles, folds: bool) -> Self {
        let mut repeating: Vec<(usize, usize)> = (0..plans.len())
            .filter(|place| repeats(&plans[*place]))
            .filter_map(|place| Some((cell_of(&plans[place])?, place)))
            .collect();
        repeating.sort_unstable();
        let phrases = repeating
            .chunk_by(|one, next| one.0 + 1 == next.0)
            .map(|run| Phrase::new(run[0].0, run.iter().map(|(_, place)| *place).collect(), plans, roles));
        let mut all = Self { tops: Vec::new(), loose: Vec::new(), folded: None, folds };
        all.arrange(phrases.collect(), order);
        all
    }

    /// Tells apart what is read together and what by itself. Columns must be without rows.
    fn arrange(&mut self, phrases: Vec<Phrase>, order: &[usize]) {
        let together = |place: &usize| phrases.iter().any(|phrase| phrase.plans().contains(place));
        self.loose = order.iter().copied().filter(|place| !together(place)).collect();
        let longest = (0..phrases.len()).max_by_key(|at| phrases[*at].plans().len());
        self.folded = longest.filter(|_| self.folds);
        let top = |phrase| Top { phrase, pending: Vec::new(), places: Vec::new(), held: 0 };
        self.tops = phrases.into_iter().map(top).collect();
    }

    /// The columns that are read by themselves in every row.
    pub(super) fn loose(&self) -> &[usize] {
        &self.loose
    }

    /// What the phrases of a row say, if all were met before.
    #[inline]
    pub(super) fn find(&mut self, row: &Row<'_>, plans: &mut [Plan]) -> Option<Said> {
        if self.tops.is_empty() {
            return None;
        }
        let (mut said, mut all) = (Said::NOTHING, true);
        for (at, top) in self.tops.iter_mut().enumerate() {
            if top.phrase.is_full() {
                if Some(at) != self.folded {
                    top.write(plans);
                }
                top.phrase.forget();
                top.places.clear();
            }
            match top.phrase.look(row)? {
                Some(form) => said = said.and(form),
                None => all = false,
            }
        }
        all.then_some(said)
    }

    /// How many cells stand before the only phrase, if it goes to the end of rows of some width.
    #[inline]
    pub(super) fn head(&self, width: usize) -> Option<usize> {
        match self.tops.as_slice() {
            [top] => top.phrase.head(width),
            _ => None,
        }
    }

    /// What the only phrase says in a row, of which all cells before it are told and its own are not, if that was met before.
    #[inline]
    pub(super) fn find_rest(&mut self, head: &Row<'_>, rest: &[u8]) -> Option<Said> {
        self.tops.first_mut().and_then(|top| top.phrase.look_at_rest(head, rest))
    }

    /// Adds the cells that were found in the row that was looked at last.
    #[inline]
    pub(super) fn add(&mut self, plans: &mut [Plan]) {
        for (at, top) in self.tops.iter_mut().enumerate() {
            let form = top.phrase.found();
            if Some(at) == self.folded {
                top.add_folded(form, plans);
            } else {
                top.pending.push(form);
            }
        }
    }

    /// Writes what was added into the columns.
    pub(super) fn write(&mut self, plans: &mut [Plan]) {
        let folded = self.folded;
        let apart = self.tops.iter_mut().enumerate().filter(|(at, _)| Some(*at) != folded);
        apart.for_each(|(_, top)| top.write(plans));
    }

    /// Prepares for a row that is read cell by cell, straight into the columns.
    pub(super) fn pass_over(&mut self, plans: &mut [Plan]) {
        self.write(plans);
        if let Some(top) = self.folded.map(|at| &mut self.tops[at]) {
            top.pending.push(top.held);
            top.held += 1;
        }
    }

    /// Remembers the cells of a row that were just read one by one, where they are `clean`: gave no finding.
    pub(super) fn remember(&mut self, row: &Row<'_>, plans: &[Plan], clean: &[bool], roles: Roles) {
        for (at, top) in self.tops.iter_mut().enumerate() {
            let learned = top.phrase.remember(row, plans, clean, roles);
            if learned && Some(at) == self.folded {
                top.place(top.phrase.found(), top.held - 1);
            }
            top.phrase.weigh(plans, roles);
        }
    }

    /// Hands over the columns that hold forms, by their places, and which form each row has, if any are folded; what follows begins
    /// anew. Where cells hardly ever came together again, they are parted from there on.
    pub(super) fn finish(&mut self, plans: &[Plan], order: &[usize], roles: Roles) -> Option<(Vec<usize>, Vec<u32>)> {
        self.tops.iter_mut().for_each(|top| top.phrase.weigh(plans, roles));
        let folded = self.folded.map(|at| &mut self.tops[at]).map(|top| {
            top.places.clear();
            top.held = 0;
            (top.phrase.plans().to_vec(), std::mem::take(&mut top.pending))
        });
        if self.tops.iter().any(|top| top.phrase.should_settle()) {
            let tops = std::mem::take(&mut self.tops);
            self.arrange(tops.into_iter().flat_map(|top| top.phrase.settled()).collect(), order);
        }
        folded
    }
}

impl Top {
    fn write(&mut self, plans: &mut [Plan]) {
        if !self.pending.is_empty() {
            self.phrase.write(&self.pending, plans);
            self.pending.clear();
        }
    }

    #[inline]
    fn add_folded(&mut self, form: u32, plans: &mut [Plan]) {
        let place = match self.places.get(form as usize) {
            Some(&place) if place != NOT_MET => place,
            _ => {
                self.phrase.write_one(form, plans);
                self.place(form, self.held);
                self.held += 1;
                self.held - 1
            }
        };
        self.pending.push(place);
    }

    /// Notes where a form stands.
    fn place(&mut self, form: u32, place: u32) {
        let form = form as usize;
        if self.places.len() <= form {
            self.places.resize(form + 1, NOT_MET);
        }
        self.places[form] = place;
    }
}

/// Whether a column's cells are likely to say what others said before.
fn repeats(plan: &Plan) -> bool {
    let of_kind = match plan.column.cell {
        Cell::Text => !plan.text.is_id(),
        Cell::Day => plan.column.need == Need::Optional,
        Cell::Number { .. } | Cell::Tooth | Cell::Grade { .. } | Cell::Term(_) | Cell::Score(_) => true,
    };
    // Declared values may be texts, or numbers with another mark, that don't stand in the cell.
    of_kind && (plan.values.is_empty() || plan.has_codes)
}

#[cfg(test)]
mod tests {
    use std::fmt::Write;
    use std::fs;
    use std::path::Path;

    use polars::prelude::{Column, DataFrame};

    use crate::finding::{FindingKind, Findings};
    use crate::intake::phrase::WINDOW;
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
