//! One table as it might be declared: which records it holds, what each column may become, which columns are visits of a row.

use std::collections::{BTreeMap, BTreeSet};

use super::declaration::{Destination, FileDeclaration, Holds, LEAVE_OUT, Unit};
use super::draft_names::{Header, Recall};
use super::draft_sample::Sample;
use super::draft_text::quoted;
use super::plan::{column_name, looks_personal, set_aside_column};
use crate::record::{Cell, Column, Need, RecordKind};

/// What may become of a column.
#[derive(Clone, Debug)]
pub enum Fate {
    /// Its name is the records' own.
    Own(String),
    /// Its place was declared before.
    Declared(Destination),
    /// It is proposed as a column.
    Proposed(Destination, String),
    /// It is proposed to stay outside.
    LeftOut(String),
    /// It can't be placed: what it might become, and why it is left open.
    Open(Option<Destination>, String),
    /// It has one value, which holds for every visit of every row.
    Constant(Column, String),
    /// It belongs to a visit of its row.
    OfVisit,
    /// The program wrote it itself.
    PassedOver,
}

/// Which records a table holds.
#[derive(Clone, Debug)]
pub struct Kind {
    /// The kind that its columns are taken for; none if nothing tells.
    pub taken: Option<RecordKind>,
    /// Whether that is sure enough to be written.
    pub told: bool,
    /// Why.
    pub why: String,
}

/// A visit that stands in a row.
#[derive(Clone, Debug, Default)]
pub struct Block {
    /// The recall; none if its columns name none.
    pub recall: Option<Recall>,
    /// The records' columns with the places in the header.
    pub columns: Vec<(Column, usize)>,
}

/// What was made of a table.
pub struct Placed {
    /// Which records.
    pub kind: Kind,
    /// One a column.
    pub fates: Vec<Fate>,
    /// Visits of each row.
    pub blocks: Vec<Block>,
}

/// Visit columns that hold for every visit of a row.
const SHARED: [&str; 3] = ["examiner", "source", "scheme"];

struct Placing<'a> {
    header: &'a [String],
    read: Vec<Header>,
    samples: &'a [Sample],
    declared: &'a FileDeclaration,
    own: &'a [String],
    rows: Option<u64>,
}

/// Places the columns of a table; `rows` is their number if all were looked at.
pub fn place(
    header: &[String],
    samples: &[Sample],
    declared: &FileDeclaration,
    own: &[String],
    rows: Option<u64>,
) -> Placed {
    let read = header.iter().map(|written| Header::read(written)).collect();
    Placing { header, read, samples, declared, own, rows }.place()
}

fn exact(written: &str, kind: RecordKind) -> Option<Column> {
    let name = column_name(written);
    kind.columns().iter().find(|column| column.name == name).copied()
}

const fn other(kind: RecordKind) -> RecordKind {
    match kind {
        RecordKind::Placement => RecordKind::Visit,
        RecordKind::Visit => RecordKind::Placement,
    }
}

