//! For tests: a chart on the page and on each preset, its texts checked.

use super::Drawing;
use super::fixture::check_texts;
use super::preset::Preset;
use super::stage::Stage;

/// Draws on the page and on each preset, checks the texts of what fits, and tells on which presets nothing did.
pub fn refused(draw: impl Fn(&Stage) -> Drawing) -> Vec<&'static str> {
    check_texts(&draw(&Stage::default()));
    let fits = |preset: Preset| {
        let drawn = preset.stages().into_iter().find_map(|mut stage| {
            stage.note = Some("Said by the speaker: one practice, ten years.".to_owned());
            let drawing = draw(&stage);
            stage.holds(&drawing).then_some(drawing)
        });
        if let Some(drawing) = &drawn {
            check_texts(&Drawing { name: format!("{} on {}", drawing.name, preset.name()), ..drawing.clone() });
        }
        drawn.is_some()
    };
    Preset::ALL.into_iter().filter(|preset| !fits(*preset)).map(Preset::name).collect()
}
