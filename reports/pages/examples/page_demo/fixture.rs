//! An invented run of any size. Values follow simple made-up trends so that every verdict occurs; no name is real.

// The tests of the pages include this file by its path.
#[path = "facts.rs"]
mod facts;

use super::judged::*;
use nightbench_core::condition::ConditionState;
use nightbench_core::point_rule::PointRule;
use nightbench_core::random::SplitMix64;
use nightbench_core::results::{
    CaptureMode, Direction, Evidence, EyeName, Grid, Identity, JobTimes, LanePoint,
};
use nightbench_core::units::{Millivolts, Picoseconds};
use plan::expand::Condition;
use plan::limits::Metric;
use plan::matrix::{FACTORS, Factor};

/// Which story the run tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Complete, with some fails.
    Usual,
    /// Every name is an attack.
    Hostile,
    /// A third of the jobs was run.
    Interrupted,
    /// Nothing was run.
    Empty,
    /// On hardware instead of the simulated target.
    Bench,
}

/// A run with its facts.
pub struct Demo {
    pub run: JudgedRun,
    pub facts: RunFacts,
}

/// The eyes that every condition captures; the read eye decides.
pub const EYE: EyeName = EyeName { direction: Direction::Read, rank: 0, sub_channel: None };
/// See [`EYE`].
pub const WRITE: EyeName = EyeName { direction: Direction::Write, rank: 0, sub_channel: None };
const LANES: u16 = 72;
const VDDQ_MV: f64 = 1200.0;

/// A fixed, cheap hash in 0..1: the same on every machine.
fn noise(seed: u64) -> f64 {
    SplitMix64::new(seed).unit()
}

fn level_names(size: usize, kind: Kind) -> Vec<Vec<String>> {
    let large = size > 200;
    let list = |names: &[&str]| names.iter().map(|name| name.to_string()).collect::<Vec<_>>();
    let mut modules = list(&["Amber 1Rx8 3200", "Birch 1Rx8 2400 small", "Cedar stacked 2133"]);
    let mut channels = list(&["direct", "three risers"]);
    let mut temperatures = list(&["25", "85"]);
    let mut supplies = list(&["nominal"]);
    if large {
        modules.extend(list(&["Dogwood 2Rx4 2933", "Elder pair 2666"]));
        channels = list(&["direct", "one riser", "two risers", "three risers", "adapter and three risers"]);
        temperatures = list(&["0", "25", "55", "85"]);
        supplies = list(&["low", "nominal", "high", "low VPP"]);
    }
    let rates = list(&["1866", "2133", "2400", "2666", "3200"]);
    if kind == Kind::Hostile {
        modules[0] = "<script>document.title='owned'</script>".into();
        modules[1] = "\u{202e}elbaton ton\u{2066}<img src=x onerror=alert(1)>\" onmouseover='x".into();
        modules[2] = format!("=HYPERLINK(\"a\") {}", "very-long-".repeat(30));
        channels[0] = "{{ 7 * 7 }} {% raw %} </td></table></style>".into();
    }
    vec![
        list(&["Kestrel K1"]),
        list(&["as loaded"]),
        modules,
        channels,
        rates,
        temperatures,
        supplies,
        list(&["PRBS15"]),
    ]
}

