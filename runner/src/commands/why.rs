//! `why`: where the margin went, lane by lane and by factor.

use crate::cli::WhyArguments;
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::slow_notice::SlowNotice;
use crate::console::terminal::{Terminal, folded, table};
use crate::evaluate::causes::{self, EyeCauses};
use crate::evaluate::judging::{JudgedBy, JudgedFolder};
use crate::evaluate::why::{self, ConditionWhy, EyeWhy};
use crate::folder::run_folder::open_whole;
use eye::edges::Side;
use judge::causes::{LaneCauses, rests_on};
use judge::judged::Verdict;
use judge::why::{EdgeShift, LaneGain};
use nightbench_core::text::counted;
use plan::selection::Selection;
use serde_json::json;

/// Conditions looked into where none is chosen, worst first.
const WORST: usize = 3;
/// Most conditions looked into at a time.
const MOST: usize = 24;
/// Lanes listed of an eye on the terminal.
const SHOWN_LANES: usize = 8;

/// Tells where the margin of a run's conditions went.
pub fn why(terminal: &Terminal, arguments: &WhyArguments) -> Outcome {
    let notice = SlowNotice::start(terminal, "looking for better sampling points ...");
    let reader = open_whole(&arguments.dir)?;
    let by = JudgedBy { instead: None, all_sets: false, cache: arguments.afresh.cache() };
    let folder = JudgedFolder::read(&arguments.dir, &reader, by)?;
    let wanted = wanted(&folder, &arguments.only.only)?;
    let found = why::conditions(&folder, &reader, &wanted)?;
    let shifts = &folder.facts.edge_shifts;
    let causes = causes::of_conditions(&folder, &arguments.dir, &reader, &found)?;
    drop(notice);
    if let Some(words) = &causes.not_kept {
        terminal.note(&format!("the causes found are not kept with the run: {words}"));
    }
    let kept = causes.not_kept.is_none() && !causes.eyes.is_empty();
    let causes = causes.eyes;
    if arguments.json.json {
        terminal.out(&machine(&folder, &found, &causes, shifts).to_string());
    } else {
        terminal.out(&words(&folder, &found, &causes, shifts));
        if kept {
            terminal.out("");
            let words =
                "The causes are kept with the run: the next `nightbench report` shows them in section 8.";
            terminal.out(folded(words, "", "").trim_end());
        }
    }
    Ok(Exit::Pass)
}

/// Conditions by index: those selected, or the worst that have a verdict.
fn wanted(folder: &JudgedFolder, only: &[String]) -> Result<Vec<usize>, Failure> {
    let selection = Selection::read(&folder.file.plan, only).map_err(Failure::invalid)?;
    let mut chosen = why::worst_first(folder, &selection);
    if chosen.is_empty() {
        return Err(Failure::new(Exit::NothingSelected, "no condition that is selected has a margin yet"));
    }
    let asked = folder.file.plan.diagnosis.map_or(WORST, |asked| WORST.max(asked.worst_conditions.into()));
    chosen.truncate(if only.is_empty() { asked } else { MOST });
    Ok(chosen)
}

