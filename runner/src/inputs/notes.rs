//! Notes of those who read the results: `notes.toml` in the run folder, read by `report`.
//!
//! ```toml
//! [[note]]
//! condition = "5f1c09ae"     # first digits of the key of one of its jobs; or `job = "..."` for one job alone
//! reason = "adapter card was replaced afterwards"
//! reference = "lab book 12, page 40"
//! author = "who says so"
//! date = 2026-03-04
//! ```

use crate::console::exit::{Exit, Failure};
use crate::inputs::plain_file::read_if_there;
use judge::judged::ReviewNote;
use plan::expand::Job;
use plan::keys::short_key;
use serde::Deserialize;
use std::collections::{BTreeMap, HashMap};
use std::path::Path;
use toml::Spanned;

/// Name of the file in the run folder.
pub const FILE: &str = "notes.toml";
/// Fewest digits of a key.
const FEWEST_DIGITS: usize = 4;
/// Longest text of a note, bytes.
const LONGEST: usize = 2000;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    note: Vec<Spanned<Entry>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    condition: Option<Spanned<String>>,
    job: Option<Spanned<String>>,
    reason: Spanned<String>,
    reference: Option<Spanned<String>>,
    author: Spanned<String>,
    date: Option<Spanned<toml::Value>>,
}

/// Reads the notes of a run folder; none where there is no file.
///
/// # Errors
/// Exit 2 with file and line: no TOML, a key that is missing, unknown or names no job of the plan or several.
pub fn read(dir: &Path, jobs: &HashMap<[u8; 32], Job>) -> Result<Vec<ReviewNote>, Failure> {
    let path = dir.join(FILE);
    let Some(text) = text(dir)? else { return Ok(Vec::new()) };
    parse(&text, jobs)
        .map_err(|(line, words)| Failure::new(Exit::Invalid, format!("{}:{line}: {words}", path.display())))
}

/// The text of a run folder's notes; `None` where there is no file.
///
/// # Errors
/// Exit 2: it cannot be read.
pub fn text(dir: &Path) -> Result<Option<String>, Failure> {
    read_if_there(&dir.join(FILE), "a file of notes (TOML)")
}

/// The line a byte lies on, from 1.
fn line_of(text: &str, at: usize) -> usize {
    1 + text.bytes().take(at).filter(|byte| *byte == b'\n').count()
}

fn parse(text: &str, jobs: &HashMap<[u8; 32], Job>) -> Result<Vec<ReviewNote>, (usize, String)> {
    let file: File = toml::from_str(text).map_err(|error| {
        let line = error.span().map_or(1, |span| line_of(text, span.start));
        (
            line,
            format!(
                "{}; a note has condition or job, reason, author, and perhaps reference and date",
                error.message()
            ),
        )
    })?;
    let keys: BTreeMap<String, u32> = jobs.iter().map(|(key, job)| (short_key(key), job.condition)).collect();
    file.note
        .iter()
        .map(|note| {
            let start = line_of(text, note.span().start);
            entry(note.as_ref(), &keys, &|at| line_of(text, at))
                .map_err(|(at, words)| (at.unwrap_or(start), words))
        })
        .collect()
}

fn entry(
    note: &Entry,
    keys: &BTreeMap<String, u32>,
    line: &dyn Fn(usize) -> usize,
) -> Result<ReviewNote, (Option<usize>, String)> {
    let place = |part: &Spanned<String>| Some(line(part.span().start));
    for (name, part) in [
        ("reason", Some(&note.reason)),
        ("author", Some(&note.author)),
        ("reference", note.reference.as_ref()),
    ] {
        let Some(part) = part else { continue };
        let length = part.as_ref().trim().len();
        if length == 0 {
            return Err((place(part), format!("`{name}` is empty: say something or leave the note out")));
        }
        if length > LONGEST {
            return Err((
                place(part),
                format!("`{name}` has {length} bytes, more than {LONGEST}: refer to a document"),
            ));
        }
    }
    let date = match &note.date {
        None => None,
        Some(date) => match date.as_ref() {
            toml::Value::Datetime(date) => Some(date.to_string()),
            toml::Value::String(date) if !date.trim().is_empty() => Some(date.clone()),
            other => {
                let words = format!("`date` is {other}: write a day such as 2026-03-04");
                return Err((Some(line(date.span().start)), words));
            }
        },
    };
    let (part, whole) = match (&note.condition, &note.job) {
        (Some(condition), None) => (condition, true),
        (None, Some(job)) => (job, false),
        (Some(_), Some(job)) => {
            return Err((place(job), "a note is on a `condition` or on a `job`: keep one of the two".into()));
        }
        (None, None) => {
            let words = "the note is on nothing: add `condition` or `job`, the first digits of a job's key"
                .to_string();
            return Err((None, words));
        }
    };
    let (key, condition) = find(part.as_ref(), keys, whole).map_err(|words| (place(part), words))?;
    Ok(ReviewNote {
        condition: condition as usize,
        job: (!whole).then_some(key),
        reason: note.reason.as_ref().trim().to_string(),
        reference: note.reference.as_ref().map(|text| text.as_ref().trim().to_string()),
        author: note.author.as_ref().trim().to_string(),
        date,
    })
}

