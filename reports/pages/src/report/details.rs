//! The table of further metrics on an eye's card: per lane and all lanes, extrapolation, what the capture claims.

use super::words::significant;
use judge::judged::{DetailValue, ExtrapolatedSize, EyeDetails};
use serde::Serialize;

/// A row of the table.
#[derive(Debug, Serialize)]
pub(super) struct DetailLine {
    pub name: String,
    pub worst_lane: String,
    pub all_lanes: String,
}

/// Details as the card prints them.
#[derive(Debug, Serialize)]
pub(super) struct DetailsView {
    pub lines: Vec<DetailLine>,
    pub beyond: Vec<String>,
    pub confidence: String,
    pub points: String,
}

/// Puts details into words.
pub(super) fn details(details: &EyeDetails) -> DetailsView {
    let value = |value: &Option<DetailValue>| match value {
        Some(value) => format!(
            "{}{} \u{b1} {}",
            if value.at_least { "\u{2265} " } else { "" },
            significant(value.value),
            significant(value.standard_uncertainty)
        ),
        None => "\u{2013}".into(),
    };
    let beyond = |name: &str, unit: &str, size: &Option<ExtrapolatedSize>| {
        size.map(|size| {
            let fitted = match (size.fitted, size.difference) {
                (Some(fitted), Some(difference)) => format!(
                    "{} {unit} with a fitted tail; the models differ by {} {unit}",
                    significant(fitted),
                    significant(difference)
                ),
                _ => "too few errors for a fitted tail".into(),
            };
            format!("{name} {} {unit} with a tail of amplitude 1/2, {fitted}", significant(size.conservative))
        })
    };
    DetailsView {
        lines: details
            .rows
            .iter()
            .map(|row| DetailLine {
                name: format!("{}, {}", row.name, row.unit),
                worst_lane: value(&row.worst_lane),
                all_lanes: value(&row.all_lanes),
            })
            .collect(),
        beyond: [
            beyond("width", "ps", &details.width_beyond_ps),
            beyond("height", "mV", &details.height_beyond_mv),
        ]
        .into_iter()
        .flatten()
        .map(|words| {
            format!("Extrapolated to {:.0e}, for information only: {words}.", details.extrapolation_ber)
        })
        .collect(),
        confidence: details.confidence.clone(),
        points: format!(
            "{} points measured, {} inferred, {} visits, {} re-tested; {}",
            details.measured_points,
            details.inferred_points,
            details.visits,
            details.retested,
            match (details.drift_checks, details.drifted) {
                (0, _) => "no early point had enough errors to show a drift".to_string(),
                (n, false) => format!("{n} early points measured again last show no drift"),
                (n, true) => format!("{n} early points measured again last show a drift"),
            }
        ),
    }
}
