//! Judged results: what the page, the exports and the comparison are made from. Plain values, no logic.

pub use crate::audit::{Audit, HighestRateNote, OutsidePlan};
pub use crate::predicted::{PredictedCounts, PredictionInputs, PredictionNote};
pub use crate::prediction::{Predicted, PredictedMargin, PredictedVerdict};
pub use crate::release::Obstacle;
pub use crate::run_facts::{
    Equipment, FoundCauses, HandsMoment, JobTexts, ModelEntry, ReviewNote, RunFacts, Superseded, TestedItem,
    TimelineStep,
};
use nightbench_core::condition::ConditionState;
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::{CaptureMode, Evidence, EyeName, Grid, Identity, JobTimes, LanePoint};
use plan::expand::Condition;
use plan::limits::Metric;
use serde::Serialize;
pub use statistics::conformity::Verdict;
use std::borrow::Cow;
use std::collections::BTreeSet;
use std::sync::Arc;

/// One metric of one eye judged on its worst lane.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JudgedMetric {
    /// How the eye is known.
    pub evidence: Evidence,
    /// Which eye.
    pub eye: EyeName,
    /// Which metric.
    pub metric: Metric,
    /// The worst lane (DQ number), on which the verdict rests.
    pub lane: u16,
    /// Lanes that stand behind it.
    pub lanes: u16,
    /// Value of the worst lane as the least of its eye's lanes ([`WorstLane`] has it as read), ps or mV.
    pub value: f64,
    /// Lower tolerance limit, ps or mV.
    pub limit: f64,
    /// Value minus limit, ps or mV.
    pub margin: f64,
    /// Combined standard uncertainty, ps or mV.
    pub standard_uncertainty: f64,
    /// Expanded uncertainty U, ps or mV.
    pub expanded_uncertainty: f64,
    /// Guard band w = r U, ps or mV.
    pub guard_band: f64,
    /// Probability that the true value is at or above the limit.
    pub conformance_probability: f64,
    /// Risk that this decision is wrong: false accept of a (conditional) pass, false reject of a (conditional) fail.
    pub wrong_decision_risk: f64,
    /// The run touches the grid border: the value is a lower bound.
    pub at_least: bool,
    /// The operating point fails: width and height are 0.
    pub closed: bool,
    /// The operating point fails although an eye exists elsewhere.
    pub off_centre: bool,
    /// Jobs averaged.
    pub jobs: u16,
    pub verdict: Verdict,
    /// What the value was estimated from.
    pub worst_lane: WorstLane,
    /// More about the uncertainty.
    pub parts: MetricParts,
}

/// The worst lane as it was read, and what it was the worst of. The lowest of many noisy readings is partly low by chance:
/// the value judged is what the lowest lane truly has, given how much the lanes differ and how uncertain each is.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct WorstLane {
    /// Mean over the jobs of the lane that reads worst, ps or mV.
    pub as_read: f64,
    /// What it gains where it is brought to the mean place of its strobe's lanes, ps or mV.
    pub centred: f64,
    /// Lanes that are taken as read, because they lie further below the others than chance explains or only have a bound.
    pub alone: u16,
    /// Standard deviation of the true values of healthy lanes, ps or mV; `None` where lanes are taken as read.
    pub spread: Option<f64>,
}

/// More about a judged metric's uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct MetricParts {
    /// Coverage factor k of U = k u.
    pub k: f64,
    /// Effective degrees of freedom; `None` = infinite.
    pub degrees_of_freedom: Option<f64>,
    /// Standard uncertainty of what another run of the same chip and delay line does not share, ps or mV.
    pub independent: f64,
    /// Its effective degrees of freedom; `None` = infinite.
    pub independent_freedom: Option<f64>,
    /// Standard uncertainty of what all lanes of an eye share and another run of the same chip does not, ps or mV.
    pub shared: f64,
    /// Its effective degrees of freedom; `None` = infinite.
    pub shared_freedom: Option<f64>,
    /// The same against a run of another chip.
    pub shared_otherwise: f64,
}

