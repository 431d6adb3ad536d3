//! `export`: results as a table, as JSON lines or as test results, written piece by piece; everything in one file; heads.

use crate::cli::ExportFormat;
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::terminal::Terminal;
use crate::evaluate::causes;
use crate::evaluate::heads::Heads;
use crate::evaluate::judging::{JudgedBy, JudgedFolder};
use crate::folder::archive as tar;
use crate::folder::eye_summaries::CacheUse;
use crate::folder::output::{Output, unwritten};
use crate::folder::run_folder::{EXTRA_JOBS, open_whole};
use crate::store::{Attempts, STORE_FILE, Store, StoreReader, TemporaryFolder};
use nightbench_core::text::counted;
use pages::export::{csv, jsonl, junit};
use plan::keys::short_key;
use plan::selection::Selection;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

/// Writes the export of a run folder to a file or stdout.
pub fn export(
    terminal: &Terminal,
    dir: &Path,
    format: ExportFormat,
    out: Option<&Path>,
    only: &[String],
    cache: CacheUse,
) -> Outcome {
    let reader = open_whole(dir)?;
    let mut folder = JudgedFolder::read(dir, &reader, JudgedBy::plan(cache))?;
    let selection = Selection::read(&folder.file.plan, only).map_err(Failure::invalid)?;
    let selected = |condition: &_| selection.contains(condition);
    folder.run.left_out.retain(|left_out| selected(&left_out.condition));
    if !folder.run.conditions.iter().any(|judged| selected(&judged.condition)) {
        let words = match folder.run.left_out.len() {
            0 => "the selection is empty".to_string(),
            n => format!("the plan leaves out all it selects ({})", counted(n, "condition")),
        };
        return Err(Failure::new(Exit::NothingSelected, format!("nothing to export: {words}")));
    }
    if format == ExportFormat::Archive {
        let Some(path) = out else {
            return Err(Failure::invalid("an archive is no text: name its file with --out FILE.tar"));
        };
        archive(&folder, &reader, dir, path)?;
        terminal.note(&format!("written: {}, report {}", path.display(), folder.facts.report_id));
        return Ok(Exit::Pass);
    }
    match out {
        Some(path) => {
            let mut sink = Sink { out: Output::named(path, &[dir])?, fault: None };
            let written = write(&mut folder, &reader, &selection, format, &mut sink);
            if let Some(fault) = sink.fault {
                return Err(unwritten(path, &fault));
            }
            written?;
            sink.out.finish()?;
            terminal.note(&format!("written: {}", path.display()));
        }
        None => {
            let mut sink = Sink { out: BufWriter::new(std::io::stdout().lock()), fault: None };
            let written = write(&mut folder, &reader, &selection, format, &mut sink);
            match sink.finish() {
                // Whoever read along has seen enough.
                Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => return Ok(Exit::Pass),
                Err(error) => return Err(unwritten(Path::new("stdout"), &error)),
                Ok(()) => written?,
            }
        }
    }
    Ok(Exit::Pass)
}

/// The member of an archive that a reader opens first.
pub const HOW_TO_CHECK: &str = "how-to-check.txt";

/// What is in an archive, and how its reader checks it.
pub fn how_to_check(folder: &JudgedFolder, has_extra_jobs: bool) -> String {
    let number = &folder.number.number;
    let extra = if has_extra_jobs {
        "\n         extra-jobs/      a run folder of its own: what was measured to explain the worst conditions, judged by nothing"
    } else {
        ""
    };
    let causes = if folder.facts.causes.is_empty() {
        ""
    } else {
        "causes.json      what the worst lanes suffer from, as it was found\n         "
    };
    format!(
        "Report {number}: {title}\n\n\
         report.html      the report; any browser, no network\n\
         plan.toml        the plan as run, with the content of every file it names\n\
         limits.txt       limits, decision rule and uncertainty that it judges by\n\
         notes.toml       notes of its readers, where there are any\n\
         {causes}heads.json       what identifies the results and their log; what a signature signs\n\
         results.sqlite   every count as it was measured, with its log{extra}\n\n\
         Is this what was measured, and does it give this report?\n\n    \
         nightbench report ARCHIVE.tar --verify {number}\n\n\
         Who vouches for it? With a signed heads.json and the signer's public key, from the signer and not from here:\n\n    \
         nightbench report ARCHIVE.tar --verify heads.json --signed-by KEY.pub\n\n\
         0: nothing differs; 1: it says what differs; 74: changed, or another run. Compare {number} with the number that you were told:\n\
         an archive that was made anew as a whole is sound in itself. Unpacked, it is a run folder like any other.\n",
        title = folder.facts.title,
    )
}

