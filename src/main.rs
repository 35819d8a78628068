//! The `trimdrift` command.

use std::process::ExitCode;

fn main() -> ExitCode {
    trimdrift::cli::main()
}
