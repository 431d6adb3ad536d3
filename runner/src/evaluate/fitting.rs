//! A plan's channel model and the counts of run folders brought together, and fitted.

use crate::console::exit::{Exit, Failure};
use crate::folder::run_folder::{keys_of, open_whole};
use crate::inputs::plan_file::PlanFile;
use crate::run::execute::Executor;
use crate::store::{Target, hex};
use judge::correlation::{Asked, Correlation, EyeOf, NamedCondition, correlate};
use nightbench_core::figure_model::{Figure, FigureModel};
use nightbench_core::results::{Capture, Direction, JobOutcome};
use plan::Plan;
use plan::expand::{Expansion, Job, expand, jobs};
use plan::matrix::Factor;
use plan::selection::Selection;
use rayon::prelude::*;
use simulator::fitting::{FreeLane, figures};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

/// One job's captures, by its place in the run's list of jobs.
pub struct MeasuredJob {
    pub job: Job,
    pub captures: Vec<Capture>,
}

/// A run as it is fitted.
pub struct MeasuredRun {
    /// Its own plan: which conditions it measured.
    pub plan: Plan,
    pub target: Target,
    /// What the fitted model names it: title and head of its results.
    pub name: String,
    pub jobs: Vec<MeasuredJob>,
}

impl MeasuredRun {
    /// Reads a run folder.
    ///
    /// # Errors
    /// Exit 2: no run folder; exit 74: the store cannot be read.
    pub fn read(dir: &Path) -> Result<MeasuredRun, Failure> {
        let reader = open_whole(dir)?;
        let meta = reader.meta()?;
        let origin = format!("plan stored in {}", dir.display());
        let plan = PlanFile::from_text(meta.plan_text.clone(), &origin, false)
            .map_err(|failure| Failure::new(Exit::Store, failure.words))?
            .plan;
        let expansion = expand(&plan, &Selection::default());
        let keys = keys_of(&plan, &meta.target)?;
        let mut packed = Vec::new();
        for job in jobs(&plan, &expansion) {
            let key = keys.key(&expansion.conditions[job.condition as usize], &job);
            let Some(stored) = reader.job(&key)? else { continue };
            if stored.outcome == JobOutcome::Measured {
                packed.push((job, hex(&key), reader.counts(&stored)?));
            }
        }
        let jobs = packed
            .into_par_iter()
            .map(|(job, key, counts)| match counts.captures() {
                Ok(captures) => Ok(MeasuredJob { job, captures }),
                Err(words) => {
                    Err(Failure::new(Exit::Store, format!("job {key} in the store is damaged: {words}")))
                }
            })
            .collect::<Result<Vec<_>, Failure>>()?;
        let head: String = hex(&reader.results_head("")?).chars().take(16).collect();
        Ok(MeasuredRun { name: format!("{}, results {head}", plan.title), target: meta.target, plan, jobs })
    }
}

/// Everything that is fitted, and what had to stay out.
pub struct Gathered {
    pub figures: Vec<Figure>,
    models: Vec<FreeLane>,
    conditions: Vec<NamedCondition>,
    eyes: Vec<OwnEye>,
    /// Conditions and lanes left out, and why.
    pub left_out: Vec<String>,
    /// Levels of each factor among the conditions that are fitted, by factor.
    pub levels: BTreeMap<&'static str, Vec<String>>,
    /// Conditions held out.
    pub held_out: usize,
    /// Rates, MT/s, and temperatures, degC, that are fitted.
    pub rates: Vec<u32>,
    pub temperatures: Vec<f64>,
}

/// As [`EyeOf`], with its capture.
struct OwnEye {
    capture: Capture,
    model: usize,
    chip: usize,
    module: usize,
    setup: usize,
    device_width: u16,
    skip: Vec<u16>,
    held_out: bool,
}

/// Which conditions of a run are held out: those of any of the selections.
fn held_out(plan: &Plan, texts: &[String]) -> Result<Vec<Selection>, String> {
    texts.iter().map(|text| Selection::read(plan, std::slice::from_ref(text))).collect()
}

/// A part of the fitted plan by its name.
fn named<T: Clone>(list: &[T], name: &str, of: impl Fn(&T) -> &str) -> Option<Arc<T>> {
    list.iter().find(|known| of(known) == name).cloned().map(Arc::new)
}

