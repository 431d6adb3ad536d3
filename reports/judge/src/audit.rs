//! What an auditor asks beyond the verdicts: risks over the whole matrix, distributions, effects, headroom, the
//! reference condition, and other limits. Plain values, no logic.

use crate::judged::{Budget, PredictionNote, Verdict, VerdictCounts};
use nightbench_core::results::EyeName;
use plan::expand::Condition;
use plan::limits::Metric;
use serde::Serialize;

/// Everything beyond the verdicts.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Audit {
    /// Global risks over the matrix: by metric, and of the conditions' deciding metrics together.
    pub global_risks: Vec<RiskNote>,
    /// Lanes of the worst condition of each metric, and the worst lanes of all conditions.
    pub distributions: Vec<DistributionNote>,
    /// Which factor eats the margin.
    pub effects: Vec<EffectTable>,
    /// Highest passing rate of each module and channel.
    pub headroom: Vec<Headroom>,
    /// The highest rate of each series, where the plan asks for it, in the order they are run.
    pub highest_rates: Vec<HighestRateNote>,
    /// What is to be said of predicted verdicts, where the plan asks for them.
    pub predictions: Option<PredictionNote>,
    /// Tolerance limit over units.
    pub units: Option<UnitsNote>,
    /// Control charts of the reference condition.
    pub charts: Vec<ChartNote>,
    /// Sets of limits the same counts were judged by.
    pub limit_sets: Vec<LimitSetNote>,
    /// Conditions whose verdict differs between the sets, worst first.
    pub set_changes: Vec<SetChange>,
    /// Masks seen at the bit error ratio they are defined for: information only.
    pub extrapolations: Vec<ExtrapolationNote>,
    /// Uncertainty budgets of the eyes that are drawn, each at its own values.
    pub budgets: Vec<EyeBudget>,
    /// What cannot be said and why, and what a reader must know.
    pub words: Vec<String>,
}

/// The uncertainty budget of one metric of one eye.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EyeBudget {
    /// Index of the condition.
    pub condition: usize,
    pub eye: EyeName,
    pub budget: Budget,
}

/// Global consumer's and producer's risk (JCGM 106:2012, clause 9), the observed distribution as prior.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RiskNote {
    /// A measured margin lies below its limit. Without any the observed distribution says nothing of the consumer's
    /// risk: it comes out as 0.
    pub seen_nonconforming: bool,
    /// Metric, or all deciding metrics together.
    pub of: String,
    /// Conditions behind it.
    pub conditions: usize,
    /// Does not conform AND is accepted.
    pub consumer: f64,
    /// Conforms AND is rejected.
    pub producer: f64,
    /// Does not conform, GIVEN that it was accepted.
    pub nonconforming_given_accepted: f64,
}

/// A fitted distribution.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FitNote {
    /// Name and parameters.
    pub model: String,
    /// Akaike's information criterion: the smallest describes best.
    pub aic: f64,
    /// Value that one in a thousand falls below.
    pub one_in_a_thousand: f64,
}

/// A sample described.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DistributionNote {
    /// What the sample is.
    pub sample: String,
    /// Unit of its values.
    pub unit: &'static str,
    /// Number of values, their mean and standard deviation.
    pub n: usize,
    /// See `n`.
    pub mean: f64,
    /// See `n`.
    pub standard_deviation: f64,
    /// Limit it is seen against.
    pub limit: f64,
    pub fits: Vec<FitNote>,
    /// p of normality: Anderson-Darling, Shapiro-Wilk; `None` where the sample is too small or too large.
    pub normality_p: [Option<f64>; 2],
    /// Lower limit of 95 % of the values with 95 % confidence: one-sided, and the interval two-sided (normal).
    pub tolerance_lower: Option<f64>,
    /// See `tolerance_lower`.
    pub tolerance_interval: Option<(f64, f64)>,
    /// The same without a distribution; `None` where the sample is too small for it.
    pub tolerance_lower_any: Option<f64>,
    /// Cpk against the limit with its 95 % interval. Cp needs two limits: a margin has one.
    pub cpk: Option<(f64, f64, f64)>,
    /// Values that outlier tests flag (Grubbs one-sided low, generalised ESD): flagged, never dropped.
    pub outliers: Vec<String>,
    /// What cannot be given and why.
    pub words: Vec<String>,
}