/// The job, or any job of the one condition, whose key begins with these digits.
///
/// # Errors
/// Words that say what was given and what to give instead.
pub fn find(
    given: &str,
    keys: &BTreeMap<String, u32>,
    any_of_condition: bool,
) -> Result<(String, u32), String> {
    // Links on the page read `c-` and the key.
    let digits = given.trim().trim_start_matches('#').trim_start_matches("c-c").trim_start_matches("c-");
    let digits: String = digits.chars().take(16).collect::<String>().to_ascii_lowercase();
    if digits.len() < FEWEST_DIGITS || !digits.bytes().all(|byte| byte.is_ascii_hexdigit()) {
        return Err(format!(
            "`{given}` is no job key: give at least the first {FEWEST_DIGITS} hexadecimal digits, as on the report"
        ));
    }
    let found: Vec<(&String, &u32)> =
        keys.range(digits.clone()..).take_while(|(key, _)| key.starts_with(&digits)).collect();
    match found.as_slice() {
        [] => {
            Err(format!("no job of this run has a key beginning with `{digits}`; the report shows the keys"))
        }
        [(key, condition)] => Ok(((*key).clone(), **condition)),
        [(key, condition), rest @ ..]
            if any_of_condition && rest.iter().all(|(_, other)| other == condition) =>
        {
            Ok(((*key).clone(), **condition))
        }
        several => {
            Err(format!("{} jobs have keys beginning with `{digits}`: give more digits", several.len()))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn jobs() -> HashMap<[u8; 32], Job> {
        let job = |condition| Job { condition, mounting: 0, repeat: 0, start: 0 };
        let key = |first: u8, second: u8| {
            let mut key = [0; 32];
            (key[0], key[1], key[2]) = (first, second, 7);
            key
        };
        HashMap::from([(key(0xab, 0xcd), job(0)), (key(0xab, 0xce), job(1)), (key(0x12, 0x34), job(1))])
    }

    #[test]
    fn notes_find_their_condition_or_job() {
        let text = "[[note]]\ncondition = \"c-cabce\"\nreason = \" cable \"\nauthor = \"A\"\ndate = 2026-03-04\n\
                    [[note]]\njob = \"1234\"\nreason = \"x\"\nreference = \"r\"\nauthor = \"B\"\n";
        let notes = parse(text, &jobs()).unwrap();
        assert_eq!((notes[0].condition, notes[0].job.as_deref()), (1, None));
        assert_eq!(notes[0].reason, "cable");
        assert_eq!(notes[0].date.as_deref(), Some("2026-03-04"));
        assert_eq!((notes[1].condition, notes[1].job.as_deref()), (1, Some("1234070000000000")));
        assert!(parse("", &jobs()).unwrap().is_empty());
    }

    #[test]
    fn bad_notes_name_their_line_and_the_remedy() {
        let error = |text: &str| parse(text, &jobs()).unwrap_err();
        let (line, words) = error("[[note]]\ncondition = \"abcd\"\nreason = \"x\"\nauthor = \"\"\n");
        assert_eq!(line, 4, "{words}");
        let (line, words) = error("# notes\n[[note]]\njob = \"9999\"\nreason = \"x\"\nauthor = \"A\"\n");
        assert!(line == 3 && words.contains("`9999`"), "{line} {words}");
        let (line, words) = error("[[note]]\njob = \"zz\"\nreason = \"x\"\nauthor = \"A\"\n");
        assert!(line == 2 && words.contains("hexadecimal"), "{words}");
        assert!(error("[[note]]\nreason = \"x\"\nauthor = \"A\"\n").1.contains("on nothing"));
        let (line, words) =
            error("[[note]]\njob = \"1234\"\nreason = \"x\"\nauthor = \"A\"\nverdict = \"pass\"\n");
        assert!(line == 5 && words.contains("verdict"), "{line} {words}");
        assert_eq!(error("[[note]]\njob = \"1234\"\nreason = \"x\n").0, 3);
        assert!(error("[[note]]\njob = \"1234\"\nreason = \"x\"\n").1.contains("author"));
        let (_, words) = error("[[note]]\njob = \"1234\"\nreason = \"x\"\nauthor = \"A\"\ndate = 7\n");
        assert!(words.contains("`date`"), "{words}");
    }
}
