//! What this computer remembers about a bench beyond any run: latched alarms, and whether it was made safe from outside.
//!
//! By address and, once it answered, by what the instrument says it is, not by the bench's name or a run folder: another file, name or
//! way that leads to the same supply meets the same latch.

use super::addresses::{addresses_of, name_of_identity};
use contract::{DriverError, FaultKind};
use plan::bench_file::{BenchFile, InstrumentKind};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::io::{ErrorKind as Io, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use system::Others;

const LATCH: &str = "latch.json";
const MADE_SAFE: &str = "made-safe";
/// Serial number of the chip that answered last.
const CHIP: &str = "chip";
/// Folder for every user of this computer, where an administrator made it.
const OF_MACHINE: &str = "/var/lib/nightbench";
/// File that a lock of the run holds.
const LOCK: &str = "run.lock";
/// Names another folder, for trying out.
const OF_ENVIRONMENT: &str = "NIGHTBENCH_STATE";

/// A latched alarm.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Latch {
    /// What kind of alarm.
    pub kind: FaultKind,
    /// What happened.
    pub words: String,
    /// When, UTC.
    pub since_utc: String,
    /// Bench that was running.
    pub bench: String,
}

/// Who meets what is remembered in a folder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Reach {
    /// Whoever names it.
    Named,
    /// Everybody on this computer.
    Everybody,
    /// This user alone.
    User,
}

/// The folder of this computer in which benches are remembered.
#[derive(Debug, Clone)]
pub struct StateFolder {
    path: PathBuf,
    reach: Reach,
}

impl StateFolder {
    /// The machine's folder where there is one, else one that all users share, else the user's.
    ///
    /// # Errors
    /// There is no place for it: a bench that could not remember an alarm is not driven.
    pub fn of_this_computer() -> Result<StateFolder, String> {
        let given = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
        let user = || {
            given("XDG_STATE_HOME")
                .or_else(|| given("LOCALAPPDATA"))
                .or_else(|| given("HOME").map(|home| home.join(".local/state")))
                .map(|base| base.join("nightbench"))
        };
        let of = |reach: Reach| move |path: PathBuf| StateFolder { path, reach };
        let machine = Some(PathBuf::from(OF_MACHINE)).filter(|dir| dir.is_dir());
        let shared = || system::place_of_everybody().filter(|dir| system::made_for_everybody(dir).is_ok());
        let folder = given(OF_ENVIRONMENT)
            .map(of(Reach::Named))
            .or(machine.map(of(Reach::Everybody)))
            .or_else(|| shared().map(of(Reach::Everybody)))
            .or_else(|| user().map(of(Reach::User)));
        folder.ok_or_else(|| {
            format!(
                "no place to remember alarms of benches: set HOME, or have {OF_MACHINE} made for everybody who runs a bench"
            )
        })
    }

