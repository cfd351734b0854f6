//! What counts as failure, and how results are computed, written down before the numbers are seen.
//!
//! - [`endpoint`]: how every finding counts for an endpoint
//! - [`settings`]: recalls, horizons, intervals, factors, guards: the whole protocol as one TOML file
//!
//! ```
//! use manebit::protocol::Protocol;
//! let protocol = Protocol::built_in();
//! assert_eq!(protocol.endpoints[0].name, "retention_loss");
//! assert_eq!(Protocol::read(Protocol::BUILT_IN_TEXT).unwrap(), protocol);
//! ```

pub mod endpoint;
pub mod settings;

pub use endpoint::{Consequence, Endpoint, FailingScores, FailureDayReading};
pub use settings::{Protocol, ProtocolError, RecallWindow, SurvivalIntervals};
