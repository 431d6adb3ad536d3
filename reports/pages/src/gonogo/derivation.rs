//! The page of a derivation: the test, its risks against the guard band, what it rests on, and what it cannot see.

use super::{Row, Section, Table, View, cautions, class_of, head, percent, seconds};
use crate::report::plot::{AREA, Path, Plot, Scale, range};
use judge::gonogo::{Asked, CurvePoint, Decision, Derivation, Interval};
use nightbench_core::text::counted;
use std::collections::BTreeMap;

/// Most units listed of a kind.
const MOST_LISTED: usize = 60;

/// Facts beside the derivation.
#[derive(Debug, Clone)]
pub struct DerivationFacts {
    pub title: String,
    /// Run folder, head of its results, version of the program.
    pub origin: String,
    pub simulated: bool,
    /// Conditions of the line, each a sentence.
    pub line: Vec<String>,
    pub boot_s: f64,
    pub training_s: f64,
    pub supplies_s: f64,
    pub bits: u64,
    pub visit_s: f64,
    /// Units left out, and why.
    pub left_out: Vec<String>,
    /// Path of the frozen test; empty where there is none.
    pub frozen: String,
}

/// Builds the page.
///
/// # Errors
/// The template engine's words.
pub fn derivation_page(facts: &DerivationFacts, asked: &Asked, found: &Derivation) -> Result<String, String> {
    let test = &found.test;
    let (unit, digits) = (test.metric.unit(), test.metric.digits());
    let number = |value: f64| format!("{value:.digits$}");
    let point = &found.curve[found.chosen];
    let mut view =
        View::new("Go/no-go test: derivation", &facts.title, facts.origin.clone(), facts.simulated);
    view.heading = "Can room temperature sort these units?";
    if found.refusals.is_empty() {
        view.class = "vp";
        view.decision = format!(
            "Yes: go from a predicted {} of {} {unit} on, no-go below {} {unit}, to corner test between",
            test.metric.name(),
            number(test.go_from()),
            number(test.no_go_below)
        );
    } else {
        view.class = "vf";
        view.decision = "No test: the reasons stand below, the figures are those of the nearest one".into();
        view.reasons = found.refusals.iter().map(|refusal| refusal.words(asked)).collect();
    }
    let total = facts.boot_s + facts.training_s + facts.supplies_s + found.test_s;
    let between = format!("95 %: {} to {}", percent(point.escapes.lower), percent(point.escapes.upper));
    view.tile("vcp", percent(point.risk.escapes), "escapes, of all units", between);
    view.tile("vcp", percent(point.risk.sent_on), "to corner test", "of all units".into());
    view.tile("vcp", percent(point.risk.overkill), "overkill", "of the good units".into());
    view.tile("vcp", seconds(found.test_s), "test of a unit", format!("{} with everything", seconds(total)));
    view.sections.push(decision(facts, found));
    view.sections.push(risks(facts, asked, found));
    view.sections.push(sample(facts, found));
    view.sections.push(times(facts, found, total));
    view.sections.push(gauge(found));
    view.sections.push(unseen(found));
    view.sections.push(cautions());
    view.render()
}

fn decision(facts: &DerivationFacts, found: &Derivation) -> Section {
    let test = &found.test;
    let (unit, digits) = (test.metric.unit(), test.metric.digits());
    let mut rows = vec![Row {
        class: "",
        cells: vec!["constant".into(), String::new(), format!("{:+.4}", test.intercept)],
    }];
    rows.extend(test.term.iter().map(|term| Row {
        class: "",
        cells: vec![term.of.words().into(), term.supply.clone(), format!("{:+.4}", term.coefficient)],
    }));
    let mut words = facts.line.clone();
    words.push(format!(
        "Each lane at its own trained point: outwards from {} on either side, {} bits a place, until the error ratio is beyond \
         {:.0e}; the edge lies where it crosses that, on the Q scale. Bits are free until they take as long as the visit, {}.",
        counted(usize::from(test.look.start_taps), "tap"),
        test.look.bits,
        test.look.limit,
        seconds(facts.visit_s)
    ));
    words.push(format!(
        "Limit {:.digits$} {unit}; guard band {:.digits$} {unit} ({} residual standard deviations). A lane more than 5 standard deviations \
         from where the sample had it goes to the corner test, whatever is predicted; a failed training is a no-go.",
        test.limit,
        test.guard_band,
        found.curve[found.chosen].sds
    ));
    if !facts.frozen.is_empty() {
        words.push(format!("Frozen in {}.", facts.frozen));
    }
    let caption = format!(
        "Predicted {} of the worst lane at the corners, {unit}: the sum of these, straightened by a cubic",
        test.metric.name()
    );
    let table = Table { caption, head: head(&["Term", "Supply", "Coefficient"]), text: &[1], rows };
    let title = if found.refusals.is_empty() { "The test" } else { "The nearest test, not to be used" };
    Section { title, words, tables: vec![table], ..Section::default() }
}

