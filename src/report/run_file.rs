//! `run.json`: the run record, built elsewhere, written with sorted keys.

use super::ReportError;
use super::words::is_invisible;
use serde_json::Value;

/// The file: indented JSON with sorted keys; invisible characters are escaped, which leaves the value
/// the same and shows them to a reader.
///
/// # Errors
/// Only a fault of this program.
pub fn text(record: &Value) -> Result<String, ReportError> {
    let mut sorted = record.clone();
    // Key order depends on a feature of serde_json that any dependency may turn on.
    sorted.sort_all_objects();
    let json = serde_json::to_string_pretty(&sorted)
        .map_err(|e| ReportError::Encode { file: "run.json", reason: e.to_string() })?;
    let mut out = String::with_capacity(json.len() + 1);
    for c in json.chars() {
        // Outside strings JSON is ASCII, so every invisible character stands inside a string.
        if is_invisible(c) || ('\u{7f}'..='\u{9f}').contains(&c) {
            for unit in c.encode_utf16(&mut [0; 2]) {
                out.push_str(&format!("\\u{unit:04x}"));
            }
        } else {
            out.push(c);
        }
    }
    out.push('\n');
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn keys_are_sorted_and_the_value_survives() {
        let record = json!({"z": 1, "a": {"y": "v\u{202e}\u{e0041}", "b": [1, null]}});
        let text = text(&record).unwrap();
        assert!(text.find("\"a\"") < text.find("\"z\"") && text.find("\"b\"") < text.find("\"y\""));
        assert!(!text.contains('\u{202e}'));
        assert_eq!(serde_json::from_str::<Value>(&text).unwrap(), record);
    }
}
