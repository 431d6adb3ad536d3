//! The page of a lot: yield, what failed, what the corner draws prove, golden units, drift, times.

use super::{Row, Section, Table, View, cautions, class_of, head, percent, seconds};
use crate::report::plot::{AREA, Path, Plot, Scale, range};
use judge::gonogo::{Decision, LineTest, LotSummary, LotUnit, Reason};
use nightbench_core::text::counted;

/// Units listed that did not go at once.
const MOST_LISTED: usize = 200;

/// Facts beside a lot.
#[derive(Debug, Clone)]
pub struct LotFacts {
    pub lot: String,
    /// Title of the test.
    pub title: String,
    /// Digest of the test, head of the lot, version of the program.
    pub origin: String,
    pub simulated: bool,
    /// Escapes that the derivation expects, with the 95 % interval.
    pub expected_escapes: (f64, f64, f64),
    pub expected_to_corner: f64,
    /// Why the lot is stopped, where it is.
    pub stopped: Option<String>,
    /// Restarts, with their reasons.
    pub restarts: Vec<String>,
    pub draw: f64,
}

/// Builds the page.
///
/// # Errors
/// The template engine's words.
pub fn lot_page(
    facts: &LotFacts,
    test: &LineTest,
    units: &[LotUnit],
    corner: &dyn Fn(&str) -> Option<f64>,
    lot: &LotSummary,
) -> Result<String, String> {
    let [go, no_go, to_corner, not_measured] = lot.counts;
    let title = format!("Lot {}", facts.lot);
    let mut view = View::new("Go/no-go test: lot", &title, facts.origin.clone(), facts.simulated);
    view.heading = "How the lot went";
    let measured = go + no_go + to_corner;
    let (_, _, bad, _) = lot.drawn;
    let drift = lot.drift.filter(|drift| drift.seen());
    let counts =
        format!("{}: {go} go, {no_go} no-go, {to_corner} to corner test", counted(lot.units(), "unit"));
    (view.class, view.decision) = match (&facts.stopped, bad > 0 || drift.is_some()) {
        (Some(_), _) => ("vf", "The lot is stopped: golden units are out of control".to_string()),
        (None, true) => ("vf", format!("{counts}; the test does not hold as it did")),
        (None, false) => ("vp", counts),
    };
    if let Some(words) = &facts.stopped {
        view.reasons.push(format!(
            "{words}. Measure nothing more until the cause is known; then continue with --restart REASON. Units since the last good \
             golden one are to be measured again."
        ));
    }
    if not_measured > 0 {
        let units = counted(not_measured, "unit");
        view.reasons
            .push(format!("{units} could not be measured: a fault of the line, no statement about them"));
    }
    if bad > 0 {
        view.reasons.push(format!(
            "{} of those drawn bad at the corners: find out why before anything of this lot is shipped",
            counted(bad, "go unit")
        ));
    }
    if let Some(drift) = drift {
        view.reasons.push(format!(
            "The mean residual of the corner tests is {:+.4} {}, more than {:.4}: renew the regression from a fresh sample",
            drift.mean,
            test.metric.unit(),
            drift.allowed
        ));
    }
    let interval = |low: f64, high: f64| format!("95 %: {} to {}", percent(low), percent(high));
    if let Some((share, within)) = &lot.go {
        view.tile("vp", percent(*share), "go at once", interval(within.lower, within.upper));
    }
    if measured > 0 {
        let share = |count: usize| percent(count as f64 / measured as f64);
        view.tile(
            "vcf",
            share(to_corner),
            "to corner test",
            format!("expected {}", percent(facts.expected_to_corner)),
        );
        view.tile(if no_go > 0 { "vf" } else { "vn" }, share(no_go), "no-go", counted(no_go, "unit"));
    }
    if let Some((good, known, within)) = &lot.settled {
        let share = percent(*good as f64 / *known as f64);
        view.tile("vp", share, "yield where settled", interval(within.lower, within.upper));
    }
    view.sections.push(failures(test, units, corner, lot));
    view.sections.push(due(units, corner));
    view.sections.push(escapes(facts, lot));
    view.sections.push(control(facts, test, lot));
    view.sections.push(predictions(facts, test, units));
    view.sections.push(times(lot));
    view.sections.push(cautions());
    view.render()
}

