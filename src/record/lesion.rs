//! Terms of the tooth and the lesion.

use super::vocabulary::coded;

coded! {
    /// Where on the tooth: Class V lesions sit on the gingival third of a facial or lingual surface (common practice).
    Surface {
        /// Towards lip or cheek.
        Facial "facial" "Facial" ["buccal", "labial", "vestibular", "b", "f", "v"],
        /// Towards tongue or palate.
        Lingual "lingual" "Lingual" ["palatal", "l", "p", "oral"],
    }
}

coded! {
    /// What wore the tooth away, as judged at the chair.
    Aetiology {
        /// Worn by brushing or other rubbing.
        Abrasion "abrasion" "Abrasion" [],
        /// Loss ascribed to flexing under load.
        Abfraction "abfraction" "Abfraction" [],
        /// Dissolved by acid that is not made by plaque.
        Erosion "erosion" "Erosion" ["biocorrosion"],
        /// More than one of these.
        Mixed "mixed" "Mixed" ["multifactorial"],
        /// Decayed: kept, but never pooled silently with worn lesions.
        Caries "caries" "Caries" ["carious"],
    }
}

coded! {
    /// What the margin towards the root lies in.
    CervicalMargin {
        /// Enamel.
        Enamel "enamel" "Enamel" [],
        /// Dentine or cementum.
        Dentine "dentine" "Dentine or cementum" ["dentin", "cementum", "root"],
    }
}

coded! {
    /// Yes or no.
    YesNo {
        /// Yes.
        Yes "yes" "Yes" ["y", "true", "1"],
        /// No.
        No "no" "No" ["n", "false", "0"],
    }
}
