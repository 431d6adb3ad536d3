//! Files written under a name: whole or not at all, and never over what a command reads or a run folder keeps.
//!
//! A plain file is written under another name beside its place, created exclusively, and renamed: links are replaced
//! or refused, never followed. What is no plain file (a terminal, a pipe, a device) is written straight into.

use crate::console::exit::{Exit, Failure};
use crate::store::STORE_FILE;
use std::fs::File;
use std::io::{BufWriter, ErrorKind, Read, Write};
use std::path::{Path, PathBuf};
use system::FileIdentity;

/// Ends of the names of files that are being written: `report.html.part-0`.
const PART: &str = ".part-";
/// Most files of one name that are written at a time.
const MOST_PARTS: u32 = 1000;
/// First bytes of every SQLite database (<https://sqlite.org/fileformat.html>, 1.3).
const DATABASE: &[u8; 16] = b"SQLite format 3\0";

/// Is it the name of a file that nightbench or a reader's decision keeps in a run folder?
fn kept_in_a_run_folder(name: &str) -> bool {
    name.starts_with(STORE_FILE)
        || name.starts_with("eye-") && name.ends_with(".html")
        || name.starts_with("what-if") && name.ends_with(".html")
        || [
            "run.lock",
            "run.holder",
            "run.holder.new",
            "ballast.bin",
            "report.html",
            "compare.html",
            "live.html",
            "gonogo.html",
            "gonogo.toml",
            "lot.html",
            "notes.toml",
            "causes.json",
            "commands.log",
            "digests.cache",
            "summaries.sqlite",
        ]
        .contains(&name)
}

/// A file being written. Dropped before [`Output::finish`], it leaves nothing behind, and what was there stays.
#[derive(Debug)]
pub struct Output {
    path: PathBuf,
    /// The name it is written under; `None` for what is written straight into.
    part: Option<PathBuf>,
    file: BufWriter<File>,
}

impl Output {
    /// Begins the file that a user named. `read` names the files and run folders that the command reads.
    ///
    /// # Errors
    /// Exit 2: the name is that of an input, of a file of a run folder, of a database, of a plan, or of a link to a plain
    /// file. Exit 74: the file cannot be created.
    pub fn named(path: &Path, read: &[&Path]) -> Result<Output, Failure> {
        let refused = |words: String| Failure::invalid(format!("{}: {words}", path.display()));
        let name = path.file_name().map(|name| name.to_string_lossy()).unwrap_or_default();
        if name.is_empty() {
            return Err(refused("is no name of a file; name the file to be written".into()));
        }
        if std::fs::metadata(path).is_ok_and(|there| !there.is_file() && !there.is_dir()) {
            let file = File::options().write(true).open(path).map_err(|error| unwritten(path, &error))?;
            return Ok(Output { path: path.into(), part: None, file: BufWriter::new(file) });
        }
        if let Some(input) = read.iter().find(|input| same_file(path, input)) {
            return Err(refused(format!("this command reads {}; name another file", input.display())));
        }
        let folder = folder_of(path);
        if folder.join(STORE_FILE).exists() && kept_in_a_run_folder(&name) {
            let words = format!("belongs to the run folder {}; name another file", folder.display());
            return Err(refused(words));
        }
        if let Ok(there) = std::fs::symlink_metadata(path) {
            if there.is_symlink() {
                return Err(refused("is a link; name the file that it leads to".into()));
            }
            if there.is_dir() {
                return Err(refused("is a folder; name a file in it".into()));
            }
            if is_database(path) {
                return Err(refused("is a database; name another file, or remove it first".into()));
            }
            if path.extension().is_some_and(|end| end.eq_ignore_ascii_case("toml")) {
                return Err(refused(
                    "is there already, and TOML files are written by hand; name another file".into(),
                ));
            }
        }
        Output::beside(path)
    }

    /// Begins a page of a run folder, in place of an earlier one.
    ///
    /// # Errors
    /// Exit 74: the file cannot be created.
    pub fn page(dir: &Path, name: &str) -> Result<Output, Failure> {
        sweep(dir);
        Output::beside(&dir.join(name))
    }

