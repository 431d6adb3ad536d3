//! The fit on an invented model whose eyes are known in closed form: four Gaussian edges.

use super::*;
use eye::cases::{GaussianEye, capture, raster};
use nightbench_core::figure_model::{FineEye, LaneOwn, LaneSpread};
use nightbench_core::point_rule::PointRule;
use nightbench_core::results::EyeName;

const SIZE: (u16, u16) = (40, 36);
const FIGURES: [(&str, f64); 4] = [("width", 9.0), ("jitter", 0.9), ("noise", 0.9), ("height", 10.0)];

/// Half sizes and spreads of one condition's eye, each a figure times a factor of the condition.
struct Edges {
    wide: f64,
}

fn eye_of(wide: f64, figures: &[f64; 4]) -> GaussianEye {
    let [width, jitter, noise, height] = *figures;
    let (middle, level) = (0.5 * f64::from(SIZE.0 - 1), 0.5 * f64::from(SIZE.1 - 1));
    GaussianEye {
        amplitude: 0.5,
        early: middle - width * wide,
        late: middle + width * wide,
        sigma_taps: jitter,
        lower: level - height * wide,
        upper: level + height * wide,
        sigma_steps: noise,
    }
}

impl FigureModel for Edges {
    fn eye(&self, _: EyeName, figures: &[(&str, f64)], _: &[f64], own: LaneOwn) -> Result<FineEye, String> {
        let value = |name: &str, usual: f64| {
            figures.iter().find(|(known, _)| *known == name).map_or(usual, |(_, value)| *value)
        };
        let mut all = FIGURES.map(|(name, usual)| value(name, usual));
        all[0] *= own.impedance.exp();
        let eye = eye_of(self.wide, &all);
        let (taps, steps) = (2 * usize::from(SIZE.0), 2 * usize::from(SIZE.1));
        let ratios =
            (0..taps * steps).map(|at| eye.ber((at % taps) as f64 / 2.0, (at / taps) as f64 / 2.0)).collect();
        Ok(FineEye { taps, steps, per_tap: 2.0, per_step: 2.0, first_step: 0.0, ratios })
    }

    fn spread(&self, _: EyeName) -> LaneSpread {
        LaneSpread {
            impedance: 0.01,
            capacitance: 0.0,
            length_mm: 0.0,
            offset_steps: 0.5,
            nonlinearity_taps: 0.0,
        }
    }

    fn contacts(&self) -> Vec<f64> {
        Vec::new()
    }

    fn is_own(&self, _: &str) -> bool {
        false
    }

    fn nonlinearity(&self, _: f64, _: [f64; 2]) -> (f64, [f64; 2]) {
        (0.0, [0.0; 2])
    }
}

const WIDE: [f64; 5] = [1.0, 0.85, 1.1, 0.92, 1.05];

/// Captures of every condition with hidden figures: six lanes, each a little wider or narrower, and at a place of its own.
fn captures(hidden: &[f64; 4]) -> Vec<Capture> {
    let rule = PointRule::sequential(1e-4, 0.95);
    WIDE.iter()
        .enumerate()
        .map(|(number, wide)| {
            let lanes: Vec<GaussianEye> = (0..6)
                .map(|lane| {
                    let mut own = *hidden;
                    own[0] *= 1.0 + 0.004 * (f64::from(lane) - 2.5);
                    let mut eye = eye_of(*wide, &own);
                    let (late, high) = (1.3 * f64::from(lane % 3) - 1.0, 0.3 * f64::from(lane % 2));
                    eye.early += late;
                    eye.late += late;
                    eye.lower += high;
                    eye.upper += high;
                    eye
                })
                .collect();
            raster(capture(SIZE.0, SIZE.1, 6, rule), &lanes, Some(60_000), 7 + number as u64)
        })
        .collect()
}

fn fitted(captures: &[Capture], free: &[usize], held_out: &[usize]) -> Result<Correlation, String> {
    let models: Vec<Edges> = WIDE.iter().map(|wide| Edges { wide: *wide }).collect();
    let figures: Vec<Figure> = FIGURES
        .iter()
        .map(|(name, value)| Figure {
            name: (*name).into(),
            unit: "taps".into(),
            value: *value,
            range: (0.1, 100.0),
            meaning: String::new(),
        })
        .collect();
    let condition = |number: usize| NamedCondition {
        name: format!("condition {number}"),
        levels: vec![("rate".into(), number.to_string())],
    };
    correlate(&Asked {
        models: models.iter().map(|model| model as &dyn FigureModel).collect(),
        figures: &figures,
        free: free.to_vec(),
        conditions: (0..WIDE.len()).map(condition).collect(),
        eyes: captures
            .iter()
            .enumerate()
            .map(|(number, capture)| EyeOf {
                capture,
                model: number,
                condition: number,
                chip: 0,
                module: 0,
                setup: number,
                device_width: 8,
                skip: Vec::new(),
                held_out: held_out.contains(&number),
            })
            .collect(),
    })
}

