//! Types with a unit. A leaf: it knows nothing of records, files or estimators.
//!
//! - [`day`]: calendar days, lengths in whole days, years for showing
//! - [`fraction`]: parts of one, and annual rates
//! - [`estimate`]: an estimate with its interval; "not known" with its reason
//!
//! ```
//! use manebit::quantity::{Day, Years};
//! let placed: Day = "2020-03-01".parse().unwrap();
//! let seen: Day = "2021-03-01".parse().unwrap();
//! assert_eq!((seen - placed).count(), 365);
//! assert!(((seen - placed).years().count() - 365.0 / 365.25).abs() < 1e-15);
//! ```

pub mod day;
pub mod estimate;
pub mod fraction;

pub use day::{DAYS_PER_YEAR, Day, DayError, Days, Years};
pub use estimate::{Behind, ConfidenceInterval, ConfidenceLevel, Estimate, IntervalMethod, Known, Variance, WhyNotKnown};
pub use fraction::{AnnualRate, Fraction};