/// Width and height of every lane of one eye, for strips and distributions.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LaneValues {
    /// Which eye.
    pub eye: EyeName,
    /// The lanes' numbers (DQ).
    pub lanes: Arc<[u16]>,
    /// Width at the operating Vref, ps; mean over jobs.
    pub width_ps: Vec<f32>,
    /// Height at the operating tap, mV; mean over jobs.
    pub height_mv: Vec<f32>,
    /// Margin of each lane as a share of its limit, the lowest over the metrics judged of this eye; not a number for a
    /// lane without a value. Empty where no limit applies.
    pub margin_share: Vec<f32>,
    /// Centre of the eye as seen from the operating point, (late - early) / 2, ps; mean over open lanes and jobs.
    pub centre_ps: Option<f32>,
    /// The same in voltage, (upper - lower) / 2, mV.
    pub centre_mv: Option<f32>,
    /// Other metrics that are judged, ps or mV.
    pub others: Vec<(Metric, Vec<f32>)>,
    /// Lanes (places in the list) that run off the grid in a metric: their value is a lower bound.
    pub unseen: Vec<(Metric, u16)>,
}

impl LaneValues {
    /// Every lane's value of a metric, where it was kept.
    pub fn of(&self, metric: Metric) -> Option<&[f32]> {
        match metric {
            Metric::Width => Some(&self.width_ps),
            Metric::Height => Some(&self.height_mv),
            _ => self.others.iter().find(|(known, _)| *known == metric).map(|(_, values)| values.as_slice()),
        }
    }
}

/// One job of a condition, as the lists show it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JobNote {
    /// The job's key.
    pub key: String,
    /// Mounting, repeat and start, from 0.
    pub mounting: u16,
    /// See `mounting`.
    pub repeat: u16,
    /// See `mounting`.
    pub start: u16,
    /// Training passed?
    pub trained: bool,
    /// A valid result: eyes were captured or training failed; false after a fault.
    pub valid: bool,
    /// Failed training stage and lanes in words, or why it was not measured; empty when all went well.
    pub trouble: String,
    /// Temperature achieved, degC.
    pub temperature_degc: Option<f64>,
    /// VDDQ achieved, V.
    pub vddq_v: Option<f64>,
    /// Bench time.
    pub times: JobTimes,
}

/// Everything judged about one condition.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JudgedCondition {
    /// The condition's levels.
    #[serde(skip)]
    pub condition: Condition,
    /// In words.
    pub name: String,
    /// Stable page anchor: first digits of its first job's key.
    pub anchor: String,
    /// The rate is above the module's rating.
    pub beyond_rating: bool,
    /// The verdict, where the state has one.
    pub verdict: Option<Verdict>,
    /// How far it has come.
    pub state: ConditionState,
    /// Why it was not measured, for people; see [`JudgedCondition::reason`].
    pub detail: String,
    /// Every judged metric, worst first ([`JudgedMetric::compare_worst`]).
    pub metrics: Vec<JudgedMetric>,
    /// Metrics that were measured and cannot be judged. Where another metric fails, the condition fails all the same.
    pub unjudged: Vec<UnjudgedMetric>,
    /// Width and height of every lane.
    pub lanes: Vec<LaneValues>,
    pub jobs: Vec<JobNote>,
    /// Not measured for one reason alone: fewer jobs are done than the plan asks for. What they say is sound.
    #[serde(skip)]
    pub lacks_jobs: bool,
    /// What is predicted of it, where it was not measured.
    #[serde(skip)]
    pub predicted: Option<Predicted>,
}

/// Why a metric that was measured cannot be judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum NoJudgement {
    /// The eye leaves the grid, and what was seen of it does not decide.
    RunsOffGrid,
    /// The guard band is wider than the limit itself.
    GuardBandTooWide,
    /// The grid cannot show as much as the limit asks for.
    LimitBeyondGrid,
    /// There is no uncertainty, or no value, to judge by.
    NoValue,
}

impl NoJudgement {
    /// What this says of a metric, without its values: the same words for every condition it holds for.
    pub fn words(self, metric: Metric) -> String {
        let name = metric.name();
        match self {
            NoJudgement::RunsOffGrid => format!(
                "the {name} runs off the grid, and what is seen of it does not decide: sweep a wider range"
            ),
            NoJudgement::GuardBandTooWide => format!(
                "the guard band is wider than the {name} limit itself: measure more finely or repeat more"
            ),
            NoJudgement::LimitBeyondGrid => {
                format!("the {name} limit is more than the grid can show: sweep a wider range")
            }
            NoJudgement::NoValue => format!("the {name} has no value or no uncertainty to be judged by"),
        }
    }
}

