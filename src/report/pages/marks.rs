//! Small drawings used on every page: the mark of a state, and bars. Shape and words carry the meaning,
//! colour only repeats it.

use crate::tables::findings::State;
use maud::{Markup, html};

/// The mark of a state: a full square, a half disc, a ring, a broken ring.
pub(super) fn state(state: State) -> Markup {
    html! {
        span class={ "state " (state.as_str()) } {
            svg viewBox="0 0 12 12" width="12" height="12" aria-hidden="true" {
                @match state {
                    State::Act => { rect x="1" y="1" width="10" height="10" fill="currentColor" {} }
                    State::Watch => {
                        circle cx="6" cy="6" r="4.6" fill="none" stroke="currentColor" stroke-width="1.6" {}
                        path d="M6 1.4 A4.6 4.6 0 0 1 6 10.6 Z" fill="currentColor" {}
                    }
                    State::Sound => {
                        circle cx="6" cy="6" r="4.6" fill="none" stroke="currentColor" stroke-width="1.6" {}
                    }
                    State::TooLittleData => {
                        circle cx="6" cy="6" r="4.6" fill="none" stroke="currentColor" stroke-width="1.6"
                            stroke-dasharray="2.2 2.6" {}
                    }
                }
            }
            (words(state))
        }
    }
}

/// The state in a word or two.
pub(super) fn words(state: State) -> &'static str {
    match state {
        State::Act => "Work is due",
        State::Watch => "Watch",
        State::Sound => "Sound",
        State::TooLittleData => "Too little data",
    }
}

/// A horizontal bar filled to `share` (0 to 1); the figure stands beside it as text.
pub(super) fn bar(share: f64) -> Markup {
    let share = if share.is_finite() { share.clamp(0.0, 1.0) } else { 0.0 };
    html! {
        svg class="bar" viewBox="0 0 100 8" preserveAspectRatio="none" aria-hidden="true" {
            rect class="rail" x="0" y="0" width="100" height="8" {}
            rect class="fill" x="0" y="0" width=(format!("{:.1}", 100.0 * share)) height="8" {}
        }
    }
}
