//! One night's reading: new files are parsed, condensed and committed once, in one batch.
//!
//! ```text
//! files ─► digest ─► known? skip ─► tasks of about equal size ─► (parse ─► samples part, trips part) ─► one commit
//! ```
//!
//! Tasks are cut by the sorted list of files alone, so the parts do not depend on the thread count. A
//! file that turns out to be broken half-way leaves its task, which starts anew without it: nothing of
//! a broken file is ever written.
//!
//! A file that has grown gives its new rows. What its end has changed makes way in the same commit: a last row
//! that was not written to its end, and the trip that was under way ([`Replaced`]). So the lake does not tell
//! in which nights a file was read.

use super::inputs::{
    Ingested, InputFile, InputOutcome, input_file, left_out_message, reject_message, shown_path,
    unreadable,
};
use super::new_files::{Job, candidates, new_jobs};
use super::{Error, Fleet, Progress};
use crate::condense::{Condensed, Condenser};
use crate::ingest::{Chunk, Limits, Profile, ReadError, Resume, read_file};
use crate::lake::{Batch, BatchId, Lake, LakeError, Part, Replaced, SourceRow, Table, TripSpan};
use crate::settings::{Pipeline, ProfileRef};
use crate::tables::trips::Trip;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

/// Bytes of log that make one task; packed files count as many times their size.
const TASK_BYTES: u64 = 24 << 20;

/// What a packed byte counts for, roughly.
const PACKED_FACTOR: u64 = 8;

/// Reads what is new and commits it as one batch.
///
/// # Errors
/// [`Error`] if a profile or the lake cannot be used; unreadable log files are told and left out.
pub fn ingest(
    pipeline: &Pipeline,
    fleet: &Fleet,
    lake: &mut Lake,
    clock_us: i64,
    progress: &dyn Progress,
) -> Result<Ingested, Error> {
    let profiles = profiles(pipeline)?;
    let limits = limits(pipeline, clock_us);
    let mut files: BTreeMap<PathBuf, InputFile> = BTreeMap::new();
    let candidates = candidates(pipeline, &profiles, &mut files, progress);
    let known = lake.known_sources()?;
    let jobs = new_jobs(pipeline, candidates, &known, &profiles, &mut files, progress);
    let done = read_and_commit(
        &profiles, &limits, pipeline, fleet, lake, &known, jobs, clock_us, progress,
    )?;
    let mut files: Vec<InputFile> = files.into_values().chain(done).collect();
    files.sort_by(|a, b| a.path.cmp(&b.path));
    for f in &files {
        if let Some(problem) = &f.problem {
            progress.warn(problem);
        } else if f.unusable() > 0 {
            progress.warn(&reject_message(f));
        }
        if !f.left_out.is_empty() {
            progress.warn(&left_out_message(f));
        }
    }
    let ingested = Ingested { files };
    if ingested.rows_repeated() > 0 {
        progress.warn(&format!(
            "{} of {} rows repeat the vehicle and time of another and were left out",
            ingested.rows_repeated(),
            ingested.rows_read()
        ));
    }
    Ok(ingested)
}

pub(super) fn profiles(pipeline: &Pipeline) -> Result<Vec<Profile>, Error> {
    pipeline
        .sources
        .iter()
        .map(|s| match &s.profile {
            ProfileRef::File(path) => Profile::load(path),
            ProfileRef::BuiltIn(name) => {
                Profile::built_in(name).unwrap_or_else(|| Profile::load(Path::new(name)))
            }
        })
        .collect::<Result<_, _>>()
        .map_err(Error::Profile)
}

pub(super) fn limits(pipeline: &Pipeline, clock_us: i64) -> Limits {
    let grace_us = (pipeline.ingest.future_days_max * 86_400e6) as i64;
    Limits {
        line_bytes_max: pipeline.ingest.line_bytes_max as usize,
        unpacked_ratio_max: pipeline.ingest.unpacked_ratio_max as u64,
        pseudonym_key: pipeline.pseudonym_key,
        ..Limits::until(clock_us.saturating_add(grace_us))
    }
}

