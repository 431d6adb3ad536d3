//! The page of a fit: does the model describe this hardware, what its figures are worth, where it was held against what it had not seen,
//! and what speaks against it.

use crate::gonogo::{Row, Section, Table, View, head};
use crate::report::plot::{AREA, Path, Plot, Scale};
use judge::agreement::Agreement;
use judge::correlation::{Correlation, Finding, NamedCondition, PRIOR_SD, Prediction, Residuals, SIDES};
use nightbench_core::text::counted;

/// Most eyes whose residuals are shown as a map, most margins that are listed, and most figures left out.
const MOST_MAPS: usize = 12;
const MOST_MARGINS: usize = 60;
const MOST_LEFT_OUT: usize = 16;
/// Most pairs of eyes that are drawn over each other.
const MOST_EYES: usize = 4;

/// Facts beside the fit.
#[derive(Debug, Clone)]
pub struct FitFacts {
    pub title: String,
    /// Runs, version of the program.
    pub origin: String,
    /// Every run is simulated.
    pub simulated: bool,
    pub conditions: Vec<NamedCondition>,
    /// What was left out, and why.
    pub left_out: Vec<String>,
    /// What the fitted model is and where it holds.
    pub validity: String,
    /// Path of the file with the fitted model.
    pub file: String,
}

/// What was found, as a heading says it.
pub fn decision(finding: Finding) -> &'static str {
    match finding {
        Finding::Correlated => {
            "Correlated: held-out margins agree, and nothing that was left out gains more than chance"
        }
        Finding::NotShown => {
            "Not shown: fitted, and what was held out is too little, or too little known, to say"
        }
        Finding::Misfit => "Misfit: the fitted model does not describe what was measured",
    }
}

/// Builds the page.
///
/// # Errors
/// The template engine's words.
pub fn fit_page(facts: &FitFacts, found: &Correlation) -> Result<String, String> {
    let mut view = View::new("Fit of the channel model", &facts.title, facts.origin.clone(), facts.simulated);
    view.banner = "The counts behind this fit come from a model, none from hardware.";
    view.heading = "Does the model describe this hardware?";
    view.class = match found.finding {
        Finding::Correlated => "vp",
        Finding::NotShown => "vn",
        Finding::Misfit => "vf",
    };
    view.decision = decision(found.finding).into();
    view.reasons = found.reasons.clone();
    view.tile("vn", found.figures.len().to_string(), "figures fitted", counted(found.eyes, "eye"));
    view.tile("vn", found.lanes.to_string(), "lanes", counted(found.points, "point"));
    for agreement in &found.held_out_agreement {
        view.tile(
            "vn",
            format!("{:.2} {}", agreement.rms_steps, agreement.step_unit()),
            if agreement.metric.is_time() { "held-out widths are off" } else { "held-out heights are off" },
            format!("root mean square, {}, {}", agreement.direction, counted(agreement.number, "eye")),
        );
    }
    view.sections.push(figures(found));
    view.sections.push(left_out(found));
    view.sections.push(held_out(facts, found));
    view.sections.push(residuals(facts, found));
    let mut words = vec![facts.validity.clone()];
    words.push(format!("The model stands in {}; a plan takes it with `file` in [model].", facts.file));
    words.push(
        "Outside of these conditions nothing is claimed: a figure that did not matter there may matter elsewhere."
            .into(),
    );
    view.sections.push(Section {
        title: "Where it holds",
        words,
        list: facts.left_out.clone(),
        ..Section::default()
    });
    view.render()
}

fn significant(value: f64) -> String {
    let digits = (3.0 - value.abs().max(1e-12).log10().floor()).clamp(0.0, 12.0) as usize;
    if value.abs() < 1e-4 { format!("{value:.3e}") } else { format!("{value:.digits$}") }
}

