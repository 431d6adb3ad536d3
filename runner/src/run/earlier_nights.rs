//! Earlier nights of a bench, from run folders: how fast it was there is where the forecast of the next night begins.

use crate::console::exit::{Exit, Failure};
use crate::forecast::Forecast;
use crate::forecast::bench_clock::BenchClock;
use crate::inputs::plan_file::PlanFile;
use crate::run::bench_run::nights_of;
use crate::store::{Store, StoreReader, Target};
use nightbench_core::text::counted;
use schedule::{Learned, Night, Rest, Sums, Work};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

const NOTE: &str = "earlier nights";

/// A night as a run folder notes it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Noted {
    folder: String,
    /// UTC; empty for a simulated run, which has no clock.
    begun: String,
    /// By kind of work: stretches, sum and sum of squares of ln(observed / planned).
    sums: Vec<[f64; 3]>,
}

/// Nights that a forecast was learned from.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct EarlierNights {
    nights: Vec<Noted>,
    /// What the folders named were measured on, with the first of them.
    #[serde(skip)]
    of: Option<(PathBuf, Target)>,
}

impl EarlierNights {
    /// Of run folders, all measured on one bench.
    ///
    /// # Errors
    /// Exit 2: folders of several benches, or one without a night that tells anything. Exit 74: a store cannot be read.
    pub fn read(dirs: &[PathBuf]) -> Result<EarlierNights, Failure> {
        let mut all = EarlierNights::default();
        for dir in dirs {
            if !Store::exists(dir)? {
                return Err(Failure::invalid(format!(
                    "--nights {}: no run folder; name one that `run` has written",
                    dir.display()
                )));
            }
            let reader = Store::open_read_only(dir)?;
            let target = reader.meta()?.target;
            all.refuse_others(&target)?;
            all.of.get_or_insert((dir.clone(), target));
            let nights: Vec<Noted> = of_folder(&reader)?.into_iter().filter(Noted::tells).collect();
            if nights.is_empty() {
                return Err(Failure::invalid(format!(
                    "--nights {}: no job was measured there, so it tells nothing of the bench; leave it out",
                    dir.display()
                )));
            }
            all.nights.extend(nights);
        }
        Ok(all)
    }

    /// Are they of this target?
    ///
    /// # Errors
    /// Exit 2: they are of another.
    pub fn refuse_others(&self, target: &Target) -> Result<(), Failure> {
        match &self.of {
            Some((dir, of)) if of != target => Err(Failure::invalid(format!(
                "--nights {}: measured on {}, which tells nothing of {}; name folders of one bench only",
                dir.display(),
                of.words(),
                target.words()
            ))),
            _ => Ok(()),
        }
    }

    /// As noted in a run folder; none where nothing was.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read, or holds something else.
    pub fn noted(reader: &StoreReader) -> Result<EarlierNights, Failure> {
        let noted = reader.noted(NOTE)?;
        noted.map_or(Ok(EarlierNights::default()), |text| {
            serde_json::from_str(&text)
                .map_err(|error| Failure::new(Exit::Store, format!("the note of {NOTE} is damaged: {error}")))
        })
    }

    /// Those of a run that begins or goes on in a folder: these, which the folder then notes, else those it noted before; and on a bench
    /// the nights that the folder itself holds.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read or written.
    pub fn of_run(self, store: &mut Store) -> Result<EarlierNights, Failure> {
        let mut all = if self.nights.is_empty() { EarlierNights::noted(store.reader())? } else { self };
        if !all.nights.is_empty() {
            let text =
                serde_json::to_string(&all).map_err(|error| Failure::new(Exit::Store, error.to_string()))?;
            store.note(NOTE, &text)?;
        }
        if matches!(store.reader().meta()?.target, Target::Bench(_)) {
            all.nights.extend(of_folder(store.reader())?.into_iter().filter(Noted::tells));
        }
        Ok(all)
    }

