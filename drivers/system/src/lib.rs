//! What an operating system does for a bench: processes and what ends them, clocks, and files that others reach. The only
//! place where systems differ; everything else is written once.
//!
//! Weaker on Windows, where no call in safe Rust does it: a closed console window ends the program before it is safe (the
//! watchdog then makes the bench safe), and a suspended computer is told from a program that stood still by nothing.

#[cfg(unix)]
mod unix;
#[cfg(windows)]
mod windows;

#[cfg(unix)]
use unix as own;
#[cfg(windows)]
use windows as own;

pub use own::{FileIdentity, Hearing, clocks, exit_by_signal};

use std::fs::OpenOptions;
use std::path::{Path, PathBuf};
use std::process::{Child, Command};
use std::time::Duration;

/// The signal of a key press that interrupts (POSIX number).
pub const INTERRUPT: i32 = 2;
/// The signal that asks a program to end (POSIX number).
pub const TERMINATE: i32 = 15;

/// Who else may use a file or folder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Others {
    /// Everybody may read and write the file.
    WriteFile,
    /// Everybody may make and take away files in the folder.
    UseFolder,
    /// Everybody may make files in the folder, and nobody may take away another's.
    AddToFolder,
}

/// How hard a process is asked to end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Force {
    /// It may put its things in order.
    Ask,
    /// It has no say.
    Kill,
}

/// Has a command start in a process group of its own, which [`end_group`] ends whole; once it started, [`keep_together`] is called.
pub fn in_own_group(command: &mut Command) {
    own::in_own_group(command);
}

/// Keeps whatever a started child starts itself in its group, where the system needs to be told.
pub fn keep_together(child: &Child) {
    own::keep_together(child);
}

/// Has a command start so that what ends this program's terminal does not end it; the child calls [`own_session`].
pub fn outliving(command: &mut Command) {
    own::outliving(command);
}

/// Leaves the session of whoever started this program.
pub fn own_session() {
    own::own_session();
}

/// Ends every process of the group that began with this one.
pub fn end_group(id: u32, force: Force) {
    own::end_group(id, force);
}

/// Is a process of that group left?
pub fn group_lives(id: u32) -> bool {
    own::group_lives(id)
}

/// Ends a process at once.
pub fn kill(id: u32) {
    own::kill(id);
}

/// Has a file opened itself, never what a link of its name leads to.
pub fn not_through_links(options: &mut OpenOptions) {
    own::not_through_links(options);
}

/// Lets others use a file or folder, whatever this program's own mask.
///
/// # Errors
/// The system refuses.
pub fn let_others(path: &Path, what: Others) -> std::io::Result<()> {
    own::let_others(path, what)
}

/// Where every user of this computer may keep something that outlives a restart.
pub fn place_of_everybody() -> Option<PathBuf> {
    own::place_of_everybody()
}

/// A folder in which every user may make files and nobody may take away another's, made where it is missing.
///
/// # Errors
/// It cannot be made, or belongs to somebody who keeps it for himself.
pub fn made_for_everybody(dir: &Path) -> std::io::Result<()> {
    own::made_for_everybody(dir)
}

/// Two clocks that never go back, since a moment of their own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Running {
    /// Stands still while the computer is suspended, where the system tells.
    pub awake: Duration,
    /// Goes on while it is.
    pub always: Duration,
}