/// One line of an analysis of variance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EffectLine {
    /// Factor, or two of them.
    pub term: String,
    /// Degrees of freedom.
    pub dof: f64,
    pub f: f64,
    pub p: f64,
    /// Share of the total sum of squares (eta squared).
    pub eta_squared: f64,
    /// The same, corrected for chance (omega squared).
    pub omega_squared: f64,
}

/// Which factor eats the margin of one metric.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EffectTable {
    pub metric: Metric,
    /// Conditions analysed.
    pub conditions: usize,
    /// Terms, largest share first.
    pub lines: Vec<EffectLine>,
    /// Share explained.
    pub r_squared: f64,
    /// Terms left out, and why.
    pub words: Vec<String>,
}

/// Highest rate at which a module on a channel passes everywhere, with every lower rate.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Headroom {
    pub module: String,
    pub channel: String,
    /// Rated MT/s.
    pub rated_mts: f64,
    /// Highest passing MT/s; `None`: the lowest rate does not pass, or (with `at_least`) nothing is known of it.
    pub passing_mts: Option<f64>,
    /// Above (+) or below (-) the rating, percent.
    pub percent: Option<f64>,
    /// No faster rate is known not to pass: at least this much.
    pub at_least: bool,
    /// Rate at which the margin is used up: without a guard band, and with the rule's.
    pub crossings: [Crossing; 2],
}

/// The highest rate of conditions that differ in their rate alone.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HighestRateNote {
    /// The levels they share, with the slowest rate.
    #[serde(skip)]
    pub condition: Condition,
    /// In words, without the rate.
    pub name: String,
    /// Rated MT/s of the module.
    pub rated_mts: u32,
    /// Fastest rate that passes, MT/s; `None`: none of those asked does. No answer before it [is known](HighestRateNote::is_known).
    pub highest_mts: Option<u32>,
    /// Where the margin is used up at the earliest, MT/s: lower bound of a straight line between measured rates, one-sided 95 %. No rated
    /// speed. `None` where no margin was measured on both sides.
    pub holds_to_mts: Option<f64>,
    /// Faster rates that neither pass nor fail, MT/s.
    pub doubtful_mts: Vec<u32>,
    /// The slowest rate above the answer that fails, MT/s.
    pub fails_at_mts: Option<u32>,
    /// Faster rates that were asked and not measured, MT/s.
    pub not_measured_mts: Vec<u32>,
    /// Rates asked, and rates of the series.
    pub asked: usize,
    /// See `asked`.
    pub rates: usize,
    /// The fastest rate of the series passes.
    pub fastest_passes: bool,
    /// Nothing more is asked.
    pub finished: bool,
    /// Does it reach the rate that the plan asks for? `None` where it asks for none.
    pub reaches: Option<bool>,
}

impl HighestRateNote {
    /// Is the highest passing rate known, or that none passes? Not while rates are left to ask, or were asked and not measured.
    pub fn is_known(&self) -> bool {
        self.finished && self.not_measured_mts.is_empty()
    }

    /// Is the answer what the plan wants? `None` while it is not known: rates left to ask, or asked and not measured.
    pub fn passes(&self) -> Option<bool> {
        match self.reaches {
            Some(true) => Some(true),
            _ if !self.is_known() => None,
            Some(false) => Some(false),
            None => Some(self.highest_mts.is_some()),
        }
    }
}

