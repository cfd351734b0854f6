//! The tables as Markdown, for a letter or a wiki: numbers as people read them. The exact ones are in the CSV.

use super::comparison_methods::plain;
use super::table_columns::{Look, look};
use super::tables::Table;
use super::workbook::{About, too_long};

/// Longer tables are left to the workbook and the CSV.
const MOST_ROWS: usize = 2_500;

/// All tables, each under its name, after what they are about.
pub(super) fn markdown(title: &str, tables: &[Table], about: &About) -> String {
    let mut text = format!("# {}\n\n", plain(title));
    for (what, said) in about {
        text.push_str(&format!("- {}: {}\n", plain(what), plain(said)));
    }
    for table in tables {
        text.push_str(&format!("\n## {}\n\n", table.title()));
        if table.longer_than(MOST_ROWS) {
            text.push_str(&format!("{}\n", too_long(table)));
            continue;
        }
        let Some((head, rows)) = table.rows.split_first() else { continue };
        let looks: Vec<Look> = head.iter().map(|name| look(table.name, name)).collect();
        text.push_str(&line(head.iter().map(|name| plain(&name.replace('_', " ")))));
        text.push_str(&line(looks.iter().map(|look| if *look == Look::Text { ":--" } else { "--:" }.to_owned())));
        for row in rows {
            text.push_str(&line(row.iter().zip(&looks).map(|(cell, look)| shown(cell, *look))));
        }
    }
    text
}

fn line(cells: impl Iterator<Item = String>) -> String {
    let cells: Vec<String> = cells.collect();
    format!("| {} |\n", cells.join(" | "))
}

/// A cell as people read it.
fn shown(cell: &str, look: Look) -> String {
    let Some(number) = cell.parse::<f64>().ok().filter(|number| look != Look::Text && number.is_finite()) else {
        return plain(cell);
    };
    match look {
        Look::Text | Look::Count => cell.to_owned(),
        Look::Share => format!("{:.1} %", number * 100.0),
        Look::Rate => format!("{:.2} %", number * 100.0),
        Look::Number => format!("{number:.3}"),
        Look::Probability if number < 0.0001 => "<0.0001".to_owned(),
        Look::Probability => format!("{number:.4}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_shown_as_people_read_them_and_text_is_no_markup() {
        assert_eq!(shown("0.87651", Look::Share), "87.7 %");
        assert_eq!(shown("0.00001", Look::Probability), "<0.0001");
        assert_eq!(shown("", Look::Share), "");
        assert_eq!(shown("a|b", Look::Text), "a\\|b");
        assert_eq!(shown("12", Look::Text), "12", "a code that looks like a number stays as it is");
    }
}
