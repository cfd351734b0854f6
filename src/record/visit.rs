//! A visit: one look at one restoration.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::criterion::Criterion;
use super::outcome::{Outcome, Reason, Source};
use super::scheme::{Scheme, Score};
use crate::quantity::Day;

/// One look at one restoration, by one examiner. Scores are stored as given. At least one score or an outcome is present.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Visit {
    /// The restoration looked at.
    pub restoration_id: String,
    /// The day of the visit.
    pub visited_on: Day,
    /// A pseudonym for who looked.
    pub examiner: Option<String>,
    /// Whether it was examined or only reported.
    pub source: Option<Source>,
    /// The scheme of the scores; needed where there is a score.
    pub scheme: Option<Scheme>,
    /// Whether the filling is there.
    pub retention: Option<Score>,
    /// Discolouration along the margin.
    pub marginal_staining: Option<Score>,
    /// Fit of the margin.
    pub marginal_adaptation: Option<Score>,
    /// Match in shade and translucency.
    pub colour: Option<Score>,
    /// Sensitivity after placement.
    pub sensitivity: Option<Score>,
    /// Caries at the restoration.
    pub caries: Option<Score>,
    /// Lustre and roughness.
    pub surface_texture: Option<Score>,
    /// Contour.
    pub anatomic_form: Option<Score>,
    /// What became of the restoration.
    pub outcome: Option<Outcome>,
    /// The day it happened, where the patient knows.
    pub outcome_on: Option<Day>,
    /// Why it was replaced or the tooth taken out.
    pub reason: Option<Reason>,
}

impl Visit {
    /// The score of a criterion, if it was scored.
    pub const fn score(&self, criterion: Criterion) -> Option<Score> {
        match criterion {
            Criterion::Retention => self.retention,
            Criterion::MarginalStaining => self.marginal_staining,
            Criterion::MarginalAdaptation => self.marginal_adaptation,
            Criterion::Colour => self.colour,
            Criterion::Sensitivity => self.sensitivity,
            Criterion::Caries => self.caries,
            Criterion::SurfaceTexture => self.surface_texture,
            Criterion::AnatomicForm => self.anatomic_form,
        }
    }
}