/// One file as read.
struct Read {
    source: SourceRow,
    file: InputFile,
    /// What makes way of its earlier states.
    replaced: Option<Replaced>,
    /// See [`crate::ingest::FileReport::known_unchanged`].
    known_unchanged: Option<u64>,
}

impl Read {
    /// Whether the file has more to say than its earlier state: a last row that could be read may have become one that
    /// cannot yet.
    fn is_news(&self, job: &Job) -> bool {
        let earlier = job.earlier.as_ref().filter(|_| self.replaced.is_some());
        earlier.is_none_or(|k| self.source.decoded_bytes > k.decoded_bytes)
    }
}

type Files = Vec<InputFile>;

#[expect(clippy::too_many_arguments, reason = "the one place where all parts of a night meet")]
fn read_and_commit(
    profiles: &[Profile],
    limits: &Limits,
    pipeline: &Pipeline,
    fleet: &Fleet,
    lake: &mut Lake,
    known: &[SourceRow],
    jobs: Vec<Job>,
    clock_us: i64,
    progress: &dyn Progress,
) -> Result<Files, Error> {
    if jobs.is_empty() {
        return Ok(Vec::new());
    }
    let bytes = jobs.iter().map(|j| j.fingerprint.bytes).sum();
    progress.stage("reading", Some(bytes));
    let read_bytes = AtomicU64::new(0);
    let mut batch = lake.begin(BatchId::of(jobs.iter().map(|j| j.fingerprint.blake3.as_str())))?;
    let night = Night { profiles, limits, pipeline, fleet, batch: &batch, progress, read_bytes };
    let known_content: BTreeSet<String> = known.iter().map(|k| k.digest.clone()).collect();
    let mut tasks: Vec<TaskEnd> = tasks(jobs)
        .into_par_iter()
        .enumerate()
        .map(|(n, jobs)| night.task(n as u32, jobs, &known_content))
        .collect::<Result<_, Error>>()?;
    drop_repeated_content(&night, &mut tasks, &known_content)?;
    let mut files = Vec::new();
    let (mut parts, mut sources, mut replaced) = (Vec::new(), Vec::new(), Vec::new());
    for task in tasks {
        parts.extend(task.parts);
        files.extend(task.unreadable);
        for read in task.reads {
            files.push(read.file);
            sources.push(read.source);
            replaced.extend(read.replaced);
        }
    }
    if !replaced.is_empty() {
        parts.extend(batch.replace(&lake.snapshot()?, &replaced, clock_us)?);
    }
    if !sources.is_empty() {
        batch.commit(parts, sources)?;
    }
    Ok(files)
}

/// The same content packed in two ways gets past the file digest; the later path gives way.
fn drop_repeated_content(
    night: &Night<'_>,
    tasks: &mut [TaskEnd],
    known: &BTreeSet<String>,
) -> Result<(), Error> {
    let mut seen = known.clone();
    for task in tasks.iter_mut() {
        let before = seen.clone();
        let repeated = task.reads.iter().any(|r| !seen.insert(r.source.digest.clone()));
        if repeated {
            let jobs = std::mem::take(&mut task.jobs);
            night.batch.discard(&task.parts)?;
            *task = night.task(task.number, jobs, &before)?;
            seen = before;
            seen.extend(task.reads.iter().map(|r| r.source.digest.clone()));
        }
    }
    Ok(())
}

/// Cuts the sorted jobs into runs of about [`TASK_BYTES`].
fn tasks(jobs: Vec<Job>) -> Vec<Vec<Job>> {
    let mut tasks: Vec<Vec<Job>> = Vec::new();
    let mut bytes = u64::MAX;
    for job in jobs {
        let packed = job.path.extension();
        let packed = packed.is_some_and(|e| e == "gz" || e == "zst" || e == "parquet");
        let size = job.fingerprint.bytes.saturating_mul(if packed { PACKED_FACTOR } else { 1 });
        if bytes.saturating_add(size) > TASK_BYTES {
            tasks.push(Vec::new());
            bytes = 0;
        }
        bytes += size;
        if let Some(task) = tasks.last_mut() {
            task.push(job);
        }
    }
    tasks
}

