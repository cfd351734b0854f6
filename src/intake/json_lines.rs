//! JSON lines (one object a line) as a grid of text.

use serde_json::Value;

use super::grid::Grid;

/// Reads JSON lines; columns in the order in which they first appear.
///
/// # Errors
/// The row and a sentence for each line that is no flat object.
pub fn read_json_lines(text: &str) -> Result<Grid, Vec<(u64, String)>> {
    let mut grid = Grid::default();
    let mut wrong = Vec::new();
    let mut places = std::collections::HashMap::new();
    for (line, number) in text.lines().zip(1..) {
        if line.trim().is_empty() {
            continue;
        }
        let object = match serde_json::from_str::<Value>(line) {
            Ok(Value::Object(object)) => object,
            Ok(_) => {
                wrong.push((number, "The line is no object of names and values.".to_owned()));
                continue;
            }
            Err(error) => {
                wrong.push((number, format!("The line can't be read: {error}.")));
                continue;
            }
        };
        let mut cells = vec![String::new(); grid.header.len()];
        for (name, value) in object {
            let text = match value {
                Value::Null => continue,
                Value::String(text) => text,
                Value::Number(number) => number.to_string(),
                Value::Bool(value) => if value { "yes" } else { "no" }.to_owned(),
                Value::Array(_) | Value::Object(_) => {
                    wrong.push((number, format!("{name} holds a list or an object, where one value is expected.")));
                    continue;
                }
            };
            let place = *places.entry(name.clone()).or_insert_with(|| {
                grid.header.push(name);
                grid.header.len() - 1
            });
            if cells.len() <= place {
                cells.resize(place + 1, String::new());
            }
            cells[place] = text;
        }
        grid.rows.push((number, cells));
    }
    let width = grid.header.len();
    for row in &mut grid.rows {
        row.1.resize(width, String::new());
    }
    if wrong.is_empty() { Ok(grid) } else { Err(wrong) }
}
