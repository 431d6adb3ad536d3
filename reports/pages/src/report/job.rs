//! The page of one job: every eye it captured, with pictures, outlines and lanes.

use super::words::*;
use super::{PageError, STYLE, eyes, notes, print_rules, render};
use crate::own::Own;
use judge::judged::{EyePicture, JobNote, JudgedRun, LaneValues, RunFacts};
use serde::Serialize;
use std::borrow::Cow;

#[derive(Serialize)]
struct JobPage<'a> {
    facts: &'a RunFacts,
    mark: &'static str,
    own: Own,
    job: &'a str,
    place: String,
    name: &'a str,
    class: &'static str,
    verdict: String,
    reason: Cow<'a, str>,
    trouble: &'a str,
    notes: Vec<String>,
    eyes: eyes::EyesView,
    /// The lanes of each eye, in the order of the cards.
    lanes: Vec<Vec<eyes::EyeCard>>,
}

/// An eye of a job, and each of its lanes as a picture of its own.
pub struct JobEye {
    /// All lanes together.
    pub together: EyePicture,
    pub lanes: Vec<EyePicture>,
}

/// Builds the page of a job of condition `index`. `lanes` are the job's own lane values, which stand in the strips;
/// verdicts are the condition's.
///
/// # Errors
/// [`PageError`]: a condition that the run does not have, or a picture that does not fit.
pub fn build_job(
    run: &JudgedRun,
    facts: &RunFacts,
    (index, job): (usize, &JobNote),
    lanes: Vec<LaneValues>,
    mut pictures: Vec<JobEye>,
) -> Result<String, PageError> {
    let conditions = run.conditions.len();
    let judged = run.conditions.get(index).ok_or(PageError::Condition { index, conditions })?;
    let mut own = judged.clone();
    own.lanes = lanes;
    let alone = JudgedRun { conditions: vec![own], ..run.clone() };
    // As the cards are sorted.
    pictures.sort_by_key(|eye| eye.together.eye);
    let (pictures, lanes): (Vec<(usize, EyePicture)>, Vec<Vec<EyePicture>>) =
        pictures.into_iter().map(|eye| ((0, eye.together), eye.lanes)).unzip();
    let page = JobPage {
        mark: if facts.simulated { SIMULATED } else { "" },
        own: Own::new(STYLE.to_owned() + &print_rules(facts), ""),
        job: &job.key,
        place: place(facts, job),
        name: &judged.name,
        class: class(judged.verdict),
        verdict: format!("{} {}", glyph(judged.verdict), verdict_words(judged)),
        reason: judged.reason(),
        trouble: &job.trouble,
        notes: notes::beside(facts, index),
        lanes: lanes
            .iter()
            .map(|lanes| eyes::lane_cards(&alone, facts, &pictures, lanes))
            .collect::<Result<_, _>>()?,
        eyes: eyes::eyes(&alone, facts, &pictures, &["eye".to_string()])?,
        facts,
    };
    render("eye.html", &page)
}

/// Which job of its condition this is, and the how manieth attempt at it.
fn place(facts: &RunFacts, job: &JobNote) -> String {
    let superseded = facts.superseded.iter().filter(|old| old.key == job.key).count();
    let earlier = match superseded {
        0 => String::new(),
        1 => " (the earlier one is superseded)".into(),
        _ => " (the earlier ones are superseded)".into(),
    };
    format!(
        "mounting {}, repeat {}, start {}, attempt {}{earlier}",
        job.mounting + 1,
        job.repeat + 1,
        job.start + 1,
        superseded + 1
    )
}