fn eye_words(text: &mut String, found: &EyeWhy) {
    text.push_str(&format!("\n  {}\n", found.eye));
    if !found.nothing.is_empty() {
        text.push_str(&folded(&found.nothing, "    ", "    "));
        return;
    }
    let certain: Vec<&LaneGain> = found.lanes.iter().filter(|gain| gain.is_certain()).collect();
    let least = |of: fn(&LaneGain) -> (f64, f64)| {
        let boxes = found.lanes.iter().map(of);
        let (size, u) = boxes.min_by(|a, b| a.0.total_cmp(&b.0)).unwrap_or((f64::NAN, f64::NAN));
        format!("{size:.2} \u{b1} {u:.2}")
    };
    let summary = format!(
        "limit box of the worst lane: {} x about the trained points, {} x about the best ones; {} of {} gain more than \
         their U{}; worst first:",
        least(|gain| (gain.trained, gain.box_expanded_uncertainty[0])),
        least(|gain| (gain.best, gain.box_expanded_uncertainty[1])),
        counted(certain.len(), "lane"),
        found.lanes.len(),
        if found.shared_vref { " (lanes of a device share one Vref)" } else { "" }
    );
    text.push_str(&folded(&summary, "    ", "      "));
    let rows: Vec<Vec<String>> = found
        .lanes
        .iter()
        .take(SHOWN_LANES)
        .map(|gain| {
            vec![
                format!("    {}", gain.lane),
                format!("{:.2} \u{b1} {:.2}", gain.trained, gain.box_expanded_uncertainty[0]),
                format!("{:.2} \u{b1} {:.2}", gain.best, gain.box_expanded_uncertainty[1]),
                format!("{:+.2} \u{b1} {:.2}", gain.gain(), gain.expanded_uncertainty),
                gain.bound_by.map_or("fails", Side::name).into(),
                format!("{} taps, {} steps", moved(gain.taps), moved(gain.vref_steps)),
            ]
        })
        .collect();
    let header = ["    lane", "trained", "best", "recoverable", "bound by", "best point at"];
    text.push_str(&table(&header, &rows, header.len()));
    text.push('\n');
}

/// Steps from the trained point, whole ones without a decimal.
fn moved(by: f64) -> String {
    if by.fract() == 0.0 { format!("{by:+.0}") } else { format!("{by:+.1}") }
}

fn cause_words(text: &mut String, found: &EyeCauses) {
    if !found.nothing.is_empty() {
        text.push_str(&folded(&format!("causes: cannot tell: {}", found.nothing), "    ", "      "));
    }
    if !found.extra.is_empty() {
        let words = format!("causes {}", rests_on(found.extra_used, found.extra.len()));
        text.push_str(&folded(&words, "    ", "      "));
    }
    for lane in &found.lanes {
        text.push_str(&folded(&format!("why lane {}: {}", lane.lane, lane.words()), "    ", "      "));
        if let Some(truth) = &lane.truth {
            text.push_str(&folded(&truth.words(), "      ", "        "));
        }
    }
}

fn words(
    folder: &JudgedFolder,
    found: &[ConditionWhy],
    causes: &[(usize, EyeCauses)],
    shifts: &[EdgeShift],
) -> String {
    let mut text = format!("{}, report {}\n", folder.facts.title, folder.facts.report_id);
    if folder.facts.simulated {
        text.push_str("SIMULATED - not measured\n");
    }
    text.push_str(&folded(
        "The limit box is as wide and high as the limits ask; at 1.00 x it just fits about the sampling point. What firmware \
         can recover is the difference between the best point and the trained one; what a cause costs is what the lane would have more \
         without it. Both are in limit boxes.",
        "",
        "",
    ));
    for condition in found {
        let judged = &folder.run.conditions[condition.index];
        let verdict = judged.verdict.map_or("no verdict", |verdict: Verdict| verdict.words());
        text.push_str(&format!("\n{}: {verdict}", judged.name));
        for eye in &condition.eyes {
            eye_words(&mut text, eye);
            let of_eye =
                |(index, found): &&(usize, EyeCauses)| *index == condition.index && found.eye == eye.eye;
            if let Some((_, found)) = causes.iter().find(of_eye) {
                cause_words(&mut text, found);
            }
        }
    }
    text.push_str(
        "\nWhich factor moves which edge (mean lane, everything else alike; minus is lost margin):\n",
    );
    if shifts.is_empty() {
        text.push_str("no factor with several levels has conditions that differ in nothing else\n");
        return text.trim_end().to_string();
    }
    let names = folder.file.plan.level_names();
    let rows: Vec<Vec<String>> = shifts
        .iter()
        .map(|shift| {
            let level = |at: usize| names[shift.factor as usize][at].clone();
            let mut row = vec![
                format!("{}: {} to {}", shift.factor.name(), level(shift.from), level(shift.to)),
                shift.eye.to_string(),
            ];
            row.extend((0..4).map(|side| match &shift.expanded_uncertainty {
                Some(u) => format!("{:+.1} \u{b1} {:.1}", shift.change[side], u[side]),
                None => format!("{:+.1}", shift.change[side]),
            }));
            row.push(shift.pairs.to_string());
            row
        })
        .collect();
    let header = ["factor", "eye", "early, ps", "late, ps", "lower, mV", "upper, mV", "pairs"];
    text.push_str(&table(&header, &rows, 2));
    if shifts.iter().any(|shift| shift.expanded_uncertainty.is_none()) {
        text.push_str("\nA single pair has no U: one more level of another factor would give it one.");
    }
    text.trim_end().to_string()
}

