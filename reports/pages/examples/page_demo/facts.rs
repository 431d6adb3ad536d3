//! What stands around the verdicts of the invented run: model, log, hours, notes, causes.

use super::super::judged::*;
use super::{EYE, Kind, LANES};
use judge::causes::{Blamed, Cause, Finding, LaneCauses, LaneTruth};
use judge::why::{EdgeShift, LaneGain};
use nightbench_core::results::Direction;
use plan::limits::{Limit, LimitUnit, Metric};
use plan::matrix::Factor;

/// Texts of every fault of a bench; a hostile agent says hostile things.
fn texts(run: &JudgedRun, kind: Kind) -> Vec<JobTexts> {
    let faulty =
        timeline(run).into_iter().filter(|step| step.fault && matches!(kind, Kind::Bench | Kind::Hostile));
    faulty
        .map(|step| JobTexts {
            condition: step.condition,
            key: step.key,
            what: "not measured".into(),
            texts: vec![
                ("log".into(), hostile(kind, "link lost after 12 s")),
                ("registers".into(), "0x0000".into()),
            ],
        })
        .collect()
}

/// What `why` would have found of the first conditions with a verdict.
fn causes(run: &JudgedRun, simulated: bool) -> Vec<FoundCauses> {
    let gain = |lane: u16| {
        let size = f64::from(lane % 7) / 10.0;
        LaneGain {
            lane,
            trained: 1.3 - size,
            best: 1.4 - 0.8 * size,
            expanded_uncertainty: 0.08,
            box_expanded_uncertainty: [0.05, 0.06],
            taps: 1.5 * size,
            vref_steps: 2.0 - f64::from(lane % 4),
            bound_by: [None, Some(eye::edges::Side::Early), Some(eye::edges::Side::Upper)]
                [usize::from(lane % 3)],
            jobs: 1,
        }
    };
    let blamed = |cause, or, gain| Blamed { cause, or, gain, expanded_uncertainty: 0.18 };
    let lane = |lane, finding, causes: Vec<Blamed>, accepted| LaneCauses {
        lane,
        finding,
        trained: 0.4,
        chi_square: if accepted { 0.9 } else { 3.4 },
        accepted,
        eye_alone: lane % 2 == 1 && !accepted,
        truth: simulated.then(|| LaneTruth {
            trained: 0.41,
            gains: causes
                .iter()
                .map(|one| (one.cause, one.gain + 0.03))
                .chain([(Cause::Drift, 0.02)])
                .collect(),
        }),
        causes,
    };
    let named = vec![blamed(Cause::Crosstalk, None, 0.62), blamed(Cause::Centring, None, 0.21)];
    let judged = run.conditions.iter().enumerate().filter(|(_, one)| one.verdict.is_some());
    judged
        .take(2)
        .map(|(condition, _)| FoundCauses {
            condition,
            eye: EYE,
            model: "channel model".into(),
            lanes: vec![
                lane(13, Finding::Named, named.clone(), true),
                match condition % 2 {
                    0 => lane(34, Finding::CannotTell, Vec::new(), false),
                    _ => lane(
                        34,
                        Finding::Named,
                        vec![blamed(Cause::Loss, Some(Cause::Reflection), 0.4)],
                        false,
                    ),
                },
            ],
            gains: (0..LANES).map(gain).collect(),
            extra_jobs: 4 * (condition % 2),
            unused_jobs: 0,
            nothing: String::new(),
        })
        .collect()
}

fn edge_shifts() -> Vec<EdgeShift> {
    let shift = |factor, pairs: usize, change| EdgeShift {
        factor,
        from: 0,
        to: 1,
        eye: EYE,
        pairs,
        change,
        expanded_uncertainty: (pairs > 1).then_some([0.8, 0.9, 1.2, 1.1]),
    };
    vec![
        shift(Factor::Rate, 12, [-11.4, -12.0, -7.5, -6.9]),
        shift(Factor::Channel, 1, [-4.2, -6.8, 0.3, -9.4]),
    ]
}