#[test]
fn hidden_figures_are_found_and_predict_what_was_held_out() {
    let hidden = [9.9, 1.1, 0.75, 10.0];
    let captures = captures(&hidden);
    let found = fitted(&captures, &[0, 1, 2], &[2, 3, 4]).unwrap();
    for (figure, hidden) in found.figures.iter().zip(hidden) {
        let off = figure.value / hidden - 1.0;
        assert!(off.abs() < 0.02, "{} {}", figure.figure.name, figure.value);
    }
    assert_eq!((found.finding, found.reasons.len()), (Finding::Correlated, 0), "{:?}", found.reasons);
    assert_eq!((found.held_out.len(), found.fitted.len(), found.lanes), (3, 2, 12));
    for agreement in &found.held_out_agreement {
        assert!(agreement.rms_steps < 0.3 && agreement.spearman == Some(1.0), "{agreement:?}");
    }
    assert!(found.held_out.iter().all(|one| one.outline.is_some()));
    assert!((0.1..1.5).contains(&found.chi_square), "{}", found.chi_square);
    let outside =
        found.residuals.iter().flat_map(|one| one.sides).flatten().filter(|z| z.abs() > 4.0).count();
    assert_eq!(outside, 0, "{:?}", found.residuals.iter().map(|one| one.sides).collect::<Vec<_>>());
    // Without conditions held out nothing is called correlated.
    let alone = fitted(&captures, &[0, 1, 2], &[]).unwrap();
    assert_eq!(alone.finding, Finding::NotShown);
    assert!(alone.reasons[0].contains("--hold-out"));
    assert!(fitted(&captures, &[0], &[0, 1, 2, 3, 4]).unwrap_err().contains("no read or write eye"));
}

#[test]
fn what_was_left_out_is_named_however_well_the_counts_are_met() {
    let captures = captures(&[9.0, 1.0, 0.9, 10.6]);
    let found = fitted(&captures, &[0, 1, 2], &[2, 3, 4]).unwrap();
    assert_eq!(found.finding, Finding::Misfit);
    let told: Vec<&str> = found.told().map(|left| left.name.as_str()).collect();
    assert_eq!(told, ["height"]);
    assert!((found.left_out[0].change - 1.06f64.ln()).abs() < 0.03, "{:?}", found.left_out[0]);
    assert!(found.reasons.iter().any(|words| words.contains("height")));
    let freed = fitted(&captures, &[0, 1, 2, 3], &[2, 3, 4]).unwrap();
    assert_eq!(freed.finding, Finding::Correlated, "{:?}", freed.reasons);
}

/// Held-out margins of one eye each, all off by so many taps with that standard uncertainty.
fn held_out(off: f64, u: f64) -> Vec<Prediction> {
    let eye = EyeName { direction: nightbench_core::results::Direction::Read, rank: 0, sub_channel: None };
    let values = |sign: f64| Values {
        predicted: 100.0 + 10.0 * sign * off,
        measured: 100.0,
        u: 10.0 * u,
        step: 10.0,
        lanes: vec![(0, 100.0 + 10.0 * sign * off, 100.0)],
    };
    let one = |(condition, sign)| Prediction {
        condition,
        eye,
        width: Some(values(sign)),
        height: None,
        outline: None,
        without: 0,
    };
    [1.0, -1.0, 1.0, 1.0].into_iter().enumerate().map(one).collect()
}

/// A difference that U explains shows neither a misfit nor agreement; one beyond U is a misfit, and one within what is
/// agreement is agreement, however sure the fit is.
#[test]
fn a_difference_within_its_u_is_not_shown() {
    let found = |off: f64, u: f64| {
        let predictions = held_out(off, u);
        let both: Vec<Both> = predictions
            .iter()
            .map(|one| {
                let values = one.width.as_ref().unwrap();
                Both {
                    condition: format!("condition {}", one.condition),
                    levels: vec![("rate".into(), one.condition.to_string())],
                    direction: one.eye.direction,
                    metric: Metric::Width,
                    predicted: values.predicted,
                    measured: values.measured,
                    u: Some(values.u),
                    step: values.step,
                }
            })
            .collect();
        let agreement = agreements(&both);
        let beyond: Vec<f64> = agreement.iter().map(|of| beyond_u(&predictions, of)).collect();
        judge(&[], &[], &agreement, &beyond, 2.0)
    };
    // Twice U is what a difference may be off; 0.3 taps is what is called agreement.
    for (off, u, finding) in [
        (0.60, 0.30, Finding::NotShown),
        (0.60, 0.26, Finding::NotShown),
        (0.60, 0.25, Finding::Misfit),
        (0.60, 0.05, Finding::Misfit),
        (0.29, 0.01, Finding::Correlated),
        (0.29, 0.90, Finding::Correlated),
    ] {
        let (said, reasons) = found(off, u);
        assert_eq!(said, finding, "{off} taps off, u {u}: {reasons:?}");
        let words = reasons.join(" ");
        assert_eq!(words.contains("does not know them well enough"), finding == Finding::NotShown, "{words}");
        assert_eq!(words.contains("off by 0.60 taps"), finding != Finding::Correlated, "{words}");
    }
    // What U explains is said beside a misfit as well, as what it is.
    let (said, reasons) = judge(
        &[],
        &[LeftOut { name: "brd_z_ohm".into(), gain: 40.0, change: 0.2, lanes_say: Some(6.0), told: true }],
        &[],
        &[],
        2.0,
    );
    assert_eq!(said, Finding::Misfit);
    assert!(reasons[0].contains("brd_z_ohm (+22 %, gain 40)"), "{reasons:?}");
}