    fn beside(path: &Path) -> Result<Output, Failure> {
        for number in 0..MOST_PARTS {
            let mut part = path.as_os_str().to_owned();
            part.push(format!("{PART}{number}"));
            let part = PathBuf::from(part);
            let file = match File::options().write(true).create_new(true).open(&part) {
                Ok(file) => file,
                Err(error) if error.kind() == ErrorKind::AlreadyExists => {
                    remove_abandoned(&part);
                    continue;
                }
                Err(error) => return Err(unwritten(path, &error)),
            };
            // Held while it is written, so that it can be told from one that a killed command left.
            if file.try_lock().is_ok() {
                return Ok(Output { path: path.into(), part: Some(part), file: BufWriter::new(file) });
            }
        }
        Err(unwritten(path, &std::io::Error::other(format!("{MOST_PARTS} others write it"))))
    }

    /// Puts the file in its place.
    ///
    /// # Errors
    /// Exit 74: it cannot be written.
    pub fn finish(mut self) -> Result<(), Failure> {
        self.file.flush().map_err(|error| unwritten(&self.path, &error))?;
        let Some(part) = self.part.take() else { return Ok(()) };
        let placed = self.file.get_ref().sync_all().and_then(|()| std::fs::rename(&part, &self.path));
        placed.map_err(|error| {
            let _ = std::fs::remove_file(&part);
            unwritten(&self.path, &error)
        })
    }

    /// Writes a whole text and puts the file in its place.
    ///
    /// # Errors
    /// As [`Output::finish`].
    pub fn put(mut self, text: &str) -> Result<(), Failure> {
        self.write_all(text.as_bytes()).map_err(|error| unwritten(&self.path, &error))?;
        self.finish()
    }
}

impl Write for Output {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.file.flush()
    }
}

impl Drop for Output {
    fn drop(&mut self) {
        if let Some(part) = &self.part {
            let _ = std::fs::remove_file(part);
        }
    }
}

/// Removes what killed commands left half written in a run folder.
fn sweep(dir: &Path) {
    for entry in std::fs::read_dir(dir).into_iter().flatten().flatten() {
        let name = entry.file_name();
        let number = name.to_str().and_then(|name| name.rsplit_once(PART));
        if number.is_some_and(|(of, number)| kept_in_a_run_folder(of) && number.parse::<u32>().is_ok()) {
            remove_abandoned(&entry.path());
        }
    }
}

/// Removes a half-written file that nobody writes any more.
fn remove_abandoned(part: &Path) {
    if std::fs::symlink_metadata(part).is_ok_and(|there| there.is_file())
        && let Ok(file) = File::open(part)
        && file.try_lock().is_ok()
    {
        let _ = std::fs::remove_file(part);
    }
}

fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Do two names lead to one file, or is the first a file of the second, a run folder?
fn same_file(path: &Path, input: &Path) -> bool {
    let of = |path| FileIdentity::of(path).ok();
    of(path).is_some_and(|one| Some(one) == of(input))
}

fn is_database(path: &Path) -> bool {
    let mut first = [0; 16];
    File::open(path).and_then(|mut file| file.read_exact(&mut first)).is_ok() && first == *DATABASE
}