    /// A folder of one's own.
    pub fn at(dir: &Path) -> StateFolder {
        StateFolder { path: dir.to_owned(), reach: Reach::Named }
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Where it is and whom it reaches, in words.
    pub fn describe(&self) -> String {
        let place = self.path.display();
        match self.reach {
            Reach::Named => format!(
                "in {place}, as {OF_ENVIRONMENT} says: whoever names another folder does not meet them"
            ),
            Reach::Everybody => format!("in {place}, for everybody on this computer"),
            Reach::User => format!(
                "in {place}, for this user ALONE: another user's runs do not meet them. Have {OF_MACHINE} made, writable for \
                 everybody who runs a bench"
            ),
        }
    }

    /// The folder of something by its text, made if need be.
    ///
    /// # Errors
    /// The system refuses.
    pub fn place(&self, of: &str) -> std::io::Result<PathBuf> {
        let digest = Sha256::digest(of.as_bytes());
        let name: String = digest.iter().take(8).map(|byte| format!("{byte:02x}")).collect();
        let dir = self.path.join(name);
        if !dir.is_dir() {
            std::fs::create_dir_all(&dir)?;
            let _ = std::fs::write(dir.join("what"), format!("{of}\n"));
            if self.reach == Reach::Everybody {
                // Another user's run locks, latches and clears here as well, whatever this one's umask.
                system::let_others(&dir, Others::UseFolder)?;
                for file in [LOCK, MADE_SAFE] {
                    let path = dir.join(file);
                    if own_file(&path, false).is_ok() {
                        system::let_others(&path, Others::WriteFile)?;
                    }
                }
            }
        }
        Ok(dir)
    }
}

/// A file of ours, made where it is missing or, with `append`, written on. A link is not followed: the folder is open to everybody.
fn own_file(path: &Path, append: bool) -> std::io::Result<std::fs::File> {
    let mut options = std::fs::OpenOptions::new();
    system::not_through_links(&mut options);
    if append {
        options.append(true).create(true)
    } else {
        options.write(true).create_new(true)
    };
    options.open(path)
}

/// Writes a small file whole, over an earlier one.
fn write_anew(place: &Path, name: &str, text: &str) -> std::io::Result<()> {
    let draft = place.join(format!("{name}.{}", std::process::id()));
    let _ = std::fs::remove_file(&draft);
    own_file(&draft, false)
        .and_then(|mut file| file.write_all(text.as_bytes()))
        .and_then(|()| std::fs::rename(&draft, place.join(name)))
}

/// Says why nothing may be switched on, beside what is remembered.
type Asked = Arc<dyn Fn() -> Option<String> + Send + Sync>;

/// Where something that heats or powers is remembered.
#[derive(Clone)]
struct Place {
    dir: PathBuf,
    /// How often it was made safe from outside when this run began.
    made_safe: u64,
}

impl Place {
    fn new(dir: PathBuf) -> Result<Place, String> {
        let made_safe = Place::count(&dir)?;
        Ok(Place { dir, made_safe })
    }

    fn count(dir: &Path) -> Result<u64, String> {
        match std::fs::read_to_string(dir.join(MADE_SAFE)) {
            Ok(text) => Ok(text.lines().count() as u64),
            Err(error) if error.kind() == Io::NotFound => Ok(0),
            Err(error) => Err(format!("{}: {error}", dir.display())),
        }
    }
}

/// One bench in the memory of this computer. Clones share what this process knows.
#[derive(Clone)]
pub struct Custody {
    bench: String,
    /// Of everything that heats or powers.
    places: Arc<Mutex<Vec<Place>>>,
    /// A latch of this process holds whether or not it could be written.
    own: Arc<Mutex<Option<Latch>>>,
    asked: Option<Asked>,
}

impl Custody {
    /// Of a bench, as it is now.
    ///
    /// # Errors
    /// The folder cannot be read or written.
    pub fn of(bench: &BenchFile, state: &StateFolder) -> Result<Custody, String> {
        let mut addresses: Vec<String> = bench
            .instruments
            .iter()
            .filter(|one| one.kind != InstrumentKind::Meter)
            .flat_map(|one| addresses_of(&one.transport))
            .collect();
        addresses.sort();
        addresses.dedup();
        let custody = Custody { bench: bench.name.clone(), ..Custody::of_process() };
        custody.add(state, addresses.into_iter())?;
        Ok(custody)
    }

    fn add(&self, state: &StateFolder, names: impl Iterator<Item = String>) -> Result<(), String> {
        for name in names {
            let dir = state.place(&name).map_err(|error| format!("{}: {error}", state.path().display()))?;
            let mut places = self.places.lock().unwrap_or_else(PoisonError::into_inner);
            if !places.iter().any(|place| place.dir == dir) {
                places.push(Place::new(dir)?);
            }
        }
        Ok(())
    }

    /// From now on it is remembered as well by what its instruments that heat or power said they are.
    ///
    /// # Errors
    /// The folder cannot be read or written.
    pub fn know<'a>(
        &self,
        state: &StateFolder,
        identities: impl Iterator<Item = &'a str>,
    ) -> Result<(), String> {
        self.add(state, identities.map(name_of_identity))
    }

