//! The page of one job: every eye it captured, with pictures, outlines and lanes.

use super::words::*;
use super::{PageError, eyes, notes, print_rules, render};
use judge::judged::{EyePicture, JobNote, JudgedRun, LaneValues, RunFacts};
use serde::Serialize;
use std::borrow::Cow;

#[derive(Serialize)]
struct JobPage<'a> {
    facts: &'a RunFacts,
    mark: &'static str,
    report_css: String,
    style: &'static str,
    job: &'a str,
    place: String,
    name: &'a str,
    class: &'static str,
    verdict: String,
    reason: Cow<'a, str>,
    trouble: &'a str,
    notes: Vec<String>,
    eyes: eyes::EyesView,
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
    pictures: Vec<EyePicture>,
) -> Result<String, PageError> {
    let conditions = run.conditions.len();
    let judged = run.conditions.get(index).ok_or(PageError::Condition { index, conditions })?;
    let mut own = judged.clone();
    own.lanes = lanes;
    let alone = JudgedRun { conditions: vec![own], ..run.clone() };
    let pictures: Vec<(usize, EyePicture)> = pictures.into_iter().map(|picture| (0, picture)).collect();
    let page = JobPage {
        mark: if facts.simulated { SIMULATED } else { "" },
        report_css: print_rules(facts),
        style: include_str!("style.css"),
        job: &job.key,
        place: format!("mounting {}, repeat {}, start {}", job.mounting + 1, job.repeat + 1, job.start + 1),
        name: &judged.name,
        class: class(judged.verdict),
        verdict: format!("{} {}", glyph(judged.verdict), verdict_words(judged)),
        reason: judged.reason(),
        trouble: &job.trouble,
        notes: notes::beside(facts, index),
        eyes: eyes::eyes(&alone, facts, &pictures, &["eye".to_string()])?,
        facts,
    };
    render("eye.html", &page)
}
