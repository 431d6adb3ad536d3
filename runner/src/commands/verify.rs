//! `report --verify`: is the folder what it was when a number was printed or a head noted, and what differs?

use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::terminal::Terminal;
use crate::evaluate::judging::{JudgedBy, JudgedFolder};
use crate::folder::archive::unpack;
use crate::folder::eye_summaries::CacheUse;
use crate::folder::run_folder::open_whole;
use crate::store::{IssuedReport, StoreReader, TemporaryFolder, hex};
use serde_json::json;
use std::path::Path;

/// Fewest digits of a head that say which one is meant.
const FEWEST_DIGITS: usize = 12;

/// What a number or head turned out to be.
#[derive(Debug, PartialEq, Eq)]
struct Answer {
    /// In words, a sentence.
    words: String,
    /// What differs now.
    differs: Vec<String>,
}

/// Looks through the folder, then for the number or head in it.
pub fn verify(terminal: &Terminal, dir: &Path, given: &str, as_json: bool) -> Outcome {
    // A reviewer's archive is looked through like the folder it was made from.
    let unpacked = if dir.is_file() {
        let into = TemporaryFolder::new()?;
        unpack(dir, &into.0)?;
        Some(into)
    } else {
        None
    };
    let place = unpacked.as_ref().map_or(dir, |into| into.0.as_path());
    let reader = open_whole(place)?;
    let folder = JudgedFolder::read(place, &reader, JudgedBy::plan(CacheUse::Look))?;
    if unpacked.is_some() {
        same_texts(dir, place, &folder, &reader)?;
    }
    let given = given.trim();
    let answer = if given.starts_with("NB-") {
        of_number(&reader, &folder, given)?
    } else {
        of_head(&reader, &folder, &given.to_ascii_lowercase())?
    };
    let Some(answer) = answer else {
        return Err(Failure::new(
            Exit::Store,
            format!(
                "{}: nothing here was ever known as {given}. The folder is sound in itself, but it is not the one that was \
                 noted: another run, an older copy, or written anew",
                dir.display()
            ),
        ));
    };
    if as_json {
        let same = answer.differs.is_empty();
        terminal.out(
            &json!({"given": given, "same": same, "differs": answer.differs, "words": answer.words})
                .to_string(),
        );
    } else {
        let mut text = answer.words;
        for one in &answer.differs {
            text.push_str(&format!("\n  differs now: {one}"));
        }
        terminal.out(&text);
    }
    Ok(if answer.differs.is_empty() { Exit::Pass } else { Exit::NotAllPass })
}

/// Are the texts of an archive those that its store gives?
fn same_texts(
    archive: &Path,
    place: &Path,
    folder: &JudgedFolder,
    reader: &StoreReader,
) -> Result<(), Failure> {
    let texts = [
        ("report.html", folder.page(reader)?),
        ("plan.toml", folder.file.text.clone()),
        ("limits.txt", folder.number.limits_text.clone()),
    ];
    for (name, text) in texts {
        if std::fs::read(place.join(name)).ok().as_deref() != Some(text.as_bytes()) {
            return Err(Failure::new(
                Exit::Store,
                format!(
                    "{}: its {name} is not what its own results give; do not rely on it, ask for another archive",
                    archive.display()
                ),
            ));
        }
    }
    Ok(())
}

fn of_number(reader: &StoreReader, folder: &JudgedFolder, given: &str) -> Result<Option<Answer>, Failure> {
    let issued = reader.issued()?;
    if folder.number.number == given {
        let words =
            format!("report {given}: the folder gives this report now{}", replacing(&folder.number.replaces));
        return Ok(Some(Answer { words, differs: Vec::new() }));
    }
    let Some(report) = issued.iter().rev().find(|report| report.number == given) else { return Ok(None) };
    let mut differs = folder.number.differs_from(report);
    let later = issued.iter().find(|later| later.replaces.as_deref() == Some(given));
    if let Some(later) = later {
        differs.push(format!("report {} was issued in its place on {}", later.number, later.issued_utc));
    }
    Ok(Some(Answer { words: issued_words(report), differs }))
}

fn of_head(reader: &StoreReader, folder: &JudgedFolder, given: &str) -> Result<Option<Answer>, Failure> {
    if given.len() < FEWEST_DIGITS || !given.bytes().all(|byte| byte.is_ascii_hexdigit()) {
        return Err(Failure::invalid(format!(
            "`{given}` is neither a report's number (NB-...) nor a head: at least {FEWEST_DIGITS} hexadecimal digits"
        )));
    }
    let found = |words: String| Ok(Some(Answer { words, differs: Vec::new() }));
    if hex(&folder.number.results_head).starts_with(given) {
        return found("results, limits and notes are those of this head".into());
    }
    let events = reader.events()?;
    if let Some(place) = events.iter().position(|event| hex(&event.sha256).starts_with(given)) {
        let since = events.len() - place - 1;
        return found(format!(
            "the log had this head at event {} ({}); it goes on from there unchanged, with {since} events since",
            place + 1,
            events[place].utc
        ));
    }
    let issued = reader.issued()?;
    let Some(report) = issued.iter().rev().find(|report| hex(&report.results_head).starts_with(given)) else {
        return Ok(None);
    };
    let differs = folder.number.differs_from(report);
    Ok(Some(Answer { words: format!("this head was that of {}", issued_words(report)), differs }))
}

fn issued_words(report: &IssuedReport) -> String {
    format!("report {}, issued on {}{}", report.number, report.issued_utc, replacing(&report.replaces))
}

fn replacing(replaces: &Option<String>) -> String {
    replaces.as_ref().map_or_else(String::new, |number| format!(", in place of {number}"))
}
