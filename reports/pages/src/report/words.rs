//! How the page writes numbers, verdicts, anchors and levels.

use judge::judged::{JudgedCondition, JudgedMetric, JudgedRun, PredictedVerdict, Verdict};
use nightbench_core::condition::ConditionState;
use nightbench_core::text::hides;
use plan::expand::Condition;
use plan::limits::Metric;
use plan::matrix::Factor;
use std::collections::BTreeSet;

/// Printed on every section and picture of a simulated run.
pub(super) const SIMULATED: &str = "SIMULATED - not measured";

/// A number with a typographic minus sign; `-0.0` is written without one.
pub(super) fn plain(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    let zero = text.bytes().all(|byte| matches!(byte, b'-' | b'0' | b'.'));
    if zero { text.replace('-', "") } else { text.replace('-', "\u{2212}") }
}

/// A number with its sign, `+` included.
pub(super) fn signed(value: f64, digits: usize) -> String {
    let text = plain(value, digits);
    if value.is_finite() && value > 0.0 && text.bytes().any(|byte| matches!(byte, b'1'..=b'9')) {
        format!("+{text}")
    } else {
        text
    }
}

/// Four significant digits, in powers of ten where that is shorter.
pub(super) fn significant(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let decade = value.abs().log10().floor() as i32;
    if (-3..6).contains(&decade) {
        let digits = (3 - decade).clamp(0, 9) as usize;
        let text = format!("{value:.digits$}");
        let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
        text.replace('-', "\u{2212}")
    } else {
        let text = format!("{value:.3e}");
        let (digits, power) = text.split_once('e').unwrap_or((&text, "0"));
        let digits = digits.trim_end_matches('0').trim_end_matches('.');
        format!("{digits}e{power}").replace('-', "\u{2212}")
    }
}

/// A bit error ratio or another small number, two digits: `3.3e−7`.
pub(super) fn ratio(value: f64) -> String {
    format!("{value:.1e}").replace('-', "\u{2212}")
}

/// A probability in percent; the ends are never written as exactly 0 or 100 %.
pub(super) fn percent(probability: f64) -> String {
    let percent = 100.0 * probability;
    if percent.is_nan() {
        "unknown".into()
    } else if percent > 99.9 {
        "> 99.9 %".into()
    } else if percent < 0.1 {
        "< 0.1 %".into()
    } else {
        format!("{percent:.1} %")
    }
}

/// A coordinate: two decimals at most.
pub(super) fn coordinate(value: f64) -> String {
    let text = format!("{value:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" { "0".into() } else { text.into() }
}

/// `1 job`, `2 jobs`.
pub(super) fn count(number: usize, one: &str, many: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { many })
}

/// Shape that goes with a verdict: triangles point to the side of the limit the value lies on.
pub(super) fn glyph(verdict: Option<Verdict>) -> &'static str {
    match verdict {
        Some(Verdict::Pass) => "\u{2713}",
        Some(Verdict::ConditionalPass) => "\u{25B3}",
        Some(Verdict::ConditionalFail) => "\u{25BD}",
        Some(Verdict::Fail) => "\u{2715}",
        None => "\u{2013}",
    }
}

/// Style class and filter word of a verdict.
pub(super) fn class(verdict: Option<Verdict>) -> &'static str {
    match verdict {
        Some(Verdict::Pass) => "vp",
        Some(Verdict::ConditionalPass) => "vcp",
        Some(Verdict::ConditionalFail) => "vcf",
        Some(Verdict::Fail) => "vf",
        None => "vn",
    }
}

/// Shape and style class of a prediction: as of a verdict, behind the sign for "about".
pub(super) fn predicted_mark(verdict: PredictedVerdict) -> (&'static str, &'static str) {
    match verdict {
        PredictedVerdict::Pass => ("\u{2248}\u{2713}", "vpp"),
        PredictedVerdict::Fail => ("\u{2248}\u{2715}", "vpf"),
    }
}

/// Shape and style class of a condition: of its verdict, of what is predicted of it, or of neither.
pub(super) fn mark_of(condition: &JudgedCondition) -> (&'static str, &'static str) {
    match &condition.predicted {
        Some(predicted) => predicted_mark(predicted.verdict),
        None => (glyph(condition.verdict), class(condition.verdict)),
    }
}

pub(super) fn verdict_words(condition: &JudgedCondition) -> String {
    let words = match (condition.verdict, condition.state) {
        (Some(verdict), _) => return format!("{}{}", verdict.words(), condition.evidence().beside()),
        (None, ConditionState::Predicted) => {
            condition.predicted.as_ref().map_or("predicted", |predicted| predicted.verdict.words())
        }
        (None, ConditionState::NotRun) => "not yet run",
        (None, ConditionState::NoTime) => "no time left",
        (None, ConditionState::NoHands) => "nobody there",
        (None, ConditionState::NotNeeded) => "not needed",
        (None, ConditionState::NotJudged) => "not judged",
        (None, ConditionState::Undecided) => "undecided",
        (None, _) => "not measured",
    };
    words.into()
}

/// The verdict in words short enough for a cell.
pub(super) fn short_words(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::ConditionalPass => "cond. pass",
        Verdict::ConditionalFail => "cond. fail",
        _ => verdict.words(),
    }
}

/// `+12.3 ps`, marked where the value is a lower bound.
pub(super) fn margin(metric: &JudgedMetric) -> String {
    let bound = if metric.at_least { "\u{2265} " } else { "" };
    format!("{bound}{} {}", signed(metric.margin, 1), metric.metric.base_unit())
}