fn figures(found: &Correlation) -> Section {
    let rows = found
        .figures
        .iter()
        .map(|fitted| Row {
            class: if fitted.at_end { "vf" } else { "" },
            cells: vec![
                fitted.figure.name.clone(),
                fitted.figure.unit.clone(),
                significant(fitted.figure.value),
                format!("\u{b1} {:.0} %", 100.0 * PRIOR_SD),
                significant(fitted.value),
                format!("{} to {}", significant(fitted.interval.0), significant(fitted.interval.1)),
                format!("{:+.1} %", 100.0 * (fitted.value / fitted.figure.value - 1.0)),
            ],
        })
        .collect();
    let names: Vec<&str> = found.figures.iter().map(|fitted| fitted.figure.name.as_str()).collect();
    let matrix = (0..names.len())
        .map(|row| {
            let cells = (0..names.len())
                .map(|column| format!("{:+.2}", found.identified.correlation.at(row, column)));
            Row { class: "", cells: std::iter::once(names[row].to_string()).chain(cells).collect() }
        })
        .collect();
    let mut words = vec![format!(
        "Intervals of 95 %, if the model is right elsewhere. They come from the scatter between {} and between eyes, and 3 % for \
         what the model has wrong of all lanes alike; not from the likelihood, which takes a model for exact that is not.",
        counted(found.identified.lanes, "lane")
    )];
    words.push(found.identified.weakest.words.clone());
    words.extend(found.identified.fixed.iter().map(|fixed| format!("{}.", fixed.words)));
    words.push(format!(
        "Mean chi-square of the points {:.2}. It says little: the points of a capture hug one contour, and a model that is wrong elsewhere meets \
         them with other figures.",
        found.chi_square
    ));
    let columns = head(&["Figure", "Unit", "Plan", "Prior (1 sd)", "Fitted", "95 % interval", "Change"]);
    let mut tables = vec![Table { caption: "Figures of the model".into(), head: columns, text: &[], rows }];
    if names.len() > 1 {
        let head =
            std::iter::once(String::new()).chain(names.iter().map(|name| (*name).to_string())).collect();
        tables.push(Table {
            caption: "Correlations of the figures' logarithms".into(),
            head,
            text: &[],
            rows: matrix,
        });
    }
    Section { title: "The figures", words, tables, ..Section::default() }
}

fn left_out(found: &Correlation) -> Section {
    let rows = found
        .left_out
        .iter()
        .take(MOST_LEFT_OUT)
        .map(|left| Row {
            class: if left.told { "vf" } else { "" },
            cells: vec![
                left.name.clone(),
                format!("{:.1}", left.gain),
                format!("{:+.1} %", 100.0 * left.change.exp_m1()),
                left.lanes_say.map_or("-".into(), |said| format!("{said:+.1}")),
                if left.told { "more than chance".into() } else { "chance".into() },
            ],
        })
        .collect();
    let words = vec![format!(
        "Gain of the logarithm of the likelihood if one more figure were free, the fitted ones following; chance and the model's rounding give one of them {:.1} in one fit \
         of twenty. Told is what gains more, where the lanes agree about it among themselves, and what is more than the model's rounding.",
        found.chance
    )];
    let head = head(&["Figure", "Gain", "Would go by", "Lanes say (sd)", ""]);
    let tables = vec![Table {
        caption: "Figures that were not fitted, most gained first".into(),
        head,
        text: &[],
        rows,
    }];
    Section { title: "What was left out", words, tables, ..Section::default() }
}

fn agreement_tables(title: &str, list: &[Agreement]) -> Vec<Table> {
    let rows = list
        .iter()
        .map(|agreement| Row {
            class: "",
            cells: vec![
                format!("{} {}", agreement.direction, agreement.metric.name()),
                agreement.number.to_string(),
                format!("{:+.1} {}", agreement.bias, agreement.metric.base_unit()),
                format!("{:+.2}", agreement.bias_steps),
                format!("{:.2}", agreement.scatter_steps),
                format!("{:.2} {}", agreement.rms_steps, agreement.step_unit()),
                agreement.spearman.map_or("-".into(), |rho| format!("{rho:.2}")),
                format!("{} of {}", agreement.within.0, agreement.within.1),
                format!("{:+.2}, {}", agreement.worst_steps, agreement.worst),
            ],
        })
        .collect();
    let columns = head(&[
        "Margin",
        "Eyes",
        "Bias",
        "in steps",
        "Scatter",
        "Rms",
        "Rank correlation",
        "Within U",
        "Worst",
    ]);
    let mut tables = vec![Table { caption: title.into(), head: columns, text: &[8], rows }];
    let levels: Vec<Row> = list
        .iter()
        .flat_map(|agreement| {
            agreement.by_factor.iter().map(move |of| Row {
                class: "",
                cells: vec![
                    format!("{}: {}", of.factor, of.level),
                    format!("{} {}", agreement.direction, agreement.metric.name()),
                    of.number.to_string(),
                    format!("{:+.2}", of.bias_steps),
                    format!("{:.2} {}", of.rms_steps, agreement.step_unit()),
                ],
            })
        })
        .collect();
    if !levels.is_empty() {
        let columns = head(&["Level", "Margin", "Eyes", "Bias", "Rms"]);
        tables.push(Table {
            caption: format!("{title}, by factor"),
            head: columns,
            text: &[1],
            rows: levels,
        });
    }
    tables
}

