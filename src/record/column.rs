//! The columns of both record kinds: name, what a cell holds, and the ranges that hold it to sense.
//!
//! Hard ranges make a finding that stops a review; plausible ranges make a caution. Both are this project's, from the ranges
//! that trials of cervical restorations report and from what hands and instruments can do (common practice).

use super::criterion::Criterion;
use super::lesion::{Aetiology, CervicalMargin, Surface};
use super::outcome::{Outcome, Reason, Source};
use super::scheme::Scheme;
use super::technique::{AdhesiveClass, Cleanser, CompositeClass, Drying, EtchStrategy, Isolation, Preparation};
use super::vocabulary::{Coded, Term};

/// A range of numbers, both ends included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    /// Least.
    pub least: f64,
    /// Most.
    pub most: f64,
}

impl Range {
    /// Whether a number lies in the range.
    pub fn holds(self, number: f64) -> bool {
        self.least <= number && number <= self.most
    }
}

/// What the cells of a column hold.
#[derive(Clone, Copy, Debug)]
pub enum Cell {
    /// Text as written.
    Text,
    /// A tooth in the notation of the file.
    Tooth,
    /// A calendar day.
    Day,
    /// A number in the unit of the column's name.
    Number {
        /// What is possible.
        possible: Range,
        /// What is plausible; outside it is a caution.
        plausible: Range,
    },
    /// A whole number.
    Grade {
        /// What is possible.
        possible: Range,
    },
    /// One of a closed list of terms.
    Term(&'static [Term]),
    /// A score of the row's scheme.
    Score(Criterion),
}

/// Whether a column must be there and filled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Need {
    /// Column and cell must be there.
    Required,
    /// Column or cell may be missing.
    Optional,
}

/// One column of a record kind.
#[derive(Clone, Copy, Debug)]
pub struct Column {
    /// Its name in files.
    pub name: &'static str,
    /// What people read.
    pub label: &'static str,
    /// What its cells hold.
    pub cell: Cell,
    /// Whether it must be there.
    pub need: Need,
}

const fn required(name: &'static str, label: &'static str, cell: Cell) -> Column {
    Column { name, label, cell, need: Need::Required }
}

const fn optional(name: &'static str, label: &'static str, cell: Cell) -> Column {
    Column { name, label, cell, need: Need::Optional }
}

const fn number(possible: (f64, f64), plausible: (f64, f64)) -> Cell {
    Cell::Number {
        possible: Range { least: possible.0, most: possible.1 },
        plausible: Range { least: plausible.0, most: plausible.1 },
    }
}

/// The columns of a placement, in the order of [`super::placement::Placement`].
pub const PLACEMENT_COLUMNS: &[Column] = &[
    required("restoration_id", "Restoration", Cell::Text),
    required("patient_id", "Patient", Cell::Text),
    required("tooth", "Tooth", Cell::Tooth),
    optional("surface", "Surface", Cell::Term(Surface::TERMS)),
    required("placed_on", "Placed on", Cell::Day),
    optional("entered_on", "Under observation from", Cell::Day),
    optional("operator", "Operator", Cell::Text),
    optional("aetiology", "Aetiology", Cell::Term(Aetiology::TERMS)),
    optional("lesion_height_mm", "Lesion height (mm)", number((0.5, 8.0), (0.5, 5.0))),
    optional("lesion_width_mm", "Lesion width (mm)", number((0.5, 12.0), (0.5, 12.0))),
    optional("lesion_depth_mm", "Lesion depth (mm)", number((0.2, 5.0), (0.2, 3.0))),
    optional("sclerosis", "Sclerosis (1–4)", Cell::Grade { possible: Range { least: 1.0, most: 4.0 } }),
    optional("cervical_margin", "Cervical margin", Cell::Term(CervicalMargin::TERMS)),
    optional("replaces_restoration", "Replaces", Cell::Text),
    optional("preop_sensitivity", "Sensitivity before (0–10)", number((0.0, 10.0), (0.0, 10.0))),
    optional("isolation", "Isolation", Cell::Term(Isolation::TERMS)),
    optional("preparation", "Preparation", Cell::Term(Preparation::TERMS)),
    optional("cleanser", "Cleanser", Cell::Term(Cleanser::TERMS)),
    optional("etch_strategy", "Etch strategy", Cell::Term(EtchStrategy::TERMS)),
    optional("acid_percent", "Acid (%)", number((10.0, 40.0), (30.0, 40.0))),
    optional("etch_enamel_s", "Etch on enamel (s)", number((3.0, 90.0), (10.0, 60.0))),
    optional("etch_dentine_s", "Etch on dentine (s)", number((0.0, 60.0), (0.0, 20.0))),
    optional("adhesive_class", "Adhesive class", Cell::Term(AdhesiveClass::TERMS)),
    optional("application_s", "Adhesive rubbed in (s)", number((0.0, 120.0), (10.0, 120.0))),
    optional("drying", "Drying", Cell::Term(Drying::TERMS)),
    optional("cure_s", "Light curing (s)", number((3.0, 120.0), (5.0, 80.0))),
    optional("composite_class", "Composite class", Cell::Term(CompositeClass::TERMS)),
    optional("shades", "Shades", Cell::Text),
    optional("adhesive_lot", "Adhesive lot", Cell::Text),
    optional("composite_lot", "Composite lot", Cell::Text),
];

/// The columns of a visit, in the order of [`super::visit::Visit`].
pub const VISIT_COLUMNS: &[Column] = &[
    required("restoration_id", "Restoration", Cell::Text),
    required("visited_on", "Visited on", Cell::Day),
    optional("examiner", "Examiner", Cell::Text),
    optional("source", "Source", Cell::Term(Source::TERMS)),
    optional("scheme", "Scheme", Cell::Term(Scheme::TERMS)),
    optional("retention", "Retention", Cell::Score(Criterion::Retention)),
    optional("marginal_staining", "Marginal staining", Cell::Score(Criterion::MarginalStaining)),
    optional("marginal_adaptation", "Marginal adaptation", Cell::Score(Criterion::MarginalAdaptation)),
    optional("colour", "Colour match", Cell::Score(Criterion::Colour)),
    optional("sensitivity", "Sensitivity", Cell::Score(Criterion::Sensitivity)),
    optional("caries", "Caries at the margin", Cell::Score(Criterion::Caries)),
    optional("surface_texture", "Surface texture", Cell::Score(Criterion::SurfaceTexture)),
    optional("anatomic_form", "Anatomic form", Cell::Score(Criterion::AnatomicForm)),
    optional("outcome", "Outcome", Cell::Term(Outcome::TERMS)),
    optional("outcome_on", "Happened on", Cell::Day),
    optional("reason", "Reason", Cell::Term(Reason::TERMS)),
];
