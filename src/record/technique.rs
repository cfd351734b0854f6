//! Terms of the chairside technique: what was done to the lesion before, during and after bonding.
//!
//! The terms are the trade's (common practice); classes of adhesives follow the reviews of Peumans et al. (Dent Mater
//! 2005;21:864–881 and 2014;30:1089–1103), with universal adhesives as a class of their own.

use super::vocabulary::coded;

coded! {
    /// How enamel and dentine are conditioned before the adhesive.
    EtchStrategy {
        /// Phosphoric acid on enamel and dentine, rinsed off.
        EtchAndRinse "etch_and_rinse" "Etch-and-rinse" ["etch & rinse", "etch and rinse", "er", "e&r", "total etch", "total-etch"],
        /// Phosphoric acid on enamel only, then a self-etching adhesive.
        SelectiveEnamelEtch "selective_enamel_etch" "Selective enamel etch" ["see", "selective etch", "selective enamel etching", "selective-enamel-etch"],
        /// No separate acid: the adhesive etches.
        SelfEtch "self_etch" "Self-etch" ["se", "self etch", "self-etching", "no etch"],
    }
}

coded! {
    /// The class of the bonding material.
    AdhesiveClass {
        /// Acid, primer and adhesive apart.
        ThreeStepEtchAndRinse "three_step_etch_and_rinse" "Three-step etch-and-rinse" ["3er", "3-step etch-and-rinse", "4th generation"],
        /// Acid, then primer and adhesive in one bottle.
        TwoStepEtchAndRinse "two_step_etch_and_rinse" "Two-step etch-and-rinse" ["2er", "2-step etch-and-rinse", "5th generation"],
        /// Self-etching primer, then adhesive.
        TwoStepSelfEtch "two_step_self_etch" "Two-step self-etch" ["2se", "2-step self-etch", "6th generation"],
        /// All in one bottle or one mix.
        OneStepSelfEtch "one_step_self_etch" "One-step self-etch" ["1se", "1-step self-etch", "all-in-one", "7th generation"],
        /// A universal (multi-mode) adhesive; its etch strategy says how it was used.
        Universal "universal" "Universal adhesive" ["ua", "multi-mode", "multimode", "8th generation"],
        /// Resin-modified glass-ionomer cement, as a comparator.
        ResinModifiedGlassIonomer "resin_modified_glass_ionomer" "Resin-modified glass-ionomer" ["rmgic", "rmgi", "resin-modified glass ionomer"],
        /// Conventional glass-ionomer cement, as a comparator.
        ConventionalGlassIonomer "conventional_glass_ionomer" "Conventional glass-ionomer" ["gic", "glass ionomer", "glass-ionomer"],
    }
}

coded! {
    /// What was done to the surface of the lesion.
    Preparation {
        /// Cleaned only.
        None "none" "No preparation" ["no", "not prepared", "unprepared"],
        /// Dentine roughened with a bur or by air abrasion.
        Roughened "roughened" "Roughened" ["roughening", "bur", "air abrasion"],
        /// Enamel margin bevelled.
        Bevelled "bevelled" "Bevelled" ["bevel", "beveled"],
        /// Both.
        RoughenedAndBevelled "roughened_and_bevelled" "Roughened and bevelled" ["roughened + bevelled", "roughened and beveled", "both"],
    }
}

coded! {
    /// How the field was kept dry and the gum held back.
    Isolation {
        /// Rubber dam.
        RubberDam "rubber_dam" "Rubber dam" ["dam", "rd", "rubber-dam"],
        /// Rubber dam with a retraction cord.
        RubberDamAndCord "rubber_dam_and_cord" "Rubber dam and cord" ["rubber dam + cord"],
        /// Cotton rolls and suction.
        CottonRolls "cotton_rolls" "Cotton rolls" ["cotton roll", "cotton rolls + suction", "relative"],
        /// Cotton rolls, suction and a retraction cord.
        CottonRollsAndCord "cotton_rolls_and_cord" "Cotton rolls and cord" ["cotton rolls + cord"],
        /// A retraction cord alone.
        RetractionCord "retraction_cord" "Retraction cord" ["cord"],
    }
}

coded! {
    /// What the cavity was cleaned or wiped with.
    Cleanser {
        /// Nothing but water spray.
        None "none" "No cleanser" ["no", "water"],
        /// Pumice slurry.
        Pumice "pumice" "Pumice" [],
        /// Chlorhexidine solution.
        Chlorhexidine "chlorhexidine" "Chlorhexidine" ["chx"],
        /// Sodium hypochlorite solution.
        SodiumHypochlorite "sodium_hypochlorite" "Sodium hypochlorite" ["naocl", "hypochlorite"],
        /// Ethylenediaminetetraacetic acid.
        Edta "edta" "EDTA" [],
    }
}

coded! {
    /// How the adhesive was thinned and its solvent driven off.
    Drying {
        /// A gentle stream of air.
        AirThinned "air_thinned" "Air-thinned" ["air", "air thinned", "air-dried"],
        /// Suction only.
        Suction "suction" "Suction only" [],
        /// Not thinned.
        None "none" "Not thinned" ["no"],
    }
}

coded! {
    /// The class of the composite.
    CompositeClass {
        /// Flowable composite.
        Flowable "flowable" "Flowable" ["flow"],
        /// Highly filled flowable composite.
        HighlyFilledFlowable "highly_filled_flowable" "Highly filled flowable" [],
        /// Microfilled composite.
        Microfilled "microfilled" "Microfilled" ["microfill"],
        /// Hybrid, micro-hybrid or nano-hybrid composite.
        Hybrid "hybrid" "Hybrid" ["microhybrid", "nanohybrid", "nano-hybrid", "micro-hybrid"],
        /// Nanofilled composite.
        Nanofilled "nanofilled" "Nanofilled" ["nanofill"],
        /// Bulk-fill composite.
        BulkFill "bulk_fill" "Bulk-fill" ["bulk fill", "bulkfill"],
        /// Not a composite: a glass-ionomer material.
        GlassIonomer "glass_ionomer" "Glass-ionomer material" ["gic", "rmgic"],
    }
}
