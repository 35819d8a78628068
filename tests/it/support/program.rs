//! The real program: started in a folder, with what it said and how it ended.

use std::path::Path;
use std::process::{Command, Output, Stdio};

/// How a run ended.
#[derive(Debug)]
pub(crate) struct Ran {
    /// Exit code; -1 if a signal ended it.
    pub(crate) code: i32,
    /// stdout.
    pub(crate) out: String,
    /// stderr.
    pub(crate) err: String,
}

impl From<Output> for Ran {
    fn from(output: Output) -> Ran {
        Ran {
            code: output.status.code().unwrap_or(-1),
            out: String::from_utf8_lossy(&output.stdout).into_owned(),
            err: String::from_utf8_lossy(&output.stderr).into_owned(),
        }
    }
}

impl Ran {
    /// The run, which must have ended with `code`.
    #[track_caller]
    pub(crate) fn expect(self, code: i32) -> Ran {
        assert_eq!(self.code, code, "stdout:\n{}\nstderr:\n{}", self.out, self.err);
        self
    }

    /// Both outputs.
    pub(crate) fn said(&self) -> String {
        format!("{}{}", self.out, self.err)
    }
}

/// Path of the program.
pub(crate) const PROGRAM: &str = env!("CARGO_BIN_EXE_trimdrift");

/// The program in `folder`, away from any terminal, with nothing of the caller's settings but two threads.
pub(crate) fn command(folder: &Path, args: &[&str]) -> Command {
    let mut command = Command::new(PROGRAM);
    command
        .args(args)
        .current_dir(folder)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .env_remove("COLUMNS")
        .env("RAYON_NUM_THREADS", "2");
    command
}

/// Runs the program in `folder`.
#[track_caller]
pub(crate) fn trimdrift(folder: &Path, args: &[&str]) -> Ran {
    command(folder, args).output().unwrap().into()
}

/// Runs a shell script in `folder`; `$TRIMDRIFT` is the program.
#[track_caller]
pub(crate) fn shell(folder: &Path, script: &str) -> Ran {
    let output = Command::new("bash")
        .args(["-c", script])
        .env("TRIMDRIFT", PROGRAM)
        .env("RAYON_NUM_THREADS", "2")
        .current_dir(folder)
        .stdin(Stdio::null())
        .output();
    output.unwrap().into()
}