    fn places(&self) -> Vec<Place> {
        self.places.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Remembered by this process alone: for a dry run, which opens nothing, and for tests.
    pub fn of_process() -> Custody {
        Custody { bench: String::new(), places: Arc::default(), own: Arc::default(), asked: None }
    }

    /// From now on this is asked as well before anything is switched on.
    pub fn asks(&mut self, asked: impl Fn() -> Option<String> + Send + Sync + 'static) {
        self.asked = Some(Arc::new(asked));
    }

    fn own(&self) -> MutexGuard<'_, Option<Latch>> {
        self.own.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The alarm that is latched at any of its addresses.
    ///
    /// # Errors
    /// A latch that is there and cannot be read: taken for one.
    pub fn latch(&self) -> Result<Option<Latch>, String> {
        if let Some(latch) = self.own().clone() {
            return Ok(Some(latch));
        }
        for place in self.places() {
            let path = place.dir.join(LATCH);
            match std::fs::read_to_string(&path) {
                Ok(text) => {
                    let latch = serde_json::from_str(&text).map_err(|error| {
                        format!("{}: a latched alarm that cannot be read: {error}", path.display())
                    });
                    return latch.map(Some);
                }
                Err(error) if error.kind() == Io::NotFound => {}
                Err(error) => return Err(format!("{}: {error}", path.display())),
            }
        }
        Ok(None)
    }

    /// Latches an alarm at every address that heats or powers. It holds for this process whether or not it can be
    /// written; an earlier latch stays.
    ///
    /// # Errors
    /// It could not be written everywhere.
    pub fn latch_alarm(&self, kind: FaultKind, words: &str, since_utc: &str) -> Result<(), String> {
        let latch =
            Latch { kind, words: words.into(), since_utc: since_utc.into(), bench: self.bench.clone() };
        self.own().get_or_insert_with(|| latch.clone());
        let text = serde_json::to_string(&latch).unwrap_or_default() + "\n";
        let mut failure = None;
        for place in self.places() {
            let path = place.dir.join(LATCH);
            if path.exists() {
                continue;
            }
            if let Err(error) = write_anew(&place.dir, LATCH, &text) {
                failure.get_or_insert(format!("the alarm could not be latched: {}: {error}", path.display()));
            }
        }
        failure.map_or(Ok(()), Err)
    }

    /// Takes the latch away: a person's decision.
    ///
    /// # Errors
    /// The system refuses.
    pub fn clear(&self) -> Result<(), String> {
        *self.own() = None;
        for place in self.places() {
            match std::fs::remove_file(place.dir.join(LATCH)) {
                Err(error) if error.kind() != Io::NotFound => {
                    return Err(format!("{}: {error}", place.dir.display()));
                }
                _ => {}
            }
        }
        Ok(())
    }

    /// Notes that the bench is made safe from outside: whoever drives it never switches on again.
    ///
    /// # Errors
    /// The system refuses.
    pub fn note_made_safe(&self, by: &str, at_utc: &str) -> Result<(), String> {
        for place in self.places() {
            let path = place.dir.join(MADE_SAFE);
            own_file(&path, true)
                .and_then(|mut file| file.write_all(format!("{at_utc} {by}\n").as_bytes()))
                .map_err(|error| format!("{}: {error}", path.display()))?;
        }
        Ok(())
    }

    /// Who made the bench safe from outside since this run began, if anybody did.
    ///
    /// # Errors
    /// It cannot be read: then nobody knows.
    pub fn made_safe_since(&self) -> Result<Option<String>, String> {
        for place in self.places() {
            if Place::count(&place.dir)? > place.made_safe {
                let text = std::fs::read_to_string(place.dir.join(MADE_SAFE)).unwrap_or_default();
                return Ok(Some(text.lines().last().unwrap_or("somebody").to_string()));
            }
        }
        Ok(None)
    }

    /// Serial number of the chip that answered last on this bench, where one is remembered.
    pub fn last_chip(&self) -> Option<String> {
        let told = |place: Place| std::fs::read_to_string(place.dir.join(CHIP)).ok();
        self.places().into_iter().find_map(told).map(|text| text.trim_end().to_string())
    }

    /// Remembers the chip that answers now.
    ///
    /// # Errors
    /// The system refuses.
    pub fn remember_chip(&self, serial: &str) -> Result<(), String> {
        for place in self.places() {
            write_anew(&place.dir, CHIP, &format!("{serial}\n"))
                .map_err(|error| format!("{}: {error}", place.dir.display()))?;
        }
        Ok(())
    }

    /// May anything be switched on or heated?
    ///
    /// # Errors
    /// `Interlock`: an alarm is latched, or nobody can tell; `TakenOver`: the bench was made safe from outside, or nobody watched it.
    pub fn may_switch_on(&self) -> Result<(), DriverError> {
        let unknown = |words: String| DriverError::new(FaultKind::Interlock, words);
        if let Some(latch) = self.latch().map_err(unknown)? {
            return Err(DriverError::new(
                FaultKind::Interlock,
                format!("an alarm is latched: {}", latch.words),
            ));
        }
        if let Some(why) = self.asked.as_ref().and_then(|asked| asked()) {
            return Err(DriverError::new(
                FaultKind::TakenOver,
                format!("{why}: nothing is switched on again"),
            ));
        }
        match self.made_safe_since().map_err(unknown)? {
            None => Ok(()),
            Some(by) => Err(DriverError::new(
                FaultKind::TakenOver,
                format!("the bench was made safe from outside ({by}): nothing is switched on again"),
            )),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use plan::bench_file::Transport;

    fn bench(supply: &str) -> BenchFile {
        let text = include_str!("../agent/every-key-bench.toml").replace("192.0.2.10:5025", supply);
        BenchFile::read(&text).unwrap_or_else(|problems| panic!("{problems:#?}"))
    }

    fn folder(name: &str) -> PathBuf {
        let dir = std::env::temp_dir().join(format!("nightbench-custody-{}-{name}", std::process::id()));
        let _ = std::fs::remove_dir_all(&dir);
        dir
    }

    #[test]
    fn an_alarm_latches_by_address_until_it_is_cleared() {
        let dir = folder("latch");
        let state = StateFolder::at(&dir);
        let own = Custody::of(&bench("192.0.2.10:5025"), &state).unwrap();
        assert_eq!(own.latch().unwrap(), None);
        own.may_switch_on().unwrap();
        let kind = FaultKind::Alarm(contract::Alarm::Temperature);
        own.latch_alarm(kind, "chip at 101.0 degC", "2026-01-01T00:00:00.000Z").unwrap();
        assert_eq!(own.may_switch_on().unwrap_err().kind, FaultKind::Interlock);
        // Another file with the same oven and mains, whatever it calls itself, meets it; so does a later process.
        let mut other = bench("192.0.2.99:5025");
        other.name = "another bench".into();
        let other = Custody::of(&other, &state).unwrap();
        let found = other.latch().unwrap().expect("the latch");
        assert_eq!((found.kind, found.words.as_str()), (kind, "chip at 101.0 degC"));
        // The first alarm stays: what followed from it does not hide it.
        own.latch_alarm(kind, "later", "2026-01-01T00:00:01.000Z").unwrap();
        assert_eq!(Custody::of(&bench("192.0.2.10:5025"), &state).unwrap().latch().unwrap().unwrap(), found);
        // What cannot be read is no permission.
        let place = state.place("tcp 192.0.2.10:5025").unwrap();
        std::fs::write(place.join(LATCH), "{").unwrap();
        assert!(Custody::of(&bench("192.0.2.10:5025"), &state).unwrap().may_switch_on().is_err());
        own.clear().unwrap();
        other.clear().unwrap();
        own.may_switch_on().unwrap();
        let _ = std::fs::remove_dir_all(dir);
    }

    /// An alarm found by one way to an instrument is met by another, once it answered.
    #[test]
    fn an_alarm_is_met_by_what_an_instrument_says_it_is() {
        let dir = folder("identity");
        let state = StateFolder::at(&dir);
        let mut one = bench("192.0.2.10:5025");
        one.instruments.retain(|one| one.name == "supply A");
        let mut other = one.clone();
        other.instruments[0].transport = Transport::Tcp { address: "192.0.2.77:4000".into() };
        let one = Custody::of(&one, &state).unwrap();
        let told = one.clone();
        one.know(&state, ["ACME,PS,0815,1.0"].into_iter()).unwrap();
        told.latch_alarm(FaultKind::Alarm(contract::Alarm::Current), "a short", "2026-01-01T00:00:00.000Z")
            .unwrap();
        let other = Custody::of(&other, &state).unwrap();
        assert_eq!(other.latch().unwrap(), None);
        other.know(&state, ["ACME,PS,0815,1.0"].into_iter()).unwrap();
        assert!(other.latch().unwrap().is_some());
        assert_eq!(other.last_chip(), None);
        one.remember_chip("C-1").unwrap();
        one.remember_chip("C-2").unwrap();
        assert_eq!(other.last_chip().as_deref(), Some("C-2"));
        let _ = std::fs::remove_dir_all(dir);
    }

    /// What one user remembers another user meets: every file and folder is open to both, whatever the umask.
    #[cfg(unix)]
    #[test]
    fn a_shared_folder_is_open_to_every_user() {
        use std::os::unix::fs::PermissionsExt;
        let dir = folder("shared");
        system::made_for_everybody(&dir).unwrap();
        let state = StateFolder { path: dir.clone(), reach: Reach::Everybody };
        let place = state.place("tcp 192.0.2.10:5025").unwrap();
        let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o7777;
        assert_eq!((mode(&dir), mode(&place)), (0o1777, 0o777));
        assert_eq!((mode(&place.join(LOCK)), mode(&place.join(MADE_SAFE))), (0o666, 0o666));
        assert!(state.describe().contains("for everybody on this computer"));
        let custody = Custody::of(&bench("192.0.2.10:5025"), &state).unwrap();
        custody.note_made_safe("bench safe", "2026-01-01T00:00:00.000Z").unwrap();
        // A link that somebody laid there leads nowhere.
        let elsewhere = folder("elsewhere");
        std::fs::write(&elsewhere, "untouched").unwrap();
        std::fs::remove_file(place.join(MADE_SAFE)).unwrap();
        std::os::unix::fs::symlink(&elsewhere, place.join(MADE_SAFE)).unwrap();
        assert!(custody.note_made_safe("bench safe", "2026-01-01T00:00:00.000Z").is_err());
        assert_eq!(std::fs::read_to_string(&elsewhere).unwrap(), "untouched");
        // A folder that others may not write is not taken for one that all share.
        let closed = folder("closed");
        std::fs::create_dir(&closed).unwrap();
        assert!(system::made_for_everybody(&closed).is_err());
        let _ = std::fs::remove_file(elsewhere);
        let _ = std::fs::remove_dir_all(closed);
        let _ = std::fs::remove_dir_all(dir);
    }

    #[test]
    fn a_bench_made_safe_from_outside_is_not_switched_on_by_an_earlier_run() {
        let dir = folder("safe");
        let state = StateFolder::at(&dir);
        let run = Custody::of(&bench("192.0.2.10:5025"), &state).unwrap();
        let outside = Custody::of(&bench("192.0.2.10:5025"), &state).unwrap();
        outside.note_made_safe("bench safe", "2026-01-01T00:00:00.000Z").unwrap();
        let error = run.may_switch_on().unwrap_err();
        assert_eq!(error.kind, FaultKind::TakenOver, "{error}");
        // A run that begins afterwards may.
        Custody::of(&bench("192.0.2.10:5025"), &state).unwrap().may_switch_on().unwrap();
        let _ = std::fs::remove_dir_all(dir);
    }
}