/// Everything of a run in one file.
fn archive(folder: &JudgedFolder, reader: &StoreReader, dir: &Path, path: &Path) -> Result<(), Failure> {
    let unwritten = |error: std::io::Error| unwritten(path, &error);
    let mut out = Output::named(path, &[dir])?;
    let scratch = TemporaryFolder::new()?;
    let copy = scratch.0.join(STORE_FILE);
    reader.copy_to(&copy)?;
    let extra = dir.join(EXTRA_JOBS);
    let extra = if Store::exists(&extra)? { Some(open_whole(&extra)?) } else { None };
    let causes = if folder.facts.causes.is_empty() { None } else { causes::text(dir)? };
    let texts = [
        ("report.html", folder.page(reader)?),
        ("plan.toml", folder.file.text.clone()),
        ("limits.txt", folder.number.limits_text.clone()),
        ("notes.toml", folder.number.notes_text.clone()),
        (causes::FILE, causes.unwrap_or_default()),
        (HOW_TO_CHECK, how_to_check(folder, extra.is_some())),
        ("heads.json", Heads::of(folder, reader)?.to_text()),
    ];
    for (name, text) in texts.iter().filter(|(_, text)| !text.is_empty()) {
        tar::add(&mut out, name, text.len() as u64, &mut text.as_bytes()).map_err(unwritten)?;
    }
    let mut add_store = |name: &str, copy: &Path| {
        let mut store = File::open(copy)?;
        let size = store.metadata()?.len();
        tar::add(&mut out, name, size, &mut store)
    };
    add_store(STORE_FILE, &copy).map_err(unwritten)?;
    if let Some(extra) = extra {
        let copy = scratch.0.join("extra");
        extra.copy_to(&copy)?;
        add_store(&format!("{EXTRA_JOBS}/{STORE_FILE}"), &copy).map_err(unwritten)?;
    }
    tar::end(&mut out).map_err(unwritten)?;
    out.finish()
}

fn write<W: Write>(
    folder: &mut JudgedFolder,
    reader: &StoreReader,
    selection: &Selection,
    format: ExportFormat,
    out: &mut Sink<W>,
) -> Result<(), Failure> {
    let fault = |words: String| Failure::new(Exit::Store, words);
    if format == ExportFormat::Csv {
        return table(folder, reader, selection, out);
    }
    folder.run.conditions.retain(|judged| selection.contains(&judged.condition));
    match format {
        ExportFormat::Heads => {
            let text = Heads::of(folder, reader)?.to_text();
            std::fmt::Write::write_str(out, &text).map_err(|error| fault(error.to_string()))
        }
        ExportFormat::Jsonl => {
            jsonl::write(&folder.run, &folder.facts, out).map_err(|error| fault(error.to_string()))
        }
        _ => junit::write(&folder.run, &folder.facts, out).map_err(|error| fault(error.to_string())),
    }
}

/// The lane table: jobs are read from the store one at a time, in the plan's order.
fn table<W: Write>(
    folder: &JudgedFolder,
    reader: &StoreReader,
    selection: &Selection,
    out: &mut Sink<W>,
) -> Result<(), Failure> {
    let (run, facts) = (&folder.run, &folder.facts);
    let fault = |error: std::fmt::Error| Failure::new(Exit::Store, error.to_string());
    csv::header(run, out).map_err(fault)?;
    for stored in reader.jobs(Attempts::Counting) {
        let stored = stored?;
        let Some(job) = folder.jobs.get(&stored.row.key) else { continue };
        let Some(judged) = run.conditions.get(job.condition as usize) else { continue };
        let key = short_key(&stored.row.key);
        let Some(note) = judged.jobs.iter().find(|note| note.key == key) else { continue };
        if !selection.contains(&judged.condition) {
            continue;
        }
        let captures =
            reader.captures(&stored).and_then(|captures| captures.collect::<Result<Vec<_>, _>>())?;
        let utc = (stored.row.started_utc.as_str(), stored.row.ended_utc.as_str());
        let rate = judged.condition.rate(&folder.file.plan);
        csv::job(run, facts, &csv::JobRows { judged, note, utc, captures: &captures, rate }, out)
            .map_err(fault)?;
    }
    for judged in run.conditions.iter().filter(|judged| judged.jobs.is_empty()) {
        if selection.contains(&judged.condition) {
            csv::not_run(run, facts, judged, out).map_err(fault)?;
        }
    }
    Ok(())
}

/// Text to bytes, keeping the first fault with its cause.
struct Sink<W: Write> {
    out: W,
    fault: Option<std::io::Error>,
}

impl<W: Write> Sink<W> {
    fn finish(mut self) -> std::io::Result<()> {
        match self.fault.take() {
            Some(fault) => Err(fault),
            None => self.out.flush(),
        }
    }
}

impl<W: Write> std::fmt::Write for Sink<W> {
    fn write_str(&mut self, text: &str) -> std::fmt::Result {
        self.out.write_all(text.as_bytes()).map_err(|error| {
            self.fault.get_or_insert(error);
            std::fmt::Error
        })
    }
}
