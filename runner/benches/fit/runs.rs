//! Hidden targets: a plan whose model figures nobody tells the fit, run as `run` runs it.

use contract::CancelToken;
use nightbench_core::random::SplitMix64;
use plan::Plan;
use plan::expand::{expand, jobs};
use plan::keys::JobKeys;
use plan::selection::Selection;
use rayon::prelude::*;
use runner::evaluate::fitting::{MeasuredJob, MeasuredRun};
use runner::inputs::plan_file::PlanFile;
use runner::run::execute::Executor;
use runner::store::Target;
use simulator::target::{MODEL_VERSION, SimulatedOptions, SimulatedTarget};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Draws of a seed.
pub struct Random(SplitMix64);

impl Random {
    pub fn new(seed: u64) -> Random {
        Random(SplitMix64::new(0x0f17_5eed ^ seed.wrapping_mul(0x9e37_79b9_7f4a_7c15)))
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * ((self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64)
    }
}

/// Lanes that are all the nominal one.
pub const ALIKE: &[(&str, f64)] = &[
    ("z_bit", 0.0),
    ("c_bit", 0.0),
    ("len_bit_mm", 0.0),
    ("sk_bit_ps", 0.0),
    ("sk_lane_ps", 0.0),
    ("rx_off_mv", 0.0),
    ("dly_bit_tc_ps_per_k", 0.0),
    ("inl_pp_tap", 0.0),
    ("seat_l", 0.0),
    ("seat_c", 0.0),
    ("seat_r_ohm", 0.0),
];

/// The plan of the runs: some channels and rates to fit, others held out.
const PLAN: &str = include_str!("../../../tests/hidden-target.toml");

/// That plan with so many lanes, and model figures as given.
pub fn plan_text(lanes: u16, model: &[(String, f64)]) -> String {
    with_model(&PLAN.replace("lanes = 8", &format!("lanes = {lanes}")), model)
}

/// One condition of it: a direct channel at 3200 MT/s.
pub fn direct(model: &[(String, f64)]) -> String {
    let (plan, _) = PLAN.split_once("[[skip]]").expect("what is skipped stands last");
    let one = |text: String, line: &str, to: &str| {
        assert!(text.contains(line), "{line}");
        text.replace(line, to)
    };
    let text = one(plan.into(), r#"["direct", "one riser", "two risers", "three risers"]"#, r#"["direct"]"#);
    let text = one(one(text, "[2400, 2667, 3200]", "[3200]"), "[25, 85]", "[25]");
    with_model(&text, model)
}

fn with_model(plan: &str, model: &[(String, f64)]) -> String {
    let values: String = model.iter().map(|(name, value)| format!("{name} = {value:?}\n")).collect();
    format!("{plan}\n[model]\n{values}")
}

/// A plan as a file.
pub fn file(text: String) -> PlanFile {
    PlanFile::from_text(text, "plan of the bench", false)
        .unwrap_or_else(|failure| panic!("{}", failure.words))
}

/// Runs a hidden plan.
pub fn measured(text: &str, seed: u64) -> MeasuredRun {
    let plan = Plan::read(text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
    let expansion = expand(&plan, &Selection::default());
    let keys = JobKeys::new(&plan, MODEL_VERSION).expect("finite numbers");
    let executor = Executor::new(&plan, &expansion, &keys);
    let options = Arc::new(SimulatedOptions {
        interface: plan.interface.clone(),
        model: plan.model.clone(),
        directions: plan.capture.directions.clone(),
        measured: BTreeMap::new(),
        seed,
    });
    let jobs: Vec<MeasuredJob> = jobs(&plan, &expansion)
        .into_par_iter()
        .filter_map(|job| {
            let mut target = SimulatedTarget::new(Arc::clone(&options));
            let result = executor.run(&mut target, &job, &CancelToken::new()).expect("no stop was asked for");
            (!result.captures.is_empty()).then_some(MeasuredJob { job, captures: result.captures })
        })
        .collect();
    MeasuredRun { target: Target::Simulated, name: plan.title.clone(), plan, jobs }
}
