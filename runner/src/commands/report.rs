//! `report`: rebuilds the page from the stored counts alone; what-if questions, by other limits or another rule, get a page
//! of their own.

use super::run_summary::{closing_words, exit_of, explain};
use super::verify::verify;
use crate::cli::ReportArguments;
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::terminal::Terminal;
use crate::evaluate::criteria;
use crate::evaluate::eye_page;
use crate::evaluate::judging::{JudgedBy, JudgedFolder};
use crate::folder::eye_summaries::CacheUse;
use crate::folder::run_folder::open_whole;
use crate::inputs::plan_file::PlanFile;
use crate::store::{LimitSet, Store, StoreError, StoreReader, utc_text};
use plan::criteria::AcceptanceCriteria;
use plan::selection::Selection;
use std::path::Path;
use std::time::SystemTime;

/// Rebuilds DIR/report.html, or draws the eyes of one job.
pub fn report(terminal: &Terminal, arguments: &ReportArguments) -> Outcome {
    let dir = &arguments.dir;
    if let Some(given) = &arguments.verify {
        return verify(terminal, dir, given, arguments.signed_by.as_deref(), arguments.json.json);
    }
    let instead = match (&arguments.limits, &arguments.rule) {
        (Some(path), _) => Some((format!("the file {}", path.display()), other_limits(terminal, dir, path)?)),
        (None, Some(name)) => Some((format!("the rule {name}"), other_rule(dir, name)?)),
        (None, None) => None,
    };
    let asked = instead.as_ref().map(|(name, _)| format!("judged by {name}"));
    let beyond_counts = instead.as_ref().map(|(_, criteria)| criteria.decision.beyond_rating_counts);
    let mut source = Source::open(dir)?;
    let reader = source.reader();
    let cache = match &source {
        Source::Looking(..) if arguments.afresh.afresh => CacheUse::Ignore,
        Source::Looking(..) => CacheUse::Look,
        Source::Writing(_) if arguments.afresh.afresh => CacheUse::Afresh,
        Source::Writing(_) => CacheUse::Keep,
    };
    let mut folder = JudgedFolder::read(dir, reader, JudgedBy { instead, all_sets: true, cache })?;
    folder.facts.what_if = asked;
    if let Some(job) = &arguments.eye {
        let (path, job) = eye_page::write(&folder, dir, reader, job)?;
        let path = path.display().to_string();
        terminal.out(&if arguments.json.json {
            serde_json::json!({"simulated": folder.facts.simulated, "job": job, "page": path}).to_string()
        } else {
            format!("eyes of job {job}: {path}")
        });
        return Ok(Exit::Pass);
    }
    let path = folder.write_page(dir, reader)?;
    match &mut source {
        Source::Writing(store) => folder.keep(store)?,
        Source::Looking(_, why) => terminal
            .note(&format!("report {} is not put on record in the folder: {why}", folder.facts.report_id)),
    }
    source.close()?;
    if arguments.json.json {
        terminal.out(&folder.summary(&path).to_string());
    } else {
        terminal.out(&closing_words(&folder, &path, &Selection::default()));
    }
    let everything = Selection::default();
    let exit = exit_of(
        &folder,
        beyond_counts.unwrap_or(folder.file.plan.decision.beyond_rating_counts),
        &everything,
        None,
    );
    explain(terminal, exit, &folder, &everything);
    Ok(exit)
}

/// The plan's limits under another rule; a question that leaves nothing behind.
fn other_rule(dir: &Path, name: &str) -> Result<AcceptanceCriteria, Failure> {
    let reader = Store::open_read_only(dir)?;
    let origin = format!("plan stored in {}", dir.display());
    let plan = PlanFile::from_text(reader.meta()?.plan_text, &origin, false)?.plan;
    let (known, _) = criteria::recorded(&reader, &plan)?;
    let own = criteria::of_plan(&plan, &known, dir)?;
    let decision = own.decision.with_rule(name).map_err(Failure::invalid)?;
    Ok(AcceptanceCriteria { decision, ..own })
}

/// A run folder whose report is put on record, or one that can only be looked at.
enum Source {
    Writing(Box<Store>),
    /// With the reason.
    Looking(StoreReader, String),
}

impl Source {
    /// Opens a folder and looks through the whole of it.
    fn open(dir: &Path) -> Result<Source, Failure> {
        match Store::open_to_note(dir) {
            Ok(store) => Ok(Source::Writing(Box::new(store))),
            Err(
                error @ (StoreError::Locked { .. } | StoreError::ReadOnly { .. } | StoreError::Full { .. }),
            ) => Ok(Source::Looking(open_whole(dir)?, error.to_string())),
            Err(error) => Err(error.into()),
        }
    }

    fn reader(&self) -> &StoreReader {
        match self {
            Source::Writing(store) => store.reader(),
            Source::Looking(reader, _) => reader,
        }
    }

    fn close(self) -> Result<(), Failure> {
        match self {
            Source::Writing(store) => store.close().map_err(Failure::from),
            Source::Looking(..) => Ok(()),
        }
    }
}

/// Reads a file of limits and records it in the store, beside those the run was measured under.
fn other_limits(terminal: &Terminal, dir: &Path, path: &Path) -> Result<AcceptanceCriteria, Failure> {
    let mut store = Store::open_to_note(dir)?;
    let meta = store.reader().meta()?;
    let origin = format!("plan stored in {}", dir.display());
    let plan = PlanFile::from_text(meta.plan_text, &origin, false)?.plan;
    let (known, _) = criteria::recorded(store.reader(), &plan)?;
    let own = criteria::of_plan(&plan, &known, dir)?;
    let criteria = criteria::read_file(path, &plan, &own, terminal.colour_err)?;
    if !known.iter().any(|set| set.criteria == criteria) {
        let set = LimitSet {
            limits_text: criteria::recorded_text(&format!("the file {}", path.display()), &criteria),
            agreed_before_measuring: false,
            recorded_utc: utc_text(SystemTime::now()),
        };
        store.record_limits(&set)?;
    }
    store.close()?;
    Ok(criteria)
}
