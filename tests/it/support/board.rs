//! What a test tried, row by row, printed as a table; a row that failed is marked, and fails the test at the end.

use std::io::Write;

/// A table of tries.
#[derive(Debug)]
pub(crate) struct Board {
    title: String,
    head: Vec<String>,
    rows: Vec<Vec<String>>,
    failures: Vec<String>,
}

impl Board {
    pub(crate) fn new<const N: usize>(title: &str, head: [&str; N]) -> Board {
        Board {
            title: title.to_owned(),
            head: head.iter().map(|h| (*h).to_owned()).collect(),
            rows: Vec::new(),
            failures: Vec::new(),
        }
    }

    /// A row that is only shown.
    pub(crate) fn row<const N: usize>(&mut self, cells: [String; N]) {
        assert_eq!(N, self.head.len());
        self.rows.push(cells.to_vec());
    }

    /// A row with what was wrong with it.
    pub(crate) fn judged<const N: usize>(&mut self, cells: [String; N], wrong: Option<String>) {
        let name = cells.first().cloned().unwrap_or_default();
        self.row(cells);
        if let Some(wrong) = wrong {
            if let Some(row) = self.rows.last_mut() {
                row.push("FAILED".to_owned());
            }
            self.failures.push(format!("{name}: {wrong}"));
        }
    }

    /// Prints the table; panics if a row failed.
    pub(crate) fn close(self) {
        let cells = std::iter::once(&self.head).chain(&self.rows);
        let mut widths: Vec<usize> = Vec::new();
        for row in cells.clone() {
            for (i, cell) in row.iter().enumerate() {
                widths.resize(widths.len().max(i + 1), 0);
                widths[i] = widths[i].max(cell.chars().count());
            }
        }
        // Past the capture of the test harness, so that what was tried stands in every run's output.
        let mut text = format!("\n{}\n", self.title);
        for row in cells {
            let line: Vec<String> =
                row.iter().zip(&widths).map(|(c, w)| format!("{c:<w$}", w = *w)).collect();
            text += &format!("  {}\n", line.join("  ").trim_end());
        }
        let _ = std::io::stderr().lock().write_all(text.as_bytes());
        assert!(
            self.failures.is_empty(),
            "{}: {} failed:\n{}",
            self.title,
            self.failures.len(),
            self.failures.join("\n")
        );
    }
}
