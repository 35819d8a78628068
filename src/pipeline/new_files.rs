//! Which files are new or have grown, and since which state.
//!
//! Comes in: the sources of the pipeline and what the lake knows. Goes out: a [`Job`] for each file to be read, sorted
//! by path. Never: reads rows.

use super::Progress;
use super::inputs::{InputFile, InputOutcome, input_file, shown_path, unreadable};
use crate::ingest::{Fingerprint, IngestError, Profile, discover, fingerprint};
use crate::lake::SourceRow;
use crate::settings::Pipeline;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};

/// A file to be read.
#[derive(Debug, Clone)]
pub(super) struct Job {
    pub(super) path: PathBuf,
    pub(super) profile: usize,
    pub(super) fingerprint: Fingerprint,
    /// The longest state of this file that is in the lake.
    pub(super) earlier: Option<SourceRow>,
    /// Digests of that state's file and of the files that it has grown from.
    pub(super) states: BTreeSet<String>,
}

/// All files of all sources, by path; the first source that names a file has it.
pub(super) fn candidates(
    pipeline: &Pipeline,
    profiles: &[Profile],
    files: &mut BTreeMap<PathBuf, InputFile>,
    progress: &dyn Progress,
) -> Vec<(PathBuf, usize)> {
    let mut seen: BTreeSet<PathBuf> = BTreeSet::new();
    let mut list = Vec::new();
    for (i, source) in pipeline.sources.iter().enumerate() {
        let found = discover(&source.files);
        for pattern in &found.unmatched {
            progress.warn(&format!(
                "{}: no file matches; check `files` in {}",
                pattern.display(),
                pipeline.file.display()
            ));
        }
        for (path, reason) in found.left_out {
            let problem = Some(format!("{}: left out: {reason}", shown_path(pipeline, &path)));
            let file = InputFile {
                outcome: InputOutcome::Unreadable,
                problem,
                ..input_file(pipeline, &path, &profiles[i], "")
            };
            files.insert(path, file);
        }
        for path in found.files {
            if seen.insert(path.clone()) {
                list.push((path, i));
            }
        }
    }
    list.sort();
    list
}

/// Leaves out known content and finds what a grown file has grown from.
pub(super) fn new_jobs(
    pipeline: &Pipeline,
    candidates: Vec<(PathBuf, usize)>,
    known: &[SourceRow],
    profiles: &[Profile],
    files: &mut BTreeMap<PathBuf, InputFile>,
    progress: &dyn Progress,
) -> Vec<Job> {
    progress.stage("looking for new files", Some(candidates.len() as u64));
    let done = AtomicU64::new(0);
    let prints: Vec<(PathBuf, usize, Result<Fingerprint, IngestError>)> = candidates
        .into_par_iter()
        .map(|(path, profile)| {
            let print = fingerprint(&path);
            progress.advance(done.fetch_add(1, Ordering::Relaxed) + 1);
            (path, profile, print)
        })
        .collect();
    let mut seen: BTreeSet<String> = known.iter().map(|k| k.file_digest.clone()).collect();
    let mut longest: BTreeMap<&str, &SourceRow> = BTreeMap::new();
    for k in known {
        let kept = longest.entry(&k.path).or_insert(k);
        if (k.decoded_bytes, &k.digest) > (kept.decoded_bytes, &kept.digest) {
            *kept = k;
        }
    }
    let by_digest = known.iter().map(|k| (k.digest.as_str(), k)).collect();
    let mut jobs = Vec::new();
    for (path, profile, print) in prints {
        let print = match print {
            Ok(print) => print,
            Err(error) => {
                let file = unreadable(pipeline, &path, &profiles[profile], &error);
                files.insert(path, file);
                continue;
            }
        };
        if !seen.insert(print.blake3.clone()) {
            let file = input_file(pipeline, &path, &profiles[profile], &print.blake3);
            files.insert(path, file);
            continue;
        }
        // The longest earlier state under this path; whether its text really begins this file is checked on reading.
        let earlier = longest.get(shown_path(pipeline, &path).as_str()).copied();
        let states = states(earlier, &by_digest);
        jobs.push(Job { earlier: earlier.cloned(), states, path, profile, fingerprint: print });
    }
    jobs
}

/// The files of a state and of those that it has grown from.
fn states(newest: Option<&SourceRow>, by_digest: &BTreeMap<&str, &SourceRow>) -> BTreeSet<String> {
    let mut states = BTreeSet::new();
    let mut next = newest;
    while let Some(s) = next.filter(|s| states.insert(s.file_digest.clone())) {
        next = s.grown_from.as_deref().and_then(|d| by_digest.get(d).copied());
    }
    states
}