/// Name of a curve and what it shows of a point.
type Curve<'a> = (&'a str, &'a dyn Fn(&CurvePoint) -> f64);

/// The upright axis of a plot of shares.
#[derive(Clone, Copy)]
enum Upright {
    /// In percent, from 0.
    Percent,
    /// Decades of percent, from a thousandth on, with the most that is asked as a dashed line.
    Decades { asked: f64 },
}

/// Least share of a plot by decades.
const LEAST: f64 = 1e-5;

fn curve_plot(
    (title, words): (&str, &str),
    (found, simulated): (&Derivation, bool),
    upright: Upright,
    lines: &[Curve<'_>],
    band: &dyn Fn(&CurvePoint) -> (f64, f64),
) -> Plot {
    let mut plot = Plot::new(title.into(), words.into(), simulated);
    let place = |share: f64| match upright {
        Upright::Percent => 100.0 * share,
        Upright::Decades { .. } => (100.0 * share.max(LEAST)).log10(),
    };
    let ends = found.curve.iter().flat_map(|point| {
        let (low, high) = band(point);
        lines.iter().map(move |(_, of)| of(point)).chain([low, high])
    });
    let ends: Vec<f64> = ends.map(place).collect();
    let (low, high) = match upright {
        Upright::Percent => range(ends.into_iter(), &[0.0]),
        Upright::Decades { asked } => range(ends.into_iter(), &[place(asked)]),
    };
    let low = if matches!(upright, Upright::Percent) { low.max(-0.02 * high) } else { low };
    let x = Scale::new(0.0, found.curve.last().map_or(1.0, |point| point.sds), AREA.left, AREA.right);
    let y = Scale::new(low, high, AREA.bottom, AREA.top);
    let along = |of: &dyn Fn(&CurvePoint) -> f64| -> Vec<(f64, f64)> {
        found.curve.iter().map(|point| (x.at(point.sds), y.held(place(of(point))))).collect()
    };
    for (place, (name, of)) in lines.iter().enumerate() {
        let mut path = Path::default();
        path.line(&along(of));
        plot.draw(path, format!("line s{place}"));
        plot.legend.push((place, (*name).to_string()));
    }
    for side in [0, 1] {
        let mut path = Path::default();
        path.line(&along(&|point| if side == 0 { band(point).0 } else { band(point).1 }));
        plot.draw(path, "line s3");
    }
    plot.legend.push((3, "95 % interval".into()));
    let mut taken = Path::default();
    let at = x.at(found.curve[found.chosen].sds);
    taken.line(&[(at, AREA.top), (at, AREA.bottom)]);
    if let Upright::Decades { asked } = upright {
        let most = y.held(place(asked));
        taken.line(&[(AREA.left, most), (AREA.right, most)]);
    }
    plot.draw(taken, "limit");
    plot.x_ticks = x.ticks(8);
    plot.y_ticks = if matches!(upright, Upright::Percent) { y.ticks(5) } else { y.decades() };
    plot.x_label = "guard band, residual standard deviations".into();
    plot.y_label = "%".into();
    plot
}

fn risks(facts: &DerivationFacts, asked: &Asked, found: &Derivation) -> Section {
    let (upright, level) =
        ("The upright line is the guard band taken", "the level one the most that is asked");
    let escapes = curve_plot(
        (
            "Escapes",
            &format!("Units that are bad at the corners and a go, of all units. {upright}, {level}."),
        ),
        (found, facts.simulated),
        Upright::Decades { asked: asked.escapes },
        &[("escapes", &|point| point.risk.escapes)],
        &|point| (point.escapes.lower, point.escapes.upper),
    );
    let others = curve_plot(
        (
            "What it costs",
            "With a corner test: units sent there, of all units. Without one: good units that are rejected, of the good ones. The upright \
             line is the guard band taken; the interval is that of corner tests.",
        ),
        (found, facts.simulated),
        Upright::Percent,
        &[
            ("to corner test", &|point| point.risk.sent_on),
            ("overkill without a corner test", &|point| point.risk.overkill_alone),
            ("overkill with one", &|point| point.risk.overkill),
        ],
        &|point| (point.sent_on.lower, point.sent_on.upper),
    );
    let rows = found
        .curve
        .iter()
        .enumerate()
        .map(|(at, point)| {
            let range = |of: &Interval| format!("{} to {}", percent(of.lower), percent(of.upper));
            let cost = point.cost.map_or("-".to_string(), |cost| format!("{cost:.3}"));
            let digits = found.test.metric.digits();
            Row {
                class: if at == found.chosen { "vp" } else { "" },
                cells: vec![
                    format!("{:.2}", point.sds),
                    format!("{:.digits$}", point.guard_band),
                    percent(point.risk.escapes),
                    range(&point.escapes),
                    percent(point.escapes_below),
                    percent(point.risk.sent_on),
                    percent(point.risk.overkill),
                    percent(point.risk.overkill_alone),
                    range(&point.overkill_alone),
                    cost,
                    if at == found.chosen { "taken".into() } else { String::new() },
                ],
            }
        })
        .collect();
    let table = Table {
        caption: "Risks against the guard band".into(),
        head: head(&[
            "s",
            "guard band",
            "escapes",
            "95 %",
            "below, at 90 %",
            "to corner",
            "overkill",
            "overkill, no corner test",
            "95 %",
            "cost a unit",
            "",
        ]),
        text: &[],
        rows,
    };
    let costs = match asked.costs {
        Some(costs) => format!(
            "The cheapest guard band of those that keep this is taken, escapes at 90 % confidence, for a cost of {} an escape, {} a \
             corner test and {} a good unit rejected.",
            costs.escape, costs.corner, costs.overkill
        ),
        None => "The smallest guard band that keeps this is taken, escapes at 90 % confidence; with --cost-escape, --cost-corner \
                 and --cost-overkill the cheapest of those."
            .into(),
    };
    let words = vec![
        format!(
            "Asked: escapes at most {}, overkill at most {}, corner tests at most {}. {costs}",
            percent(asked.escapes),
            percent(asked.overkill),
            percent(asked.sent_on)
        ),
        format!(
            "Global risks as in JCGM 106, before the corner test's own error, from the sample by smooth bootstrap: predictions and \
             residuals of sound units drawn apart, faulty ones as they are ({} of all units). The interval of escapes holds what would be \
             counted over 20,000 units: samples drawn from this one, each with a fit, a spread and guard bands of its own, and faulty \
             units with weights drawn anew. Escapes far below one in {} rest on the normal tail that the smoothing gives. Faults that no \
             unit of the sample had are not in it.",
            percent(found.faulty_share),
            found.sound
        ),
    ];
    let mut warnings = Vec::new();
    if found.refusals.is_empty() && !found.sure {
        let point = &found.curve[found.chosen];
        warnings.push(format!(
            "Escapes keep what is asked by estimate only: at 90 % confidence they lie below {}. Corner tests leave no room for a wider \
             guard band; a larger sample would say more.",
            percent(point.escapes_below)
        ));
    }
    let plots = vec![escapes, others];
    Section { title: "Risks", warnings, words, plots, tables: vec![table], ..Section::default() }
}

fn sample(facts: &DerivationFacts, found: &Derivation) -> Section {
    let test = &found.test;
    let (unit, digits) = (test.metric.unit(), test.metric.digits());
    let mut plot = Plot::new(
        "Predicted and measured".into(),
        format!(
            "Each sound unit by a fit without it (dot), faulty ones (cross). Below the dashed line a unit is bad; from the right upright line \
             on it is a go: bad ones there are the escapes. Between the upright lines lies the guard band. n = {} and {}.",
            found.pairs.len(),
            found.faulty.len()
        ),
        facts.simulated,
    );
    let predicted =
        found.pairs.iter().map(|pair| pair.0).chain(found.faulty.iter().filter_map(|one| one.predicted));
    let measured = found.pairs.iter().map(|pair| pair.1).chain(found.faulty.iter().map(|one| one.corner));
    let ends = |values: Vec<f64>| {
        let (low, high) =
            values.iter().fold((test.limit, test.limit), |(low, high), v| (low.min(*v), high.max(*v)));
        let pad = 0.04 * (high - low).max(1e-9);
        (low - pad, high + pad)
    };
    let ((left, right), (low, high)) = (ends(predicted.collect()), ends(measured.collect()));
    let x = Scale::new(left, right, AREA.left, AREA.right);
    let y = Scale::new(low, high, AREA.bottom, AREA.top);
    let (mut dots, mut crosses, mut limit, mut go) =
        (Path::default(), Path::default(), Path::default(), Path::default());
    found.pairs.iter().for_each(|(p, m)| dots.dot(x.at(*p), y.at(*m)));
    let faulty = found.faulty.iter().filter_map(|one| Some((one.predicted?, one.corner)));
    faulty.for_each(|(p, m)| crosses.cross(x.at(p), y.at(m), 4.0));
    limit.line(&[(AREA.left, y.at(test.limit)), (AREA.right, y.at(test.limit))]);
    for from in [test.limit, test.go_from()] {
        go.line(&[(x.held(from), AREA.top), (x.held(from), AREA.bottom)]);
    }
    plot.draw(limit, "limit");
    plot.draw(go, "line s3");
    plot.draw(dots, "dots s0");
    plot.draw(crosses, "untrained s1");
    plot.x_ticks = x.ticks(6);
    plot.y_ticks = y.ticks(5);
    plot.x_label = format!("predicted at room temperature, {unit}");
    plot.y_label = format!("measured at the corners, {unit}");
    let rows = found
        .candidates
        .iter()
        .map(|one| Row {
            class: if one.chosen { "vp" } else { "" },
            cells: vec![
                one.words.clone(),
                format!("{:.digits$}", one.residual_sd),
                format!("{:.3}", one.r),
                one.test_s.map_or("-".into(), seconds),
                if one.chosen { "taken".into() } else { String::new() },
            ],
        })
        .collect();
    let table = Table {
        caption: format!("Ways to look, {unit}"),
        head: head(&["Look", "residual s", "correlation", "test", ""]),
        text: &[],
        rows,
    };
    let to_limit = (found.mean - test.limit) / test.residual_sd;
    let mut words = vec![
        format!(
            "{} and {} faulty ones. At the corners the sound ones have a mean of {:.digits$} {unit} and a standard deviation of \
             {:.digits$}; a prediction is off by s = {:.digits$}. 1.41 sd / s = {:.1} distinct categories (5 wanted, rule of thumb); \
             the limit lies {to_limit:.1} s from the mean; correlation {:.3}. Planted faults count towards none of these.",
            counted(found.sound, "sound unit"),
            found.faulty.len(),
            found.mean,
            found.sd,
            test.residual_sd,
            found.categories(),
            found.r
        ),
        "Columns are looked at where they take a quarter off the residual; else rows alone.".into(),
    ];
    if !found.tolerance.is_empty() {
        let factors: Vec<String> = found
            .tolerance
            .iter()
            .map(|(content, factor)| format!("{factor:.2} s for {}", percent(*content)))
            .collect();
        words.push(format!(
            "If residuals are normal, so many s bound them at 95 % confidence from {} (one-sided tolerance factors): {}.",
            counted(found.sound, "unit"),
            factors.join(", ")
        ));
    }
    let list: Vec<String> =
        facts.left_out.iter().take(MOST_LISTED).map(|words| format!("left out: {words}")).collect();
    Section { title: "The sample", words, plots: vec![plot], tables: vec![table], list, ..Section::default() }
}

fn times(facts: &DerivationFacts, found: &Derivation, total: f64) -> Section {
    let parts = [
        ("boot", facts.boot_s),
        ("training", facts.training_s),
        ("supplies", facts.supplies_s),
        ("test", found.test_s),
    ];
    let rows = parts
        .iter()
        .map(|(name, value)| Row {
            class: "",
            cells: vec![(*name).into(), seconds(*value), percent(value / total.max(1e-9))],
        })
        .collect();
    let table = Table {
        caption: "Seconds of one unit, without hands".into(),
        head: head(&["Part", "time", "share"]),
        text: &[],
        rows,
    };
    let words = vec![
        "Fewer bits save nothing where the test is a thousandth of a unit's time: look at boot first, at several sockets at once, at \
         firmware that trains without a full boot."
            .into(),
    ];
    Section { title: "Time of a unit", words, tables: vec![table], ..Section::default() }
}

fn gauge(found: &Derivation) -> Section {
    let digits = found.test.metric.digits();
    let mut section = Section { title: "Gauge study", ..Section::default() };
    let (parts, mountings, repeats) = found.gauge_shape;
    let Some(study) = &found.gauge else {
        section
            .words
            .push("No gauge study: a few units have to be fitted and measured again and again.".into());
        return section;
    };
    let variation = &study.variation;
    // Mountings of different units have nothing in common: what they share and what they do not is one thing.
    let mounting = variation.reproducibility.hypot(variation.interaction);
    let rest = (found.test.residual_sd.powi(2) - variation.gauge.powi(2)).max(0.0).sqrt();
    let lines = [
        ("counting, interpolation and training", variation.repeatability),
        ("mounting a unit anew", mounting),
        ("the gauge: both", variation.gauge),
        ("what room temperature does not know, and the error of the corners", rest),
        ("from unit to unit", variation.parts),
    ];
    section.words.push(format!(
        "{parts} units x {mountings} mountings x {repeats} repeats, analysis of variance with the interaction kept (AIAG MSA)."
    ));
    section.tables.push(Table {
        caption: format!("Standard deviations of a prediction, {}", found.test.metric.unit()),
        head: head(&["Part", "standard deviation"]),
        text: &[],
        rows: lines
            .iter()
            .map(|(name, value)| Row { class: "", cells: vec![(*name).into(), format!("{value:.digits$}")] })
            .collect(),
    });
    if !found.golden.is_empty() {
        let units: Vec<String> =
            found.golden.iter().map(|one| format!("{} ({:.digits$})", one.name, one.predicted)).collect();
        section.words.push(format!(
            "Golden units, to be measured again every shift: {}. One beyond three standard deviations, or eight in a row on one side, stops \
             the lot.",
            units.join(", ")
        ));
    }
    section
}

fn unseen(found: &Derivation) -> Section {
    let digits = found.test.metric.digits();
    let mut section = Section { title: "What this test cannot see", ..Section::default() };
    section.words.push(
        "A fault that shows at a corner only looks sound at room temperature. So does what lies between the places visited, whatever is \
         off the lanes' own rows, every metric but the one predicted, and anything that no unit of the sample had."
            .into(),
    );
    if found.faulty.is_empty() {
        section.warnings.push(
            "The sample has no faulty unit: how such a one would show is not known. Plant some (`fault` in the plan) and derive again."
                .into(),
        );
        return section;
    }
    let unseen: Vec<&str> = found.unseen().map(|unit| unit.name.as_str()).collect();
    if !unseen.is_empty() {
        section
            .warnings
            .push(format!("Bad at the corners, and a go at room temperature: {}.", unseen.join(", ")));
    }
    section.words.push(if found.faulty.iter().any(|unit| unit.bad) {
        "A faulty unit that keeps the limit is a go like any other: the limit decides, not the fault.".into()
    } else {
        "Every faulty unit of the sample keeps the limit at the corners, and one that does is a go like any other. How one would show that \
         does not is told by the difference below alone: what a fault takes off at the corners and room temperature does not show."
            .into()
    });
    section.tables.push(by_fault(found));
    let rows = found
        .faulty
        .iter()
        .take(MOST_LISTED)
        .map(|unit| Row {
            class: if unit.bad && unit.decision == Decision::Go { "vf" } else { class_of(unit.decision) },
            cells: vec![
                unit.name.clone(),
                unit.fault.clone(),
                format!("{:.digits$}{}", unit.corner, if unit.bad { " bad" } else { "" }),
                unit.predicted.map_or("-".into(), |predicted| format!("{predicted:.digits$}")),
                unit.decision.words().into(),
            ],
        })
        .collect();
    section.tables.push(Table {
        caption: format!("Faulty units of the sample, {}", found.test.metric.unit()),
        head: head(&["Unit", "fault", "at the corners", "predicted", "the test says"]),
        text: &[1, 4],
        rows,
    });
    section
}

/// How far units of each fault lie from what room temperature predicts.
fn by_fault(found: &Derivation) -> Table {
    let (s, digits) = (found.test.residual_sd, found.test.metric.digits());
    let mut faults: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for unit in &found.faulty {
        let differences = faults.entry(&unit.fault).or_default();
        differences.extend(unit.predicted.map(|predicted| unit.corner - predicted));
    }
    let rows = faults.into_iter().take(MOST_LISTED).map(|(fault, differences)| {
        let mean = differences.iter().sum::<f64>() / differences.len().max(1) as f64;
        let hidden = -mean > 3.0 * s / (differences.len().max(1) as f64).sqrt();
        Row {
            class: if hidden { "vcf" } else { "" },
            cells: vec![
                fault.into(),
                differences.len().to_string(),
                format!("{mean:+.digits$}"),
                format!("{:+.1}", mean / s),
                if hidden { "room temperature does not see all of it" } else { "no more than chance" }.into(),
            ],
        }
    });
    Table {
        caption: format!("Measured at the corners less predicted, {}", found.test.metric.unit()),
        head: head(&["Fault", "units", "mean difference", "in s", "finding"]),
        text: &[4],
        rows: rows.collect(),
    }
}
