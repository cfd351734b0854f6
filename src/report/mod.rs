//! Results and charts to a page, tables and machine-readable results. Nothing is computed here.
//!
//! - [`sentence`]: sentences that say what the numbers say
//! - [`caution_text`]: the words of each caution
//! - [`findings_text`]: findings as text
//! - [`findings_file`]: findings as JSON and CSV
//! - [`finding_page_text`]: the page of a kind of finding, and the list of all kinds
//! - [`charts`]: which charts a review has
//! - [`tables`]: tables as CSV
//! - `table_columns`: what their columns hold, and how it is shown
//! - `workbook`, `tables_text`: the tables as a workbook, as Markdown
//! - `frame`: what the pages share: head, policy, script, charts and tables in their wrappings
//! - [`page`]: the HTML page; [`page_for_others`]: that for people from outside the practice
//! - [`verdict_text`], [`guard_text`]: what may be said of a comparison, and what weakens it
//! - [`comparison_charts`], [`comparison_tables`], [`comparison_page`]: a comparison drawn, as CSV, as a page
//! - `contrast_text`: differences and ratios as texts of tables
//! - [`comparison_methods`]: its methods, and the hand-out
//! - [`comparison_summary`]: it for the terminal
//! - [`course_charts`], [`level_curve_charts`], [`watch_charts`]: teeth, years and courses; incidence and curves between visits; failures watched
//! - [`offered`]: which charts a finished result offers for a talk or a paper, on any stage
//! - [`for_others`]: what a finished result may show to people from outside the practice
//! - [`set_aside`]: rows set aside, with the reasons
//! - [`folder`]: all of it into a folder

pub mod caution_text;
pub mod charts;
pub mod comparison_charts;
pub mod comparison_methods;
pub mod comparison_page;
pub mod comparison_summary;
pub mod comparison_tables;
mod contrast_text;
pub mod course_charts;
pub mod finding_page_text;
pub mod findings_file;
pub mod findings_text;
pub mod folder;
pub mod for_others;
mod frame;
pub mod guard_text;
pub mod level_curve_charts;
pub mod offered;
pub mod page;
pub mod page_for_others;
pub mod sentence;
pub mod set_aside;
mod table_columns;
pub mod tables;
mod tables_text;
pub mod verdict_text;
pub mod watch_charts;
mod workbook;