/// Rate at which the margin of a module on a channel reaches what is asked of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Crossing {
    /// Not up to the highest rate measured.
    Above,
    /// At or below the lowest rate measured.
    Below,
    /// Straight between the two rates measured on either side.
    At {
        /// The rate, MT/s.
        mts: f64,
        /// The same for margins that are U lower and U higher, MT/s; `None` where that lies outside the rates measured.
        interval_mts: (Option<f64>, Option<f64>),
    },
    /// Nothing was measured that has a margin.
    Unknown,
}

/// Tolerance limit of the worst margin over units.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct UnitsNote {
    /// Units asked for and measured.
    pub wanted: u16,
    /// See `wanted`.
    pub measured: usize,
    /// Share of units and confidence.
    pub content: f64,
    /// See `content`.
    pub confidence: f64,
    /// By metric: lower tolerance limit of the margin, ps or mV.
    pub limits: Vec<(Metric, f64)>,
    /// Is every limit at or above zero, for enough units?
    pub holds: bool,
    pub words: String,
}

/// Individuals chart of the reference condition.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChartNote {
    /// What is charted.
    pub of: String,
    pub unit: &'static str,
    /// Values in the order measured: those of earlier run folders first.
    pub values: Vec<f64>,
    /// How many of them are from earlier folders.
    pub earlier: usize,
    /// Centre and 3-sigma limits; `None` with too few values.
    pub limits: Option<(f64, f64, f64)>,
    /// Positions in `values` and the rule broken.
    pub signals: Vec<(usize, String)>,
    /// Jobs that are suspect because of it.
    pub suspect_jobs: usize,
    pub words: String,
}

/// A set of limits that the counts were judged by.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LimitSetNote {
    /// Where it comes from.
    pub name: String,
    /// When it was recorded; empty in simulated runs.
    pub recorded: String,
    /// Agreed before the first measurement.
    pub agreed_before: bool,
    /// The page's verdicts rest on it.
    pub shown: bool,
    /// Its limits, each in words.
    pub limits: Vec<String>,
    /// Its own lines of the uncertainty budget, each in words.
    pub budget: Vec<String>,
    /// Its decision rule.
    pub rule: String,
    pub verdicts: VerdictCounts,
    /// Conditions that count and were not measured.
    pub not_measured: usize,
    /// Conditions that count, were measured, and of which nothing can be said.
    pub undecided: usize,
}

/// A condition whose verdict differs between two sets of limits.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SetChange {
    pub condition: String,
    /// Verdict by the set agreed before measuring, or the plan's.
    pub before: Option<Verdict>,
    /// Verdict by the set shown.
    pub shown: Option<Verdict>,
}

/// A mask seen at the bit error ratio it is defined for.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ExtrapolationNote {
    pub condition: String,
    /// Eye and lane.
    pub eye: EyeName,
    /// See `eye`.
    pub lane: u16,
    /// Bit error ratio extrapolated to.
    pub target_ber: f64,
    /// Width and height of the eye there, ps and mV, by tails of half weight; `None` where an edge has no fit.
    pub width_ps: Option<f64>,
    /// See `width_ps`.
    pub height_mv: Option<f64>,
    /// How far the two tail models differ, ps and mV.
    pub differences: (Option<f64>, Option<f64>),
    /// The mask, ps and mV.
    pub mask: (f64, f64),
}

/// Stored jobs whose condition, repeat or mounting the plan does not have any more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct OutsidePlan {
    pub jobs: usize,
    /// Of these, jobs whose training failed.
    pub failed_trainings: usize,
}

impl OutsidePlan {
    /// In a sentence; `None` where there are none.
    pub fn words(&self) -> Option<String> {
        let failed = match self.failed_trainings {
            0 => String::new(),
            failed => format!(", {failed} of them with failed training"),
        };
        (self.jobs > 0).then(|| {
            let jobs = if self.jobs == 1 { "job is" } else { "jobs are" };
            format!(
                "{} stored {jobs} no longer in the plan{failed}: the plan was changed after they were measured, and \
                 nothing here counts them",
                self.jobs
            )
        })
    }
}