/// Which metric and direction decide, and the margin as a share of the limit, which compares across metrics: `height read +24 % of
/// limit`. A limit of 0 has no share.
pub(super) fn deciding(metric: &JudgedMetric) -> String {
    let of = format!("{} {}", metric.metric.name(), metric.eye.direction);
    match metric.limit > 0.0 {
        true => format!("{of} {} % of limit", signed(100.0 * metric.margin / metric.limit, 0)),
        false => of,
    }
}

/// What the worst metric is, with the eye and the lane that decide: `width, read rank 0, lane 17`.
pub(super) fn metric_place(metric: &JudgedMetric) -> String {
    format!("{}, {}, lane {}", metric.metric.name(), metric.eye, metric.lane)
}

pub(super) fn with_unit(value: f64, metric: Metric) -> String {
    format!("{} {}", plain(value, 1), metric.base_unit())
}

/// A level's name with the factor's unit.
pub(super) fn level(run: &JudgedRun, condition: &Condition, factor: Factor) -> String {
    level_name(run, factor, condition.level(factor))
}

/// A level's name by its index; a level without a name is written as its number.
pub(super) fn level_name(run: &JudgedRun, factor: Factor, index: usize) -> String {
    let name = run.level_names.get(factor as usize).and_then(|names| names.get(index));
    let name = name.cloned().unwrap_or_else(|| format!("level {}", index + 1));
    match factor {
        Factor::Rate => format!("{name} MT/s"),
        Factor::Temperature => format!("{name} \u{b0}C"),
        _ => name,
    }
}

/// Number of levels of a factor.
pub(super) fn levels(run: &JudgedRun, factor: Factor) -> usize {
    run.level_names.get(factor as usize).map_or(0, Vec::len)
}

/// Factors with more than one level.
pub(super) fn varied(run: &JudgedRun) -> Vec<Factor> {
    Factor::ALL.iter().map(|(_, factor)| *factor).filter(|factor| levels(run, *factor) > 1).collect()
}

/// Level names of a condition over the given factors.
pub(super) fn describe(run: &JudgedRun, condition: &Condition, factors: &[Factor]) -> String {
    let words: Vec<String> = factors.iter().map(|factor| level(run, condition, *factor)).collect();
    words.join(", ")
}

/// Levels as the script's filter reads them: `0.0.2.1.3.0.0.0`.
pub(super) fn level_code(condition: &Condition) -> String {
    let words: Vec<String> = condition.levels.iter().map(u16::to_string).collect();
    words.join(".")
}

/// One anchor per condition: letters and digits only, each different, stable for the same run.
pub(super) fn anchors(run: &JudgedRun) -> Vec<String> {
    let mut taken = BTreeSet::new();
    let mut anchors = Vec::with_capacity(run.conditions.len());
    for condition in &run.conditions {
        let kept: String = condition.anchor.chars().filter(char::is_ascii_alphanumeric).take(40).collect();
        let base = format!("c-{kept}");
        let mut anchor = base.clone();
        let mut number = 2;
        while !taken.insert(anchor.clone()) {
            anchor = format!("{base}-{number}");
            number += 1;
        }
        anchors.push(anchor);
    }
    anchors
}

/// The text with invisible controls written out: marks of writing direction would turn round the text after them.
pub(super) fn visible(text: String) -> String {
    let hidden = |c: char| c != '\r' && hides(c);
    if !text.contains(hidden) {
        return text;
    }
    let mut out = String::with_capacity(text.len() + 8);
    for character in text.chars() {
        if hidden(character) {
            out.push_str(&format!("[U+{:04X}]", u32::from(character)));
        } else {
            out.push(character);
        }
    }
    out
}

/// A text as a CSS string in quotes: everything but plain letters and digits is escaped, so that it can end
/// neither the string nor the style sheet.
pub(super) fn css_string(text: &str) -> String {
    let mut out = String::from("\"");
    for character in text.chars().take(120) {
        if character.is_ascii_alphanumeric() || matches!(character, ' ' | '-' | '.' | ',' | ':') {
            out.push(character);
        } else {
            out.push_str(&format!("\\{:06X}", u32::from(character)));
        }
    }
    out.push('"');
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_written_for_readers() {
        assert_eq!(signed(12.34, 1), "+12.3");
        assert_eq!(signed(-0.04, 1), "0.0");
        assert_eq!(signed(-7.25, 2), "\u{2212}7.25");
        assert_eq!(significant(0.0000012), "1.2e\u{2212}6");
        assert_eq!(significant(34.5), "34.5");
        assert_eq!(significant(120.0), "120");
        assert_eq!(percent(1.0), "> 99.9 %");
        assert_eq!(percent(0.0), "< 0.1 %");
        assert_eq!(coordinate(-0.04), "0");
    }

    #[test]
    fn marks_of_direction_are_written_out() {
        assert_eq!(visible("a\u{202e}b\nc\u{1b}".into()), "a[U+202E]b\nc[U+001B]");
    }

    #[test]
    fn a_css_string_cannot_be_left() {
        let text = css_string("a\"; } </style><b>\\");
        assert_eq!(text.matches('"').count(), 2);
        assert!(!text.contains('<') && !text.contains('}') && !text.contains(';'));
        assert!(text.starts_with("\"a\\000022"));
    }
}
