//! A run folder is created, opened to go on, or opened to be read.

use super::disk::{self, Ballast, Place};
use super::lock::FolderLock;
use super::reader::StoreReader;
use super::rows::{Meta, Target};
use super::schema::{self, FORMAT_VERSION, Found};
use super::{Durability, STORE_FILE, Store, StoreError, error, recording, sealed, upgrade};
use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::time::Duration;

impl Store {
    /// Creates a run folder, or an empty store in a folder that has none. The folder above must exist.
    ///
    /// # Errors
    /// There is a store already; the folder cannot be written; the disk is full; somebody else creates it.
    pub fn create(dir: &Path, meta: &Meta) -> Result<Store, StoreError> {
        match std::fs::create_dir(dir) {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                return Err(StoreError::NoFolder { path: dir.display().to_string() });
            }
            Err(error) if error.kind() != std::io::ErrorKind::AlreadyExists => {
                return Err(StoreError::system(dir, &error));
            }
            _ => {}
        }
        let lock = FolderLock::take(dir)?;
        let path = dir.join(STORE_FILE);
        let connection = connect(&path)?;
        if schema::recognise(&connection, &path)? != Found::Empty {
            return Err(StoreError::AlreadyThere { path: path.display().to_string() });
        }
        set_up(&connection)
            .and_then(|()| write_new(&connection, meta))
            .map_err(|error| StoreError::database(&path, error))?;
        Store::finish_opening(connection, path, dir, lock, Some(&meta.target))
    }

    /// Opens a run folder to go on writing, after looking through it for damage and changes.
    ///
    /// # Errors
    /// No store in the folder; a newer format; damage or changes; somebody else writes to it; it cannot be written.
    pub fn open(dir: &Path) -> Result<Store, StoreError> {
        Store::open_with(dir, true)
    }

    /// Opens a run folder to add a few words to it: as [`open`](Store::open), without room kept for more.
    ///
    /// # Errors
    /// As [`open`](Store::open).
    pub fn open_to_note(dir: &Path) -> Result<Store, StoreError> {
        Store::open_with(dir, false)
    }

    fn open_with(dir: &Path, ballast: bool) -> Result<Store, StoreError> {
        let path = dir.join(STORE_FILE);
        if let Err(error) = std::fs::metadata(&path) {
            return Err(StoreError::system(&path, &error));
        }
        let lock = FolderLock::take(dir)?;
        let mut connection = connect(&path)?;
        if schema::recognise(&connection, &path)? == Found::Empty {
            return Err(StoreError::Missing { path: path.display().to_string() });
        }
        upgrade::upgrade(&mut connection, &path)?;
        set_up(&connection).map_err(|error| StoreError::database(&path, error))?;
        let reader = StoreReader::new(connection, path.clone());
        reader.verify()?;
        let target = reader.meta()?.target;
        Store::finish_opening(reader.connection, path, dir, lock, ballast.then_some(&target))
    }

    /// Opens a run folder for reading only, also while a run writes to it. It is not looked through for damage:
    /// see [`StoreReader::verify`].
    ///
    /// # Errors
    /// No store in the folder, or a newer format.
    pub fn open_read_only(dir: &Path) -> Result<StoreReader, StoreError> {
        StoreReader::open(&dir.join(STORE_FILE))
    }

    /// Is there a store in the folder?
    ///
    /// # Errors
    /// There is a file of its name that cannot be read or is something else.
    pub fn exists(dir: &Path) -> Result<bool, StoreError> {
        match Store::open_read_only(dir) {
            Ok(_) => Ok(true),
            Err(StoreError::Missing { .. }) => Ok(false),
            Err(error) => Err(error),
        }
    }

    fn finish_opening(
        connection: Connection,
        path: PathBuf,
        dir: &Path,
        lock: FolderLock,
        target: Option<&Target>,
    ) -> Result<Store, StoreError> {
        let (durability, ballast) = match target {
            Some(Target::Simulated) => (Durability::Grouped, Some(disk::SMALL_BALLAST_BYTES)),
            Some(Target::Bench(_)) => (Durability::EachJob, Some(disk::BALLAST_BYTES)),
            None => (Durability::EachJob, None),
        };
        let place = Place::of(&path)?;
        let mut store = Store {
            reader: StoreReader::new(connection, path),
            durability,
            waiting: Vec::new(),
            waiting_keys: HashSet::new(),
            waiting_taken: HashSet::new(),
            replacing: HashMap::new(),
            waiting_bytes: 0,
            oldest: None,
            ballast: ballast.map_or_else(|| Ok(Ballast::none()), |bytes| Ballast::fill(dir, bytes))?,
            place,
            fault: None,
            lock,
        };
        // What a run that was killed left in the log of changes. Without room for it, it stays there.
        match store.fold_log() {
            Err(error) if !error.is_full() => Err(error),
            _ => Ok(store),
        }
    }
}

pub(super) fn connect(path: &Path) -> Result<Connection, StoreError> {
    let connection = Connection::open(path).map_err(|error| StoreError::database(path, error))?;
    connection
        .busy_timeout(Duration::from_secs(error::BUSY_WAIT_S))
        .map_err(|error| StoreError::database(path, error))?;
    Ok(connection)
}

fn set_up(connection: &Connection) -> rusqlite::Result<()> {
    connection.pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get::<_, String>(0))?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.pragma_update(None, "foreign_keys", true)?;
    // The log is folded on opening and closing only: see the third invariant.
    connection.query_row("PRAGMA wal_autocheckpoint = 0", [], |_| Ok(()))?;
    connection.set_prepared_statement_cache_capacity(64);
    Ok(())
}

fn write_new(connection: &Connection, meta: &Meta) -> rusqlite::Result<()> {
    let transaction = Transaction::new_unchecked(connection, TransactionBehavior::Immediate)?;
    schema::create(&transaction)?;
    let (target, bench) = match &meta.target {
        Target::Simulated => ("simulated", None),
        Target::Bench(name) => ("bench", Some(name.clone())),
    };
    let values = [
        ("format_version", Some(FORMAT_VERSION.to_string())),
        ("tool_version", Some(meta.tool_version.clone())),
        ("seed", Some(meta.seed.to_string())),
        ("target", Some(target.to_owned())),
        ("bench", bench),
        ("created_utc", Some(meta.created_utc.clone())),
    ];
    for (key, value) in values {
        if let Some(value) = value {
            transaction.execute("INSERT INTO meta (key, value) VALUES (?, ?)", params![key, value])?;
        }
    }
    sealed::settings(&transaction)?;
    recording::insert_plan(&transaction, &meta.created_utc, &meta.title, &meta.plan_text)?;
    transaction.commit()
}