fn scatter_plot(title: &str, facts: &FitFacts, list: &[Prediction], height: bool) -> Option<Plot> {
    let unit = if height { "mV" } else { "ps" };
    let values: Vec<(f64, f64)> = list
        .iter()
        .filter_map(|one| if height { one.height.as_ref() } else { one.width.as_ref() })
        .map(|values| (values.predicted, values.measured))
        .collect();
    let ends = values.iter().flat_map(|(a, b)| [*a, *b]);
    let (low, high) = ends.fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(v), high.max(v)));
    if values.is_empty() {
        return None;
    }
    let pad = 0.06 * (high - low).max(1.0);
    let mut plot = Plot::new(
        title.into(),
        "A dot for each eye, mean of its lanes; on the line both sides agree.".into(),
        facts.simulated,
    );
    let x = Scale::new(low - pad, high + pad, AREA.left, AREA.right);
    let y = Scale::new(low - pad, high + pad, AREA.bottom, AREA.top);
    let (mut equal, mut dots) = (Path::default(), Path::default());
    equal.line(&[(x.at(low - pad), y.at(low - pad)), (x.at(high + pad), y.at(high + pad))]);
    values.iter().for_each(|(predicted, measured)| dots.dot(x.at(*predicted), y.at(*measured)));
    plot.draw(equal, "limit");
    plot.draw(dots, "dots s0");
    plot.x_ticks = x.ticks(6);
    plot.y_ticks = y.ticks(5);
    plot.x_label = format!("predicted, {unit}");
    plot.y_label = format!("measured, {unit}");
    Some(plot)
}

fn eyes_plot(facts: &FitFacts, one: &Prediction) -> Option<Plot> {
    let outline = one.outline.as_ref()?;
    let all = outline.predicted.iter().chain(&outline.measured);
    let (left, right, low, high) =
        all.fold((f64::MAX, f64::MIN, f64::MAX, f64::MIN), |ends, (step, early, late)| {
            (ends.0.min(*early), ends.1.max(*late), ends.2.min(*step), ends.3.max(*step))
        });
    if outline.predicted.len() < 2 || outline.measured.is_empty() {
        return None;
    }
    let mut plot = Plot::new(
        format!("{}, {}, lane {}", facts.conditions[one.condition].name, one.eye, outline.lane),
        "The lane of this eye whose width is furthest off.".into(),
        facts.simulated,
    );
    let x = Scale::new(left - 1.0, right + 1.0, AREA.left, AREA.right);
    let y = Scale::new(low - 1.0, high + 1.0, AREA.bottom, AREA.top);
    let ring = |rows: &[(f64, f64, f64)]| {
        let mut path = Path::default();
        let early = rows.iter().map(|(step, early, _)| (x.at(*early), y.at(*step)));
        let late = rows.iter().rev().map(|(step, _, late)| (x.at(*late), y.at(*step)));
        let mut points: Vec<(f64, f64)> = early.chain(late).collect();
        points.extend(points.first().copied());
        path.line(&points);
        path
    };
    plot.draw(ring(&outline.measured), "line s0");
    plot.draw(ring(&outline.predicted), "line s1");
    plot.legend = vec![(0, "measured, to half a tap".into()), (1, "predicted".into())];
    plot.x_ticks = x.ticks(6);
    plot.y_ticks = y.ticks(5);
    plot.x_label = "tap".into();
    plot.y_label = "Vref step".into();
    Some(plot)
}

fn margins(facts: &FitFacts, list: &[Prediction], caption: &str) -> Table {
    let mut rows = Vec::new();
    for one in list {
        for (name, unit, values) in [("width", "ps", &one.width), ("height", "mV", &one.height)] {
            let Some(values) = values else { continue };
            rows.push(Row {
                class: "",
                cells: vec![
                    format!("{}, {}", facts.conditions[one.condition].name, one.eye),
                    name.into(),
                    format!("{:.1} {unit}", values.predicted),
                    format!("{:.1} {unit}", values.measured),
                    format!("{:+.1} \u{b1} {:.1}", values.predicted - values.measured, 2.0 * values.u),
                    format!("{:+.2}", (values.predicted - values.measured) / values.step),
                    format!("{:.2}", values.lanes_rms()),
                    if one.without > 0 { one.without.to_string() } else { String::new() },
                ],
            });
        }
    }
    rows.truncate(MOST_MARGINS);
    let head = head(&[
        "Eye",
        "Margin",
        "Predicted",
        "Measured",
        "Difference \u{b1} U",
        "Steps",
        "Lanes, rms steps",
        "Lanes without",
    ]);
    Table { caption: caption.into(), head, text: &[], rows }
}

