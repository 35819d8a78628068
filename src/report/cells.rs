//! CSV tables whose cells stay data: numbers rounded, unknown values empty, text that no spreadsheet runs.
//!
//! Text cells lose control characters, spell out invisible ones, and get a leading apostrophe where a
//! spreadsheet would read a formula (`=`, `+`, `-`, `@` first, also in full width, or right after a
//! semicolon, which many spreadsheets take for a separator). Number cells are left alone.

use super::ReportError;
use super::words;

/// One row of cells in the making.
#[derive(Debug, Default)]
pub(super) struct Row(Vec<String>);

impl Row {
    /// Appends text of any origin.
    pub(super) fn text(&mut self, text: &str) -> &mut Row {
        self.0.push(defused(text));
        self
    }

    /// Appends a number with `decimals` places; empty if it is not finite.
    pub(super) fn number(&mut self, value: f64, decimals: usize) -> &mut Row {
        self.0.push(words::plain(value, decimals).unwrap_or_default());
        self
    }

    /// Appends a count; empty if there is none.
    pub(super) fn count(&mut self, value: Option<usize>) -> &mut Row {
        self.0.push(value.map_or(String::new(), |n| n.to_string()));
        self
    }

    /// Appends an ISO date; empty if there is none.
    pub(super) fn day(&mut self, day: Option<i32>) -> &mut Row {
        self.0.push(day.map_or(String::new(), words::iso_day));
        self
    }
}

/// The whole file: header and rows, comma separated, lines ended by a line feed.
///
/// # Errors
/// A row whose length differs from the header's: a fault of this program.
pub(super) fn file(
    name: &'static str,
    header: &[&str],
    rows: impl IntoIterator<Item = Row>,
) -> Result<Vec<u8>, ReportError> {
    let encode = |e: String| ReportError::Encode { file: name, reason: e };
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(header).map_err(|e| encode(e.to_string()))?;
    for row in rows {
        writer.write_record(&row.0).map_err(|e| encode(e.to_string()))?;
    }
    writer.into_inner().map_err(|e| encode(e.to_string()))
}

/// Text that no spreadsheet takes for a formula.
fn defused(text: &str) -> String {
    let cleaned = words::clean(text);
    let mut out = String::with_capacity(cleaned.len() + 1);
    let mut at_cell_start = true;
    for c in cleaned.chars() {
        if at_cell_start && starts_formula(c) {
            out.push('\'');
        }
        at_cell_start = c == ';' || (at_cell_start && c.is_whitespace());
        out.push(c);
    }
    out
}

/// Characters that open a formula, with their full-width forms.
fn starts_formula(c: char) -> bool {
    matches!(c, '=' | '+' | '-' | '@' | '＝' | '＋' | '－' | '＠' | '−')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formulas_are_defused_and_plain_text_is_kept() {
        for bad in ["=cmd()", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", " =1", "＝1"] {
            assert!(defused(bad).starts_with('\''), "{bad:?} -> {:?}", defused(bad));
        }
        assert_eq!(defused("x;=cmd()"), "x;'=cmd()");
        assert_eq!(defused("Van 7-B"), "Van 7-B");
    }

    #[test]
    fn quotes_commas_and_line_ends_stay_in_their_cell() {
        let mut row = Row::default();
        row.text("a,\"b\"\nc").number(f64::NAN, 2).number(-0.001, 2).day(Some(0)).count(None);
        let bytes = file("x.csv", &["t", "n", "m", "d", "c"], [row]).unwrap();
        assert_eq!(
            String::from_utf8(bytes).unwrap(),
            "t,n,m,d,c\n\"a,\"\"b\"\" c\",,0.00,1970-01-01,\n"
        );
    }

    #[test]
    fn a_row_of_the_wrong_length_is_refused() {
        let mut row = Row::default();
        row.text("a");
        assert!(file("x.csv", &["t", "n"], [row]).is_err());
    }
}
