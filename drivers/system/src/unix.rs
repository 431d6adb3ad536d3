//! POSIX, and what Linux adds.

use super::{Force, Others, Running};
use rustix::process::{Pid, Signal, kill_process, kill_process_group, setsid, test_kill_process_group};
use rustix::time::{ClockId, clock_gettime};
use signal_hook::consts::{
    SIGALRM, SIGHUP, SIGINT, SIGPROF, SIGQUIT, SIGTERM, SIGUSR1, SIGUSR2, SIGVTALRM, SIGXCPU, SIGXFSZ,
};
use signal_hook::iterator::{Handle, Signals};
use std::fs::{OpenOptions, Permissions};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, PermissionsExt};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command};
use std::time::Duration;

/// Signals that would end the program and can be caught.
const THAT_END: [i32; 11] =
    [SIGINT, SIGTERM, SIGHUP, SIGQUIT, SIGUSR1, SIGUSR2, SIGALRM, SIGVTALRM, SIGPROF, SIGXCPU, SIGXFSZ];

/// Where every user may keep something that outlives a restart (Filesystem Hierarchy Standard 3.0, 5.15).
const OF_EVERYBODY: &str = "/var/tmp/nightbench";

pub fn in_own_group(command: &mut Command) {
    command.process_group(0);
}

pub fn keep_together(_: &Child) {}

pub fn outliving(_: &mut Command) {}

pub fn own_session() {
    let _ = setsid();
}

fn process(id: u32) -> Option<Pid> {
    i32::try_from(id).ok().and_then(Pid::from_raw)
}

pub fn end_group(id: u32, force: Force) {
    let signal = match force {
        Force::Ask => Signal::TERM,
        Force::Kill => Signal::KILL,
    };
    if let Some(group) = process(id) {
        let _ = kill_process_group(group, signal);
    }
}

pub fn group_lives(id: u32) -> bool {
    process(id).is_some_and(|group| test_kill_process_group(group).is_ok())
}

pub fn kill(id: u32) {
    if let Some(process) = process(id) {
        let _ = kill_process(process, Signal::KILL);
    }
}

pub fn not_through_links(options: &mut OpenOptions) {
    options.custom_flags(rustix::fs::OFlags::NOFOLLOW.bits().cast_signed());
}

pub fn let_others(path: &Path, what: Others) -> std::io::Result<()> {
    let mode = match what {
        Others::WriteFile => 0o666,
        Others::UseFolder => 0o777,
        Others::AddToFolder => 0o1777,
    };
    std::fs::set_permissions(path, Permissions::from_mode(mode))
}

pub fn place_of_everybody() -> Option<PathBuf> {
    Some(OF_EVERYBODY.into())
}

pub fn made_for_everybody(dir: &Path) -> std::io::Result<()> {
    if std::fs::create_dir(dir).is_ok() {
        let_others(dir, Others::AddToFolder)?;
    }
    let found = std::fs::symlink_metadata(dir)?;
    let open = found.is_dir() && found.permissions().mode() & 0o1777 == 0o1777;
    if open { Ok(()) } else { Err(std::io::ErrorKind::PermissionDenied.into()) }
}

/// Tells a file from every other, whatever its names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileIdentity(u64, u64);

impl FileIdentity {
    /// Of the file behind a name.
    ///
    /// # Errors
    /// There is none, or it may not be looked at.
    pub fn of(path: &Path) -> std::io::Result<FileIdentity> {
        let found = std::fs::metadata(path)?;
        Ok(FileIdentity(found.dev(), found.ino()))
    }
}

/// The clock that goes on while the computer is suspended; elsewhere than on Linux the monotonic one does (clock_gettime(3) of macOS).
#[cfg(target_os = "linux")]
const ALWAYS: ClockId = ClockId::Boottime;
#[cfg(not(target_os = "linux"))]
const ALWAYS: ClockId = ClockId::Monotonic;

/// Reads the clocks.
pub fn clocks() -> Running {
    let at = |clock| {
        let time = clock_gettime(clock);
        Duration::new(u64::try_from(time.tv_sec).unwrap_or(0), u32::try_from(time.tv_nsec).unwrap_or(0))
    };
    Running { awake: at(ClockId::Monotonic), always: at(ALWAYS) }
}

/// Was the program started with a signal ignored? As Linux says (proc(5), `SigIgn`); elsewhere it counts as not ignored.
fn is_ignored(signal: i32) -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    let mask = mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok()).unwrap_or(0);
    mask >> (signal - 1) & 1 == 1
}

/// While it lives signals are heard, and do not end the program.
pub struct Hearing(Handle);

impl Hearing {
    /// Calls `heard` with the number of every signal that would end the program, in a thread of its own.
    ///
    /// # Errors
    /// The system refuses.
    pub fn start(mut heard: impl FnMut(i32) + Send + 'static) -> std::io::Result<Hearing> {
        // Who started the program to outlive its terminal (nohup) means that; nobody can ask for it by accident.
        let wanted = THAT_END.into_iter().filter(|signal| *signal != SIGHUP || !is_ignored(SIGHUP));
        let mut signals = Signals::new(wanted)?;
        let handle = signals.handle();
        std::thread::spawn(move || signals.forever().for_each(&mut heard));
        Ok(Hearing(handle))
    }
}

impl Drop for Hearing {
    fn drop(&mut self) {
        self.0.close();
    }
}

/// Ends the program as a signal would.
pub fn exit_by_signal(signal: i32) -> ! {
    signal_hook::low_level::exit(128 + (signal & 0x7f))
}
