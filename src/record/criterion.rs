//! The criteria that a visit scores.

use super::vocabulary::coded;

coded! {
    /// One criterion of a recall examination. The labels are the trade's (modified USPHS and FDI categories in common use for
    /// cervical restorations).
    Criterion {
        /// Whether the filling is there.
        Retention "retention" "Retention" [],
        /// Discolouration along the margin.
        MarginalStaining "marginal_staining" "Marginal staining" [],
        /// Fit of the margin.
        MarginalAdaptation "marginal_adaptation" "Marginal adaptation" [],
        /// Match in shade and translucency.
        Colour "colour" "Colour match" [],
        /// Sensitivity after placement.
        Sensitivity "sensitivity" "Sensitivity" [],
        /// Caries at the restoration.
        Caries "caries" "Caries at the margin" [],
        /// Lustre and roughness.
        SurfaceTexture "surface_texture" "Surface texture" [],
        /// Contour.
        AnatomicForm "anatomic_form" "Anatomic form" [],
    }
}

impl Criterion {
    /// All criteria, in the order in which they are listed.
    pub const ALL: [Self; 8] = [
        Self::Retention,
        Self::MarginalStaining,
        Self::MarginalAdaptation,
        Self::Colour,
        Self::Sensitivity,
        Self::Caries,
        Self::SurfaceTexture,
        Self::AnatomicForm,
    ];

    /// Whether this can be judged once the filling is gone. Only the loss itself, sensitivity and caries can.
    pub const fn survives_loss(self) -> bool {
        matches!(self, Self::Retention | Self::Sensitivity | Self::Caries)
    }
}
