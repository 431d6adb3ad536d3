//! `report --verify`: is the folder what it was when a number was printed, or a head noted or signed, and what differs?

use crate::commands::export::{HOW_TO_CHECK, how_to_check};
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::terminal::Terminal;
use crate::evaluate::heads::Heads;
use crate::evaluate::judging::{JudgedBy, JudgedFolder};
use crate::folder::archive::unpack;
use crate::folder::eye_summaries::CacheUse;
use crate::folder::run_folder::{EXTRA_JOBS, open_whole};
use crate::inputs::plain_file::{LARGEST, read_bytes};
use crate::inputs::signature::signer;
use crate::store::{IssuedReport, Store, StoreReader, TemporaryFolder, hex};
use serde_json::json;
use std::path::{Path, PathBuf};

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

/// Looks through the folder, then for the number, head or file of heads in it.
pub fn verify(
    terminal: &Terminal,
    dir: &Path,
    given: &str,
    signed_by: Option<&Path>,
    as_json: bool,
) -> Outcome {
    let given = given.trim();
    // As it is written down by hand.
    let number = given.get(..3).filter(|begin| begin.eq_ignore_ascii_case("NB-"));
    let number = number.map(|begin| format!("NB-{}", given[begin.len()..].to_ascii_lowercase()));
    let given = number.as_deref().unwrap_or(given);
    let file = (!given.starts_with("NB-") && Path::new(given).exists()).then(|| Path::new(given));
    if let (Some(_), None) = (signed_by, file) {
        return Err(Failure::invalid(format!(
            "--signed-by asks whose a signature is, and {given} is no file that was signed: name the file of heads"
        )));
    }
    // A wrong signature is told at once, before the folder is looked through.
    let heads = file.map(|file| SignedHeads::read(file, signed_by)).transpose()?;
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
    let record = Record { dir, reader: &reader, folder: &folder };
    let answer = match &heads {
        Some(signed) => record.of_heads(given, signed)?,
        None => record.answer(given)?,
    };
    let signer = heads.and_then(|signed| signed.signer);
    if as_json {
        let same = answer.differs.is_empty();
        let object = json!({
            "given": given, "same": same, "differs": answer.differs, "words": answer.words, "signed_by": signer,
        });
        terminal.out(&object.to_string());
    } else {
        let mut text = answer.words;
        for one in &answer.differs {
            text.push_str(&format!("\n  differs now: {one}"));
        }
        terminal.out(&text);
    }
    Ok(if answer.differs.is_empty() { Exit::Pass } else { Exit::NotAllPass })
}

/// A file of heads, and whose signature stands beside it.
struct SignedHeads {
    heads: Heads,
    signer: Option<String>,
}

impl SignedHeads {
    fn read(path: &Path, signed_by: Option<&Path>) -> Result<SignedHeads, Failure> {
        let text = read_bytes(path, LARGEST, "a file of heads (`nightbench export DIR --as heads`)")?;
        let mut beside = path.as_os_str().to_owned();
        beside.push(".sig");
        let beside = PathBuf::from(beside);
        let signer = match signed_by {
            Some(keys) => Some(signer(&text, &beside, keys)?),
            None if beside.exists() => {
                return Err(Failure::invalid(format!(
                    "{} is there: say whose signature counts by --signed-by KEYS, a file of public keys that you have from \
                     the signer",
                    beside.display()
                )));
            }
            None => None,
        };
        let heads =
            Heads::read(&text).map_err(|words| Failure::invalid(format!("{}: {words}", path.display())))?;
        Ok(SignedHeads { heads, signer })
    }
}

