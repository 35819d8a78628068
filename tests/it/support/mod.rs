//! The whole job as a user runs it: a folder with logs, the real program, what it leaves behind.
//!
//! [`folder`] makes and changes inputs, [`program`] runs the binary, [`contents`] reads a lake row by row, [`outputs`]
//! reads and compares output folders, [`board`] prints what was tried as a table. [`code`] reads the project's own source.

pub(crate) mod board;
pub(crate) mod code;
pub(crate) mod contents;
pub(crate) mod folder;
pub(crate) mod outputs;
pub(crate) mod program;

pub(crate) use board::Board;
pub(crate) use contents::Contents;
pub(crate) use folder::Folder;
pub(crate) use program::Ran;