/// What all tasks of a night share.
struct Night<'a> {
    profiles: &'a [Profile],
    limits: &'a Limits,
    pipeline: &'a Pipeline,
    fleet: &'a Fleet,
    batch: &'a Batch,
    progress: &'a dyn Progress,
    read_bytes: AtomicU64,
}

/// What one task leaves behind.
struct TaskEnd {
    number: u32,
    jobs: Vec<Job>,
    parts: Vec<Part>,
    reads: Vec<Read>,
    unreadable: Files,
}

impl Night<'_> {
    /// Reads the files of one task into its parts; starts anew without a file that turns out to be
    /// broken or to repeat `known` content.
    fn task(
        &self,
        number: u32,
        jobs: Vec<Job>,
        known: &BTreeSet<String>,
    ) -> Result<TaskEnd, Error> {
        let mut left_out: Files = Vec::new();
        let mut good = jobs.clone();
        'anew: loop {
            let mut writers = Writers::open(self.batch, number);
            let mut reads: Vec<Read> = Vec::new();
            let mut seen = known.clone();
            for (i, job) in good.iter().enumerate() {
                let profile = &self.profiles[job.profile];
                match self.read(job, profile, &mut writers) {
                    // New rows lie among those that are known, so these are given anew from there.
                    Ok(Read { known_unchanged: Some(row), .. }) => {
                        if let Some(earlier) = &mut good[i].earlier {
                            earlier.rows_settled = row;
                        }
                        writers.discard()?;
                        continue 'anew;
                    }
                    Ok(read) if read.is_news(job) && seen.insert(read.source.digest.clone()) => {
                        reads.push(read);
                    }
                    Ok(_) => {
                        let file =
                            input_file(self.pipeline, &job.path, profile, &job.fingerprint.blake3);
                        left_out.push(file);
                        good.remove(i);
                        writers.discard()?;
                        continue 'anew;
                    }
                    Err(ReadError::Input(error)) => {
                        left_out.push(unreadable(self.pipeline, &job.path, profile, &error));
                        good.remove(i);
                        writers.discard()?;
                        continue 'anew;
                    }
                    Err(ReadError::Sink(error)) => return Err(error.into()),
                }
            }
            let parts = writers.close()?;
            return Ok(TaskEnd { number, jobs, parts, reads, unreadable: left_out });
        }
    }

    fn read(
        &self,
        job: &Job,
        profile: &Profile,
        writers: &mut Writers,
    ) -> Result<Read, ReadError<LakeError>> {
        let source = &job.fingerprint.blake3;
        let path = shown_path(self.pipeline, &job.path);
        let mut condenser = Condenser::new(&self.pipeline.gate, self.fleet);
        let mut done: Vec<Condensed> = Vec::new();
        let mut continued: Vec<TripSpan> = Vec::new();
        // Where the end of the earlier state was open, all of its trips are made anew.
        let unsettled = job.earlier.as_ref().is_some_and(|k| k.rows_settled < k.rows_read);
        let resume = job.earlier.as_ref().map(|k| Resume {
            decoded_bytes: k.decoded_bytes,
            decoded_digest: k.digest.clone(),
            rows: k.rows_settled,
        });
        let report =
            read_file(&job.path, profile, self.limits, resume.as_ref(), &mut |chunk: Chunk| {
                // Rows before the first new one are in the lake; they are only of use to their trips.
                let first_new = chunk.first_new_row;
                let new = chunk.rejects.partition_point(|r| r.row < first_new);
                writers.samples.write_samples(
                    &chunk.samples,
                    source,
                    first_new.saturating_sub(1),
                )?;
                writers.rejects.write_rejects(&chunk.rejects[new..], source, &path)?;
                let state_of = |row| u32::from(unsettled || row >= first_new);
                condenser.push(&chunk.samples, state_of, &mut done);
                writers.trips.write_trips(&whole_trips(&mut done, &mut continued, source))
            })?;
        condenser.finish(&mut done);
        let last = whole_trips(&mut done, &mut continued, source);
        writers.trips.write_trips(&last).map_err(ReadError::Sink)?;
        let bytes = self.read_bytes.fetch_add(job.fingerprint.bytes, Ordering::Relaxed);
        self.progress.advance(bytes + job.fingerprint.bytes);
        let earlier = job.earlier.as_ref().filter(|_| report.rows_known.is_some());
        let outcome = if earlier.is_some() { InputOutcome::Grown } else { InputOutcome::New };
        // The report counts the whole file; what an earlier night has read for good is taken off.
        let rows_read = report.rows_read - report.rows_known.unwrap_or(0);
        let rows_rejected = report.rejected_new_by_code.values().sum();
        let file = InputFile {
            outcome,
            rows_read,
            rows_kept: rows_read - rows_rejected,
            rows_rejected,
            rejected_by_reason: report
                .rejected_new_by_code
                .iter()
                .map(|(code, n)| (code.as_str().to_owned(), *n))
                .collect(),
            left_out: report.left_out.iter().map(ToString::to_string).collect(),
            ..input_file(self.pipeline, &job.path, profile, source)
        };
        assert_eq!(
            report.rows_read,
            report.rows_kept + report.rows_rejected,
            "rows read are rows kept plus rows rejected: {path}"
        );
        let replaced = earlier.map(|k| Replaced {
            states: job.states.clone(),
            after_row: unsettled.then_some(k.rows_settled),
            trips: continued,
        });
        let source = SourceRow {
            batch: String::new(),
            digest: report.decoded_digest.clone(),
            file_digest: source.clone(),
            file_bytes: job.fingerprint.bytes,
            path,
            profile: profile.name().to_owned(),
            rows_read: report.rows_read,
            rows_kept: report.rows_kept,
            rows_rejected: report.rows_rejected,
            decoded_bytes: report.decoded_bytes,
            grown_from: earlier.map(|k| k.digest.clone()),
            first_us: report.first_us,
            last_us: report.last_us,
            outcome: outcome.as_str().to_owned(),
            rows_settled: report.rows_settled,
        };
        Ok(Read { source, file, replaced, known_unchanged: report.known_unchanged })
    }
}