fn failures(
    test: &LineTest,
    units: &[LotUnit],
    corner: &dyn Fn(&str) -> Option<f64>,
    lot: &LotSummary,
) -> Section {
    let digits = test.metric.digits();
    let mut rows: Vec<Row> = lot
        .no_go
        .iter()
        .map(|(reason, count)| Row {
            class: "vf",
            cells: vec![reason.words(), count.to_string(), "no-go".into()],
        })
        .collect();
    let near = lot.counts[Decision::ToCorner as usize] - lot.far_outside;
    for (words, count) in
        [("prediction within the guard band", near), ("a lane far outside the sample", lot.far_outside)]
    {
        if count > 0 {
            rows.push(Row {
                class: "vcf",
                cells: vec![words.into(), count.to_string(), "to corner test".into()],
            });
        }
    }
    let by_failure = Table {
        caption: "By failure".into(),
        head: head(&["Reason", "units", "decision"]),
        text: &[2],
        rows,
    };
    let listed: Vec<&LotUnit> = units.iter().filter(|unit| unit.judgement.decision != Decision::Go).collect();
    let rows = listed
        .iter()
        .take(MOST_LISTED)
        .map(|unit| {
            let value =
                |value: Option<f64>| value.map_or("-".to_string(), |value| format!("{value:.digits$}"));
            Row {
                class: class_of(unit.judgement.decision),
                cells: vec![
                    unit.serial.clone(),
                    value(unit.judgement.predicted),
                    value(corner(&unit.serial)),
                    unit.judgement.reason.to_string(),
                    unit.judgement.decision.words().into(),
                ],
            }
        })
        .collect();
    let each = Table {
        caption: format!("Units that did not go at once{}", first_of(listed.len())),
        head: head(&["Unit", "predicted", "at the corners", "reason", "decision"]),
        text: &[3, 4],
        rows,
    };
    Section { title: "What did not go at once", tables: vec![by_failure, each], ..Section::default() }
}

fn escapes(facts: &LotFacts, lot: &LotSummary) -> Section {
    let (expected, low, high) = facts.expected_escapes;
    let (drawn, tested, bad, bound) = lot.drawn;
    let mut words = vec![format!(
        "By the derivation {} of all units are bad and a go (95 %: {} to {}).",
        percent(expected),
        percent(low),
        percent(high)
    )];
    words.push(match bound {
        Some(bound) if tested > 0 => format!(
            "Of the go units {drawn} were drawn at random for the corner test ({} of them), {tested} tested, {bad} bad: at 95 % confidence at \
             most {} of the go units are. None bad in 299 bounds by 1 %, in 2,995 by 0.1 %.",
            percent(facts.draw),
            percent(bound)
        ),
        _ => format!(
            "{} drawn at random for the corner test ({} of the go units), none tested yet: this lot proves nothing by itself. None \
             bad in 299 bounds by 1 %, in 2,995 by 0.1 %.",
            counted(drawn, "unit"),
            percent(facts.draw)
        ),
    });
    Section { title: "Escapes", words, ..Section::default() }
}

/// What is to be taken to the chamber next.
fn due(units: &[LotUnit], corner: &dyn Fn(&str) -> Option<f64>) -> Section {
    let mut section = Section { title: "Corner tests that are due", ..Section::default() };
    let why = |unit: &LotUnit| match (unit.judgement.decision, &unit.judgement.reason) {
        (Decision::ToCorner, Reason::Predicted) => Some("prediction too near to the limit"),
        (Decision::ToCorner, _) => Some("a lane far outside the sample"),
        (Decision::Go, _) if unit.drawn => Some("a go unit, drawn at random"),
        _ => None,
    };
    let waiting: Vec<(&LotUnit, &str)> = units
        .iter()
        .filter(|unit| corner(&unit.serial).is_none())
        .filter_map(|unit| Some((unit, why(unit)?)))
        .collect();
    if waiting.is_empty() {
        section.words.push("None: every unit that was sent or drawn has its result.".into());
        return section;
    }
    section.words.push(format!(
        "{}. Give the results with `gonogo lot DIR --corners FILE`, a line `serial, value` a unit.",
        counted(waiting.len(), "unit")
    ));
    let rows = waiting.iter().take(MOST_LISTED).map(|(unit, why)| Row {
        class: class_of(unit.judgement.decision),
        cells: vec![unit.serial.clone(), (*why).into(), unit.judgement.decision.words().into()],
    });
    section.tables.push(Table {
        caption: format!("Due{}", first_of(waiting.len())),
        head: head(&["Unit", "why", "decision"]),
        text: &[1, 2],
        rows: rows.collect(),
    });
    section
}

/// Says that a list is cut.
fn first_of(all: usize) -> String {
    if all > MOST_LISTED { format!(" (the first {MOST_LISTED} of {all})") } else { String::new() }
}

