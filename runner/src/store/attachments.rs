//! Attachments of a job: what the agent and the log said, as capped text beside its counts.

use super::error::StoreError;
use super::reader::StoreReader;
use super::rows::{PackedJob, StoredJob};
use rusqlite::{Connection, params};

/// Most bytes of one attachment.
pub const MOST_ATTACHMENT: usize = 64 << 10;

/// A text kept with a job.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Attachment {
    /// What it is: `log`, `training log`, `registers`, `commands`.
    pub name: String,
    /// The text, its end where it was longer than [`MOST_ATTACHMENT`].
    pub text: String,
}

impl Attachment {
    /// A text, cut at its beginning where it is too long: the latest words tell most. Characters that no text has
    /// (NUL) become visible signs, so that every client can read the column.
    pub fn new(name: &str, text: &str) -> Attachment {
        let mut from = text.len().saturating_sub(MOST_ATTACHMENT);
        while !text.is_char_boundary(from) {
            from += 1;
        }
        Attachment { name: name.into(), text: text[from..].replace('\0', "\u{2400}") }
    }
}

impl PackedJob {
    /// With texts to be kept beside it; of two with one name the last counts.
    pub fn with_attachments(self, attachments: Vec<Attachment>) -> PackedJob {
        PackedJob { attachments, ..self }
    }
}

/// Writes a job's attachments within the caller's transaction.
pub(super) fn write(connection: &Connection, job: i64, attachments: &[Attachment]) -> rusqlite::Result<()> {
    for one in attachments {
        connection
            .prepare_cached("INSERT OR REPLACE INTO attachments (job_id, name, text) VALUES (?, ?, ?)")?
            .execute(params![job, one.name, one.text])?;
    }
    Ok(())
}

impl StoreReader {
    /// The texts kept with a job, by name.
    ///
    /// # Errors
    /// The database cannot be read.
    pub fn attachments(&self, job: &StoredJob) -> Result<Vec<Attachment>, StoreError> {
        let mut statement =
            self.prepare("SELECT name, text FROM attachments WHERE job_id = ? ORDER BY name")?;
        let rows = statement
            .query_map([job.id], |row| Ok(Attachment { name: row.get(0)?, text: row.get(1)? }))
            .map_err(|error| self.error(error))?;
        rows.collect::<Result<_, _>>().map_err(|error| self.error(error))
    }
}

#[cfg(test)]
mod tests {
    use super::super::Store;
    use super::super::samples::{Folder, bench, key, meta, readings, result, row};
    use super::*;

    #[test]
    fn attachments_are_kept_whole_or_cut_at_their_beginning() {
        let folder = Folder::new();
        let mut store = Store::create(&folder.run(), &meta(bench())).unwrap();
        let long = format!("{}\u{e9}{}", "x".repeat(10), "y".repeat(MOST_ATTACHMENT - 1));
        let kept = vec![Attachment::new("log", "<b>\0 &amp;"), Attachment::new("registers", &long)];
        assert_eq!(kept[0].text, "<b>\u{2400} &amp;");
        // The cut would fall into the two bytes of a letter: it goes to its end.
        assert_eq!(kept[1].text, "y".repeat(MOST_ATTACHMENT - 1));
        for number in [1, 2] {
            let job = PackedJob::new(&row(number), &result(number), &readings(number)).unwrap();
            let own = if number == 1 { kept.clone() } else { Vec::new() };
            store.record_packed(job.with_attachments(own)).unwrap();
        }
        store.close().unwrap();
        let reader = Store::open_read_only(&folder.run()).unwrap();
        let stored = reader.job(&key(1)).unwrap().unwrap();
        assert_eq!(reader.attachments(&stored).unwrap(), kept);
        // A job copied to another store keeps them.
        assert_eq!(reader.packed(&stored).unwrap().attachments, kept);
        let other = reader.job(&key(2)).unwrap().unwrap();
        assert_eq!(reader.attachments(&other).unwrap(), []);
    }
}
