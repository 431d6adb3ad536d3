//! The annex for an auditor: risks, distributions, effects, reference condition, sets of limits.

use super::plot::{AREA, Path, Plot, Scale, range};
use super::words::*;
use judge::audit::{Audit, ChartNote, DistributionNote, RiskNote};
use judge::judged::{JudgedRun, RunFacts, Verdict};
use serde::Serialize;

/// Lines of one table, at most.
const MOST_LINES: usize = 40;

#[derive(Debug, Serialize)]
pub(super) struct AnnexTable {
    pub caption: String,
    pub head: Vec<&'static str>,
    pub rows: Vec<Vec<String>>,
    pub notes: Vec<String>,
    /// On the screen only.
    pub screen: bool,
}

#[derive(Debug, Serialize)]
pub(super) struct Annex {
    pub tables: Vec<AnnexTable>,
    pub charts: Vec<Plot>,
    pub words: Vec<String>,
}

/// Builds the annex.
pub(super) fn annex(run: &JudgedRun, facts: &RunFacts) -> Annex {
    let simulated = facts.simulated;
    let audit = &run.audit;
    let mut words = audit.words.clone();
    words.extend(audit.units.iter().map(|units| units.words.clone()));
    let left_out = words.len().saturating_sub(MOST_LINES);
    words.truncate(MOST_LINES);
    if left_out > 0 {
        words.push(format!("and {}", count(left_out, "more remark", "more remarks")));
    }
    let tables = [
        limit_sets(audit),
        set_changes(audit),
        risks(audit),
        on_screen(effects(audit)),
        on_screen(distributions(audit)),
        extrapolations(audit),
    ];
    Annex {
        tables: tables.into_iter().flatten().map(shortened).collect(),
        charts: audit.charts.iter().map(|chart| control_chart(chart, simulated)).collect(),
        words,
    }
}

/// What explains the run and decides nothing stays off the paper.
fn on_screen(table: Option<AnnexTable>) -> Option<AnnexTable> {
    table.map(|table| AnnexTable { screen: true, ..table })
}

fn shortened(mut table: AnnexTable) -> AnnexTable {
    let left_out = table.rows.len().saturating_sub(MOST_LINES);
    if left_out > 0 {
        table.rows.truncate(MOST_LINES);
        table.notes.push(format!("{left_out} more lines are not listed."));
    }
    table
}