    /// Those of a folder, before the night that is left of it, and what that night showed where it is `going_on`.
    ///
    /// # Errors
    /// Exit 74: the store cannot be read.
    pub fn so_far(reader: &StoreReader, going_on: bool) -> Result<(EarlierNights, Option<Night>), Failure> {
        let mut all = EarlierNights::noted(reader)?;
        if reader.meta()?.target == Target::Simulated {
            return Ok((all, None));
        }
        all.nights.extend(of_folder(reader)?);
        let tonight = if going_on { all.nights.pop() } else { None };
        all.nights.retain(Noted::tells);
        Ok((all, Some(tonight.as_ref().and_then(Noted::night).unwrap_or_default())))
    }

    /// What they teach, before the next night.
    pub fn learned(&self, prior_sd: f64) -> Learned {
        let nights: Vec<Night> = self.nights.iter().filter_map(Noted::night).collect();
        Learned::after(&nights, prior_sd)
    }

    /// Which nights a forecast was learned from, and how fast they were, in words; `None` without any.
    pub fn words(&self, prior_sd: f64) -> Option<String> {
        let number = self.nights.len();
        if number == 0 {
            return None;
        }
        let learned = self.learned(prior_sd);
        let kinds = [
            (Work::Hands, "hands"),
            (Work::Up, "ramps up"),
            (Work::Down, "ramps down"),
            (Work::Soak, "soak"),
            (Work::Measure, "measuring"),
        ];
        let known: Vec<String> = kinds
            .iter()
            .filter(|(kind, _)| {
                self.nights.iter().any(|noted| noted.night().is_some_and(|one| one.sums(*kind).n > 0.0))
            })
            .map(|(kind, name)| {
                let (mean, sd) = learned.posterior(*kind);
                format!("{name} {:.2} (+-{:.0} %)", mean.exp(), 100.0 * sd)
            })
            .collect();
        let names: Vec<String> = self
            .nights
            .iter()
            .map(|noted| match noted.begun.split_once('T') {
                Some((day, _)) => format!("{} of {day}", noted.folder),
                None => noted.folder.clone(),
            })
            .collect();
        Some(format!(
            "P10 to P90 are learned from {} ({}); a night of this bench is expected to take, of what is planned: {}",
            counted(number, "earlier night"),
            names.join(", "),
            known.join(", ")
        ))
    }
}

impl Noted {
    fn new(folder: &str, begun: String, night: &Night) -> Noted {
        let sums = Work::ALL.map(|kind| {
            let Sums { n, sum, square } = night.sums(kind);
            [n, sum, square]
        });
        Noted { folder: folder.into(), begun, sums: sums.to_vec() }
    }

    fn tells(&self) -> bool {
        self.sums.iter().any(|[n, ..]| *n > 0.0)
    }

    fn night(&self) -> Option<Night> {
        let sums: Vec<Sums> =
            self.sums.iter().map(|[n, sum, square]| Sums { n: *n, sum: *sum, square: *square }).collect();
        Night::from_sums(sums.try_into().ok()?)
    }
}

/// The nights that a folder holds: those of a bench one by one, a simulated run as one.
fn of_folder(reader: &StoreReader) -> Result<Vec<Noted>, Failure> {
    if reader.progress()?.measured == 0 {
        return Ok(Vec::new());
    }
    let meta = reader.meta()?;
    let file = PlanFile::from_text(meta.plan_text.clone(), "stored plan", false)
        .map_err(|failure| Failure::new(Exit::Store, failure.words))?;
    let forecast = Forecast::new(&file.plan, &[])?;
    let nights = match meta.target {
        Target::Bench(_) => nights_of(reader, &forecast)?,
        Target::Simulated => {
            let clock = BenchClock::of_store(&file.plan, &forecast, reader)?;
            vec![(String::new(), *clock.observed(Rest::AfterStop)?.learned.night())]
        }
    };
    let name = reader.path().parent().and_then(Path::file_name).map(|name| name.to_string_lossy());
    let name = name.as_deref().unwrap_or("this folder");
    Ok(nights.into_iter().map(|(begun, night)| Noted::new(name, begun, &night)).collect())
}