fn control(facts: &LotFacts, test: &LineTest, lot: &LotSummary) -> Section {
    let mut section = Section { title: "Is the test still what it was?", ..Section::default() };
    let chart = &lot.chart;
    match &chart.limits {
        Some(limits) if !chart.values.is_empty() => {
            let mut plot = Plot::new(
                "Golden units".into(),
                format!(
                    "Prediction less the mean of the gauge study, in the order measured since the last restart, with limits of three standard \
                     deviations. n = {}.",
                    chart.values.len()
                ),
                facts.simulated,
            );
            let values: Vec<f64> = chart.values.iter().map(|(_, value)| *value).collect();
            let (low, high) = range(values.iter().copied(), &[limits.lower, limits.upper]);
            let x = Scale::new(0.5, values.len() as f64 + 0.5, AREA.left, AREA.right);
            let y = Scale::new(low, high, AREA.bottom, AREA.top);
            let places: Vec<(f64, f64)> =
                values.iter().enumerate().map(|(at, value)| (x.at(at as f64 + 1.0), y.at(*value))).collect();
            let (mut line, mut dots, mut crosses, mut borders) =
                (Path::default(), Path::default(), Path::default(), Path::default());
            line.line(&places);
            places.iter().for_each(|(x, y)| dots.dot(*x, *y));
            chart
                .signals
                .iter()
                .filter_map(|(at, _)| places.get(*at))
                .for_each(|(x, y)| crosses.cross(*x, *y, 5.0));
            for border in [limits.lower, limits.upper] {
                borders.line(&[(AREA.left, y.at(border)), (AREA.right, y.at(border))]);
            }
            plot.draw(borders, "limit");
            plot.draw(line, "line s0");
            plot.draw(dots, "dots s0");
            plot.draw(crosses, "untrained s1");
            plot.x_ticks = x.ticks(values.len().min(6));
            plot.y_ticks = y.ticks(5);
            plot.x_label = "measurement of a golden unit".into();
            plot.y_label = format!("deviation, {}", test.metric.unit());
            section.plots.push(plot);
            section.words.push(match chart.signals.len() {
                0 => "In control.".into(),
                _ => format!(
                    "Out of control: {}.",
                    chart
                        .signals
                        .iter()
                        .map(|(at, rule)| format!("measurement {}, {}", at + 1, rule.words()))
                        .collect::<Vec<_>>()
                        .join("; ")
                ),
            });
        }
        Some(_) => section.warnings.push(
            "No golden unit was measured: nobody knows whether the station still is what it was.".into(),
        ),
        None => section
            .warnings
            .push("The test was derived without a gauge study: there are no golden units.".into()),
    }
    section.words.push(match lot.drift {
        Some(drift) => format!(
            "Mean residual of {}: {:+.4} {} (allowed: {:.4} either way, three standard deviations of such a mean and of the regression).",
            counted(drift.tested, "corner test"),
            drift.mean,
            test.metric.unit(),
            drift.allowed
        ),
        None => "No corner test of this lot yet: drift is not known.".into(),
    });
    section.list = facts.restarts.iter().map(|reason| format!("continued after a stop: {reason}")).collect();
    section
}

fn predictions(facts: &LotFacts, test: &LineTest, units: &[LotUnit]) -> Section {
    let unit = test.metric.unit();
    let values: Vec<(usize, f64, Decision)> = units
        .iter()
        .enumerate()
        .filter_map(|(at, unit)| Some((at, unit.judgement.predicted?, unit.judgement.decision)))
        .collect();
    let mut section = Section { title: "Predictions", ..Section::default() };
    if values.is_empty() {
        return section;
    }
    let mut plot = Plot::new(
        "Predictions in the order measured".into(),
        format!(
            "Go from the upper line on, no-go below the lower one, to corner test between and where a lane lies far outside the sample. \
             n = {}.",
            values.len()
        ),
        facts.simulated,
    );
    let lines = [test.go_from(), test.no_go_below];
    let ends = values.iter().map(|value| value.1).chain(lines);
    let (low, high) =
        ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
    let pad = 0.04 * (high - low).max(1e-9);
    let x = Scale::new(0.0, units.len() as f64 + 1.0, AREA.left, AREA.right);
    let y = Scale::new(low - pad, high + pad, AREA.bottom, AREA.top);
    for (slot, decision) in [(2, Decision::Go), (4, Decision::ToCorner), (1, Decision::NoGo)] {
        let mut dots = Path::default();
        let of = values.iter().filter(|value| value.2 == decision);
        of.for_each(|(at, value, _)| dots.dot(x.at(*at as f64 + 1.0), y.at(*value)));
        plot.draw(dots, format!("dots s{slot}"));
        plot.legend.push((slot, decision.words().into()));
    }
    let mut path = Path::default();
    for from in lines {
        path.line(&[(AREA.left, y.at(from)), (AREA.right, y.at(from))]);
    }
    plot.draw(path, "limit");
    plot.x_ticks = x.ticks(6);
    plot.y_ticks = y.ticks(5);
    plot.x_label = "unit".into();
    plot.y_label = format!("predicted {}, {unit}", test.metric.name());
    section.plots.push(plot);
    section
}

fn times(lot: &LotSummary) -> Section {
    let parts = [
        ("boot", lot.times.boot_s),
        ("training", lot.times.training_s),
        ("supplies", lot.times.supplies_s),
        ("test", lot.times.test_s),
        ("together", lot.times.total_s()),
    ];
    let rows = parts
        .iter()
        .map(|(name, value)| Row { class: "", cells: vec![(*name).into(), seconds(*value)] })
        .collect();
    let table = Table {
        caption: "Mean bench time of a unit, without hands".into(),
        head: head(&["Part", "time"]),
        text: &[],
        rows,
    };
    Section { title: "Times", tables: vec![table], ..Section::default() }
}
