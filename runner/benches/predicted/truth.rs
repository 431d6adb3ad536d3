//! Whole simulated runs of two plans, and what channel models expect of them: made once and kept in files.

use contract::CancelToken;
use judge::Judge;
use judge::prediction::{Field, Known, Measured, Prior, Quantity, Reading};
use nightbench_core::devices::ModelValue;
use nightbench_core::results::Direction;
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::{Expansion, Job, expand};
use plan::keys::JobKeys;
use plan::limits::Metric;
use plan::matrix::Factor;
use plan::selection::Selection;
use runner::run::execute::Executor;
use runner::run::prediction::expected::expected;
use serde::{Deserialize, Serialize};
use simulator::physics::Parameters;
use simulator::target::{MODEL_VERSION, SimulatedOptions, SimulatedTarget};
use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A plan to be walked: measured with few lanes, its hours those of the whole interface.
pub struct Case {
    pub name: &'static str,
    /// As it is measured.
    pub plan: Plan,
    pub expansion: Expansion,
    /// As its hours are counted, conditions being the same: without what predictions refuse.
    pub whole: Plan,
    /// With it.
    pub written: Plan,
}

fn read(text: &str) -> Plan {
    Plan::read(text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"))
}

fn case(name: &'static str, few: &str, whole: &str) -> Case {
    let plan = read(few);
    let expansion = expand(&plan, &Selection::default());
    let written = read(whole);
    Case { name, plan, expansion, whole: read(&whole.replace("cold_first = true\n", "")), written }
}

/// The library's qualification plan, and its look at DDR5 widened to six modules, four channels, six rates and four temperatures.
pub fn cases() -> Vec<Case> {
    let whole = include_str!("../../../plans/library/qualification.toml");
    let few = whole
        .replace("lanes = 40", "lanes = 8")
        .replace("populated_lanes = \"0-31\"\n", "")
        .replace("[\"0-15\", \"16-39\"]", "[\"0-3\", \"4-7\"]");
    let look = include_str!("../../../plans/library/ddr5-look.toml");
    let modules: String = (1..=4)
        .map(|number| {
            let (kind, rated) = if number % 2 == 0 { ("RDIMM", 6400) } else { ("UDIMM", 5600) };
            format!(
                "[[module]]\nname = \"Alder {number}\"\nkind = \"{kind}\"\nranks = 1\ndevice_width = 8\nrated = {rated}\n\n"
            )
        })
        .collect();
    let channels: String = [("two short risers", 2), ("three short risers", 3)]
        .map(|(name, risers)| {
            format!(
                "[[channel]]\nname = \"{name}\"\nrisers = {risers}\nfits = [\"UDIMM\", \"RDIMM\"]\n[channel.model]\n\
                 riser_len_mm = 12.0\nriser_z_ohm = 48.0\n\n"
            )
        })
        .concat();
    let ddr5 = look
        .replace("[[chip]]\nname = \"Plover P2\"\ncorner = \"slow\"\n", "")
        .replace("[[channel]]\nname = \"direct\"", &format!("{modules}[[channel]]\nname = \"direct\""))
        .replace("rate = [4000, 4800, 5600]", "rate = [4400, 4800, 5200, 5600, 6000, 6400]")
        .replace("temperature_degc = [25, 85]", "temperature_degc = [0, 25, 60, 85]")
        .replace("temperature_degc = 25\n", "temperature_degc = [0, 25, 60]\n")
        .replace("[[supply]]\nname = \"low\"", &format!("{channels}[[supply]]\nname = \"low\""))
        .replace("[repeats]\nstarts = 2\nstart = \"power cycle\"\n", "")
        .replace("directions = [\"read\", \"write\"]", "directions = [\"read\"]");
    let ddr5_few = ddr5.replace("lanes = 64", "lanes = 16");
    vec![case("qualification", &few, whole), case("ddr5", &ddr5_few, &ddr5)]
}

/// Where everything is kept.
fn folder() -> PathBuf {
    let target = std::env::var("CARGO_TARGET_DIR").unwrap_or_else(|_| "target".into());
    let found = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(target).join("predicted");
    fs::create_dir_all(&found).expect("a folder for what is kept");
    found
}

/// Another version of the channel model has files of its own.
fn model_in_names() -> String {
    MODEL_VERSION.replace(' ', "-")
}

#[derive(Serialize, Deserialize)]
struct KeptReading {
    height: bool,
    direction: Direction,
    value: f64,
    u: f64,
    at_least: bool,
    closed: bool,
}

/// A line of a truth file.
#[derive(Serialize, Deserialize)]
struct Kept {
    condition: u32,
    failed: bool,
    readings: Vec<KeptReading>,
}

fn kept(condition: u32, known: &Known) -> Kept {
    let Known::Read(readings) = known else { return Kept { condition, failed: true, readings: Vec::new() } };
    let of = |one: &Reading| KeptReading {
        height: one.quantity.metric == Metric::Height,
        direction: one.quantity.direction,
        value: one.value,
        u: one.u,
        at_least: one.at_least,
        closed: one.closed,
    };
    Kept { condition, failed: false, readings: readings.iter().map(of).collect() }
}

fn known(kept: Kept) -> Known {
    if kept.failed {
        return Known::TrainingFailed;
    }
    let of = |one: &KeptReading| Reading {
        quantity: Quantity {
            metric: if one.height { Metric::Height } else { Metric::Width },
            direction: one.direction,
        },
        value: one.value,
        u: one.u,
        at_least: one.at_least,
        closed: one.closed,
    };
    Known::Read(kept.readings.iter().map(of).collect())
}

/// Chips and modules of which the plan's names draw the lanes: the first as the plan has it, others under names of their own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Silicon(pub u64);

impl Silicon {
    fn plan(self, plan: &Plan) -> Plan {
        let mut plan = plan.clone();
        if self.0 > 1 {
            plan.chips.iter_mut().for_each(|chip| chip.name += &format!(" {}", self.0));
            plan.modules.iter_mut().for_each(|module| module.name += &format!(" {}", self.0));
        }
        plan
    }

    /// In the names of files.
    fn name(self) -> String {
        if self.0 > 1 { format!("silicon-{}-", self.0) } else { String::new() }
    }
}

/// Everything measured, module by module; what a file holds already is not measured again.
pub fn measured(case: &Case, silicon: Silicon, seed: u64) -> Measured {
    let path = folder().join(format!("{}-{}{seed}-{}.jsonl", case.name, silicon.name(), model_in_names()));
    let text = fs::read_to_string(&path).unwrap_or_default();
    let lines = text.lines().map(|line| serde_json::from_str::<Kept>(line).expect("a line of this bench"));
    let mut all: Measured = lines.map(|line| (line.condition, known(line))).collect();
    let plan = &silicon.plan(&case.plan);
    let expansion = &expand(plan, &Selection::default());
    let keys = JobKeys::new(plan, MODEL_VERSION).expect("finite numbers");
    let executor = Executor::new(plan, expansion, &keys);
    let options = Arc::new(SimulatedOptions {
        interface: plan.interface.clone(),
        model: plan.model.clone(),
        directions: plan.capture.directions.clone(),
        measured: BTreeMap::new(),
        seed,
    });
    for module in 0..plan.matrix.modules.len() {
        let mine: Vec<u32> = (0_u32..)
            .zip(&expansion.conditions)
            .filter(|(index, one)| one.level(Factor::Module) == module && !all.contains_key(index))
            .map(|(index, _)| index)
            .collect();
        if mine.is_empty() {
            continue;
        }
        let mut target = SimulatedTarget::new(Arc::clone(&options));
        let mut judge = Judge::new(plan, expansion, true);
        for condition in &mine {
            let job = Job { condition: *condition, mounting: 0, repeat: 0, start: 0 };
            let result = executor.run(&mut target, &job, &CancelToken::new()).expect("no stop");
            let key = keys.key(&expansion.conditions[*condition as usize], &job);
            judge.add_result(&job, &key, u64::from(*condition), &result);
        }
        judge.seal();
        let run = judge.judge(&AcceptanceCriteria::of(plan));
        let mut file =
            fs::File::options().create(true).append(true).open(&path).expect("a file to keep it in");
        let mut lines = String::new();
        for condition in mine {
            let Some(known) = Known::of(&run.conditions[condition as usize]) else { continue };
            lines += &serde_json::to_string(&kept(condition, &known)).expect("plain values");
            lines.push('\n');
            all.insert(condition, known);
        }
        file.write_all(lines.as_bytes()).expect("kept");
        println!(
            "{} silicon {} seed {seed}: module {} of {} measured",
            case.name,
            silicon.0,
            module + 1,
            plan.matrix.modules.len()
        );
    }
    all
}

/// Figures of the channel model that are wrong in a wrong model.
const FIGURES: [&str; 20] = [
    "brd_z_ohm",
    "mod_z_ohm",
    "riser_z_ohm",
    "conn_c_pf",
    "via_c_pf",
    "odt_rd_ohm",
    "dram_ron_ohm",
    "ctl_ron_ohm",
    "dram_t2080_ps",
    "tand_mod",
    "tand_brd",
    "rho20_ohm_m",
    "xt_line_ps",
    "xt_conn_ps",
    "rj_ps",
    "dj_ps",
    "dcd_ps",
    "rx_noise_mv",
    "v_dj_mv",
    "dram_cio_pf",
];

/// What the channel model expects, as a run asks it: of its own figures, or with 20 of them 8 to 25 % off, others for each silicon.
fn prior(case: &Case, silicon: Silicon, wrong: bool) -> Prior {
    let name = if wrong { silicon.name() } else { String::new() };
    let path = folder().join(format!("{}-{name}expected-{wrong}-{}.json", case.name, model_in_names()));
    if let Ok(text) = fs::read_to_string(&path) {
        return serde_json::from_str(&text).expect("a file of this bench");
    }
    let mut plan = case.plan.clone();
    let defaults = Parameters::of(plan.interface.generation);
    let mut draw = nightbench_core::random::SplitMix64::new(76 + silicon.0);
    for name in FIGURES.iter().filter(|_| wrong) {
        let by = (0.08 + 0.17 * draw.unit()) * if draw.below(2) == 0 { -1.0 } else { 1.0 };
        let value = defaults.value(name) * (1.0 + by);
        plan.model.push(ModelValue { name: (*name).into(), value, span: 0..0 });
    }
    let keys = JobKeys::new(&plan, MODEL_VERSION).expect("finite numbers");
    let executor = Executor::new(&plan, &case.expansion, &keys);
    let prior = expected(&plan, &case.expansion, &executor, &BTreeMap::new(), 1, &CancelToken::new());
    assert!(!prior.expected.is_empty(), "the channel model has no answer");
    fs::write(&path, serde_json::to_string(&prior).expect("plain values")).expect("kept");
    prior
}

/// The field of a case with a wrong model or the right one.
pub fn field(case: &Case, silicon: Silicon, wrong: bool) -> Field {
    Field::new(&case.plan, &case.expansion, &AcceptanceCriteria::of(&case.plan), &prior(case, silicon, wrong))
}