/// Brings the plan whose model is fitted and the runs together; `hold_out`: selections of conditions that are not fitted.
///
/// # Errors
/// Exit 2: a selection that no run knows; exit 4: nothing is left to be fitted.
pub fn gather(file: &PlanFile, runs: Vec<MeasuredRun>, hold_out: &[String]) -> Result<Gathered, Failure> {
    let plan = &file.plan;
    let figures = figures(plan.interface.generation, &plan.model)
        .map_err(|error| Failure::invalid(error.to_string()))?;
    let mut all = Gathered {
        figures,
        models: Vec::new(),
        conditions: Vec::new(),
        eyes: Vec::new(),
        left_out: Vec::new(),
        levels: BTreeMap::new(),
        held_out: 0,
        rates: Vec::new(),
        temperatures: Vec::new(),
    };
    // Chips, modules and setups by name; their numbers are their places.
    let mut parts: [Vec<String>; 3] = Default::default();
    let mut refused = Vec::new();
    let mut understood = false;
    for run in runs {
        let selections = match held_out(&run.plan, hold_out) {
            Ok(selections) => {
                understood = true;
                selections
            }
            Err(words) => {
                refused.push(words);
                Vec::new()
            }
        };
        add_run(&mut all, file, run, &selections, &mut parts)?;
    }
    if !understood && !hold_out.is_empty() {
        return Err(Failure::invalid(format!("--hold-out: {}", refused.join("; "))));
    }
    if !hold_out.is_empty() && all.held_out == 0 {
        return Err(Failure::new(
            Exit::NothingSelected,
            format!("--hold-out {}: no measured condition is selected", hold_out.join(" ")),
        ));
    }
    if all.eyes.iter().all(|eye| eye.held_out) {
        let why =
            if all.left_out.is_empty() { String::new() } else { format!(": {}", all.left_out.join("; ")) };
        return Err(Failure::new(
            Exit::NothingSelected,
            format!("no measured eye is left to be fitted{why}"),
        ));
    }
    for list in all.levels.values_mut() {
        list.dedup();
    }
    all.rates.sort_unstable();
    all.rates.dedup();
    all.temperatures.sort_by(f64::total_cmp);
    all.temperatures.dedup();
    Ok(all)
}

fn add_run(
    all: &mut Gathered,
    file: &PlanFile,
    run: MeasuredRun,
    selections: &[Selection],
    [chips, modules, setups]: &mut [Vec<String>; 3],
) -> Result<(), Failure> {
    let plan = &file.plan;
    let expansion: Expansion = expand(&run.plan, &Selection::default());
    let keys = keys_of(&run.plan, &run.target)?;
    let executor = Executor::new(&run.plan, &expansion, &keys);
    // One model for each condition, whatever its repeats.
    let mut model_of: BTreeMap<u32, Result<usize, String>> = BTreeMap::new();
    let number = |list: &mut Vec<String>, name: &str| {
        list.iter().position(|known| known == name).unwrap_or_else(|| {
            list.push(name.to_string());
            list.len() - 1
        })
    };
    for measured in run.jobs {
        let condition = expansion.conditions[measured.job.condition as usize];
        let hold = selections.iter().any(|selection| selection.contains(&condition));
        let name = condition.describe(&run.plan);
        let found = model_of.entry(measured.job.condition).or_insert_with(|| {
            let mut setting = executor.setting(&condition, &measured.job, 1);
            let unknown = |what: &str, name: &str| format!("{what} {name} is not in the plan");
            setting.module = named(&plan.modules, &setting.module.name, |module| &module.name)
                .ok_or_else(|| unknown("module", &setting.module.name))?;
            setting.channel = named(&plan.channels, &setting.channel.name, |channel| &channel.name)
                .ok_or_else(|| unknown("channel", &setting.channel.name))?;
            if let Some(firmware) = &setting.firmware {
                setting.firmware = named(&plan.firmwares, &firmware.name, |known| &known.name);
            }
            let data = file.measured.get(&setting.channel.name).cloned();
            if setting.channel.measured.is_some() && data.is_none() {
                return Err(format!("the measured data of channel {} were not read", setting.channel.name));
            }
            let model = FreeLane::new(&plan.interface, &setting, &plan.model, data)
                .map_err(|error| error.to_string())?;
            let levels = Factor::ALL
                .iter()
                .map(|(word, factor)| {
                    (word.to_string(), run.plan.level_name(*factor, condition.level(*factor)))
                })
                .collect();
            all.models.push(model);
            all.conditions.push(NamedCondition { name: name.clone(), levels });
            if hold {
                all.held_out += 1;
            } else {
                for (word, factor) in Factor::ALL {
                    let level = run.plan.level_name(factor, condition.level(factor));
                    let list = all.levels.entry(word).or_default();
                    if !list.contains(&level) {
                        list.push(level);
                    }
                }
                all.rates.push(condition.rate(&run.plan).nominal());
                all.temperatures.push(condition.temperature(&run.plan).0);
            }
            Ok(all.models.len() - 1)
        });
        let model = match found {
            Ok(model) => *model,
            Err(words) => {
                let words = format!("{name}: {words}");
                if !all.left_out.contains(&words) {
                    all.left_out.push(words);
                }
                continue;
            }
        };
        let module = condition.module(&run.plan);
        let chip = number(chips, &condition.chip(&run.plan).name);
        let setup = format!(
            "{} {chip} {} {} {}",
            run.name,
            module.name,
            condition.channel(&run.plan).name,
            measured.job.mounting
        );
        let setup = number(setups, &setup);
        for capture in measured.captures {
            let sweep = plan.interface.sweep(capture.eye.direction);
            if capture.eye.direction == Direction::Command {
                continue;
            }
            if (capture.grid.taps, capture.grid.vref_steps) != (sweep.taps, sweep.vref_steps) {
                let words = format!(
                    "{name}, {}: captured on {} taps x {} Vref steps, the plan has {} x {}",
                    capture.eye, capture.grid.taps, capture.grid.vref_steps, sweep.taps, sweep.vref_steps
                );
                if !all.left_out.contains(&words) {
                    all.left_out.push(words);
                }
                continue;
            }
            let skip: Vec<u16> = module.lane_models.iter().map(|lane| lane.lane).collect();
            if !skip.is_empty() {
                let words = format!("lanes of {} with figures of their own in the plan", module.name);
                if !all.left_out.contains(&words) {
                    all.left_out.push(words);
                }
            }
            all.eyes.push(OwnEye {
                capture,
                model,
                chip,
                module: number(modules, &module.name),
                setup,
                device_width: u16::from(module.device_width),
                skip,
                held_out: hold,
            });
        }
    }
    Ok(())
}

