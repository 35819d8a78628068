//! Rows that stand later in a file than rows of a later time, as where a clock was set back.
//!
//! Comes in: the rows of each part with their order in time, and which row joined which. Goes out: after which rows a
//! reading may end without what follows changing any row before. A late row may complete an earlier one, come between
//! two readings of a counter, or cut a trip in two; a file that has grown by such a row is read anew from before the
//! rows that it touches, so it ends as if it had been read whole. Never: looks at values.

use std::ops::Range;

use super::rows::Columns;

/// Spans kept; what lies before them is one span.
const SPANS_MAX: usize = 1_000;

/// Row numbers after which a reading may not end.
///
/// A row `late` that comes before or joins the row `first` of the file, `first < late`, makes a span `first..late`.
#[derive(Debug, Default)]
pub(super) struct LateRows {
    spans: Vec<Range<u64>>,
    /// No span that was let go reaches further.
    before: u64,
}

impl LateRows {
    /// Takes the spans of the next part.
    pub(super) fn add(&mut self, part: LateRows) {
        self.spans.extend(part.spans);
        self.spans = joined(std::mem::take(&mut self.spans));
        let over = self.spans.len().saturating_sub(SPANS_MAX);
        for span in self.spans.drain(..over) {
            self.before = self.before.max(span.end);
        }
    }

    /// The last row, `row` or before, after which a reading may end.
    pub(super) fn end_at(&self, row: u64) -> u64 {
        if row < self.before {
            return 0;
        }
        let span = self.spans.iter().find(|span| span.contains(&row));
        // Spans that touch were made one, so the row before a span is in none.
        let end = span.map_or(row, |span| span.start.saturating_sub(1));
        if end < self.before { 0 } else { end }
    }

    /// The spans of one part; `order`: its rows by vehicle and time, `None` if that is how they stand.
    pub(super) fn of_part(rows: &Columns, order: Option<&[u32]>, keep: &[bool]) -> LateRows {
        let mut spans: Vec<Range<u64>> = Vec::new();
        let mut latest: Option<(u32, u64)> = None;
        for row in order.unwrap_or_default().iter().map(|row| *row as usize).filter(|r| keep[*r]) {
            let (vehicle, number) = (rows.vehicle[row], rows.row[row]);
            match latest {
                Some((of, last)) if of == vehicle && last > number => spans.push(number..last),
                _ => latest = Some((vehicle, number)),
            }
        }
        LateRows { spans: joined(spans), before: 0 }
    }

    /// Takes the spans of rows that joined others: pairs of the number of a row and of the one that it joined.
    pub(super) fn add_joined(&mut self, rows: &[(u64, u64)]) {
        self.spans.extend(rows.iter().map(|(late, first)| *first..*late));
        self.spans = joined(std::mem::take(&mut self.spans));
    }
}

/// Spans that overlap or touch as one, in order.
fn joined(mut spans: Vec<Range<u64>>) -> Vec<Range<u64>> {
    spans.sort_by_key(|span| (span.start, span.end));
    let mut whole: Vec<Range<u64>> = Vec::new();
    for span in spans {
        match whole.last_mut() {
            Some(last) if span.start <= last.end => last.end = last.end.max(span.end),
            _ => whole.push(span),
        }
    }
    whole
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part(rows: &[(u32, i64)], into: &[(u64, u64)]) -> LateRows {
        let mut columns = Columns::new(0, 0);
        for (n, (vehicle, time)) in (1..).zip(rows) {
            columns.time.push(*time);
            columns.vehicle.push(*vehicle);
            columns.row.push(n);
        }
        let mut order: Vec<u32> = (0..rows.len() as u32).collect();
        order.sort_by_key(|row| rows[*row as usize]);
        let mut late = LateRows::of_part(&columns, Some(&order), &vec![true; rows.len()]);
        late.add_joined(into);
        late
    }

    fn spans(of: &[(u64, u64)]) -> LateRows {
        LateRows { spans: of.iter().map(|(first, late)| *first..*late).collect(), before: 0 }
    }

    fn ends(late: &LateRows, rows: u64) -> Vec<u64> {
        (0..=rows).map(|row| late.end_at(row)).collect()
    }

    #[test]
    fn a_reading_ends_only_where_no_later_row_comes_before() {
        // Row 4 comes before rows 2 and 3; after row 1, 4 and 5 all that follows is later.
        let late = part(&[(0, 10), (0, 20), (0, 30), (0, 15), (0, 40)], &[]);
        assert_eq!(ends(&late, 5), [0, 1, 1, 1, 4, 5]);
        // Vehicles are apart.
        assert_eq!(ends(&part(&[(0, 10), (1, 5), (0, 11), (1, 6)], &[]), 4), [0, 1, 2, 3, 4]);
        // Rows of one time are in the order of the file.
        assert_eq!(ends(&part(&[(0, 10), (0, 10)], &[]), 2), [0, 1, 2]);
        assert_eq!(ends(&part(&[(0, 10), (0, 10), (0, 10)], &[(3, 1)]), 3), [0, 0, 0, 3]);
    }

    #[test]
    fn spans_that_touch_leave_no_end_between_them() {
        let mut late = part(&[(0, 10), (0, 20), (0, 30), (0, 15), (0, 40)], &[]); // 2..4
        late.add(spans(&[(4, 6), (8, 9)]));
        assert_eq!(ends(&late, 9), [0, 1, 1, 1, 1, 1, 6, 7, 7, 9]);
    }

    #[test]
    fn spans_that_were_let_go_count_as_one() {
        let mut late = LateRows::default();
        let many = SPANS_MAX as u64 + 2;
        for n in 0..many {
            late.add(spans(&[(10 * n + 2, 10 * n + 4)]));
        }
        // The first two were let go: nobody knows what lies before the end of the second.
        assert_eq!([late.end_at(1), late.end_at(13), late.end_at(14)], [0, 0, 14]);
        let last = 10 * (many - 1);
        assert_eq!([late.end_at(last + 3), late.end_at(last + 5)], [last + 1, last + 5]);
    }
}