/// A metric of one eye that was measured and cannot be judged.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct UnjudgedMetric {
    /// Which eye.
    pub eye: EyeName,
    /// Which metric.
    pub metric: Metric,
    pub why: NoJudgement,
    /// With its values and the remedy.
    pub words: String,
    /// Guard band, ps or mV, where it is wider than the limit.
    #[serde(skip)]
    pub guard_band: Option<f64>,
}

impl JudgedCondition {
    /// No time was left for its jobs in the hours that the last run was given; nothing changes where one has run.
    pub fn leave_for_want_of_time(&mut self, hours: f64) {
        self.leave(ConditionState::NoTime, format!("no time was left in the {hours} h of the last run"));
    }

    /// Its jobs would have ended in those hours, but nobody was there to change what is mounted before `come`.
    pub fn leave_for_want_of_hands(&mut self, hours: f64, come: &str) {
        let words = format!("nobody was there to mount it before {come}, in the {hours} h of the last run");
        self.leave(ConditionState::NoHands, words);
    }

    fn leave(&mut self, state: ConditionState, words: String) {
        if self.state == ConditionState::NotRun {
            (self.state, self.detail) = (state, words);
        }
    }

    /// Why nothing can be said of it, each reason once and without values; empty in every other state.
    pub fn open_questions(&self) -> BTreeSet<String> {
        let open = self.unjudged.iter().filter(|_| self.state == ConditionState::Undecided);
        open.map(|one| one.why.words(one.metric)).collect()
    }

    /// Why it has no verdict, or why it fails where numbers do not say it; empty otherwise.
    pub fn reason(&self) -> Cow<'_, str> {
        match self.state {
            ConditionState::Judged => "".into(),
            ConditionState::TrainingFailed => "training".into(),
            ConditionState::NotJudged => {
                "not judged: no limit of the plan applies at this rate and direction".into()
            }
            ConditionState::Undecided => {
                let mut words: Vec<&str> = self.unjudged.iter().map(|one| one.words.as_str()).collect();
                words.sort_unstable();
                words.dedup();
                format!("undecided: {}", words.join("; ")).into()
            }
            ConditionState::NotMeasured => format!("not measured: {}", self.detail).into(),
            ConditionState::NotRun if self.detail.is_empty() => "not measured: not run yet".into(),
            ConditionState::NotRun | ConditionState::NoTime | ConditionState::NoHands => {
                format!("not measured: {}", self.detail).into()
            }
            ConditionState::NotNeeded => {
                "not needed: the highest rate of its series is known without it".into()
            }
            ConditionState::Predicted => match &self.predicted {
                Some(predicted) => format!("{}, not measured", predicted.verdict.words()).into(),
                None => "predicted, not measured".into(),
            },
        }
    }

    /// The lane that decides an eye; where no limit applies to it, its narrowest.
    pub fn worst_lane(&self, eye: EyeName) -> Option<u16> {
        if let Some(metric) = self.metrics.iter().find(|metric| metric.eye == eye) {
            return Some(metric.lane);
        }
        let values = self.lanes.iter().find(|values| values.eye == eye)?;
        let lanes = values.lanes.iter().zip(&values.width_ps);
        lanes.min_by(|a, b| a.1.total_cmp(b.1)).map(|(lane, _)| *lane)
    }

    /// How the eyes are known that its metrics were read from.
    pub fn evidence(&self) -> Evidence {
        self.metrics.iter().map(|metric| metric.evidence).max().unwrap_or_default()
    }

    /// The metric that decides, where one was measured.
    pub fn worst(&self) -> Option<&JudgedMetric> {
        self.metrics.first()
    }
}

/// A condition left out, with the reason.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LeftOut {
    /// The condition's levels.
    #[serde(skip)]
    pub condition: Condition,
    /// Why.
    pub reason: String,
    /// It waits for hands only.
    pub needs_hands: bool,
}

/// One line of a training table: what a stage gave on the worst lane.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StageNote {
    /// Stage name.
    pub stage: String,
    pub attempts: u32,
    /// Failed attempts.
    pub failed: u32,
    /// Attempts in which a lane's pass window reached the end of the delay or Vref range. The trained point itself need not lie there.
    pub end_stops: u32,
    /// Narrowest pass window seen, taps.
    pub narrowest_taps: Option<f64>,
    /// Lowest pass window seen, Vref steps.
    pub lowest_steps: Option<f64>,
}