/// A file that could not be written: exit 74.
pub fn unwritten(path: &Path, error: &std::io::Error) -> Failure {
    Failure::new(Exit::Store, format!("{}: {error}", path.display()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::samples::Folder;
    use std::os::unix::fs::symlink;

    fn text(path: &Path) -> String {
        std::fs::read_to_string(path).unwrap()
    }

    #[test]
    fn what_a_command_reads_or_a_run_keeps_is_refused() {
        let folder = Folder::new();
        let dir = folder.0.as_path();
        let run = dir.join("run");
        std::fs::create_dir(&run).unwrap();
        let mut database = DATABASE.to_vec();
        database.extend([7; 100]);
        for (name, content) in [
            ("run/results.sqlite", &database[..]),
            ("run/results.sqlite-wal", b"log"),
            ("run/report.html", b"page"),
            ("run/notes.toml", b"notes"),
            ("backup.db", &database),
            ("plan.txt", b"title"),
            ("other.toml", b"title"),
        ] {
            std::fs::write(dir.join(name), content).unwrap();
        }
        symlink(dir.join("plan.txt"), dir.join("link.csv")).unwrap();
        std::fs::hard_link(dir.join("plan.txt"), dir.join("hard.csv")).unwrap();
        symlink(&run, dir.join("run-link")).unwrap();
        symlink(dir.join("nowhere"), dir.join("dangling.csv")).unwrap();
        let before = |name: &str| std::fs::read(dir.join(name)).ok();
        for name in [
            "run/results.sqlite",
            "run/results.sqlite-wal",
            "run/../run/results.sqlite",
            "run-link/report.html",
            "run/notes.toml",
            "run/run.lock",
            "run/eye-0123.html",
            "backup.db",
            "plan.txt",
            "other.toml",
            "link.csv",
            "hard.csv",
            "dangling.csv",
            "run",
            "..",
        ] {
            let was = before(name);
            let refused = Output::named(&dir.join(name), &[&dir.join("plan.txt"), &run]).unwrap_err();
            assert_eq!(refused.exit, Exit::Invalid, "{name}");
            assert!(refused.words.contains(name.rsplit('/').next().unwrap()), "{}", refused.words);
            assert_eq!(before(name), was, "{name}");
        }
        // A table beside the results is nobody's loss.
        Output::named(&run.join("results.csv"), &[&run]).unwrap().put("a,b").unwrap();
        Output::named(&run.join("results.csv"), &[&run]).unwrap().put("c,d").unwrap();
        assert_eq!(text(&run.join("results.csv")), "c,d");
    }

    #[test]
    fn devices_are_written_into_and_planted_parts_are_not_followed() {
        let folder = Folder::new();
        let dir = folder.0.as_path();
        symlink("/dev/null", dir.join("null")).unwrap();
        Output::named(&dir.join("null"), &[]).unwrap().put("text").unwrap();
        assert!(std::fs::symlink_metadata(dir.join("null")).unwrap().is_symlink());
        let full = Output::named(Path::new("/dev/full"), &[]).unwrap().put("text").unwrap_err();
        assert_eq!(full.exit, Exit::Store);
        std::fs::write(dir.join("victim"), "kept").unwrap();
        symlink(dir.join("victim"), dir.join("out.csv.part-0")).unwrap();
        Output::named(&dir.join("out.csv"), &[]).unwrap().put("text").unwrap();
        assert_eq!(
            (text(&dir.join("victim")).as_str(), text(&dir.join("out.csv")).as_str()),
            ("kept", "text")
        );
        // A page replaces a link in its place.
        symlink(dir.join("victim"), dir.join("report.html")).unwrap();
        Output::page(dir, "report.html").unwrap().put("page").unwrap();
        assert_eq!(
            (text(&dir.join("victim")).as_str(), text(&dir.join("report.html")).as_str()),
            ("kept", "page")
        );
    }

    #[test]
    fn what_is_not_finished_leaves_what_was_there() {
        let folder = Folder::new();
        let dir = folder.0.as_path();
        std::fs::write(dir.join("report.html"), "old").unwrap();
        // Of a killed command, and of one that still writes.
        std::fs::write(dir.join("report.html.part-7"), "half").unwrap();
        let mut other = Output::page(dir, "report.html").unwrap();
        other.write_all(b"slow").unwrap();
        let mut begun = Output::page(dir, "report.html").unwrap();
        begun.write_all(b"new").unwrap();
        drop(begun);
        assert_eq!(text(&dir.join("report.html")), "old");
        other.finish().unwrap();
        assert_eq!(text(&dir.join("report.html")), "slow");
        assert_eq!(std::fs::read_dir(dir).unwrap().count(), 1);
    }
}