/// Builds a run of about `size` conditions.
pub fn demo(size: usize, kind: Kind) -> Demo {
    let names = level_names(size, kind);
    let counts: Vec<u16> = names.iter().map(|levels| levels.len() as u16).collect();
    let mut conditions = Vec::new();
    let mut left_out = Vec::new();
    let mut failed = Vec::new();
    let total: u64 = counts.iter().map(|count| u64::from(*count)).product();
    for number in 0..total {
        let mut levels = [0u16; FACTORS];
        let mut rest = number;
        for place in (0..FACTORS).rev() {
            levels[place] = (rest % u64::from(counts[place])) as u16;
            rest /= u64::from(counts[place]);
        }
        let condition = Condition { levels };
        if levels[2] == 2 && levels[4] >= 3 {
            let reason = "3DS parts are rated 2133: one bin above is of interest, two are not".into();
            left_out.push(LeftOut { condition, reason, needs_hands: false });
            continue;
        }
        let done = match kind {
            Kind::Empty => false,
            Kind::Interrupted => conditions.len() < size / 3,
            _ => true,
        };
        let judged = judge(condition, &names, conditions.len(), done);
        if judged.state == ConditionState::TrainingFailed {
            failed.push(FailedTraining {
                condition: conditions.len(),
                stage: "read data eye".into(),
                lanes: "40-47, 63".into(),
                causes: vec!["byte lane 5 sees no strobe".into(), "Vref range too small for the loss".into()],
            });
        }
        conditions.push(judged);
    }
    let mut verdicts = VerdictCounts::default();
    let mut beyond = VerdictCounts::default();
    let mut not_measured = 0;
    for judged in &conditions {
        match (judged.verdict, judged.beyond_rating) {
            (Some(verdict), false) => verdicts.add(verdict),
            (Some(verdict), true) => beyond.add(verdict),
            (None, _) => not_measured += 1,
        }
    }
    let jobs_done = conditions.iter().map(|judged| judged.jobs.len()).sum();
    let ran = jobs_done > 0;
    let planned = conditions.len();
    let complete = ran && jobs_done >= planned;
    let run = JudgedRun {
        level_names: names,
        planned,
        jobs_planned: planned.max(jobs_done),
        jobs_done,
        outside_plan: OutsidePlan::default(),
        verdicts,
        beyond_rating_counts: false,
        beyond_rating: beyond,
        not_measured,
        not_needed: 0,
        predicted: PredictedCounts::default(),
        predicted_beyond_rating: PredictedCounts::default(),
        undecided: 0,
        not_judged: 0,
        jobs_each: planned.max(jobs_done).checked_div(planned).unwrap_or(0),
        stages: if ran { stages(jobs_done as u32, failed.len() as u32) } else { Vec::new() },
        failed_trainings: failed,
        budgets: if ran { vec![budget(Metric::Width), budget(Metric::Height)] } else { Vec::new() },
        rule_words: "Guard band w = U (95 % coverage, k from the effective degrees of freedom), four words."
            .into(),
        capture_mode: CaptureMode::Raster,
        point_rule: PointRule::sequential(1e-6, 0.95),
        release: Release {
            decision: if !complete {
                ReleaseDecision::Undecided
            } else if verdicts.fail + verdicts.conditional_fail > 0 {
                ReleaseDecision::No
            } else {
                ReleaseDecision::Yes
            },
            open: match (complete, ran) {
                (true, _) => None,
                (false, true) => Some(Obstacle::NotMeasured),
                (false, false) => Some(Obstacle::NothingMeasured),
            },
            reasons: if complete {
                vec![
                    format!("{} within rating fail", verdicts.fail),
                    "some margins lie in the guard band".into(),
                ]
            } else {
                vec!["the run is not complete".into()]
            },
        },
        audit: Default::default(),
        identities: if ran { vec![identity()] } else { Vec::new() },
        conditions,
        left_out,
    };
    Demo { facts: facts::facts(&run, kind), run }
}