fn table(caption: &str, head: &[&'static str], rows: Vec<Vec<String>>, notes: &[&str]) -> Option<AnnexTable> {
    (!rows.is_empty()).then(|| AnnexTable {
        caption: caption.into(),
        head: head.to_vec(),
        rows,
        notes: notes.iter().map(ToString::to_string).collect(),
        screen: false,
    })
}

fn limit_sets(audit: &Audit) -> Option<AnnexTable> {
    let rows = audit.limit_sets.iter().map(|set| {
        let agreed = if set.agreed_before { "before measuring" } else { "after measuring" };
        let shown = if set.shown { "; shown on this page" } else { "" };
        let recorded = if set.recorded.is_empty() { String::new() } else { format!("; {}", set.recorded) };
        let counts = Verdict::ALL.iter().map(|verdict| (set.verdicts.of(*verdict), verdict.words()));
        let counts = counts.chain([(set.not_measured, "not measured"), (set.undecided, "undecided")]);
        let counts: Vec<String> =
            counts.filter(|(many, _)| *many > 0).map(|(many, words)| format!("{many} {words}")).collect();
        let mut rule = set.rule.clone();
        if !set.budget.is_empty() {
            rule.push_str(&format!("; {}", set.budget.join("; ")));
        }
        vec![
            set.name.clone(),
            format!("{agreed}{recorded}{shown}"),
            set.limits.join("; "),
            rule,
            counts.join(", "),
        ]
    });
    table(
        "The same counts judged by every set of limits on record",
        &["Limits of", "Agreed", "Limits", "Rule, budget lines of its own", "Conditions"],
        rows.collect(),
        &["A decision rule and its limits are to be agreed before measuring (ISO/IEC 17025, 7.1.3)."],
    )
}

fn set_changes(audit: &Audit) -> Option<AnnexTable> {
    let word = |verdict: Option<Verdict>| verdict.map_or("no verdict", |verdict| verdict.words()).to_string();
    let rows = audit
        .set_changes
        .iter()
        .map(|change| vec![change.condition.clone(), word(change.before), word(change.shown)]);
    table(
        "Conditions whose verdict depends on the set of limits",
        &["Condition", "By the set agreed before, or the plan's", "By the set shown"],
        rows.collect(),
        &[],
    )
}

fn risks(audit: &Audit) -> Option<AnnexTable> {
    let rows = audit.global_risks.iter().map(|risk| {
        vec![
            risk.of.clone(),
            risk.conditions.to_string(),
            seen(risk, risk.consumer),
            share(risk.producer),
            seen(risk, risk.nonconforming_given_accepted),
        ]
    });
    table(
        "Global risks over the matrix (JCGM 106:2012, clause 9)",
        &[
            "Of",
            "Conditions",
            "Consumer's: does not conform and is accepted",
            "Producer's: conforms and is rejected",
            "Does not conform, given accepted",
        ],
        rows.collect(),
        &[
            "Prior: the observed margins in units of their standard uncertainty. They carry their own measurement error, which makes the risks larger, not smaller.",
        ],
    )
}

fn effects(audit: &Audit) -> Option<AnnexTable> {
    let mut notes = vec!["Share: eta squared, of all squared differences of the margin; corrected: omega squared. One value a condition: interactions of three factors and more stand in for the error.".to_string()];
    let mut rows = Vec::new();
    for effect in &audit.effects {
        for line in effect.lines.iter().take(10) {
            rows.push(vec![
                effect.metric.name().into(),
                line.term.clone(),
                plain(line.dof, 0),
                significant(line.f),
                p_words(line.p),
                share(line.eta_squared),
                share(line.omega_squared),
            ]);
        }
        notes.push(format!(
            "{}: {}, {} explained. {}",
            effect.metric.name(),
            count(effect.conditions, "condition", "conditions"),
            share(effect.r_squared),
            effect.words.join("; ")
        ));
    }
    let found = table(
        "Which factor eats the margin: analysis of variance of the worst margin",
        &["Metric", "Factor or pair", "Degrees of freedom", "F", "p", "Share", "Corrected share"],
        rows,
        &[],
    )?;
    Some(AnnexTable { notes, ..found })
}

fn distributions(audit: &Audit) -> Option<AnnexTable> {
    let rows = audit.distributions.iter().map(distribution);
    table(
        "Distributions: lanes of the worst conditions, and worst lanes of all conditions",
        &[
            "Sample",
            "n, mean, standard deviation",
            "Fits (best first): one in 1000 below",
            "Normal? p A-D, S-W",
            "95 %/95 % lower limit: normal, any",
            "Cpk (95 % interval)",
            "Outliers flagged, none dropped",
        ],
        rows.collect(),
        &[
            "Fits by maximum likelihood, ordered by Akaike's criterion. Cp needs two limits; a margin has one. Conditions are fixed levels, not a random sample: across conditions a tolerance limit describes this matrix, no population.",
        ],
    )
}

fn distribution(note: &DistributionNote) -> Vec<String> {
    let number = |value: Option<f64>| value.map_or_else(|| "-".into(), |value| plain(value, 1));
    let p = |value: Option<f64>| value.map_or_else(|| "-".into(), p_words);
    let fits: Vec<String> =
        note.fits.iter().map(|fit| format!("{} {}", fit.model, plain(fit.one_in_a_thousand, 1))).collect();
    vec![
        note.sample.clone(),
        format!("{}; {}; {} {}", note.n, plain(note.mean, 1), plain(note.standard_deviation, 2), note.unit),
        fits.join("; "),
        format!("{}, {}", p(note.normality_p[0]), p(note.normality_p[1])),
        format!("{}, {}", number(note.tolerance_lower), number(note.tolerance_lower_any)),
        note.cpk.map_or_else(
            || "-".into(),
            |(cpk, low, high)| format!("{} ({} to {})", plain(cpk, 2), plain(low, 2), plain(high, 2)),
        ),
        {
            let mut words = note.outliers.clone();
            words.extend(note.words.iter().cloned());
            words.join("; ")
        },
    ]
}

fn extrapolations(audit: &Audit) -> Option<AnnexTable> {
    let size = |width: Option<f64>, height: Option<f64>| {
        let one = |value: Option<f64>, name: &str, unit: &str| match value {
            Some(value) => format!("{} {unit}", plain(value, 1)),
            None => format!("no fit of the {name}"),
        };
        match (width, height) {
            (None, None) => "no fit".into(),
            _ => format!("{}, {}", one(width, "width", "ps"), one(height, "height", "mV")),
        }
    };
    let rows = audit.extrapolations.iter().map(|note| {
        vec![
            note.condition.clone(),
            format!("{}, lane {}", note.eye, note.lane),
            format!("{:e}", note.target_ber),
            size(note.width_ps, note.height_mv),
            size(note.differences.0, note.differences.1),
            format!("{} ps, {} mV", plain(note.mask.0, 1), plain(note.mask.1, 1)),
        ]
    });
    table(
        "Write masks at the bit error ratio they are defined for: extrapolated, information only",
        &["Condition", "Eye", "Ratio", "Width and height there", "The two tail models differ by", "Mask"],
        rows.collect(),
        &["Verdicts rest on the counted bit error ratio; nothing here enters one."],
    )
}

fn control_chart(chart: &ChartNote, simulated: bool) -> Plot {
    let suspect = match chart.suspect_jobs {
        0 => String::new(),
        1 => " 1 job is suspect and gives no verdict.".into(),
        n => format!(" {n} jobs are suspect and give no verdict."),
    };
    let words = format!(
        "Individuals chart, {} of {} values from earlier run folders: {}.{suspect}",
        chart.earlier,
        chart.values.len(),
        chart.words
    );
    let mut plot = Plot::new(format!("Reference condition: {}", chart.of), words, simulated);
    let lines: Vec<f64> = chart.limits.map_or_else(Vec::new, |(centre, low, high)| vec![centre, low, high]);
    let (low, high) = range(chart.values.iter().copied(), &lines);
    let x = Scale::new(0.0, chart.values.len().max(2) as f64, AREA.left, AREA.right);
    let y = Scale::new(low, high, AREA.bottom, AREA.top);
    plot.x_ticks = x.ticks(6);
    plot.y_ticks = y.ticks(5);
    plot.x_label = "reference jobs in the order measured".into();
    plot.y_label = chart.unit.into();
    for line in lines {
        let mut path = Path(String::new());
        path.line(&[(AREA.left, y.at(line)), (AREA.right, y.at(line))]);
        plot.draw(path, "limit");
    }
    let points: Vec<(f64, f64)> = chart
        .values
        .iter()
        .enumerate()
        .map(|(index, value)| (x.at(index as f64 + 0.5), y.at(*value)))
        .collect();
    let mut path = Path(String::new());
    path.line(&points);
    plot.draw(path, "line s0");
    plot
}

fn p_words(p: f64) -> String {
    if p < 0.0005 { "< 0.0005".into() } else { plain(p, 3) }
}

/// A risk that hangs on nonconforming conditions among those observed.
fn seen(risk: &RiskNote, value: f64) -> String {
    if risk.seen_nonconforming {
        share(value)
    } else {
        "not to be estimated: none seen below its limit".into()
    }
}

fn share(value: f64) -> String {
    let percent = 100.0 * value;
    if percent != 0.0 && percent.abs() < 0.01 {
        "below 0.01 %".into()
    } else {
        format!("{} %", plain(percent, 2))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An observed distribution without a nonconforming value says nothing of the consumer's risk, which is not 0 %.
    #[test]
    fn a_risk_that_nothing_was_seen_of_is_not_called_zero() {
        let mut risk = RiskNote {
            of: "width".into(),
            conditions: 40,
            seen_nonconforming: false,
            consumer: 0.0,
            producer: 0.02,
            nonconforming_given_accepted: 0.0,
        };
        assert_eq!(seen(&risk, risk.consumer), "not to be estimated: none seen below its limit");
        assert_eq!(share(risk.producer), "2.00 %");
        risk.seen_nonconforming = true;
        assert_eq!(seen(&risk, 0.000_01), "below 0.01 %");
        assert_eq!(seen(&risk, 0.0), "0.00 %");
    }
}
