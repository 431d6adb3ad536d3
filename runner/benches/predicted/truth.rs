//! Whole simulated runs of two plans, and what channel models expect of them: made once and kept in files.

use contract::CancelToken;
use judge::Judge;
use judge::prediction::{Expected, Field, Known, Measured, Prior, Quantity, Reading, Size, eye_size};
use nightbench_core::devices::ModelValue;
use nightbench_core::lane_model::LaneModel;
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{Direction, EyeName};
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::{Expansion, Job, expand};
use plan::keys::JobKeys;
use plan::limits::Metric;
use plan::matrix::Factor;
use plan::selection::Selection;
use runner::run::execute::Executor;
use serde::{Deserialize, Serialize};
use simulator::nominal::NominalLane;
use simulator::physics::Parameters;
use simulator::target::{MODEL_VERSION, SimulatedOptions, SimulatedTarget, expected_eyes};
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
    /// As its hours are counted, conditions being the same.
    pub whole: Plan,
}

fn read(text: &str) -> Plan {
    Plan::read(text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"))
}

fn case(name: &'static str, few: &str, whole: &str) -> Case {
    let plan = read(few);
    let expansion = expand(&plan, &Selection::default());
    Case { name, plan, expansion, whole: read(whole) }
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
pub fn folder() -> PathBuf {
    let target = std::env::var("CARGO_TARGET_DIR").unwrap_or_else(|_| "target".into());
    let found = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(target).join("predicted");
    fs::create_dir_all(&found).expect("a folder for what is kept");
    found
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

/// Everything measured, module by module; what a file holds already is not measured again.
pub fn measured(case: &Case, seed: u64) -> Measured {
    let path = folder().join(format!("{}-{seed}.jsonl", case.name));
    let text = fs::read_to_string(&path).unwrap_or_default();
    let lines = text.lines().map(|line| serde_json::from_str::<Kept>(line).expect("a line of this bench"));
    let mut all: Measured = lines.map(|line| (line.condition, known(line))).collect();
    let (plan, expansion) = (&case.plan, &case.expansion);
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
            "{} seed {seed}: module {} of {} measured",
            case.name,
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

/// What the channel model expects: its own figures, or 20 of them 8 to 25 % off. At the middle supply and three temperatures; what
/// lies between is interpolated.
pub fn prior(case: &Case, wrong: bool) -> Prior {
    let path = folder().join(format!("{}-prior-{wrong}.json", case.name));
    if let Ok(text) = fs::read_to_string(&path) {
        return serde_json::from_str(&text).expect("a file of this bench");
    }
    let (plan, expansion) = (&case.plan, &case.expansion);
    let defaults = Parameters::of(plan.interface.generation);
    let mut draw = nightbench_core::random::SplitMix64::new(77);
    let mut model: Vec<ModelValue> = Vec::new();
    for name in FIGURES.iter().filter(|_| wrong) {
        let by = (0.08 + 0.17 * draw.unit()) * if draw.below(2) == 0 { -1.0 } else { 1.0 };
        model.push(ModelValue { name: (*name).into(), value: defaults.value(name) * (1.0 + by), span: 0..0 });
    }
    let keys = JobKeys::new(plan, MODEL_VERSION).expect("finite numbers");
    let executor = Executor::new(plan, expansion, &keys);
    let mut temperatures: Vec<(f64, u16)> =
        (0_u16..).zip(&plan.matrix.temperatures).map(|(level, celsius)| (celsius.0, level)).collect();
    temperatures.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (coldest, hottest) = (temperatures[0], temperatures[temperatures.len() - 1]);
    let near = temperatures.iter().min_by(|a, b| (a.0 - 25.0).abs().total_cmp(&(b.0 - 25.0).abs()));
    let anchors = [coldest, *near.expect("a temperature"), hottest];
    // Of each chip, firmware, module, channel, rate and pattern: sizes at the anchors.
    let mut sizes: BTreeMap<([u16; 4], u16), [f64; 4]> = BTreeMap::new();
    let mut size = |index: usize, anchor: u16, middle: u16| -> [f64; 4] {
        let mut condition = expansion.conditions[index];
        let at = |factor: Factor| condition.levels[factor as usize];
        let key = ([at(Factor::Module), at(Factor::Channel), at(Factor::Rate), at(Factor::Chip)], anchor);
        condition.levels[Factor::Temperature as usize] = anchor;
        condition.levels[Factor::Supply as usize] = middle;
        *sizes.entry(key).or_insert_with(|| {
            let job = Job { condition: index as u32, mounting: 0, repeat: 0, start: 0 };
            let setting = executor.setting(&condition, &job, 1);
            let lane = NominalLane::new(&plan.interface, &setting, &model, None).expect("figures in range");
            let device = &expected_eyes(
                &plan.interface,
                condition.module(plan),
                condition.rate(plan),
                condition.supply(plan),
                &[Direction::Read],
            )[0];
            let ratios = lane
                .error_ratios(EyeName { rank: 0, ..device.eye }, &[])
                .expect("an answer of the nominal lane");
            let eye = eye_size(&ratios, usize::from(device.grid.taps), ber_limit(&plan.capture.rule));
            let (tap, step) =
                (device.grid.tap_step.0 / device.grid.ui.0, device.grid.vref_step.0 / device.grid.vddq.0);
            [
                eye.width_taps * tap,
                eye.height_steps * step,
                eye.width_scatter_taps * tap,
                eye.height_scatter_steps * step,
            ]
        })
    };
    let middle = (0_u16..)
        .zip(&plan.matrix.supplies)
        .find(|(_, index)| plan.supplies[**index].name == "nominal")
        .map_or(0, |(level, _)| level);
    let mut expected = Vec::new();
    for (index, condition) in expansion.conditions.iter().enumerate() {
        let celsius = condition.temperature(plan).0;
        let (low, high) =
            if celsius <= anchors[1].0 { (anchors[0], anchors[1]) } else { (anchors[1], anchors[2]) };
        let part = if high.0 > low.0 { (celsius - low.0) / (high.0 - low.0) } else { 0.0 };
        let (a, b) = (size(index, low.1, middle), size(index, high.1, middle));
        let at = |which: usize| a[which] + part * (b[which] - a[which]);
        let device = &expected_eyes(
            &plan.interface,
            condition.module(plan),
            condition.rate(plan),
            condition.supply(plan),
            &[Direction::Read],
        )[0];
        expected.push(Expected {
            condition: index as u32,
            direction: Direction::Read,
            width: Size { share: at(0), scatter: at(2) },
            height: Size { share: at(1), scatter: at(3) },
            ui_ps: device.grid.ui.0,
            tap_ps: device.grid.tap_step.0,
            vddq_mv: device.grid.vddq.0,
            step_mv: device.grid.vref_step.0,
        });
    }
    let prior = Prior { expected };
    fs::write(&path, serde_json::to_string(&prior).expect("plain values")).expect("kept");
    prior
}

/// The field of a case with a wrong model or the right one.
pub fn field(case: &Case, wrong: bool) -> Field {
    Field::new(&case.plan, &case.expansion, &AcceptanceCriteria::of(&case.plan), &prior(case, wrong))
}

fn ber_limit(rule: &PointRule) -> f64 {
    match rule {
        PointRule::Sequential { limit, .. } => *limit,
        PointRule::Fixed { .. } => panic!("the plans of this bench have a limit"),
    }
}