fn judge(condition: Condition, names: &[Vec<String>], number: usize, done: bool) -> JudgedCondition {
    let level = |factor: Factor| condition.level(factor);
    let name_of = |factor: Factor| names[factor as usize][level(factor)].clone();
    let rate: f64 = name_of(Factor::Rate).parse().unwrap_or(2400.0);
    let rated = [3200.0, 2400.0, 2133.0, 2933.0, 2666.0][level(Factor::Module)];
    let mut judged = JudgedCondition {
        condition,
        name: format!(
            "{}, {}, {} MT/s, {} degC, {}",
            name_of(Factor::Module),
            name_of(Factor::Channel),
            name_of(Factor::Rate),
            name_of(Factor::Temperature),
            name_of(Factor::Supply)
        ),
        anchor: format!("{:010x}", (number as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 24),
        beyond_rating: rate > rated,
        verdict: None,
        state: ConditionState::NotRun,
        detail: String::new(),
        metrics: Vec::new(),
        unjudged: Vec::new(),
        lanes: Vec::new(),
        jobs: Vec::new(),
        lacks_jobs: false,
        predicted: None,
    };
    if !done {
        return judged;
    }
    judged.jobs.push(JobNote {
        key: format!("{number:064x}"),
        mounting: 0,
        repeat: 0,
        start: 0,
        trained: true,
        valid: true,
        trouble: String::new(),
        temperature_degc: name_of(Factor::Temperature)
            .parse::<f64>()
            .ok()
            .map(|t| t + 0.4 * noise(number as u64)),
        vddq_v: Some(1.2 + 0.002 * noise(number as u64 + 7)),
        times: JobTimes { training_s: 40.0, measuring_s: 95.0 },
    });
    if number % 29 == 17 {
        judged.state = ConditionState::NotMeasured;
        judged.detail = "temperature not reached".into();
        judged.jobs[0].valid = false;
        judged.jobs[0].trouble = "chamber stayed 3.2 K below the set point for 30 min".into();
        return judged;
    }
    let ui = 1e6 / rate;
    let channel = level(Factor::Channel) as f64;
    let hot = level(Factor::Temperature) as f64;
    let spread = noise(number as u64 * 31 + 5);
    let open = 0.52 - 0.06 * channel - (rate - 1866.0) / 1334.0 * 0.26 - 0.02 * hot + 0.05 * spread
        - 0.03 * level(Factor::Module) as f64;
    if open < 0.205 {
        judged.verdict = Some(Verdict::Fail);
        judged.state = ConditionState::TrainingFailed;
        judged.jobs[0].trained = false;
        judged.jobs[0].trouble = "training failed: read data eye, lanes 40-47, 63".into();
        return judged;
    }
    let values = lanes(number, open * ui, open * 0.36 * VDDQ_MV);
    judged.metrics.push(metric(Metric::Width, &values, 0.22 * ui, 2.1));
    judged.metrics.push(metric(Metric::Height, &values, 0.08 * VDDQ_MV, 3.4));
    let wider = lanes(number + 100_000, open * ui * 1.3, open * 0.36 * VDDQ_MV * 1.3);
    let write = |metric: JudgedMetric| JudgedMetric { eye: WRITE, ..metric };
    judged.metrics.push(write(metric(Metric::Width, &wider, 0.22 * ui, 2.1)));
    judged.metrics.push(write(metric(Metric::Height, &wider, 0.08 * VDDQ_MV, 3.4)));
    judged.metrics.sort_by(|a, b| a.conformance_probability.total_cmp(&b.conformance_probability));
    judged.state = ConditionState::Judged;
    judged.verdict = judged.metrics.iter().map(|m| m.verdict).max();
    judged.lanes.push(LaneValues { margin_share: shares(&values, 0.22 * ui), ..values });
    judged.lanes.push(LaneValues { eye: WRITE, margin_share: shares(&wider, 0.22 * ui), ..wider });
    judged
}

/// Margin of each lane as a share of the limits of width and height.
fn shares(values: &LaneValues, width: f64) -> Vec<f32> {
    let lower = |(ps, mv): (&f32, &f32)| (ps / width as f32).min(mv / (0.08 * VDDQ_MV) as f32) - 1.0;
    values.width_ps.iter().zip(&values.height_mv).map(lower).collect()
}

fn lanes(number: usize, width: f64, height: f64) -> LaneValues {
    let share = |lane: u16, salt: u64| 0.86 + 0.14 * noise(number as u64 * 977 + u64::from(lane) * 3 + salt);
    LaneValues {
        margin_share: Vec::new(),
        eye: EYE,
        lanes: (0..LANES).collect(),
        width_ps: (0..LANES).map(|lane| (width * share(lane, 1)) as f32).collect(),
        height_mv: (0..LANES).map(|lane| (height * share(lane, 2)) as f32).collect(),
        centre_ps: Some((6.0 * noise(number as u64)) as f32),
        centre_mv: Some((4.0 * noise(number as u64 + 3)) as f32),
        others: Vec::new(),
        unseen: Vec::new(),
    }
}

fn metric(metric: Metric, values: &LaneValues, limit: f64, uncertainty: f64) -> JudgedMetric {
    let series = if metric == Metric::Width { &values.width_ps } else { &values.height_mv };
    let (lane, value) = series
        .iter()
        .enumerate()
        .map(|(lane, value)| (lane as u16, f64::from(*value)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap_or((0, 0.0));
    let margin = value - limit;
    let guard_band = 2.0 * uncertainty;
    // A logistic curve stands in for the normal distribution: close enough for a picture.
    let conforms = 1.0 / (1.0 + (-1.702 * margin / uncertainty).exp());
    let verdict = if margin >= guard_band {
        Verdict::Pass
    } else if margin >= 0.0 {
        Verdict::ConditionalPass
    } else if margin >= -guard_band {
        Verdict::ConditionalFail
    } else {
        Verdict::Fail
    };
    JudgedMetric {
        evidence: Evidence::FullEye,
        eye: EYE,
        metric,
        lane,
        lanes: LANES,
        value,
        limit,
        margin,
        standard_uncertainty: uncertainty,
        expanded_uncertainty: guard_band,
        guard_band,
        conformance_probability: conforms,
        wrong_decision_risk: conforms.min(1.0 - conforms),
        at_least: margin > 200.0,
        closed: false,
        off_centre: false,
        jobs: 1,
        verdict,
        worst_lane: WorstLane { as_read: value, ..Default::default() },
        parts: Default::default(),
    }
}

/// An eye drawn from two smooth flanks.
pub fn picture(run: &JudgedRun, index: usize, eye: EyeName) -> EyePicture {
    let judged = &run.conditions[index];
    let rate: f64 = run.level_names[4][judged.condition.level(Factor::Rate)].parse().unwrap_or(2400.0);
    let ui = 1e6 / rate;
    let grid = Grid {
        taps: 64,
        vref_steps: 64,
        tap_step: Picoseconds(ui / 64.0),
        vref_start: Millivolts(0.45 * VDDQ_MV),
        vref_step: Millivolts(0.0065 * VDDQ_MV),
        ui: Picoseconds(ui),
        vddq: Millivolts(VDDQ_MV),
    };
    let find = |metric: Metric| {
        judged.metrics.iter().find(|m| m.eye == eye && m.metric == metric).map_or(10.0, |m| m.value)
    };
    let (half_taps, half_steps) =
        (find(Metric::Width) / grid.tap_step.0 / 2.0, find(Metric::Height) / grid.vref_step.0 / 2.0);
    let (centre_tap, centre_step) = (31.0 + 2.0 * noise(index as u64), 33.0 - 3.0 * noise(index as u64 + 1));
    let mut classes = Vec::with_capacity(grid.len());
    for step in 0..64 {
        for tap in 0..64 {
            let (x, y) =
                ((f64::from(tap) - centre_tap) / half_taps, (f64::from(step) - centre_step) / half_steps);
            let away = x.abs().powf(1.5) + y.abs().powf(1.5);
            let decades =
                ((away - 1.0) * 2.2 + 0.6 * noise(index as u64 * 4096 + (step * 64 + tap) as u64)).max(0.0);
            classes.push(if away < 1.0 { 0 } else { 1 + (decades as u8).min(6) });
        }
    }
    let outline = |scale: f64| {
        let mut path = String::new();
        for k in 0..72 {
            let angle = f64::from(k) * std::f64::consts::TAU / 72.0;
            let flank = |c: f64| c.signum() * c.abs().powf(4.0 / 3.0);
            let x = centre_tap + scale * half_taps * flank(angle.cos());
            let y = centre_step + scale * half_steps * flank(angle.sin());
            path.push_str(&format!("{}{x:.1} {y:.1}", if k == 0 { 'M' } else { 'L' }));
        }
        path + "Z"
    };
    EyePicture {
        job: judged.jobs.first().map(|job| job.key.clone()).unwrap_or_default(),
        eye,
        grid,
        classes,
        worst_lane_path: outline(1.0),
        all_lanes_path: outline(0.93),
        inferred_path: (0..9).map(|k| format!("M{} {}h0", 28 + k, 40 - k)).collect(),
        lane_paths: (0..4).map(|lane| (lane, outline(1.0 + 0.02 * f64::from(lane)))).collect(),
        worst_lane: judged.worst_lane(eye).unwrap_or(0),
        operating: LanePoint { tap: centre_tap.round() as u16, vref: centre_step.round() as u16 },
        clean_bits: 3_000_000,
        details: None,
    }
}

fn stages(attempts: u32, failed: u32) -> Vec<StageNote> {
    let names = ["command/address", "write levelling", "read strobe gate", "read data eye", "read Vref"];
    let stage = |(index, name): (usize, &&str)| StageNote {
        stage: name.to_string(),
        attempts,
        failed: if index == 3 { failed } else { 0 },
        end_stops: if index == 2 { 2 } else { 0 },
        narrowest_taps: (index > 1).then_some(9.0 + index as f64),
        lowest_steps: (index > 3).then_some(14.0),
    };
    names.iter().enumerate().map(stage).collect()
}

fn budget(metric: Metric) -> Budget {
    let rows = [
        ("tap step", 'B', 0.9, None, 0.18, "rectangular, half a tap each edge"),
        ("tap nonlinearity", 'B', 1.3, None, 0.39, "invented figure of the delay line"),
        ("sampling", 'A', 0.7, Some(24.0), 0.11, "binomial counts at the edges"),
        ("repeatability", 'A', 1.1, Some(9.0), 0.28, "repeats of this run"),
        ("re-seating", 'B', 0.4, Some(4.0), 0.04, "earlier study, invented"),
    ];
    Budget {
        metric,
        rows: rows
            .iter()
            .map(|(name, kind, value, freedom, share, source)| BudgetRow {
                name: name.to_string(),
                kind: *kind,
                standard_uncertainty: *value,
                degrees_of_freedom: *freedom,
                share: *share,
                source: source.to_string(),
                ..BudgetRow::default()
            })
            .collect(),
        combined: 2.1,
        degrees_of_freedom: Some(61.0),
        k: 2.0,
        expanded: 4.2,
    }
}

fn identity() -> Identity {
    Identity {
        chip_serial: "K1-0007".into(),
        firmware_build: "invented build 41".into(),
        firmware_hash: "5f".repeat(32),
        settings_hash: "a1".repeat(32),
        agent_version: "model 1".into(),
    }
}
