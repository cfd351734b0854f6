//! Results and charts to a page, tables and machine-readable results. Nothing is computed here.
//!
//! - [`sentence`]: sentences that say what the numbers say
//! - [`caution_text`]: the words of each caution
//! - [`findings_text`]: findings as text
//! - [`findings_file`]: findings as JSON and CSV
//! - [`finding_page_text`]: the page of a kind of finding, and the list of all kinds
//! - [`charts`]: which charts a review has
//! - [`tables`]: tables as CSV
//! - [`page`]: the HTML page
//! - [`set_aside`]: rows set aside, with the reasons
//! - [`folder`]: all of it into a folder

pub mod caution_text;
pub mod charts;
pub mod finding_page_text;
pub mod findings_file;
pub mod findings_text;
pub mod folder;
pub mod page;
pub mod sentence;
pub mod set_aside;
pub mod tables;
