//! The HTML report: a front page and one page per vehicle.
//!
//! Comes in: the report input. Goes out: file names and pages. Pages ask for nothing from anywhere (a
//! content security policy forbids it), run no script, and say in words what they also say in colour.
//! All text passes [`clean`] and maud's escaping; file names are made here, never taken from the data.

mod chart;
mod evidence;
mod front;
mod marks;
mod trust;
mod vehicle;
mod work_sheet;

use super::ReportInput;
use super::words::{self, clean};
use crate::tables::findings::RankedVehicle;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use rayon::prelude::*;
use std::collections::BTreeMap;

const STYLE: &str = include_str!("style.css");

/// Everything forbidden but the style inside the page.
const POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

/// All pages: (file name, HTML), each made when it is asked for.
pub fn all(input: &ReportInput<'_>) -> impl ParallelIterator<Item = (String, String)> {
    let names = page_names(input);
    let front = ("index.html".to_owned(), front::page(input, &names).into_string());
    let page = |(v, name): (&RankedVehicle, String)| (name, vehicle::page(input, v).into_string());
    rayon::iter::once(front).chain(input.ranked.par_iter().zip(names).map(page))
}

/// The file name of each ranked vehicle's page, in ranking order: `vehicle-<nnn>-<slug>.html`.
///
/// The number is the vehicle's place in the alphabet, so a page keeps its name from night to night while
/// the register stays the same.
pub fn page_names(input: &ReportInput<'_>) -> Vec<String> {
    let mut order: Vec<usize> = (0..input.ranked.len()).collect();
    order.sort_by(|a, b| input.ranked[*a].vehicle.cmp(&input.ranked[*b].vehicle).then(a.cmp(b)));
    let place: BTreeMap<usize, usize> =
        order.iter().enumerate().map(|(p, i)| (*i, p + 1)).collect();
    let name = |(i, v): (usize, &RankedVehicle)| {
        let number = place.get(&i).copied().unwrap_or(i + 1);
        match slug(&v.vehicle) {
            s if s.is_empty() => format!("vehicle-{number:03}.html"),
            s => format!("vehicle-{number:03}-{s}.html"),
        }
    };
    input.ranked.iter().enumerate().map(name).collect()
}

/// At most 40 of the characters a-z, 0-9 and single hyphens.
fn slug(name: &str) -> String {
    let mut out = String::new();
    for c in name.chars().map(|c| c.to_ascii_lowercase()) {
        if out.len() >= 40 {
            break;
        }
        match c {
            'a'..='z' | '0'..='9' => out.push(c),
            _ if !out.is_empty() && !out.ends_with('-') => out.push('-'),
            _ => {}
        }
    }
    out.trim_end_matches('-').to_owned()
}

/// The frame that all pages share.
fn shell(input: &ReportInput<'_>, title: &str, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="referrer" content="no-referrer";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (clean(title)) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                (body)
                footer class="colophon" {
                    "Computed from what was recorded up to and including " (words::long_day(input.as_of_day))
                    ". trimdrift " (clean(input.tool_version)) "."
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slugs_carry_nothing_that_a_path_could_use() {
        assert_eq!(slug("../../etc/passwd"), "etc-passwd");
        assert_eq!(slug("Van 7—B "), "van-7-b");
        assert_eq!(slug("車両"), "");
        assert!(slug(&"x/".repeat(100)).len() <= 40);
    }
}