/// Are the texts of an archive those that its store gives?
fn same_texts(
    archive: &Path,
    place: &Path,
    folder: &JudgedFolder,
    reader: &StoreReader,
) -> Result<(), Failure> {
    let extra = place.join(EXTRA_JOBS);
    let has_extra_jobs = Store::exists(&extra)?;
    if has_extra_jobs {
        open_whole(&extra)?;
    }
    let texts = [
        ("report.html", folder.page(reader)?),
        ("plan.toml", folder.file.text.clone()),
        ("limits.txt", folder.number.limits_text.clone()),
        ("heads.json", Heads::of(folder, reader)?.to_text()),
        (HOW_TO_CHECK, how_to_check(folder, has_extra_jobs)),
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

/// A folder that was looked through.
struct Record<'f> {
    dir: &'f Path,
    reader: &'f StoreReader,
    folder: &'f JudgedFolder,
}

impl Record<'_> {
    fn answer(&self, given: &str) -> Result<Answer, Failure> {
        let found = if given.starts_with("NB-") {
            self.of_number(given)?
        } else {
            self.of_head(&given.to_ascii_lowercase())?
        };
        found.ok_or_else(|| {
            Failure::new(
                Exit::Store,
                format!(
                    "{}: nothing here was ever known as {given}. The folder is sound in itself, but it is not the one that was \
                     noted: another run, an older copy, or written anew",
                    self.dir.display()
                ),
            )
        })
    }

    /// Of every head in a file.
    fn of_heads(&self, given: &str, signed: &SignedHeads) -> Result<Answer, Failure> {
        let heads = &signed.heads;
        let Answer { words, differs } = self.answer(&heads.report)?;
        let number = &self.folder.number;
        let issued = self.reader.issued()?;
        let of_report = if number.number == heads.report {
            Some((&number.replaces, &number.results_head))
        } else {
            let kept = issued.iter().rev().find(|report| report.number == heads.report);
            kept.map(|report| (&report.replaces, &report.results_head))
        };
        if of_report
            .is_none_or(|(replaces, head)| *replaces != heads.replaces || hex(head) != heads.results_head)
        {
            return Err(Failure::new(
                Exit::Store,
                format!(
                    "{given}: report {} had other results, or took the place of another report, than stands there; ask for \
                     the heads again",
                    heads.report
                ),
            ));
        }
        let log = self.answer(&heads.log_head)?;
        let signer = signed.signer.as_ref().map_or("nobody, there is no signature".to_owned(), Clone::clone);
        Ok(Answer { words: format!("signed by {signer}\n{words}\n{}", log.words), differs })
    }

    fn of_number(&self, given: &str) -> Result<Option<Answer>, Failure> {
        let issued = self.reader.issued()?;
        if self.folder.number.number == given {
            let words = format!(
                "report {given}: the folder gives this report now{}",
                replacing(&self.folder.number.replaces)
            );
            return Ok(Some(Answer { words, differs: Vec::new() }));
        }
        let Some(report) = issued.iter().rev().find(|report| report.number == given) else { return Ok(None) };
        let mut differs = self.folder.number.differs_from(report);
        let later = issued.iter().find(|later| later.replaces.as_deref() == Some(given));
        if let Some(later) = later {
            differs.push(format!("report {} was issued in its place on {}", later.number, later.issued_utc));
        }
        Ok(Some(Answer { words: issued_words(report), differs }))
    }

    fn of_head(&self, given: &str) -> Result<Option<Answer>, Failure> {
        if given.len() < FEWEST_DIGITS || !given.bytes().all(|byte| byte.is_ascii_hexdigit()) {
            return Err(Failure::invalid(format!(
                "`{given}` is neither a report's number (NB-...) nor a head (at least {FEWEST_DIGITS} hexadecimal digits) nor a file \
             that is there"
            )));
        }
        let found = |words: String| Ok(Some(Answer { words, differs: Vec::new() }));
        if hex(&self.folder.number.results_head).starts_with(given) {
            return found("results, limits and notes are those of this head".into());
        }
        let events = self.reader.events()?;
        if let Some(place) = events.iter().position(|event| hex(&event.sha256).starts_with(given)) {
            let since = events.len() - place - 1;
            return found(format!(
                "the log had this head at event {} ({}); it goes on from there unchanged, with {since} events since",
                place + 1,
                events[place].utc
            ));
        }
        let issued = self.reader.issued()?;
        let Some(report) = issued.iter().rev().find(|report| hex(&report.results_head).starts_with(given))
        else {
            return Ok(None);
        };
        let differs = self.folder.number.differs_from(report);
        Ok(Some(Answer { words: format!("this head was that of {}", issued_words(report)), differs }))
    }
}

fn issued_words(report: &IssuedReport) -> String {
    format!("report {}, issued on {}{}", report.number, report.issued_utc, replacing(&report.replaces))
}

fn replacing(replaces: &Option<String>) -> String {
    replaces.as_ref().map_or_else(String::new, |number| format!(", in place of {number}"))
}
