//! A lot's folder: one text file of JSON lines, each written and brought to disk before the next unit is touched.
//!
//! Invariant: a line is whole or absent: what a power cut tore off is cut off when the lot is continued.
//! Invariant: every line carries the SHA-256 of the line before and of itself; the last one, the lot's head, stands on the page.

use crate::console::exit::{Exit, Failure};
use crate::store::{FolderLock, hex};
use judge::gonogo::Decision;
use nightbench_core::events::Event;
use nightbench_core::line::{UnitOutcome, UnitTimes};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// The lines.
pub const LINES: &str = "lot.jsonl";
/// The test, as it was when the lot began.
pub const TEST: &str = "gonogo.toml";

/// Why a unit was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Purpose {
    /// It belongs to the lot.
    Unit,
    /// It watches the station.
    Golden,
    /// A test is derived from it.
    Sample,
}

/// How a lot began; a lot is continued with the same only.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Begin {
    pub lot: String,
    /// Digest of the test, or of what a sample is measured with.
    pub test: String,
    pub tool: String,
    /// The bench's name; `None` for the simulated target.
    pub bench: Option<String>,
    pub seed: u64,
    /// Share of go units drawn for the corner test.
    pub draw: f64,
}

/// One measurement of a unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct UnitEntry {
    pub serial: String,
    pub purpose: Purpose,
    pub mounting: u32,
    pub repeat: u32,
    pub outcome: UnitOutcome,
    pub times: UnitTimes,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decision: Option<Decision>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub predicted: Option<f64>,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub drawn: bool,
    /// When it ended; empty on the simulated target, which has no clock.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub ended_utc: String,
}

/// A line's content.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Entry {
    Begin(Begin),
    Unit(UnitEntry),
    /// What the corners of a unit came to.
    Corner {
        serial: String,
        value: f64,
        source: String,
    },
    /// Golden units stopped the lot.
    Stopped {
        words: String,
    },
    /// Somebody let it go on.
    Restarted {
        reason: String,
    },
    /// An event of the bench.
    Event {
        utc: String,
        event: Event,
    },
}

/// A line is SEAL, the seal, ENTRY, the entry's JSON, and a brace.
const SEAL: &str = "{\"seal\":\"";
const ENTRY: &str = "\",\"entry\":";

/// What a lot's lines say.
#[derive(Debug, Clone, PartialEq)]
pub struct LotLines {
    pub begin: Begin,
    pub entries: Vec<Entry>,
    /// Seal of the last line.
    pub head: String,
}

impl LotLines {
    /// Every measurement, in order.
    pub fn measurements(&self) -> impl Iterator<Item = &UnitEntry> {
        self.entries.iter().filter_map(|entry| match entry {
            Entry::Unit(unit) => Some(unit),
            _ => None,
        })
    }

    /// Why it was stopped, where nobody let it go on since.
    pub fn stopped(&self) -> Option<&str> {
        self.entries.iter().fold(None, |stopped, entry| match entry {
            Entry::Stopped { words } => Some(words.as_str()),
            Entry::Restarted { .. } => None,
            _ => stopped,
        })
    }

    /// Entries since the last restart.
    pub fn since_restart(&self) -> &[Entry] {
        let last = self.entries.iter().rposition(|entry| matches!(entry, Entry::Restarted { .. }));
        &self.entries[last.map_or(0, |at| at + 1)..]
    }
}

fn io(path: &Path, error: &std::io::Error) -> Failure {
    Failure::new(Exit::Store, format!("{}: {error}", path.display()))
}

fn seal(before: &str, entry: &str) -> String {
    hex(&Sha256::new().chain_update(before.as_bytes()).chain_update(entry.as_bytes()).finalize())
}