/// The facts of a run of this kind.
pub fn facts(run: &JudgedRun, kind: Kind) -> RunFacts {
    let simulated = kind != Kind::Bench;
    let title = match kind {
        Kind::Hostile => "</title><script>alert('title')</script>".to_string(),
        _ => "Receiver margin of the Kestrel evaluation chip".to_string(),
    };
    let limit = |metric: Metric, minimum: f64, unit: LimitUnit| Limit {
        metric,
        direction: Direction::Read,
        minimum,
        unit,
        rates: Vec::new(),
        source: "budget of the Kestrel receiver, invented for this demonstration".into(),
        mask: None,
    };
    let model =
        [("board trace length", 0.062, "m"), ("riser delay", 1.1e-10, "s"), ("driver jitter", 1.9, "ps")];
    RunFacts {
        purpose: Some("Shows how the read eye shrinks from a direct channel to three risers.".into()),
        laboratory: Some("Demonstration bench, invented town".into()),
        simulated,
        target: if simulated { "simulated target".into() } else { "bench 2".into() },
        report_id: if kind == Kind::Hostile { "\"; } </style><b>x".into() } else { "NB-5f1c09ae22".into() },
        tool_version: "0.1.0".into(),
        seed: 20_260_101,
        plan_text: format!("title = \"{title}\"\n\n[matrix]\nrate = [1866, 2133, 2400, 2666, 3200]\n"),
        plan_hash: "9c".repeat(32),
        started_utc: (!simulated).then(|| "2026-03-02T18:04:11Z".into()),
        ended_utc: (!simulated).then(|| "2026-03-03T05:51:40Z".into()),
        bench_hours: run.jobs_done as f64 * 135.0 / 3600.0,
        model: model
            .iter()
            .map(|(name, value, unit)| ModelEntry {
                name: name.to_string(),
                value: *value,
                unit: unit.to_string(),
                mark: "fitted estimate".into(),
                set_by_plan: *name == "riser delay",
            })
            .collect(),
        limits: vec![
            limit(Metric::Width, 0.22, LimitUnit::UnitIntervals),
            limit(Metric::Height, 8.0, LimitUnit::PercentVddq),
        ],
        strobe_lanes: run.level_names[2]
            .iter()
            .map(|name| if name.contains("stacked") || name.contains("x4") { 4 } else { 8 })
            .collect(),
        items: run.level_names[2]
            .iter()
            .map(|name| TestedItem {
                name: name.clone(),
                description: "invented module".into(),
                serial: None,
            })
            .collect(),
        log: vec![(
            "02:14:07".into(),
            "chamber stayed below its set point; condition left, run went on".into(),
        )],
        timeline: timeline(run),
        timeline_source: if simulated { "Invented hours.".into() } else { String::new() },
        texts: texts(run, kind),
        superseded: run
            .conditions
            .iter()
            .enumerate()
            .filter(|(index, judged)| index % 31 == 4 && !judged.jobs.is_empty())
            .map(|(condition, judged)| Superseded {
                condition,
                key: judged.jobs[0].key.clone(),
                attempt: 1,
                reason: hostile(kind, "operator doubted the seating"),
            })
            .collect(),
        notes: run
            .conditions
            .iter()
            .enumerate()
            .filter(|(index, judged)| index % 17 == 3 && judged.verdict.is_some())
            .take(6)
            .map(|(condition, _)| ReviewNote {
                condition,
                job: None,
                reason: hostile(kind, "adapter card was replaced afterwards"),
                reference: Some(hostile(kind, "lab book 12, page 40")),
                author: hostile(kind, "reviewer of the demonstration"),
                date: Some("2026-03-04".into()),
            })
            .collect(),
        causes: causes(run, simulated),
        edge_shifts: edge_shifts(),
        held_degc: Some(25.0),
        title,
        ..RunFacts::default()
    }
}

/// A word of the demonstration, or markup where names are hostile.
fn hostile(kind: Kind, words: &str) -> String {
    match kind {
        Kind::Hostile => format!("<img src=x onerror=alert(1)>{words}</td>"),
        _ => words.to_string(),
    }
}

/// Jobs one after the other, with a change-over before each.
fn timeline(run: &JudgedRun) -> Vec<TimelineStep> {
    let mut hour = 0.0;
    let mut setup = None;
    let mut order: Vec<usize> = (0..run.conditions.len()).collect();
    order.sort_by_key(|index| {
        let condition = &run.conditions[*index].condition;
        (condition.setup(), condition.level(Factor::Temperature), *index)
    });
    let mut steps = Vec::new();
    for condition in order {
        let judged = &run.conditions[condition];
        let Some(job) = judged.jobs.first() else { continue };
        let hands_on = setup != Some(judged.condition.setup());
        setup = Some(judged.condition.setup());
        let from_h = hour;
        let begin_h = from_h + if hands_on { 0.4 } else { 0.01 };
        hour = begin_h + 135.0 / 3600.0;
        let name =
            &run.level_names[Factor::Temperature as usize][judged.condition.level(Factor::Temperature)];
        steps.push(TimelineStep {
            condition,
            key: job.key.clone(),
            from_h,
            begin_h,
            end_h: hour,
            hands: hands_on.then_some(HandsMoment { hour_h: from_h + 0.1, chamber_degc: Some(25.0) }),
            set_degc: name.parse().unwrap_or(25.0),
            achieved_degc: job.temperature_degc,
            fault: !job.valid,
        });
    }
    steps
}
