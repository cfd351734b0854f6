//! What a row means: the words and rules of the trade, without files, tables or statistics.
//!
//! - [`vocabulary`]: coded terms and the spellings that are taken for them
//! - [`tooth`]: teeth and their notations
//! - [`lesion`], [`technique`], [`outcome`]: the terms of each
//! - [`criterion`], [`scheme`]: what is scored, and scoring schemes as data
//! - [`placement`], [`visit`]: the two kinds of rows
//! - [`kind`]: which of the two a table holds
//! - [`factors`]: the names by which rows are grouped and compared
//! - [`mod@column`]: their columns, with the ranges that hold cells to sense
//!
//! ```
//! use manebit::record::{Coded, EtchStrategy, Tooth, ToothNotation};
//! assert_eq!(EtchStrategy::read("Etch & rinse"), Some(EtchStrategy::EtchAndRinse));
//! assert_eq!(EtchStrategy::read("etched somehow"), None);
//! assert_eq!(Tooth::read("30", ToothNotation::Universal), Tooth::from_iso(46));
//! ```

pub mod column;
pub mod criterion;
pub mod factors;
pub mod kind;
pub mod lesion;
pub mod outcome;
pub mod placement;
pub mod scheme;
pub mod technique;
pub mod tooth;
pub mod visit;
pub mod vocabulary;

pub use column::{Cell, Column, Need, PLACEMENT_COLUMNS, Range, VISIT_COLUMNS};
pub use criterion::Criterion;
pub use factors::{known_covariates, known_factors, level_named};
pub use kind::RecordKind;
pub use lesion::{Aetiology, CervicalMargin, Surface, YesNo};
pub use outcome::{Outcome, Reason, Source};
pub use placement::{Placement, says_replaced};
pub use scheme::{Extent, Level, Scheme, Score, Standing};
pub use technique::{AdhesiveClass, Cleanser, CompositeClass, Drying, EtchStrategy, Isolation, Preparation};
pub use tooth::{Arch, Tooth, ToothNotation, ToothType};
pub use visit::Visit;
pub use vocabulary::{Coded, Term, find_term};