/// A failed training attempt.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FailedTraining {
    /// Index of its condition.
    pub condition: usize,
    /// The stage that failed.
    pub stage: String,
    /// Lanes that failed, as ranges.
    pub lanes: String,
    /// Likely causes.
    pub causes: Vec<String>,
}

/// One line of an uncertainty budget.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct BudgetRow {
    /// Contribution.
    pub name: String,
    /// `A` (statistics of this run) or `B` (other knowledge).
    pub kind: char,
    /// Standard uncertainty of the input quantity, in `input_unit`.
    pub input: f64,
    pub input_unit: String,
    /// Sensitivity: ps or mV of the metric a unit of the input.
    pub sensitivity: f64,
    /// Standard uncertainty that it contributes (input x sensitivity), ps or mV.
    pub standard_uncertainty: f64,
    /// Degrees of freedom; `None` = infinite.
    pub degrees_of_freedom: Option<f64>,
    /// Share of the variance, 0..1.
    pub share: f64,
    /// Where it comes from.
    pub source: String,
    /// Taken as an estimate, because nothing of this run or of a study says it.
    pub assumed: bool,
    /// Of an estimate: its least and its largest standard uncertainty over the eyes of the run, ps or mV.
    pub range: Option<(f64, f64)>,
}

/// The uncertainty budget of one metric, at the run's median values or at those of one eye.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Budget {
    pub metric: Metric,
    /// Its lines.
    pub rows: Vec<BudgetRow>,
    /// Combined standard uncertainty, ps or mV.
    pub combined: f64,
    /// Effective degrees of freedom; `None` = infinite.
    pub degrees_of_freedom: Option<f64>,
    /// Coverage factor.
    pub k: f64,
    /// Expanded uncertainty, ps or mV.
    pub expanded: f64,
}

/// Counts of verdicts over conditions that count.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct VerdictCounts {
    /// Conditions that pass.
    pub pass: usize,
    /// Conditions with a conditional pass.
    pub conditional_pass: usize,
    /// Conditions with a conditional fail.
    pub conditional_fail: usize,
    /// Conditions that fail.
    pub fail: usize,
}

