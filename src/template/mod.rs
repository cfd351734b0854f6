//! Blank record files for a practice: two CSV files, or one workbook that helps to fill them in.
//!
//! Everything comes from [`crate::record`]: columns, terms, ranges, criteria, schemes. Nothing is written here; the same version
//! makes the same bytes.
//!
//! - [`csv_header`]: a header as CSV
//! - [`workbook`]: the workbook
//! - [`record_sheet`]: its sheets to fill in
//! - [`guide_sheet`]: its sheets that explain columns, criteria and schemes
//! - [`term_sheet`]: its sheet of terms, which the drop-down lists refer to
//!
//! ```
//! let files = manebit::template::template_files()?;
//! let names: Vec<&str> = files.iter().map(|file| file.name).collect();
//! assert_eq!(names, ["placements.csv", "visits.csv", "records.xlsx"]);
//! # Ok::<(), manebit::template::TemplateError>(())
//! ```

pub mod csv_header;
pub mod guide_sheet;
pub mod record_sheet;
pub mod term_sheet;
pub mod workbook;

/// The names of the files, in the order of [`template_files`].
pub const TEMPLATE_NAMES: [&str; 3] = ["placements.csv", "visits.csv", "records.xlsx"];

/// A blank file.
pub struct TemplateFile {
    /// File name without folder.
    pub name: &'static str,
    /// What it holds.
    pub bytes: Vec<u8>,
}

/// Why the workbook could not be made, which would be a fault of the program.
#[derive(Debug)]
pub struct TemplateError(rust_xlsxwriter::XlsxError);

impl std::fmt::Display for TemplateError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "the workbook can't be made: {}", self.0)
    }
}

impl std::error::Error for TemplateError {}

impl From<rust_xlsxwriter::XlsxError> for TemplateError {
    fn from(error: rust_xlsxwriter::XlsxError) -> Self {
        Self(error)
    }
}

/// All blank files.
///
/// # Errors
/// When the workbook can't be made, which would be a fault of the program.
pub fn template_files() -> Result<Vec<TemplateFile>, TemplateError> {
    use crate::record::{PLACEMENT_COLUMNS, VISIT_COLUMNS};
    let [placements, visits, records] = TEMPLATE_NAMES;
    Ok(vec![
        TemplateFile { name: placements, bytes: csv_header::csv_header(PLACEMENT_COLUMNS) },
        TemplateFile { name: visits, bytes: csv_header::csv_header(VISIT_COLUMNS) },
        TemplateFile { name: records, bytes: workbook::workbook()? },
    ])
}
