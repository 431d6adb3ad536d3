//! Windows, as far as safe Rust and the system's own programs reach.

use super::{Force, INTERRUPT, Others, Running};
use std::collections::BTreeMap;
use std::fs::OpenOptions;
use std::os::windows::fs::OpenOptionsExt;
use std::os::windows::io::AsRawHandle;
use std::os::windows::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::Instant;
use win32job::{ExtendedLimitInfo, Job};

/// Process creation flags (Microsoft, "Process Creation Flags").
const CREATE_NEW_PROCESS_GROUP: u32 = 0x0000_0200;
const DETACHED_PROCESS: u32 = 0x0000_0008;
/// `CreateFile` opens the link itself.
const FILE_FLAG_OPEN_REPARSE_POINT: u32 = 0x0020_0000;

pub fn in_own_group(command: &mut Command) {
    command.creation_flags(CREATE_NEW_PROCESS_GROUP);
}

/// Groups that live, by the process that each began with. A job ends with its last handle, and everything in it with the job: when it
/// is taken out here, and when this program ends, however it ends.
static GROUPS: Mutex<BTreeMap<u32, Job>> = Mutex::new(BTreeMap::new());

pub fn keep_together(child: &Child) {
    let mut limits = ExtendedLimitInfo::new();
    limits.limit_kill_on_job_close();
    let job = Job::create_with_limit_info(&limits);
    let kept = job.and_then(|job| job.assign_process(child.as_raw_handle() as isize).map(|()| job));
    if let Ok(job) = kept {
        GROUPS.lock().unwrap_or_else(PoisonError::into_inner).insert(child.id(), job);
    }
}

pub fn outliving(command: &mut Command) {
    command.creation_flags(CREATE_NEW_PROCESS_GROUP | DETACHED_PROCESS);
}

pub fn own_session() {}

/// One of the system's own programs, without a word.
fn quietly(program: &str, arguments: &[&str]) -> bool {
    let mut command = Command::new(program);
    command.args(arguments).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    command.status().is_ok_and(|status| status.success())
}

pub fn end_group(id: u32, force: Force) {
    let number = id.to_string();
    match force {
        Force::Ask => {
            quietly("taskkill", &["/PID", &number, "/T"]);
        }
        Force::Kill => {
            let job = GROUPS.lock().unwrap_or_else(PoisonError::into_inner).remove(&id);
            if job.is_none() && !quietly("taskkill", &["/PID", &number, "/T", "/F"]) {
                kill(id);
            }
        }
    }
}

pub fn group_lives(id: u32) -> bool {
    let groups = GROUPS.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(members) = groups.get(&id).and_then(|job| job.query_process_id_list().ok()) {
        return !members.is_empty();
    }
    drop(groups);
    let filter = format!("PID eq {id}");
    let answer = Command::new("tasklist").args(["/FI", &filter, "/NH", "/FO", "CSV"]).output();
    answer.is_ok_and(|answer| String::from_utf8_lossy(&answer.stdout).contains(&format!("\"{id}\"")))
}

pub fn kill(id: u32) {
    quietly("taskkill", &["/PID", &id.to_string(), "/F"]);
}

pub fn not_through_links(options: &mut OpenOptions) {
    options.custom_flags(FILE_FLAG_OPEN_REPARSE_POINT);
}

/// The shared folder of the computer hands its rights down.
pub fn let_others(_: &Path, _: Others) -> std::io::Result<()> {
    Ok(())
}

pub fn place_of_everybody() -> Option<PathBuf> {
    std::env::var_os("ProgramData").map(|base| PathBuf::from(base).join("nightbench"))
}

pub fn made_for_everybody(dir: &Path) -> std::io::Result<()> {
    std::fs::create_dir_all(dir)
}

/// Tells a file from every other, whatever its names.
#[derive(Debug, PartialEq, Eq)]
pub struct FileIdentity(same_file::Handle);

impl FileIdentity {
    /// Of the file behind a name.
    ///
    /// # Errors
    /// There is none, or it may not be looked at.
    pub fn of(path: &Path) -> std::io::Result<FileIdentity> {
        same_file::Handle::from_path(path).map(FileIdentity)
    }
}

/// Reads the clocks: the performance counter goes on while the computer is suspended.
pub fn clocks() -> Running {
    static BEGIN: OnceLock<Instant> = OnceLock::new();
    let since = BEGIN.get_or_init(Instant::now).elapsed();
    Running { awake: since, always: since }
}

type Heard = Box<dyn FnMut(i32) + Send>;

/// Who hears now: the system takes one handler for the life of the program.
static NOW: Mutex<Option<Heard>> = Mutex::new(None);

/// While it lives key presses that end are heard, and do not end the program.
pub struct Hearing;

impl Hearing {
    /// Calls `heard` for Ctrl-C and Ctrl-Break, in a thread of its own.
    ///
    /// # Errors
    /// The system refuses.
    pub fn start(heard: impl FnMut(i32) + Send + 'static) -> std::io::Result<Hearing> {
        static SET: OnceLock<Result<(), String>> = OnceLock::new();
        let set = SET.get_or_init(|| {
            ctrlc::set_handler(|| match NOW.lock().unwrap_or_else(PoisonError::into_inner).as_mut() {
                Some(heard) => heard(INTERRUPT),
                None => exit_by_signal(INTERRUPT),
            })
            .map_err(|error| error.to_string())
        });
        set.clone().map_err(std::io::Error::other)?;
        *NOW.lock().unwrap_or_else(PoisonError::into_inner) = Some(Box::new(heard));
        Ok(Hearing)
    }
}

impl Drop for Hearing {
    fn drop(&mut self) {
        *NOW.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }
}

/// Ends the program as a signal would.
pub fn exit_by_signal(signal: i32) -> ! {
    std::process::exit(128 + (signal & 0x7f))
}
