//! What can happen to a restoration, whatever the endpoint.

/// What a visit says about how the restoration stands; the trade's table of findings, row by row.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Event {
    /// The whole filling is lost.
    CompleteLoss,
    /// Renewed, or taken out with its tooth, because it failed otherwise than by loss; a renewal without a reason counts here.
    ReplacedForFailure,
    /// Removed or covered for another plan, though sound.
    RemovedForOtherReasons,
    /// The tooth was taken out, and not because the restoration failed.
    Extracted,
    /// Part of the filling is lost.
    PartialLoss,
    /// Mended.
    Repaired,
    /// Polished, resealed, recontoured.
    Refurbished,
    /// The tooth was root-filled, the restoration kept.
    RootFilled,
}

impl Event {
    /// Whether nothing is left to follow after it.
    pub const fn closes(self) -> bool {
        matches!(self, Self::CompleteLoss | Self::ReplacedForFailure | Self::RemovedForOtherReasons | Self::Extracted)
    }
}