fn held_out(facts: &FitFacts, found: &Correlation) -> Section {
    let mut section = Section { title: "Predicted against measured", ..Section::default() };
    if found.held_out.is_empty() {
        section.warnings.push(
            "Nothing was held out. That a fit meets the counts it was made from shows nothing: name conditions with --hold-out."
                .into(),
        );
    } else {
        section.words.push(
            "Conditions that the fit has not seen. The size of each eye is predicted; its place in time is taken from the middle of its operating \
             row, which says nothing of its size. A tap and a Vref step are the steps."
                .into(),
        );
        section.plots.extend(scatter_plot("Held-out widths", facts, &found.held_out, false));
        section.plots.extend(scatter_plot("Held-out heights", facts, &found.held_out, true));
        let mut worst: Vec<&Prediction> = found.held_out.iter().collect();
        let off = |one: &Prediction| {
            one.width
                .as_ref()
                .map_or(0.0, |values| ((values.predicted - values.measured) / values.step).abs())
        };
        worst.sort_by(|a, b| off(b).total_cmp(&off(a)));
        section.plots.extend(worst.into_iter().filter_map(|one| eyes_plot(facts, one)).take(MOST_EYES));
        section.tables.extend(agreement_tables("Held-out margins", &found.held_out_agreement));
        section.tables.push(margins(facts, &found.held_out, "Held-out margins, eye by eye"));
    }
    section.tables.extend(agreement_tables("Margins that were fitted", &found.agreement));
    section
}

fn residual_table(facts: &FitFacts, residuals: &Residuals) -> Table {
    let cell = |z: &Option<f64>| z.map_or(String::new(), |z| format!("{z:+.1}"));
    let rows = residuals
        .cells
        .iter()
        .enumerate()
        .map(|(row, cells)| {
            let step = residuals.span.1 * (1.0 - (2.0 * row as f64 + 1.0) / residuals.cells.len() as f64);
            Row {
                class: "",
                cells: std::iter::once(format!("{step:+.0}")).chain(cells.iter().map(cell)).collect(),
            }
        })
        .collect();
    let columns = residuals.cells.first().map_or(0, |row| row.len());
    let head = (0..columns).map(|column| {
        format!("{:+.0}", residuals.span.0 * ((2.0 * column as f64 + 1.0) / columns as f64 - 1.0))
    });
    Table {
        caption: format!(
            "{}, {}: residuals by Vref steps (down) and taps (across) from the middle of the eye",
            facts.conditions[residuals.condition].name, residuals.eye
        ),
        head: std::iter::once(String::new()).chain(head).collect(),
        text: &[],
        rows,
    }
}

fn residuals(facts: &FitFacts, found: &Correlation) -> Section {
    let rows = found
        .residuals
        .iter()
        .map(|residuals| {
            let sides = residuals.sides.iter().map(|z| z.map_or("-".into(), |z| format!("{z:+.1}")));
            let name = format!("{}, {}", facts.conditions[residuals.condition].name, residuals.eye);
            Row { class: "", cells: [name, residuals.points.to_string()].into_iter().chain(sides).collect() }
        })
        .collect();
    let mut columns = head(&["Eye", "Points"]);
    columns.extend(SIDES.map(String::from));
    let mut tables =
        vec![Table { caption: "Sums by side, standard deviations".into(), head: columns, text: &[], rows }];
    tables.extend(found.residuals.iter().take(MOST_MAPS).map(|residuals| residual_table(facts, residuals)));
    let words = vec![
        "Errors less what the model expects of the bits compared, all lanes of an eye over each other, summed and divided by the standard \
         deviation (counting, and 3 % of the model's). A rule that ends a point on its errors does not bias such a sum: of the bits that were compared, as \
         many are expected to fail whenever the counting ends. Single points are not judged by it. Lanes share what the model has wrong of their \
         copper, so sums of some standard deviations stand in a good fit too."
            .into(),
    ];
    Section { title: "What is left of the counts", words, tables, ..Section::default() }
}