/// Reads the whole lines; also how many bytes they take.
fn read_lines(path: &Path) -> Result<Option<(LotLines, u64)>, Failure> {
    let mut text = Vec::new();
    File::open(path).and_then(|mut file| file.read_to_end(&mut text)).map_err(|error| io(path, &error))?;
    let whole = text.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
    let damaged = |line: usize, words: &str| {
        let name = path.display();
        Failure::new(
            Exit::Store,
            format!(
                "{name}, line {line}: {words}. The lot is damaged or was changed; put it back from a copy"
            ),
        )
    };
    let mut lines: Option<LotLines> = None;
    for (number, bytes) in
        text[..whole].split(|byte| *byte == b'\n').filter(|line| !line.is_empty()).enumerate()
    {
        let number = number + 1;
        let line = std::str::from_utf8(bytes).map_err(|error| damaged(number, &error.to_string()))?;
        let parts = line
            .strip_prefix(SEAL)
            .and_then(|rest| rest.strip_suffix('}'))
            .and_then(|rest| rest.split_once(ENTRY));
        let Some((stated, json)) = parts else { return Err(damaged(number, "it is no line of a lot")) };
        // Over the bytes as they are: how a later version would write an entry does not matter.
        let before = lines.as_ref().map_or("", |lines| lines.head.as_str());
        if seal(before, json) != stated {
            return Err(damaged(number, "its seal does not fit what stands before it and in it"));
        }
        let entry = serde_json::from_str(json).map_err(|error| damaged(number, &error.to_string()))?;
        match (&mut lines, entry) {
            (None, Entry::Begin(begin)) => {
                lines = Some(LotLines { begin, entries: Vec::new(), head: stated.into() });
            }
            (Some(lines), entry) => {
                lines.entries.push(entry);
                lines.head = stated.into();
            }
            (None, _) => return Err(damaged(number, "it does not say which lot this is")),
        }
    }
    Ok(lines.map(|lines| (lines, whole as u64)))
}

/// Reads a lot.
///
/// # Errors
/// Exit 2: there is none; exit 74: it is damaged.
pub fn read(dir: &Path) -> Result<LotLines, Failure> {
    let path = dir.join(LINES);
    if !path.is_file() {
        return Err(Failure::invalid(format!("{} is no lot: it has no {LINES}", dir.display())));
    }
    match read_lines(&path)? {
        Some((lines, _)) => Ok(lines),
        None => Err(Failure::invalid(format!("{} holds nothing yet", dir.display()))),
    }
}

/// A lot being measured.
pub struct LotFolder {
    path: PathBuf,
    file: File,
    /// What it holds.
    pub lines: LotLines,
    _lock: FolderLock,
}

impl LotFolder {
    /// Opens a lot, or begins it; a line that a power cut tore is cut off.
    ///
    /// # Errors
    /// Exit 2: the folder holds another lot, or was measured with another test, target or seed. Exit 74: damage, or a folder
    /// that cannot be written or is in use.
    pub fn open(dir: &Path, begin: &Begin) -> Result<LotFolder, Failure> {
        std::fs::create_dir_all(dir).map_err(|error| io(dir, &error))?;
        let lock = FolderLock::take(dir)?;
        let path = dir.join(LINES);
        let mut file = File::options()
            .create(true)
            .truncate(false)
            .read(true)
            .write(true)
            .open(&path)
            .map_err(|error| io(&path, &error))?;
        if let Some((lines, whole)) = read_lines(&path)? {
            // A version of the program is no other lot.
            if (Begin { tool: begin.tool.clone(), ..lines.begin.clone() }) != *begin {
                return Err(Failure::invalid(format!(
                    "{}: {}",
                    dir.display(),
                    difference(&lines.begin, begin)
                )));
            }
            file.set_len(whole)
                .and_then(|()| file.seek(SeekFrom::End(0)))
                .map_err(|error| io(&path, &error))?;
            return Ok(LotFolder { path, file, lines, _lock: lock });
        }
        file.set_len(0).map_err(|error| io(&path, &error))?;
        let lines = LotLines { begin: begin.clone(), entries: Vec::new(), head: String::new() };
        let mut lot = LotFolder { path, file, lines, _lock: lock };
        let text = lot.sealed(&Entry::Begin(begin.clone()))?;
        lot.write(&text)?;
        Ok(lot)
    }

    /// Takes entries up, in order: they are on disk when this returns.
    ///
    /// # Errors
    /// Exit 74.
    pub fn add(&mut self, entries: Vec<Entry>) -> Result<(), Failure> {
        let mut text = String::new();
        for entry in &entries {
            text.push_str(&self.sealed(entry)?);
        }
        self.write(&text)?;
        self.lines.entries.extend(entries);
        Ok(())
    }

    fn sealed(&mut self, entry: &Entry) -> Result<String, Failure> {
        let refused =
            |error: serde_json::Error| Failure::new(Exit::Store, format!("{}: {error}", self.path.display()));
        let json = serde_json::to_string(entry).map_err(refused)?;
        let seal = seal(&self.lines.head, &json);
        let text = format!("{SEAL}{seal}{ENTRY}{json}}}\n");
        self.lines.head = seal;
        Ok(text)
    }

    fn write(&mut self, text: &str) -> Result<(), Failure> {
        self.file
            .write_all(text.as_bytes())
            .and_then(|()| self.file.sync_data())
            .map_err(|error| io(&self.path, &error))
    }
}

