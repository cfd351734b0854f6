//! Results to drawings: SVG whose text stays text. Nothing is computed here but places on the sheet.
//!
//! - [`svg_backend`]: the drawing library's extension point, writing SVG with tenths of a pixel, dashes, groups and titles
//! - [`sheet`]: what the charts draw on: lines, areas, text, wrapped text
//! - [`stage`]: what they are drawn for: a page, a slide, a column
//! - [`preset`]: stages by name; [`picture`]: drawings as PNG and PDF
//! - [`text_width`]: how wide a text is, so that nothing collides
//! - [`time_axis`]: how far the axis of years goes and where its marks stand
//! - [`survival_scale`]: the vertical axis of survival, and of cumulative failure
//! - [`palette`]: colours and line patterns that survive greyscale and colour blindness
//! - `plane`, `end_labels`, `level_rows`: axes, names at the ends of lines, counts below, for the charts that share them
//! - [`counts_table`]: how many were at risk, aligned with the axis above; `criterion_level_panel`: one plot of the chart of that name;
//!   `forest_condensed`: the forest on a slide that can't hold it in full
//! - [`survival_chart`], [`annual_failure_chart`], [`criterion_chart`], [`criterion_level_chart`], [`recall_chart`], [`forest_chart`],
//!   [`balance_chart`], [`flow_chart`], [`incidence_chart`], [`between_visits_chart`], [`mouth_chart`], [`timeline_chart`],
//!   [`yearly_chart`], [`cusum_chart`], [`funnel_chart`]: one chart each

mod advance;
pub mod annual_failure_chart;
pub mod balance_chart;
pub mod between_visits_chart;
pub mod counts_table;
pub mod criterion_chart;
pub mod criterion_level_chart;
mod criterion_level_panel;
pub mod cusum_chart;
mod end_labels;
#[cfg(test)]
mod every_stage;
#[cfg(test)]
mod fixture;
pub mod flow_chart;
pub mod forest_chart;
mod forest_condensed;
pub mod funnel_chart;
pub mod incidence_chart;
mod level_rows;
pub mod mouth_chart;
pub mod palette;
pub mod picture;
mod plane;
pub mod preset;
pub mod recall_chart;
pub mod sheet;
#[cfg(test)]
mod sight;
pub mod stage;
pub mod survival_chart;
pub mod survival_scale;
pub mod svg_backend;
pub mod text_width;
pub mod time_axis;
pub mod timeline_chart;
pub mod yearly_chart;

/// A finished drawing.
#[derive(Clone, Debug, PartialEq)]
pub struct Drawing {
    /// Its name: the file's name without ending, and the prefix of every id in it.
    pub name: String,
    /// Its title.
    pub title: String,
    /// The SVG.
    pub svg: String,
    /// The height that its content takes, units of the layout; more than the stage has where it does not fit.
    pub needs: f64,
}
