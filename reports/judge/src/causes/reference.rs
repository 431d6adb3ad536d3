//! The reference: the model fitted to the healthy lanes of the same eye.

use super::MODEL_SHARE;
use super::lane::{LaneCounts, chi_square, fit, fit_together};
use super::signatures::{Asked, FITTED, Nominal};
use super::surface::{LEVEL, Place, Surface};
use nightbench_core::lane_model::Change;
use statistics::scoring::Prior;

/// How far a figure goes at a time, as a standard deviation: the model is taken as straight that far.
const TRUST: f64 = 0.15;
/// How far a figure goes at all.
const FARTHEST: f64 = 0.7;
/// Steps of ln likelihood that are none.
pub const SETTLED: f64 = 0.5;
/// Steps that slopes serve while each gains much.
const SERVES: u32 = 3;
/// Lanes that a reference rests on: enough to average their own deviations, few enough to be quick.
const MOST_REFERENCE: usize = 4;
/// Fewest lanes beside the one asked about.
pub const FEWEST_REFERENCE: usize = 3;
/// A lane whose box is so much smaller than the median's is no reference.
const SICK: f64 = 0.25;

/// The lanes, by position, that stand for healthy ones: those nearest above the median of what each could be at best.
pub fn healthy(best: &[f64], asked: &[usize]) -> Option<Vec<usize>> {
    let mut others: Vec<usize> =
        (0..best.len()).filter(|lane| !asked.contains(lane) && best[*lane].is_finite()).collect();
    others.sort_by(|a, b| best[*b].total_cmp(&best[*a]));
    let median = best[*others.get(others.len() / 2)?];
    others.retain(|lane| best[*lane] > median - SICK);
    others.sort_by(|a, b| (best[*a] - median).abs().total_cmp(&(best[*b] - median).abs()));
    others.truncate(MOST_REFERENCE);
    (others.len() >= FEWEST_REFERENCE).then_some(others)
}

/// The model as it is fitted to healthy lanes.
pub struct Reference {
    nominal: Nominal,
    pub changes: Vec<Change>,
    /// Each lane's shifts and what is its own.
    own: Vec<f64>,
    /// Mean over the lanes.
    pub chi_square: f64,
}

impl Reference {
    pub fn new(asked: &Asked<'_>) -> Result<Reference, String> {
        let changes = FITTED.iter().map(|(knob, _)| Change { knob: *knob, by: 0.0 }).collect();
        Ok(Reference { nominal: asked.nominal(&[])?, changes, own: Vec::new(), chi_square: f64::INFINITY })
    }

    /// The lanes alone, the model's figures as they are; with the ln posterior of both.
    fn lanes(&self, counts: &[LaneCounts], limit: f64) -> Option<(Vec<f64>, f64)> {
        let each = self.nominal.own.len() + 2 * self.nominal.base.sheets();
        let mut own = Vec::with_capacity(each * counts.len());
        let mut value = 0.0;
        for (number, counts) in counts.iter().enumerate() {
            let start = match self.own.get(number * each..(number + 1) * each) {
                Some(before) => before.to_vec(),
                None => aligned(counts, &self.nominal.base, limit),
            };
            let scored = fit(counts, &self.nominal, &[], &start, 8)?.scored;
            own.extend(scored.parameters);
            value += scored.ln_posterior;
        }
        let known: f64 =
            self.changes.iter().zip(FITTED).map(|(change, (_, sd))| -0.5 * (change.by / sd).powi(2)).sum();
        Some((own, value + known))
    }

    /// Fits the model's figures, as far as each step makes the counts likelier.
    pub fn fit(&mut self, asked: &Asked<'_>, counts: &[LaneCounts], rounds: usize) -> Result<(), String> {
        let failed = "the model could not be fitted to the healthy lanes of the same eye";
        let (own, mut value) = self.lanes(counts, asked.limit).ok_or(failed)?;
        self.own = own;
        let mut trust = TRUST;
        let mut shared = asked.fitted(&self.nominal.base, &self.changes)?;
        // Steps since the slopes were taken: they serve more than one.
        let mut stale = 0;
        for _ in 0..rounds {
            let priors: Vec<Prior> = self
                .changes
                .iter()
                .zip(FITTED)
                .map(|(change, (_, sd))| {
                    let (known, trusted) = (sd.powi(-2), trust.powi(-2));
                    let precision = known + trusted;
                    Prior { mean: -change.by * known / precision, sd: precision.powf(-0.5), held: false }
                })
                .collect();
            let mut start = vec![0.0; shared.len()];
            start.extend(&self.own);
            let scored = fit_together(counts, &self.nominal, &shared, &priors, &start, 6).ok_or(failed)?;
            let (common, own) = scored.parameters.split_at(shared.len());
            let changes: Vec<Change> = self
                .changes
                .iter()
                .zip(common)
                .map(|(change, by)| Change { by: (change.by + by).clamp(-FARTHEST, FARTHEST), ..*change })
                .collect();
            let tried = asked.surface(&changes).ok().and_then(|base| {
                let nominal = Nominal { base, own: self.nominal.own.clone() };
                let mut there = Reference { nominal, changes, own: own.to_vec(), chi_square: f64::INFINITY };
                let (own, value) = there.lanes(counts, asked.limit)?;
                there.own = own;
                Some((there, value))
            });
            match tried {
                Some((there, better)) if better > value => {
                    let gained = better - value;
                    (*self, value) = (there, better);
                    if gained < SETTLED && stale == 0 {
                        break;
                    }
                    stale += 1;
                    trust = (1.5 * trust).min(2.0 * TRUST);
                    if stale < SERVES && gained > 0.1 * value.abs() {
                        continue;
                    }
                }
                _ if stale > 0 => {}
                _ => {
                    trust *= 0.35;
                    continue;
                }
            }
            self.nominal = asked.nominal(&self.changes)?;
            shared = asked.fitted(&self.nominal.base, &self.changes)?;
            stale = 0;
        }
        let shifts = 2 * self.nominal.base.sheets();
        let each = self.nominal.own.len() + shifts;
        let chi = counts.iter().zip(self.own.chunks_exact(each)).map(|(counts, mine)| {
            let modes = mine[shifts..].iter().zip(&self.nominal.own).map(|(by, mode)| (*by, &mode.slope));
            let surface = self.nominal.base.plus(modes);
            chi_square(counts, &mine[..shifts], &surface, MODEL_SHARE)
        });
        self.chi_square = chi.sum::<f64>() / counts.len() as f64;
        Ok(())
    }
}

/// Shifts that lay the middle of each job's surface on the middle of what passes.
pub fn aligned(counts: &LaneCounts, surface: &Surface, limit: f64) -> Vec<f64> {
    let of_sheet = |(sheet, seen): (usize, &Option<Place>)| match (seen, surface.seen_middle(sheet, limit)) {
        (Some(seen), Some(said)) if surface.is_level(sheet, limit) => [0.0, LEVEL * (seen.step - said.step)],
        (Some(seen), Some(said)) => [seen.tap - said.tap, seen.step - said.step],
        _ => [0.0; 2],
    };
    counts.middles.iter().enumerate().flat_map(of_sheet).collect()
}