/// What sets a lot on record apart from the one asked for.
fn difference(held: &Begin, wanted: &Begin) -> String {
    let target = |begin: &Begin| {
        begin.bench.as_ref().map_or("the simulated target".to_string(), |name| format!("the bench {name}"))
    };
    if held.lot != wanted.lot {
        return format!("it holds lot {}, not {}; name another folder", held.lot, wanted.lot);
    }
    if held.bench != wanted.bench {
        return format!("it was measured on {}; simulated and measured results never mix", target(held));
    }
    if held.seed != wanted.seed {
        return format!("it was run with seed {}; continue with --seed {}", held.seed, held.seed);
    }
    if held.draw != wanted.draw {
        return format!("it draws {} of the go units; continue with --draw {}", held.draw, held.draw);
    }
    "it was measured with another test; a lot has one: begin another lot, or name the test that stands in it"
        .to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn begin() -> Begin {
        Begin { lot: "L1".into(), test: "ab".into(), tool: "1".into(), bench: None, seed: 1, draw: 0.02 }
    }

    fn unit(serial: &str) -> Entry {
        Entry::Unit(UnitEntry {
            serial: serial.into(),
            purpose: Purpose::Unit,
            mounting: 0,
            repeat: 0,
            outcome: UnitOutcome::NotMeasured("invented".into()),
            times: UnitTimes { boot_s: 0.1 + 0.2, ..UnitTimes::default() },
            decision: None,
            predicted: Some(1.0 / 3.0),
            drawn: false,
            ended_utc: String::new(),
        })
    }

    fn serials(lines: &LotLines) -> Vec<String> {
        lines.measurements().map(|unit| unit.serial.clone()).collect()
    }

    /// Cut at every byte: what was whole before the cut is there, and the lot goes on.
    #[test]
    fn a_power_cut_at_any_byte_loses_no_whole_line() {
        let dir = crate::store::TemporaryFolder::new().unwrap();
        let path = dir.0.join(LINES);
        let mut lot = LotFolder::open(&dir.0, &begin()).unwrap();
        lot.add(vec![unit("A")]).unwrap();
        lot.add(vec![unit("B")]).unwrap();
        drop(lot);
        let text = std::fs::read(&path).unwrap();
        let ends: Vec<usize> = (0..text.len()).filter(|at| text[*at] == b'\n').map(|at| at + 1).collect();
        assert_eq!(ends.len(), 3);
        for cut in 0..=text.len() {
            std::fs::write(&path, &text[..cut]).unwrap();
            let mut lot = LotFolder::open(&dir.0, &begin()).unwrap();
            let kept = ends.iter().filter(|end| **end <= cut).count().saturating_sub(1);
            assert_eq!(serials(&lot.lines), ["A", "B"][..kept], "cut at {cut}");
            lot.add(vec![unit("C")]).unwrap();
            drop(lot);
            assert_eq!(serials(&read(&dir.0).unwrap()).last().map(String::as_str), Some("C"));
        }
    }

    #[test]
    fn a_changed_line_and_another_lot_are_refused() {
        let dir = crate::store::TemporaryFolder::new().unwrap();
        let path = dir.0.join(LINES);
        let mut lot = LotFolder::open(&dir.0, &begin()).unwrap();
        lot.add(vec![unit("A"), unit("B")]).unwrap();
        assert!(
            matches!(LotFolder::open(&dir.0, &begin()), Err(Failure { exit: Exit::Store, .. })),
            "locked"
        );
        drop(lot);
        for other in [
            Begin { lot: "L2".into(), ..begin() },
            Begin { test: "cd".into(), ..begin() },
            Begin { seed: 2, ..begin() },
            Begin { bench: Some("B".into()), ..begin() },
            Begin { draw: 0.5, ..begin() },
        ] {
            assert_eq!(LotFolder::open(&dir.0, &other).map(|_| ()).unwrap_err().exit, Exit::Invalid);
        }
        assert!(LotFolder::open(&dir.0, &Begin { tool: "2".into(), ..begin() }).is_ok());
        let text = std::fs::read_to_string(&path).unwrap();
        for (from, to) in [("\"A\"", "\"X\""), ("0.02", "0.03"), ("invented", "inventeD")] {
            std::fs::write(&path, text.replacen(from, to, 1)).unwrap();
            assert_eq!(read(&dir.0).unwrap_err().exit, Exit::Store, "{from}");
        }
        // A line that is taken out shows as well.
        let without: Vec<&str> =
            text.lines().enumerate().filter(|(at, _)| *at != 1).map(|(_, line)| line).collect();
        std::fs::write(&path, without.join("\n") + "\n").unwrap();
        assert_eq!(read(&dir.0).unwrap_err().exit, Exit::Store);
    }
}