impl VerdictCounts {
    pub fn add(&mut self, verdict: Verdict) {
        *self.slot(verdict) += 1;
    }
    /// Number with a verdict.
    pub fn of(mut self, verdict: Verdict) -> usize {
        *self.slot(verdict)
    }
    /// All together.
    pub fn total(self) -> usize {
        self.pass + self.conditional_pass + self.conditional_fail + self.fail
    }
    fn slot(&mut self, verdict: Verdict) -> &mut usize {
        match verdict {
            Verdict::Pass => &mut self.pass,
            Verdict::ConditionalPass => &mut self.conditional_pass,
            Verdict::ConditionalFail => &mut self.conditional_fail,
            Verdict::Fail => &mut self.fail,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ReleaseDecision {
    /// Every condition was measured and passes under the rule.
    Yes,
    /// Something fails.
    No,
    /// Neither can be said.
    Undecided,
}

/// The release decision with its reasons.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Release {
    pub decision: ReleaseDecision,
    /// What keeps it undecided; `None` where it is decided.
    pub open: Option<Obstacle>,
    /// Why.
    pub reasons: Vec<String>,
}

/// A whole run, judged.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JudgedRun {
    /// Printed names of every factor's levels, in the order of the factors.
    pub level_names: Vec<Vec<String>>,
    /// Every condition of the plan that is to be run, in the plan's order.
    pub conditions: Vec<JudgedCondition>,
    /// Conditions left out.
    pub left_out: Vec<LeftOut>,
    /// Conditions of the plan (run or not yet run), without those left out.
    pub planned: usize,
    pub jobs_planned: usize,
    /// Jobs that every condition was planned with; the reference has more.
    pub jobs_each: usize,
    /// Jobs in the store.
    pub jobs_done: usize,
    /// Stored jobs that the plan does not have any more.
    pub outside_plan: OutsidePlan,
    /// Counts over conditions within rating (and beyond it, where the plan says that they count).
    pub verdicts: VerdictCounts,
    /// Conditions beyond their module's rating count like the others.
    pub beyond_rating_counts: bool,
    /// Counts over conditions beyond rating that do not count.
    pub beyond_rating: VerdictCounts,
    /// Conditions that count and were not measured.
    pub not_measured: usize,
    /// Conditions that the highest rate of their series is known without.
    pub not_needed: usize,
    /// Conditions that count and were predicted in place of being measured.
    pub predicted: PredictedCounts,
    /// The same of conditions beyond rating that do not count.
    pub predicted_beyond_rating: PredictedCounts,
    /// Conditions that count and were measured, and of which nothing can be said.
    pub undecided: usize,
    /// Conditions that count and were measured, to which no limit applies.
    pub not_judged: usize,
    /// Training stages over all attempts.
    pub stages: Vec<StageNote>,
    pub failed_trainings: Vec<FailedTraining>,
    /// Uncertainty budgets.
    pub budgets: Vec<Budget>,
    /// The decision rule in words.
    pub rule_words: String,
    /// How captures were taken and points decided.
    pub capture_mode: CaptureMode,
    pub point_rule: PointRule,
    /// Release decision.
    pub release: Release,
    /// Risks, distributions, effects and what else an auditor asks.
    pub audit: Audit,
    /// Everyone who answered as the device, in order of appearance.
    pub identities: Vec<Identity>,
}

/// An eye to be drawn: one byte a point, plus outlines.
#[derive(Debug, Clone, PartialEq)]
pub struct EyePicture {
    /// Key of the job that captured it; empty where it is not known.
    pub job: String,
    /// Which eye.
    pub eye: EyeName,
    /// Its axes.
    pub grid: Grid,
    /// Worst bit error ratio over the lanes at each point, row by row from Vref step 0, in classes:
    /// 0 = no error in any lane, k = a ratio of at least 10^(k - 1) / `clean_bits`; 253 = inferred to fail in a lane,
    /// 254 = inferred to pass in every lane, 255 = neither measured nor inferred.
    pub classes: Vec<u8>,
    /// SVG path of the worst lane's outline, in tap and Vref-step units (Vref upwards).
    pub worst_lane_path: String,
    /// SVG path of the outline common to all lanes.
    pub all_lanes_path: String,
    /// SVG path of dots at the rim points of the two outlines that were inferred, not measured; empty if all were
    /// measured.
    pub inferred_path: String,
    /// The worst lane (DQ).
    pub worst_lane: u16,
    /// SVG path of every lane's outline, in the order captured; empty for eyes drawn as outlines only.
    pub lane_paths: Vec<(u16, String)>,
    /// Operating point of the worst lane.
    pub operating: LanePoint,
    /// Bits of a clean point: the floor is 1 over this.
    pub clean_bits: u64,
    /// Every metric, extrapolation and claim; `None` for eyes drawn as outlines only.
    pub details: Option<EyeDetails>,
}

/// A value with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DetailValue {
    /// The value, in the row's unit.
    pub value: f64,
    /// Its standard uncertainty from counting and step, in the row's unit.
    pub standard_uncertainty: f64,
    /// The eye touches the border of the grid: the value is a lower bound.
    pub at_least: bool,
}

/// One metric of an eye.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DetailRow {
    /// The metric.
    pub name: String,
    pub unit: String,
    pub worst_lane: Option<DetailValue>,
    /// Value of all lanes together, each about its own operating point.
    pub all_lanes: Option<DetailValue>,
}

/// A size extrapolated to a bit error ratio that cannot be counted, by two models.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ExtrapolatedSize {
    /// Tail of amplitude 1/2: conservative on average.
    pub conservative: f64,
    /// Tail with fitted amplitude.
    pub fitted: Option<f64>,
    /// Difference of the two: the model uncertainty.
    pub difference: Option<f64>,
}

/// Everything known about one captured eye beside its verdict.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EyeDetails {
    /// Metrics.
    pub rows: Vec<DetailRow>,
    /// Bit error ratio extrapolated to.
    pub extrapolation_ber: f64,
    /// Width of the worst lane there, ps.
    pub width_beyond_ps: Option<ExtrapolatedSize>,
    /// Height of the worst lane there, mV.
    pub height_beyond_mv: Option<ExtrapolatedSize>,
    /// What the capture claims, in words.
    pub confidence: String,
    /// Points measured in at least one lane.
    pub measured_points: usize,
    /// Points inferred in every lane.
    pub inferred_points: usize,
    /// Visits made.
    pub visits: usize,
    /// Points re-tested.
    pub retested: usize,
    /// Early points measured again last that had enough errors to compare.
    pub drift_checks: usize,
    /// They differ by more than counting noise explains.
    pub drifted: bool,
}
