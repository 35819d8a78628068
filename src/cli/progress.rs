//! Progress: bars on a terminal, a line a stage elsewhere, nothing but warnings when quiet.

use super::exit::say;
use crate::pipeline::Progress;
use indicatif::{ProgressBar, ProgressStyle};
use std::sync::Mutex;

/// Warnings shown one by one; the rest are counted.
const WARNINGS_SHOWN: usize = 20;

/// Where progress goes.
#[derive(Debug)]
pub(super) struct Reporter {
    quiet: bool,
    bar: Option<ProgressBar>,
    warnings: Mutex<usize>,
}

impl Reporter {
    pub(super) fn new(quiet: bool, on_terminal: bool) -> Reporter {
        let bar = (on_terminal && !quiet).then(ProgressBar::no_length);
        Reporter { quiet, bar, warnings: Mutex::new(0) }
    }

    /// Takes the bar away and says how many warnings were held back.
    pub(super) fn finish(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
        let count = self.warnings.lock().map_or(0, |c| *c);
        if count > WARNINGS_SHOWN {
            say(&format!("{} more warnings; run.json has them all", count - WARNINGS_SHOWN));
        }
    }
}

impl Progress for Reporter {
    fn stage(&self, name: &str, total: Option<u64>) {
        if let Some(bar) = &self.bar {
            let template = if total.is_some() {
                "{msg:24} {wide_bar} {percent:>3} %"
            } else {
                "{msg:24} {spinner}"
            };
            if let Ok(style) = ProgressStyle::with_template(template) {
                bar.set_style(style);
            }
            bar.set_length(total.unwrap_or(0));
            bar.set_position(0);
            bar.set_message(name.to_owned());
        } else if !self.quiet {
            say(name);
        }
    }

    fn advance(&self, done: u64) {
        if let Some(bar) = &self.bar {
            bar.set_position(done);
        }
    }

    fn warn(&self, message: &str) {
        let Ok(mut count) = self.warnings.lock() else { return };
        *count += 1;
        if *count > WARNINGS_SHOWN {
            return;
        }
        match &self.bar {
            Some(bar) => bar.suspend(|| say(message)),
            None => say(message),
        }
    }
}
