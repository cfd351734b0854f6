//! What a chart is drawn for: a page, a slide, a column of a journal.
//!
//! Purpose: to lay a chart out anew for where it is shown, instead of scaling a page down until nobody can read it. Texts keep
//! their sizes in the units of the layout; a stage says how many of these units there are, and how large they come out.

use std::borrow::Cow;

use super::palette::Paper;
use super::sheet::{MARGIN, SMALL, TITLE, Weight, many};
use super::text_width::wrapped;
use crate::wording::Readers;

/// More air than this between rows would tear a chart apart.
const MOST_AIR: f64 = 44.0;

/// How large a drawing comes out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Outcome {
    /// A pixel for each unit.
    Units,
    /// So many pixels wide and high.
    Pixels(u32, u32),
    /// So many millimetres wide, as high as it turns out.
    Millimetres(u32),
}

/// What a chart is drawn for.
#[derive(Clone, Debug, PartialEq)]
pub struct Stage {
    /// Width of the layout, units.
    pub width: f64,
    /// Height of the layout, units, where it may not be chosen freely. A chart then fills it; what does not fit shows in
    /// [`super::Drawing::needs`].
    pub height: Option<f64>,
    /// How large it comes out.
    pub outcome: Outcome,
    /// What it is drawn on.
    pub paper: Paper,
    /// Said aloud, so only what is needed to read the chart is printed: no rows of counts but those at risk, no long notes.
    pub terse: bool,
    /// Nothing larger is left to try, so what does not fit may be left out where the chart says how much.
    pub selective: bool,
    /// Who reads it.
    pub readers: Readers,
    /// Numbers with a decimal comma.
    pub decimal_comma: bool,
    /// The speaker's title in place of the chart's own.
    pub title: Option<String>,
    /// A note in the speaker's words, printed below everything else.
    pub note: Option<String>,
}

impl Default for Stage {
    /// A page on a screen: 960 pixels wide, as high as need be.
    fn default() -> Self {
        Self {
            width: 960.0,
            height: None,
            outcome: Outcome::Units,
            paper: Paper::White,
            terse: false,
            selective: false,
            readers: Readers::Practice,
            decimal_comma: false,
            title: None,
            note: None,
        }
    }
}

impl Stage {
    /// Whether there is no room for names or numbers beside what is drawn, so that they stand above or below it.
    pub fn narrow(&self) -> bool {
        self.width < 700.0
    }

    /// Room for text from edge to edge.
    pub fn room(&self) -> f64 {
        self.width - 2.0 * MARGIN
    }

    /// The title to print.
    pub fn title<'a>(&'a self, own: &'a str) -> &'a str {
        self.title.as_deref().unwrap_or(own)
    }

    /// A number of restorations or patients as it is printed.
    pub fn count(&self, number: u64) -> String {
        self.readers.count(number)
    }

    /// The same with its noun: `1 failure`, `<5 failures`.
    pub fn counted(&self, number: u64, one: &str, several: &str) -> String {
        self.readers.counted(number, one, several)
    }

    /// A text with its numbers as this stage writes them: a full stop between two digits becomes a comma where that is asked for.
    pub fn written<'a>(&self, text: &'a str) -> Cow<'a, str> {
        if !self.decimal_comma {
            return Cow::Borrowed(text);
        }
        let letters: Vec<char> = text.chars().collect();
        let digit = |place: usize| letters.get(place).is_some_and(char::is_ascii_digit);
        let written = |(place, letter): (usize, &char)| {
            if *letter == '.' && place > 0 && digit(place - 1) && digit(place + 1) { ',' } else { *letter }
        };
        Cow::Owned(letters.iter().enumerate().map(written).collect())
    }

    /// What is printed of a note that a reader needs and a listener is told.
    pub fn told<'a>(&self, note: &'a str) -> &'a str {
        if self.terse { "" } else { note }
    }

    /// The definition that is printed: all of it, or said aloud its first sentence.
    pub fn first_sentence<'a>(&self, definition: &'a str) -> &'a str {
        match definition.find(". ") {
            Some(end) if self.terse => &definition[..=end],
            _ => definition,
        }
    }

    /// How much there is to share out to a plot that may be between `least` and what is left of a height, when all else takes
    /// `rest`; `usual` where the height is free.
    pub fn plot(&self, usual: f64, least: f64, rest: f64) -> f64 {
        self.height.map_or(usual, |height| (height - rest - self.note_height()).max(least))
    }

    /// How much higher each of some rows may be on a stage with room left below a chart that takes `height`.
    pub fn air(&self, height: f64, rows: usize) -> f64 {
        let spare = self.height.map_or(0.0, |fixed| fixed - height - self.note_height());
        (spare / many(rows.max(1))).clamp(0.0, MOST_AIR)
    }

    /// The height that the speaker's note takes.
    pub fn note_height(&self) -> f64 {
        self.note.as_deref().map_or(0.0, |note| self.paragraph_height(note) + 6.0)
    }

    /// Down to where a heading with this title and definition goes, with a little air below.
    pub fn heading_height(&self, title: &str, definition: &str) -> f64 {
        let lines = wrapped(self.title(title), self.room(), TITLE, Weight::Bold).len();
        MARGIN + many(lines) * TITLE * 1.3 + 4.0 + self.paragraph_height(definition) + 10.0
    }

    /// The height that a small wrapped text takes.
    pub fn paragraph_height(&self, text: &str) -> f64 {
        many(wrapped(text, self.room(), SMALL, Weight::Regular).len()) * SMALL * 1.35
    }

    /// Whether all of a drawing made for this stage is on it.
    pub fn holds(&self, drawing: &super::Drawing) -> bool {
        self.height.is_none_or(|height| drawing.needs <= height.ceil())
    }

    /// How high a drawing made for this stage comes out in print, millimetres.
    pub fn height_of(&self, drawing: &super::Drawing) -> Option<f64> {
        match self.outcome {
            Outcome::Millimetres(wide) => Some(f64::from(wide) * drawing.needs / self.width),
            Outcome::Units | Outcome::Pixels(..) => None,
        }
    }

    /// Units of output for a unit of the layout: pixels, or for millimetres points of 1/72 inch.
    pub fn scale(&self) -> f64 {
        match self.outcome {
            Outcome::Units => 1.0,
            Outcome::Pixels(width, _) => f64::from(width) / self.width,
            Outcome::Millimetres(width) => f64::from(width) / 25.4 * 72.0 / self.width,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_numbers_are_hidden_from_others_only() {
        let words = |readers| {
            let stage = Stage { readers, ..Stage::default() };
            [0, 1, 4, 5].map(|number| stage.counted(number, "failure", "failures"))
        };
        assert_eq!(words(Readers::Practice), ["0 failures", "1 failure", "4 failures", "5 failures"]);
        assert_eq!(words(Readers::Others), ["0 failures", "<5 failures", "<5 failures", "5 failures"]);
    }

    #[test]
    fn only_what_stands_between_two_digits_becomes_a_comma() {
        let stage = Stage { decimal_comma: true, ..Stage::default() };
        assert_eq!(stage.written("88.5 % (85.0 to 91.2), p < 0.001. End."), "88,5 % (85,0 to 91,2), p < 0,001. End.");
        assert_eq!(stage.written(".5 5. 1.2.3 S(t)."), ".5 5. 1,2,3 S(t).");
        assert_eq!(Stage::default().written("88.5 %"), "88.5 %");
    }
}