/// Hands the finished trips out with their source written in, and notes those that an earlier state had begun.
fn whole_trips(
    done: &mut Vec<Condensed>,
    continued: &mut Vec<TripSpan>,
    source: &str,
) -> Vec<Trip> {
    let mut trips = Vec::new();
    for d in done.drain(..) {
        if d.continued {
            continued.push(TripSpan {
                vehicle: d.trip.vehicle.clone(),
                trip: d.trip.trip.clone(),
                times: (d.trip.start_us, d.trip.end_us),
            });
        }
        trips.push(Trip { source: source.to_owned(), ..d.trip });
    }
    trips
}

/// The three parts that a task writes.
struct Writers {
    samples: crate::lake::PartWriter,
    trips: crate::lake::PartWriter,
    rejects: crate::lake::PartWriter,
}

impl Writers {
    fn open(batch: &Batch, number: u32) -> Writers {
        Writers {
            samples: batch.part(Table::Samples, number),
            trips: batch.part(Table::Trips, number),
            rejects: batch.part(Table::Rejects, number),
        }
    }

    fn discard(self) -> Result<(), LakeError> {
        self.samples.discard()?;
        self.trips.discard()?;
        self.rejects.discard()
    }

    fn close(self) -> Result<Vec<Part>, LakeError> {
        Ok([self.samples.close()?, self.trips.close()?, self.rejects.close()?]
            .into_iter()
            .flatten()
            .collect())
    }
}