fn machine(
    folder: &JudgedFolder,
    found: &[ConditionWhy],
    causes: &[(usize, EyeCauses)],
    shifts: &[EdgeShift],
) -> serde_json::Value {
    let names = folder.file.plan.level_names();
    let lane = |gain: &LaneGain| {
        json!({
            "lane": gain.lane, "trained_boxes": gain.trained, "best_boxes": gain.best,
            "trained_expanded_uncertainty_boxes": gain.box_expanded_uncertainty[0],
            "best_expanded_uncertainty_boxes": gain.box_expanded_uncertainty[1], "recoverable_boxes": gain.gain(), "recoverable_expanded_uncertainty_boxes": gain.expanded_uncertainty,
            "best_point_taps": gain.taps, "best_point_vref_steps": gain.vref_steps, "bound_by": gain.bound_words(),
            "jobs": gain.jobs,
        })
    };
    let lane_causes = |lane: &LaneCauses| {
        let causes: Vec<_> = lane
            .causes
            .iter()
            .map(|blamed| {
                // Without a fit that is believed there is a ranking, and no gain.
                let gain = lane.accepted.then_some(blamed.gain);
                json!({
                    "cause": blamed.cause, "or": blamed.or, "gain_boxes": gain,
                    "gain_expanded_uncertainty_boxes": gain.map(|_| blamed.expanded_uncertainty),
                })
            })
            .collect();
        json!({
            "lane": lane.lane, "finding": lane.finding, "causes": causes, "trained_boxes": lane.trained,
            "chi_square": lane.chi_square, "accepted": lane.accepted, "from_the_eye_alone": lane.eye_alone,
            "simulated_truth": lane.truth,
        })
    };
    let conditions: Vec<_> = found
        .iter()
        .map(|condition| {
            let judged = &folder.run.conditions[condition.index];
            let eyes: Vec<_> = condition
                .eyes
                .iter()
                .map(|eye| {
                    let of_eye =
                        |(index, found): &&(usize, EyeCauses)| *index == condition.index && found.eye == eye.eye;
                    let causes = causes.iter().find(of_eye).map(|(_, found)| {
                        json!({
                            "model": found.model, "nothing_because": found.nothing, "extra_jobs": found.extra_used,
                            "lanes": found.lanes.iter().map(lane_causes).collect::<Vec<_>>(),
                        })
                    });
                    json!({
                        "causes": causes,
                        "eye": eye.eye.to_string(), "shared_vref": eye.shared_vref, "nothing_because": eye.nothing,
                        "lanes": eye.lanes.iter().map(lane).collect::<Vec<_>>(),
                    })
                })
                .collect();
            json!({
                "condition": judged.name, "verdict": judged.verdict.map(|verdict| verdict.words()), "eyes": eyes,
            })
        })
        .collect();
    let shifts: Vec<_> = shifts
        .iter()
        .map(|shift| {
            let level = |at: usize| names[shift.factor as usize][at].clone();
            let u = shift.expanded_uncertainty;
            json!({
                "factor": shift.factor.name(), "from": level(shift.from), "to": level(shift.to),
                "eye": shift.eye.to_string(), "pairs": shift.pairs,
                "early_ps": shift.change[0], "late_ps": shift.change[1],
                "lower_mv": shift.change[2], "upper_mv": shift.change[3],
                "expanded_uncertainty": u.map(|u| json!({
                    "early_ps": u[0], "late_ps": u[1], "lower_mv": u[2], "upper_mv": u[3],
                })),
            })
        })
        .collect();
    json!({
        "title": folder.facts.title, "report_id": folder.facts.report_id, "simulated": folder.facts.simulated,
        "conditions": conditions, "by_factor": shifts,
    })
}
