//! What became of a restoration, where a visit says so in a word, and how it is known.

use super::vocabulary::coded;

coded! {
    /// What became of the restoration, as found at a visit or reported.
    Outcome {
        /// Still there.
        InPlace "in_place" "In place" ["in place", "present", "intact"],
        /// Mended, the original still serving.
        Repaired "repaired" "Repaired" ["repair", "patched"],
        /// Polished, resealed or recontoured, nothing added that bears load.
        Refurbished "refurbished" "Refurbished" ["polished", "resealed"],
        /// Taken out and placed anew.
        Replaced "replaced" "Replaced" ["renewed"],
        /// Fell out.
        Lost "lost" "Lost" ["debonded", "fell out", "missing"],
        /// The tooth was taken out.
        Extracted "extracted" "Tooth extracted" ["tooth extracted", "extraction"],
        /// Root canal treatment through or beside it, the restoration kept.
        RootFilled "root_filled" "Root-filled" ["endodontic treatment", "root canal treated"],
        /// Removed or covered by a crown, denture or another plan, though sound.
        Crowned "crowned" "Crowned or removed for another plan" ["crown", "covered", "denture"],
        /// The patient died.
        PatientDied "patient_died" "Patient died" ["died", "deceased"],
        /// The patient went elsewhere.
        LeftPractice "left_practice" "Left the practice" ["moved", "left practice"],
    }
}

coded! {
    /// Why it was replaced or the tooth taken out.
    Reason {
        /// Because the restoration failed.
        Failure "failure" "Failure of the restoration" ["failed"],
        /// For a reason that has nothing to do with the restoration.
        Unrelated "unrelated" "Unrelated reason" ["other"],
    }
}

coded! {
    /// How it is known.
    Source {
        /// Seen at the chair.
        Examined "examined" "Examined" ["exam", "seen"],
        /// Told by the patient or another practice.
        Reported "reported" "Reported, not examined" ["phone", "patient report", "told"],
    }
}