impl Gathered {
    /// Fits the figures of these names.
    ///
    /// # Errors
    /// Exit 2: a name that is no figure; exit 74: damaged counts, or a model without an answer.
    pub fn fit(&self, free: &[String]) -> Result<Correlation, Failure> {
        let mut chosen = Vec::new();
        for name in free {
            let known = self.figures.iter().position(|figure| figure.name == *name).ok_or_else(|| {
                let names: Vec<&str> = self.figures.iter().map(|figure| figure.name.as_str()).collect();
                Failure::invalid(format!(
                    "--free {name}: no figure of the model that can be fitted; figures: {}",
                    names.join(", ")
                ))
            })?;
            if !chosen.contains(&known) {
                chosen.push(known);
            }
        }
        let asked = Asked {
            models: self.models.iter().map(|model| model as &dyn FigureModel).collect(),
            figures: &self.figures,
            free: chosen,
            conditions: self.conditions.clone(),
            eyes: self
                .eyes
                .iter()
                .map(|eye| EyeOf {
                    capture: &eye.capture,
                    model: eye.model,
                    condition: eye.model,
                    chip: eye.chip,
                    module: eye.module,
                    setup: eye.setup,
                    device_width: eye.device_width,
                    skip: eye.skip.clone(),
                    held_out: eye.held_out,
                })
                .collect(),
        };
        correlate(&asked).map_err(|words| Failure::new(Exit::Store, words))
    }

    /// Figures that are free where nothing is said: what the eyes there are hang on most.
    pub fn usual(&self) -> Vec<String> {
        let mut names: Vec<&str> = Vec::new();
        let has = |direction: Direction| self.eyes.iter().any(|eye| eye.capture.eye.direction == direction);
        if has(Direction::Read) {
            names.extend(["dram_ron_ohm", "odt_rd_ohm"]);
        }
        if has(Direction::Write) {
            names.extend(["ctl_ron_ohm", "odt_wr_ohm"]);
        }
        names.extend(["conn_c_pf", "xt_conn_ps", "rj_ps", "v_dj_mv"]);
        names.into_iter().map(String::from).collect()
    }

    /// The conditions, fitted and held out.
    pub fn conditions(&self) -> &[NamedCondition] {
        &self.conditions
    }
}
