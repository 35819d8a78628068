//! The gate: whether a sample may speak about mixture.
//!
//! Closed loop, warm, purge closed, engine turning, steady load, not the first minute after start, not
//! a fuel cut. Reasons for each: common practice, no source (`cp-closed-loop-only`: warm, closed loop,
//! purge low or steady).

use super::Row;
use crate::settings::GateSettings;
use crate::tables::samples::Signal;

/// What the gate remembers of the rows before.
#[derive(Debug, Clone, Copy)]
pub(super) struct GateMemory {
    engine_on_since_us: Option<i64>,
    last_us: i64,
    last_airflow: f64,
    last_stft: f64,
    stft_still_since_us: i64,
}

/// How a sample stands to the closed loop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Loop {
    /// The fuel-system status says closed.
    Closed,
    /// No status; the other signals look like closed loop.
    Inferred,
    /// Open loop or fuel cut.
    Open,
}

/// Short-term trim at exactly zero for this long means that nobody is correcting.
const STILL_TRIM_US: i64 = 20_000_000;

impl GateMemory {
    pub(super) fn new() -> GateMemory {
        GateMemory {
            engine_on_since_us: None,
            last_us: i64::MIN,
            last_airflow: f64::NAN,
            last_stft: f64::NAN,
            stft_still_since_us: i64::MIN,
        }
    }

    /// Whether the engine turns, and takes note of when it started.
    pub(super) fn engine_turns(&mut self, row: &Row, gate: &GateSettings) -> bool {
        let turns = row.get(Signal::Rpm) >= gate.rpm_min;
        if !turns {
            self.engine_on_since_us = None;
        } else if self.engine_on_since_us.is_none() {
            self.engine_on_since_us = Some(row.time_us);
        }
        turns
    }

    /// Whether `row` is past the first minute after engine start.
    ///
    /// The run-time counter decides where there is one; a log that begins with a running warm engine
    /// and has no counter waits from its first row.
    pub(super) fn past_start(&self, row: &Row, gate: &GateSettings) -> bool {
        let run_s = row.get(Signal::RunS);
        let since_first = self.engine_on_since_us.map_or(0.0, |t| (row.time_us - t) as f64 / 1e6);
        // The counter keeps running through the automatic stops of a hybrid, so both must agree there.
        if run_s.is_finite() && since_first > 0.0 {
            return run_s >= gate.after_start_s && since_first >= gate.after_start_s.min(10.0);
        }
        since_first >= gate.after_start_s
    }

    /// Loop state of `row`; must be called once for each row, in order.
    pub(super) fn loop_state(&mut self, row: &Row) -> Loop {
        let stft = row.get(Signal::Stft1Pct);
        if stft != self.last_stft {
            self.stft_still_since_us = row.time_us;
        }
        self.last_stft = stft;
        let status = row.get(Signal::FuelStatus);
        if status.is_finite() {
            // SAE J1979 PID 03: 2 is closed loop without fault.
            return if status == 2.0 { Loop::Closed } else { Loop::Open };
        }
        let equiv = row.get(Signal::CmdEquiv);
        // Commanded stoichiometric within one step of common narrow-band control.
        let stoichiometric = !equiv.is_finite() || (0.98..=1.02).contains(&equiv);
        let still = stft == 0.0 && row.time_us - self.stft_still_since_us >= STILL_TRIM_US;
        let full_load = row.get(Signal::LoadPct) >= 90.0;
        let speed = row.get(Signal::SpeedKmh);
        let overrun = speed > 15.0
            && row.get(Signal::Rpm) > 1300.0
            && (row.get(Signal::LoadPct) < 12.0 || row.get(Signal::FuelRateLh) == 0.0);
        if stoichiometric && !still && !full_load && !overrun { Loop::Inferred } else { Loop::Open }
    }

    /// Whether the airflow is steady against the row before; must be called once for each row, in order.
    ///
    /// Rows more than 3 s apart say nothing of transients between them and pass.
    pub(super) fn steady(&mut self, row: &Row, airflow_gs: f64, gate: &GateSettings) -> bool {
        let seconds = (row.time_us.saturating_sub(self.last_us)) as f64 / 1e6;
        let (before, known) = (self.last_airflow, self.last_airflow.is_finite());
        self.last_us = row.time_us;
        self.last_airflow = airflow_gs;
        if !known || !airflow_gs.is_finite() || seconds > 3.0 || seconds <= 0.0 {
            return seconds > 3.0 || !airflow_gs.is_finite();
        }
        // Sub-second rows are compared as if a second apart: sensor steps are not transients.
        let per_s = ((airflow_gs - before) / before.max(0.1)).abs() * 100.0 / seconds.max(1.0);
        per_s <= gate.airflow_step_max_pct
    }
}

/// Whether the canister purge is closed as far as the log tells.
pub(super) fn purge_closed(row: &Row, gate: &GateSettings) -> bool {
    let purge = row.get(Signal::PurgePct);
    !purge.is_finite() || purge <= gate.purge_max_pct
}
