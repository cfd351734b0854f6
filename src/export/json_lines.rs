//! Records as JSON, one object a line; empty cells are left out.

use std::io::Write;

use serde_json::Value as Json;

use super::column::{ExportTable, Value, plain_text};

/// The lines of a piece.
///
/// # Errors
/// What the JSON writer says.
pub fn lines(table: &ExportTable<'_>) -> Result<Vec<u8>, String> {
    let names: Vec<String> = table.columns.iter().map(|column| Json::from(column.name).to_string()).collect();
    let mut lines = Vec::new();
    for row in 0..table.rows {
        let begin = lines.len();
        for (column, name) in table.columns.iter().zip(&names) {
            let value = column.value(row);
            if value == Value::Empty {
                continue;
            }
            lines.push(if lines.len() == begin { b'{' } else { b',' });
            lines.extend_from_slice(name.as_bytes());
            lines.push(b':');
            push(&mut lines, value).map_err(|error| error.to_string())?;
        }
        lines.extend_from_slice(b"}\n");
    }
    Ok(lines)
}

fn push(line: &mut Vec<u8>, value: Value<'_>) -> std::io::Result<()> {
    match value {
        Value::Empty => line.write_all(b"null"),
        Value::Text(text) => Ok(serde_json::to_writer(line, &plain_text(text))?),
        Value::Code(code) => Ok(serde_json::to_writer(line, code)?),
        Value::Day(day) => write!(line, "\"{day}\""),
        Value::Whole(number) => write!(line, "{number}"),
        // A reader may hand a tiny number on with an exponent, which no record file has; as text it keeps its digits.
        Value::Number(number) if number != 0.0 && number.abs() < 1e-4 => write!(line, "\"{number}\""),
        Value::Number(number) => write!(line, "{number}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_numbers_and_none_has_an_exponent() {
        let text = |number: f64| {
            let mut line = Vec::new();
            push(&mut line, Value::Number(number)).expect("written");
            String::from_utf8(line).expect("text")
        };
        assert_eq!(text(1.0), "1");
        assert_eq!(text(0.1 + 0.2), "0.30000000000000004");
        assert_eq!(text(1e-7), "\"0.0000001\"");
        let read: Json = serde_json::from_str(&text(0.0001)).expect("it reads");
        assert_eq!(read.to_string(), "0.0001");
    }
}
