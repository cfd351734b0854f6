//! Stages by name: slides for a talk, columns for a journal.

use super::palette::Paper;
use super::stage::{Outcome, Stage};

/// What a figure is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Preset {
    /// A slide of 16:9 on white.
    SlideLight,
    /// A slide of 16:9 on a dark ground.
    SlideDark,
    /// One column of a journal, 85 mm.
    Column,
    /// A journal's page, 174 mm.
    PageWidth,
    /// One column in greys.
    ColumnGrey,
    /// A page in greys.
    PageWidthGrey,
}

/// Layout widths to try for a slide, the largest texts first. At the last the smallest text is 24 of 1920 pixels' height.
const SLIDES: [f64; 3] = [960.0, 1020.0, 1080.0];

impl Preset {
    /// All of them.
    pub const ALL: [Self; 6] =
        [Self::SlideLight, Self::SlideDark, Self::Column, Self::PageWidth, Self::ColumnGrey, Self::PageWidthGrey];

    /// Its name.
    pub const fn name(self) -> &'static str {
        match self {
            Self::SlideLight => "slide_light",
            Self::SlideDark => "slide_dark",
            Self::Column => "column",
            Self::PageWidth => "page_width",
            Self::ColumnGrey => "column_grey",
            Self::PageWidthGrey => "page_width_grey",
        }
    }

    /// The preset of a name.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|preset| preset.name() == name)
    }

    /// What it is, in words.
    pub const fn what(self) -> &'static str {
        match self {
            Self::SlideLight => "a slide of 1920 × 1080 pixels, light; no text under 24 pixels",
            Self::SlideDark => "the same on a dark ground, for a darkened room",
            Self::Column => "one column of a journal, 85 mm; smallest text 7 points",
            Self::PageWidth => "a journal's page, 174 mm; smallest text 7 points",
            Self::ColumnGrey => "one column of a journal in greys",
            Self::PageWidthGrey => "a journal's page in greys",
        }
    }

    /// The stages to try in turn: what does not fit on one may fit on the next.
    pub fn stages(self) -> Vec<Stage> {
        let slide = |paper: Paper| {
            let one = |width: f64| Stage {
                width,
                height: Some(width * 9.0 / 16.0),
                outcome: Outcome::Pixels(1920, 1080),
                paper,
                terse: true,
                ..Stage::default()
            };
            let last = Stage { selective: true, ..one(SLIDES[SLIDES.len() - 1]) };
            SLIDES.into_iter().map(one).chain([last]).collect()
        };
        // Widths at which the smallest text comes out at 7 points.
        let print = |width: f64, millimetres: u32, paper: Paper| {
            vec![Stage { width, outcome: Outcome::Millimetres(millimetres), paper, ..Stage::default() }]
        };
        match self {
            Self::SlideLight => slide(Paper::White),
            Self::SlideDark => slide(Paper::Dark),
            Self::Column => print(464.0, 85, Paper::White),
            Self::PageWidth => print(950.0, 174, Paper::White),
            Self::ColumnGrey => print(464.0, 85, Paper::Grey),
            Self::PageWidthGrey => print(950.0, 174, Paper::Grey),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::Drawing;
    use super::super::fixture::{
        LONG, annual_on, check_texts, criterion_level_on, criterion_on, recall_on, recalls, requests, scores, survival_on,
    };
    use super::super::sheet::SMALL;
    use super::super::survival_scale::Scale;
    use super::*;

    /// Draws on each preset, checks what fits, and tells how often nothing did.
    fn refused(draw: impl Fn(&Stage) -> Drawing) -> usize {
        let mut refused = 0;
        for preset in Preset::ALL {
            let drawn = preset.stages().into_iter().find_map(|mut stage| {
                stage.note = Some("Said by the speaker: one practice, ten years.".to_owned());
                let drawing = draw(&stage);
                stage.holds(&drawing).then_some(drawing)
            });
            match drawn {
                Some(drawing) => check_texts(&Drawing { name: format!("{} {preset:?}", drawing.name), ..drawing }),
                None => refused += 1,
            }
        }
        refused
    }

    #[test]
    fn texts_keep_apart_on_every_preset_whatever_is_drawn() {
        for (name, groups) in requests() {
            for scale in [Scale::Full, Scale::Zoomed, Scale::Failed] {
                let refused = refused(|stage| survival_on(name, &groups, scale, stage));
                assert!(refused == 0 || groups.len() > 4, "survival of {name}: {refused}");
            }
            let refused = refused(|stage| annual_on(name, &groups, stage));
            assert!(refused == 0 || groups.len() > 1, "annual failure of {name}: {refused}");
        }
        for due in [0, 1, 1240, 12_345_678] {
            assert_eq!(refused(|stage| recall_on("x", &recalls(due), stage)), 0);
        }
        for levels in [&["Etch-and-rinse", LONG][..], &[LONG, "Self-etch", LONG, "Selective etch"], &[LONG; 8]] {
            for recalls in [0, 1, 9] {
                let refused = refused(|stage| criterion_level_on(levels, recalls, stage));
                assert!(refused == 0 || levels.len() > 4, "{} levels, {recalls} recalls: {refused}", levels.len());
            }
        }
        for levels in [&[][..], &["All"], &["All", LONG]] {
            let entries = scores(levels, 3);
            assert!(refused(|stage| criterion_on("x", &entries, stage)) == 0 || levels.len() > 1);
        }
    }

    #[test]
    fn no_preset_makes_the_smallest_text_too_small() {
        for preset in Preset::ALL {
            assert_eq!(Preset::named(preset.name()), Some(preset));
            for stage in preset.stages() {
                let least = if matches!(stage.outcome, Outcome::Pixels(..)) { 24.0 } else { 7.0 };
                assert!(SMALL * stage.scale() >= least - 1e-9, "{preset:?}: {}", SMALL * stage.scale());
            }
        }
    }
}
