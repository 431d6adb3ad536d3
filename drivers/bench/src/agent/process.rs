//! The agent as a child process: a process group of its own, stderr drained, TERM then KILL.

use crate::command_log::CommandLog;
use std::io::{BufRead, BufReader, Read};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant};
use system::Force;

/// Longest line of stderr that is logged, bytes.
const LONGEST_WORDS: u64 = 2000;

/// A running child; dropping it ends its whole group.
pub struct AgentProcess {
    child: Child,
    kill_after: Duration,
}

impl AgentProcess {
    /// Starts the agent.
    ///
    /// # Errors
    /// The system cannot start it.
    pub fn start(
        words: &[String],
        kill_after: Duration,
        log: &CommandLog,
    ) -> std::io::Result<(AgentProcess, ChildStdin, ChildStdout)> {
        let (program, arguments) = words
            .split_first()
            .ok_or_else(|| std::io::Error::new(std::io::ErrorKind::InvalidInput, "an empty command"))?;
        let mut command = Command::new(program);
        system::in_own_group(&mut command);
        let mut child = command
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()?;
        system::keep_together(&child);
        let pipes = (child.stdin.take(), child.stdout.take(), child.stderr.take());
        let process = AgentProcess { child, kill_after };
        let (Some(stdin), Some(stdout), Some(stderr)) = pipes else {
            return Err(std::io::Error::other("the child has no pipes"));
        };
        let log = log.clone();
        std::thread::spawn(move || {
            // A full pipe would stop the agent: everything is read, whether or not it makes sense.
            let mut reader = BufReader::new(stderr);
            let mut line = Vec::new();
            loop {
                line.clear();
                match reader.by_ref().take(LONGEST_WORDS).read_until(b'\n', &mut line) {
                    Ok(0) | Err(_) => break,
                    Ok(_) => log.note("agent stderr", '-', &String::from_utf8_lossy(&line)),
                }
            }
        });
        Ok((process, stdin, stdout))
    }

    /// Process number, which is also the group's.
    pub fn id(&self) -> u32 {
        self.child.id()
    }
}

impl Drop for AgentProcess {
    fn drop(&mut self) {
        end_group(self.child.id(), self.kill_after, || {
            // Reaps the child, so that its group counts as gone.
            let _ = self.child.try_wait();
        });
        // Whatever the system's own programs did: nothing waits for a child that lives.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// TERM to a group, then KILL when it still exists; returns whether it is gone.
pub fn end_group(id: u32, kill_after: Duration, mut reap: impl FnMut()) -> bool {
    system::end_group(id, Force::Ask);
    let wait = |limit: Duration, reap: &mut dyn FnMut()| {
        let end = Instant::now() + limit;
        loop {
            reap();
            if !system::group_lives(id) {
                return true;
            }
            if Instant::now() > end {
                return false;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
    };
    if wait(kill_after, &mut reap) {
        return true;
    }
    system::end_group(id, Force::Kill);
    wait(Duration::from_secs(2), &mut reap)
}
