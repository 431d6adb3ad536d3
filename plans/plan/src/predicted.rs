//! `[predicted]`: a condition is measured where its verdict is worth the hours; the verdicts of the others are predicted.

use crate::limits::Metric;
use crate::plan::Plan;
use crate::section::Section;

/// What a plan asks of predicted verdicts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Predicted {
    /// Bench hours that one wrong verdict is worth.
    pub wrong_verdict_hours: f64,
    /// Share of the blocks (one setup at one temperature) that are drawn before the start, predicted and then measured.
    pub audit_share: f64,
    /// Blocks that are drawn at least.
    pub audit_blocks: u16,
    /// Predicted passes count for the release decision, and predicted verdicts for the exit code.
    pub counts_for_release: bool,
}

impl Default for Predicted {
    fn default() -> Predicted {
        Predicted { wrong_verdict_hours: 5.0, audit_share: 0.03, audit_blocks: 4, counts_for_release: false }
    }
}

impl Predicted {
    /// Reads `[predicted]`; `None` where the plan measures every condition.
    pub(crate) fn read(section: Option<Section<'_>>) -> Option<Predicted> {
        let section = section?;
        let mut asked = Predicted::default();
        if let Some(hours) = section.number("wrong_verdict_hours", 0.01..=1000.0, "h") {
            asked.wrong_verdict_hours = hours;
        }
        if let Some(share) = section.number("audit_share", 0.0..=1.0, "") {
            asked.audit_share = share;
        }
        if let Some(blocks) = section.whole("audit_blocks", 4..=1000, "blocks") {
            asked.audit_blocks = blocks as u16;
        }
        asked.counts_for_release = section.flag("counts_for_release", asked.counts_for_release);
        section.finish();
        Some(asked)
    }

    /// What the whole plan makes impossible.
    pub(crate) fn check(self, plan: &Plan, section: &Section<'_>) {
        let mistake =
            |message: String, remedy: &str| section.mistake("predicted", message, remedy.to_string());
        if plan.highest_rate.is_some() {
            mistake(
                "[predicted] and [highest_rate] both choose what is measured, and a predicted pass would end no series of rates".into(),
                "remove one of the two",
            );
        }
        if plan.coverage.rows.is_some() {
            mistake(
                "[predicted] chooses from every condition of the matrix, and [coverage] leaves most of them out".into(),
                "remove one of the two",
            );
        }
        let order = &plan.order;
        if order.baseline.is_some()
            || order.reference.is_some()
            || order.cold_first
            || !order.before.is_empty()
        {
            mistake(
                "[predicted] decides what is measured next while it runs, and [order] asks for a baseline, a reference job, \
                 precedences or `cold_first`"
                    .into(),
                "remove these from [order], or remove [predicted]",
            );
        }
        let mut others: Vec<&str> = plan
            .limits
            .iter()
            .filter(|limit| !is_predicted(limit.metric))
            .map(|limit| limit.metric.name())
            .collect();
        others.sort_unstable();
        others.dedup();
        if !others.is_empty() {
            mistake(
                format!(
                    "[predicted] predicts width and height, and the plan has a limit for {}: a predicted pass would leave it out",
                    others.join(", ")
                ),
                "remove that limit and judge the measured conditions by it with `report DIR --limits FILE`, or remove [predicted]",
            );
        }
    }
}

/// Is a metric one that is predicted?
pub fn is_predicted(metric: Metric) -> bool {
    matches!(metric, Metric::Width | Metric::Height)
}