impl Placing<'_> {
    /// The column of a kind that a header means by its whole name.
    fn means(&self, place: usize, kind: RecordKind) -> Option<Column> {
        let declared = self.declared.columns.get(&self.header[place]).map(Destination::column);
        match declared {
            Some(name) => kind.columns().iter().find(|column| column.name == name).copied(),
            None => exact(&self.header[place], kind).or_else(|| self.read[place].find(kind).near),
        }
    }

    fn kind(&self) -> Kind {
        if let Some(holds) = self.declared.holds {
            let kind = if holds == Holds::Placements { RecordKind::Placement } else { RecordKind::Visit };
            return Kind { taken: Some(kind), told: true, why: "as declared now".to_owned() };
        }
        let mut of: [Vec<&str>; 2] = [Vec::new(), Vec::new()];
        let mut days: [Option<&str>; 2] = [None, None];
        for (place, written) in self.header.iter().enumerate() {
            if self.read[place].recall.is_some() || looks_personal(written) {
                continue;
            }
            let meant = [RecordKind::Placement, RecordKind::Visit].map(|kind| self.means(place, kind));
            let (side, column) = match meant {
                [Some(column), None] => (0, column),
                [None, Some(column)] => (1, column),
                _ => continue,
            };
            of[side].push(written);
            if ["placed_on", "visited_on"][side] == column.name && self.samples[place].fits(column.cell) {
                days[side].get_or_insert(written);
            }
        }
        let told = |kind, day: &str, column| Kind {
            taken: Some(kind),
            told: true,
            why: if day == column { format!("it has {column}") } else { format!("{} looks like {column}", quoted(day)) },
        };
        let few = |names: &[&str]| names.iter().take(3).map(|name| quoted(name)).collect::<Vec<_>>().join(", ");
        match (days, of[0].len(), of[1].len()) {
            ([Some(day), None], ..) => told(RecordKind::Placement, day, "placed_on"),
            ([None, Some(day)], ..) => told(RecordKind::Visit, day, "visited_on"),
            ([Some(placed), Some(visited)], ..) => Kind {
                taken: Some(RecordKind::Placement),
                told: false,
                why: format!(
                    "can't be told: {} looks like placed_on, {} like visited_on. If each filling has one row, take the marks away here and at [[files.visits]] below; if it has several, export placements and visits apart",
                    quoted(placed),
                    quoted(visited)
                ),
            },
            (_, placements, visits) if placements > visits.max(1) => {
                Kind { taken: Some(RecordKind::Placement), told: true, why: format!("it has {}", few(&of[0])) }
            }
            (_, placements, visits) if visits > placements.max(1) => {
                Kind { taken: Some(RecordKind::Visit), told: true, why: format!("it has {}", few(&of[1])) }
            }
            _ => Kind {
                taken: None,
                told: false,
                why: "can't be told; placements have a day of placement, visits a day of the visit".to_owned(),
            },
        }
    }

    fn place(self) -> Placed {
        let kind = self.kind();
        let mut fates: Vec<Option<Fate>> = (0..self.header.len()).map(|place| self.settled(place, kind.taken)).collect();
        let mut taken: BTreeMap<String, usize> = BTreeMap::new();
        for (place, fate) in fates.iter().enumerate() {
            if let Some(Fate::Own(column)) = fate {
                taken.insert(column.clone(), place);
            } else if let Some(Fate::Declared(to)) = fate
                && to.column() != LEAVE_OUT
            {
                taken.insert(to.column().to_owned(), place);
            }
        }
        let blocks = if kind.taken == Some(RecordKind::Placement) { self.blocks(&kind, &mut fates) } else { Vec::new() };
        let fates = fates
            .into_iter()
            .enumerate()
            .map(|(place, fate)| fate.unwrap_or_else(|| self.near(place, kind.taken, &mut taken)))
            .collect();
        Placed { kind, fates, blocks }
    }

    /// What needs no judging.
    fn settled(&self, place: usize, kind: Option<RecordKind>) -> Option<Fate> {
        let written = &self.header[place];
        if let Some(to) = self.declared.columns.get(written) {
            return Some(Fate::Declared(to.clone()));
        }
        if self.declared.visits.iter().any(|visit| visit.columns.values().any(|column| column == written)) {
            return Some(Fate::OfVisit);
        }
        if set_aside_column(written) {
            return Some(Fate::PassedOver);
        }
        if written.is_empty() {
            let filled = self.header.iter().zip(self.samples).any(|(name, sample)| name.is_empty() && sample.filled > 0);
            return Some(if filled {
                Fate::Open(None, "a column without a name; name it in the file".to_owned())
            } else {
                Fate::LeftOut("a column without a name and without values".to_owned())
            });
        }
        if self.header.iter().filter(|name| *name == written).count() > 1 {
            return Some(Fate::Open(
                None,
                "two columns have this name; rename or remove one of them in the file".to_owned(),
            ));
        }
        if let Some(column) = kind.and_then(|kind| exact(written, kind)) {
            let first = self.header.iter().position(|name| column_name(name) == column.name);
            return Some(
                if first == Some(place) || first.is_some_and(|first| self.declared.columns.contains_key(&self.header[first]))
                {
                    Fate::Own(column.name.to_owned())
                } else {
                    Fate::Open(None, format!("another column is {} already; rename it or write \"leave_out\"", column.name))
                },
            );
        }
        if looks_personal(written) {
            return Some(Fate::LeftOut("it looks as if it told who the patient is; such columns never enter".to_owned()));
        }
        if kind != Some(RecordKind::Visit) && self.own.contains(written) {
            return Some(Fate::Own(written.clone()));
        }
        None
    }

    /// Visits that stand in a row of placements.
    fn blocks(&self, kind: &Kind, fates: &mut [Option<Fate>]) -> Vec<Block> {
        let mut blocks: BTreeMap<Option<Recall>, Vec<(Column, usize)>> = BTreeMap::new();
        let mut shared = Vec::new();
        let visited_on = |column: &&Column| column.name == "visited_on";
        for (place, fate) in fates.iter().enumerate() {
            let header = &self.read[place];
            if fate.is_some() {
                continue;
            }
            let bare = header.recall.is_some() && header.is_bare() && self.samples[place].years().is_some();
            let column = if bare {
                RecordKind::Visit.columns().iter().find(visited_on).copied()
            } else {
                header.find(RecordKind::Visit).near.or_else(|| exact(&self.header[place], RecordKind::Visit))
            };
            let Some(column) = column.filter(|column| self.samples[place].fits(column.cell)) else { continue };
            if column.name == "restoration_id" {
                continue;
            }
            // Without a recall in its name a column is a visit's only where it is no placement's.
            let of_placement = header.find(RecordKind::Placement).near.is_some();
            if header.recall.is_none() && of_placement {
                continue;
            }
            if header.recall.is_none() && kind.told {
                if SHARED.contains(&column.name) {
                    shared.push((column, place));
                }
                continue;
            }
            let block = blocks.entry(header.recall).or_default();
            if !block.iter().any(|(there, _)| there.name == column.name) {
                block.push((column, place));
            }
        }
        for place in blocks.values().flatten().map(|(_, place)| *place) {
            fates[place] = Some(Fate::OfVisit);
        }
        // In a visit of its own such a column would make every recall look as if it had been kept.
        for (column, place) in shared.into_iter().filter(|_| !blocks.is_empty()) {
            let sample = &self.samples[place];
            let everywhere = self.rows == Some(sample.filled);
            fates[place] = Some(match &sample.values[..] {
                [only] if everywhere => Fate::Constant(column, only.clone()),
                values => {
                    let why = match values.len() {
                        0 | 1 => "whether every row has the same is not known",
                        _ => "it is not the same in every row",
                    };
                    let mend = "give each recall a column of its own, or leave it out and write a constant below";
                    Fate::Open(None, format!("looks like {}, and {why}; {mend}", column.name))
                }
            });
        }
        blocks
            .into_iter()
            .map(|(recall, mut columns)| {
                columns
                    .sort_by_key(|(column, _)| RecordKind::Visit.columns().iter().position(|one| one.name == column.name));
                Block { recall, columns }
            })
            .collect()
    }

    /// The column that a near name means, or why it is left open.
    fn near(&self, place: usize, kind: Option<RecordKind>, taken: &mut BTreeMap<String, usize>) -> Fate {
        let (written, header, sample) = (&self.header[place], &self.read[place], &self.samples[place]);
        let free_text = || {
            let why = "free text may tell who the patient is, and the records have no column for it";
            header.is_free_text().then(|| Fate::LeftOut(why.to_owned()))
        };
        let open = |column: Option<&str>, why: String| Fate::Open(column.map(|column| to(column, header.unit)), why);
        let Some(kind) = kind else {
            let both = [RecordKind::Placement, RecordKind::Visit].map(|kind| self.means(place, kind));
            let names: BTreeSet<&str> = both.iter().flatten().map(|column| column.name).collect();
            if names.is_empty() && sample.looks_like_names() {
                return Fate::LeftOut("most of its values look like names of people".to_owned());
            }
            let first = names.first().copied();
            if first.is_none()
                && let Some(fate) = free_text()
            {
                return fate;
            }
            return match first {
                None => open(None, self.unplaced(place)),
                Some(_) => open(first, format!("looks like {}", list(names.into_iter()))),
            };
        };
        let found = header.find(kind);
        if let Some(column) = found.near {
            if header.recall.is_some() {
                return open(
                    None,
                    "it names a recall, and its table holds visits one below the other; which visit is it?".to_owned(),
                );
            }
            if let Some(first) = taken.get(column.name) {
                let why = format!("{} is {} already; take one of them", quoted(&self.header[*first]), column.name);
                return open(Some(column.name), why);
            }
            if column.name == "patient_id" && sample.no_pseudonyms() {
                let why =
                    "it looks like patient_id, but its values tell who the patient is; every row needs a pseudonym instead";
                return Fate::LeftOut(why.to_owned());
            }
            if !sample.fits(column.cell) {
                return open(
                    Some(column.name),
                    format!("looks like {}, but most values are {}", column.name, misfit(column.cell)),
                );
            }
            taken.insert(column.name.to_owned(), place);
            let missing = if column.need == Need::Required { ", which every row needs" } else { "" };
            let range = self.beyond(place, column.cell, header.unit);
            return Fate::Proposed(to(column.name, header.unit), format!("looks like “{}”{missing}{range}", column.label));
        }
        if let Some(fate) = free_text() {
            return fate;
        }
        if sample.looks_like_names() {
            return Fate::LeftOut("most of its values look like names of people".to_owned());
        }
        if let Some(column) = exact(written, other(kind)).or_else(|| header.find(other(kind)).near) {
            let why = format!(
                "looks like {}, a column of {}; this table holds {}",
                column.name,
                other(kind).label(),
                kind.label()
            );
            return Fate::Open(None, why);
        }
        match found.alike[..] {
            [] => open(None, self.unplaced(place)),
            [only] => open(Some(only.name), format!("shares a word with {}", only.name)),
            [first, ..] => open(Some(first.name), format!("may be {}", list(found.alike.iter().map(|column| column.name)))),
        }
    }

    fn unplaced(&self, place: usize) -> String {
        let years = self.samples[place].years();
        let births = years.map_or_else(String::new, |(first, last)| {
            format!("; days of {first} to {last}, not shown: leave it out if they are dates of birth")
        });
        format!("the records have no such column; leave it out, or name it under own_factors in the protocol{births}")
    }

    /// Says it if numbers lie outside what is possible, as in another unit.
    fn beyond(&self, place: usize, cell: Cell, unit: Option<Unit>) -> String {
        let Cell::Number { possible, .. } = cell else { return String::new() };
        let factor = to("", unit).factor();
        let far = self.samples[place]
            .values
            .iter()
            .find(|text| super::draft_sample::number(text).is_some_and(|number| !possible.holds(number * factor)));
        far.map_or_else(String::new, |far| {
            format!("; {} lies outside {} to {}: check the unit", quoted(far), possible.least, possible.most)
        })
    }
}

/// Where a column goes; the records' own units need no word.
fn to(column: &str, unit: Option<Unit>) -> Destination {
    match unit {
        Some(unit @ (Unit::Cm | Unit::Min))
            if column.is_empty() || column.ends_with(if unit == Unit::Cm { "_mm" } else { "_s" }) =>
        {
            Destination::Measured { column: column.to_owned(), unit }
        }
        _ => Destination::Name(column.to_owned()),
    }
}

const fn misfit(cell: Cell) -> &'static str {
    match cell {
        Cell::Day => "no days",
        Cell::Tooth => "no teeth",
        Cell::Grade { .. } => "no whole numbers",
        _ => "no plain numbers",
    }
}

fn list<'a>(names: impl Iterator<Item = &'a str>) -> String {
    names.collect::<Vec<_>>().join(" or ")
}
