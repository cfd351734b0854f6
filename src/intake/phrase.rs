//! A phrase: neighbouring cells of a row, and what their bytes were found to mean.
//!
//! Where many rows show cells that never came together before, a phrase has two parts, which are phrases themselves: what both say was mostly met
//! before, and then the whole is remembered without reading a cell.

use hashbrown::HashTable;

use super::cell_column::settles;
use super::plan::{From, Plan};
use super::sheet::Row;
use crate::record::Cell;
use crate::table::text_hash::bytes_hash;
use crate::table::{ColumnBuilder, NO_CODE, NO_DAY};
use crate::wording::unescape_spreadsheet;

/// Looks after which it is weighed whether cells should be read together.
pub(super) const WINDOW: u32 = 1024;
/// Of 256 rows, how many may say what a phrase didn't meet before, after so many times that it was weighed: it learns all the time, and
/// each form that it holds takes room in the cache.
const WORTH: [(u32, u32); 3] = [(0, 192), (32, 24), (128, 16)];
/// How many forms of a phrase are remembered, before it begins anew.
const MOST: usize = 1 << 15;
/// How many forms are looked at before all others.
const RECENT: usize = 1 << 10;
/// Bytes of the longest form that is remembered.
const LONGEST: usize = 256;

/// Stands for no form.
pub(super) const NOT_MET: u32 = u32::MAX;

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
    };

    /// What both say together; each column is in one of them.
    pub(super) const fn and(self, other: Self) -> Self {
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

/// Neighbouring cells.
pub(super) struct Phrase {
    /// Its first and last cell.
    first: usize,
    last: usize,
    /// Its columns, in the order of its cells.
    plans: Vec<usize>,
    /// The cell of the scheme, where it has scores and the scheme stands outside.
    scheme_cell: Option<usize>,
    /// Its forms; those that are met often come early, and so stand together.
    forms: Vec<Form>,
    /// Their numbers.
    known: HashTable<u32>,
    /// The numbers of those that were met last, each with half of its hash, at the place that the hash gives: so few that they stay at hand.
    recent: Vec<(u32, u32)>,
    /// The bytes of all forms.
    texts: Vec<u8>,
    /// What the cells of each column mean, form by form.
    meanings: Vec<Meanings>,
    /// Two phrases that are this one together, or none.
    parts: Vec<Self>,
    /// The number of its form in the row that was looked at last; [`NOT_MET`] if it has none.
    found: u32,
    looked: u32,
    missed: u32,
    windows: u32,
    /// Whether its cells hardly ever come together again.
    useless: bool,
}

struct Form {
    hash: u64,
    /// Where its bytes begin, and how many they are: the scheme's, then its own.
    from: u32,
    scheme: u16,
    own: u16,
    said: Said,
}

enum Meanings {
    Days(Vec<i32>),
    Numbers(Vec<f64>),
    Codes(Vec<u8>),
    Texts(Vec<Option<Box<str>>>),
}

/// The cell a column is read from.
pub(super) const fn cell_of(plan: &Plan) -> Option<usize> {
    match plan.from {
        From::Cell(cell) => Some(cell),
        _ => None,
    }
}

impl Phrase {
    pub(super) fn new(first: usize, plans: Vec<usize>, all: &[Plan], roles: Roles) -> Self {
        let scored = plans.iter().any(|place| matches!(all[*place].column.cell, Cell::Score(_)));
        let outside = roles.scheme.filter(|place| scored && !plans.contains(place));
        let meanings = plans.iter().map(|place| Meanings::like(&all[*place].builder)).collect();
        Self {
            first,
            last: first + plans.len() - 1,
            plans,
            scheme_cell: outside.and_then(|place| cell_of(&all[place])),
            forms: Vec::new(),
            known: HashTable::new(),
            recent: vec![(0, NOT_MET); RECENT],
            texts: Vec::new(),
            meanings,
            parts: Vec::new(),
            found: NOT_MET,
            looked: 0,
            missed: 0,
            windows: 0,
            useless: false,
        }
    }

    /// Its columns, in the order of its cells.
    pub(super) fn plans(&self) -> &[usize] {
        &self.plans
    }

    /// The number of its form in the row that was looked at last.
    pub(super) const fn found(&self) -> u32 {
        self.found
    }

    /// Whether it remembers as many forms as it may.
    pub(super) fn is_full(&self) -> bool {
        self.forms.len() >= MOST
    }

    /// Begins anew; what was told of its forms by number holds no more.
    pub(super) fn forget(&mut self) {
        self.forms.clear();
        self.known.clear();
        self.recent.fill((0, NOT_MET));
        self.texts.clear();
        self.meanings.iter_mut().for_each(Meanings::clear);
        // What it misses now tells nothing of its worth.
        (self.looked, self.missed, self.windows) = (0, 0, 0);
    }

    /// The scheme's bytes and its own; none in a row that is no text.
    #[inline]
    fn bytes<'a>(&self, row: &Row<'a>) -> Option<(&'a [u8], &'a [u8])> {
        let scheme = self.scheme_cell.map_or(&[][..], |cell| row.cell(cell));
        Some((scheme, row.as_written(self.first, self.last)?))
    }

    /// What it says in a row, if that was met before; nothing at all of a row that is no text.
    #[inline]
    pub(super) fn look(&mut self, row: &Row<'_>) -> Option<Option<Said>> {
        let (scheme, own) = self.bytes(row)?;
        let hash = hash_of(scheme, own);
        self.looked += 1;
        if let Some(said) = self.find(hash, scheme, own) {
            return Some(Some(said));
        }
        self.missed += 1;
        Some(self.look_at_parts(row, hash, scheme, own))
    }

    /// How many cells stand before it, if it goes to the end of rows of some width.
    pub(super) const fn head(&self, width: usize) -> Option<usize> {
        if self.last + 1 == width { Some(self.first) } else { None }
    }

    /// What its cells say, which are the rest of a row, if that was met before.
    #[inline]
    pub(super) fn look_at_rest(&mut self, head: &Row<'_>, rest: &[u8]) -> Option<Said> {
        let scheme = self.scheme_cell.map_or(&[][..], |cell| head.cell(cell));
        let said = self.find(hash_of(scheme, rest), scheme, rest)?;
        self.looked += 1;
        Some(said)
    }

    /// What a form says, if it is known; it is taken as found.
    #[inline]
    #[expect(clippy::cast_possible_truncation, reason = "each half is used for itself")]
    fn find(&mut self, hash: u64, scheme: &[u8], own: &[u8]) -> Option<Said> {
        let Self { forms, known, recent, texts, .. } = self;
        let (mark, slot) = ((hash >> 32) as u32, &mut recent[hash as usize % RECENT]);
        let is = |number: u32| forms[number as usize].is(scheme, own, texts);
        if slot.0 != mark || slot.1 == NOT_MET || !is(slot.1) {
            *slot = (mark, *known.find(hash, |number| is(*number))?);
        }
        self.found = slot.1;
        Some(forms[slot.1 as usize].said)
    }

    /// What its parts say in a row, if both were met before; then it is remembered.
    #[cold]
    fn look_at_parts(&mut self, row: &Row<'_>, hash: u64, scheme: &[u8], own: &[u8]) -> Option<Said> {
        self.found = NOT_MET;
        let (mut said, mut all) = (Said::NOTHING, !self.parts.is_empty());
        for part in &mut self.parts {
            if part.is_full() {
                part.forget();
            }
            match part.look(row)? {
                Some(form) => said = said.and(form),
                None => all = false,
            }
        }
        if !all || !is_short(scheme, own) {
            return None;
        }
        let meant = self.parts.iter().flat_map(|part| part.meanings.iter().map(|meanings| (meanings, part.found)));
        for (meanings, (others, form)) in self.meanings.iter_mut().zip(meant) {
            meanings.push_from(others, form as usize);
        }
        self.add(hash, scheme, own, said);
        Some(said)
    }

    /// Remembers its cells, and those of its parts, in a row that was just read cell by cell, where they are `clean` and were not met
    /// before. Whether it did itself.
    pub(super) fn remember(&mut self, row: &Row<'_>, plans: &[Plan], clean: &[bool], roles: Roles) -> bool {
        if self.found != NOT_MET {
            return false;
        }
        for part in &mut self.parts {
            part.remember(row, plans, clean, roles);
        }
        self.plans.iter().all(|place| clean[*place]) && self.learn(row, plans, roles).is_some()
    }

    fn learn(&mut self, row: &Row<'_>, plans: &[Plan], roles: Roles) -> Option<()> {
        let (scheme, own) = self.bytes(row)?;
        // What a line break in a text means hangs on the quotation marks of its row.
        if self.is_full() || !is_short(scheme, own) || memchr::memchr2(b'\n', b'\r', own).is_some() {
            return None;
        }
        let said = self.said(row, plans, roles)?;
        for ((meanings, place), cell) in self.meanings.iter_mut().zip(&self.plans).zip(self.first..) {
            meanings.push_last(&plans[*place].builder, row.text(cell));
        }
        self.add(hash_of(scheme, own), scheme, own, said);
        Some(())
    }

    /// Adds a form whose meaning was added before, and takes it as found.
    #[expect(clippy::cast_possible_truncation, reason = "there are at most MOST forms of LONGEST bytes")]
    fn add(&mut self, hash: u64, scheme: &[u8], own: &[u8], said: Said) {
        let (from, number) = (self.texts.len() as u32, self.forms.len() as u32);
        self.texts.extend_from_slice(scheme);
        self.texts.extend_from_slice(own);
        self.forms.push(Form { hash, from, scheme: scheme.len() as u16, own: own.len() as u16, said });
        self.known.insert_unique(hash, number, |number| self.forms[*number as usize].hash);
        self.found = number;
    }

    /// Weighs after a while whether cells are worth being read together, and whether parts would tell what wasn't met before.
    pub(super) fn weigh(&mut self, plans: &[Plan], roles: Roles) {
        if self.looked >= WINDOW {
            self.weigh_in(self.looked, plans, roles);
        }
    }

    /// The same after so many rows. A part is looked at only where the whole was not met, and yet held against all rows: what it doesn't
    /// know either costs reading cell by cell.
    fn weigh_in(&mut self, rows: u32, plans: &[Plan], roles: Roles) {
        for part in &mut self.parts {
            part.weigh_in(rows, plans, roles);
        }
        let missed = std::mem::take(&mut self.missed);
        self.looked = 0;
        self.windows += 1;
        if self.plans.len() == 1 {
            self.useless = missed > rows / 2;
        } else if !self.parts.is_empty() {
            let (_, most) = WORTH.iter().rfind(|(windows, _)| self.windows > *windows).unwrap_or(&WORTH[0]);
            self.useless = missed > rows * most / 256;
        } else if missed > rows / 64 {
            let (one, other) = self.plans.split_at(self.plans.len() / 2);
            let next = self.first + one.len();
            self.parts =
                vec![Self::new(self.first, one.to_vec(), plans, roles), Self::new(next, other.to_vec(), plans, roles)];
        }
    }

    /// Whether it or a part of it is useless.
    pub(super) fn should_settle(&self) -> bool {
        self.useless || self.parts.iter().any(Self::should_settle)
    }

    /// What is worth being read together of it: itself, or parts of it.
    pub(super) fn settled(mut self) -> Vec<Self> {
        if !self.should_settle() {
            return vec![self];
        }
        let parts: Vec<Self> = std::mem::take(&mut self.parts).into_iter().flat_map(Self::settled).collect();
        // Without parts that are all of it, nothing could be told by them.
        if self.useless || parts.iter().map(|part| part.plans.len()).sum::<usize>() < self.plans.len() {
            return parts;
        }
        vec![Self { parts, ..self }]
    }

    /// What its cells say in a row that was just read; none where they are not to be remembered.
    fn said(&self, row: &Row<'_>, plans: &[Plan], roles: Roles) -> Option<Said> {
        let mut said = Said::NOTHING;
        for &place in &self.plans {
            let plan = &plans[place];
            let bytes = row.cell(cell_of(plan)?);
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

    /// Writes a form into its columns.
    pub(super) fn write_one(&self, form: u32, plans: &mut [Plan]) {
        let form = form as usize;
        for (meanings, place) in self.meanings.iter().zip(&self.plans) {
            match (meanings, &mut plans[*place].builder) {
                (Meanings::Days(days), ColumnBuilder::Day(builder)) => builder.append_value(days[form]),
                (Meanings::Numbers(all), ColumnBuilder::Number(builder)) => builder.append_value(all[form]),
                (Meanings::Codes(codes), ColumnBuilder::Code(builder)) => builder.append_value(codes[form]),
                (Meanings::Texts(texts), ColumnBuilder::Text(builder)) => builder.append_option(texts[form].as_deref()),
                // Meanings are made like the builder.
                _ => {}
            }
        }
    }

    /// Writes forms into its columns.
    pub(super) fn write(&self, forms: &[u32], plans: &mut [Plan]) {
        for (meanings, place) in self.meanings.iter().zip(&self.plans) {
            let forms = forms.iter().map(|at| *at as usize);
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
    }
}

/// Whether a form is short enough to be remembered.
const fn is_short(scheme: &[u8], own: &[u8]) -> bool {
    scheme.len() + own.len() <= LONGEST
}

#[inline]
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

    /// Adds what a form of a part means.
    fn push_from(&mut self, others: &Self, form: usize) {
        match (self, others) {
            (Self::Days(days), Self::Days(others)) => days.push(others[form]),
            (Self::Numbers(numbers), Self::Numbers(others)) => numbers.push(others[form]),
            (Self::Codes(codes), Self::Codes(others)) => codes.push(others[form]),
            (Self::Texts(texts), Self::Texts(others)) => texts.push(others[form].clone()),
            // Those of a column are alike.
            _ => {}
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
