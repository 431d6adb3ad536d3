//! The extra jobs of `[diagnosis]` of merged folders: one folder within the result, for the conditions of all of them.

use super::{Chosen, Merged, Part, choose, copy, open_out, open_parts, refuse_foreign};
use crate::console::exit::Failure;
use crate::folder::run_folder::{EXTRA_JOBS, keys_of};
use crate::forecast::Forecast;
use crate::forecast::folder_facts::PlanSize;
use crate::inputs::plan_file::PlanFile;
use crate::store::{Store, utc_text};
use plan::diagnosis::together;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// Extra jobs that were looked through and contradict each other nowhere.
pub struct ExtraParts {
    out: PathBuf,
    parts: Vec<Part>,
    chosen: Chosen,
}

impl ExtraParts {
    /// Those of some folders, for a result that may hold some already; `None` where none of the folders has any.
    ///
    /// # Errors
    /// Exit 2 when they do not belong together; exit 74 for a store.
    pub fn open<'d>(out: &Path, dirs: impl Iterator<Item = &'d Path>) -> Result<Option<ExtraParts>, Failure> {
        let mut there = Vec::new();
        for dir in dirs.map(|dir| dir.join(EXTRA_JOBS)) {
            if Store::exists(&dir)? {
                there.push(dir);
            }
        }
        if there.is_empty() {
            return Ok(None);
        }
        let (mut parts, _) = open_parts(&there)?;
        let out = out.join(EXTRA_JOBS);
        let mut texts: Vec<String> = parts.iter().map(|part| part.meta.plan_text.clone()).collect();
        if Store::exists(&out)? {
            texts.push(Store::open_read_only(&out)?.meta()?.plan_text);
        }
        let texts: Vec<&str> = texts.iter().map(String::as_str).collect();
        let text = together(&texts).map_err(|words| {
            let dirs: Vec<String> = parts.iter().map(|part| part.dir.display().to_string()).collect();
            Failure::invalid(format!(
                "the extra jobs in {} do not belong together: {words}; bring each folder up to date by running its plan once \
                 more, or remove the extra jobs of one and merge again",
                dirs.join(", ")
            ))
        })?;
        // They differ in the conditions that turned out worst, and in nothing else.
        parts.iter_mut().for_each(|part| part.meta.plan_text.clone_from(&text));
        for part in &parts[1..] {
            refuse_foreign(&parts[0], part)?;
        }
        let chosen = choose(&parts)?;
        Ok(Some(ExtraParts { out, parts, chosen }))
    }

    /// Writes them into the result; the number of jobs taken over.
    ///
    /// # Errors
    /// Exit 74: the store cannot be written.
    pub fn merge(self) -> Result<u64, Failure> {
        let ExtraParts { out, parts, chosen } = self;
        let file = PlanFile::from_text(parts[0].meta.plan_text.clone(), "stored plan", false)?;
        let forecast = Forecast::new(&file.plan, &[])?;
        if Store::exists(&out)? {
            let mut store = Store::open(&out)?;
            if store.reader().meta()?.plan_text != file.text {
                extend(&mut store, &file, &forecast)?;
            }
            store.close()?;
        }
        let mut store = open_out(&out, &parts)?;
        let mut merged = Merged::default();
        copy(&parts, &chosen, &mut store, &mut merged)?;
        if merged.taken > 0 {
            extend(&mut store, &file, &forecast)?;
        }
        PlanSize::new(&file.text, &forecast).keep(&mut store)?;
        store.close()?;
        Ok(merged.taken)
    }
}

/// The plan of all as the folder's own, with the places of its jobs in it.
fn extend(store: &mut Store, file: &PlanFile, forecast: &Forecast) -> Result<(), Failure> {
    let target = store.reader().meta()?.target;
    let keys = keys_of(&file.plan, &target)?;
    let conditions = &forecast.expansion.conditions;
    let places = forecast.jobs.iter().map(|job| keys.key(&conditions[job.condition as usize], job)).zip(0..);
    let utc = utc_text(SystemTime::now());
    store.extend_plan(&utc, &file.plan.title, &file.text, places).map_err(Failure::from)
}
