//! The counts of one lane of one eye, as a fit takes them.

use super::{Asked, EyeOf};
use crate::causes::surface::Place;
use eye::counts::CaptureView;
use nightbench_core::figure_model::FineEye;
use nightbench_core::results::{Direction, EyeName, LanePoint, Point};
use rayon::prelude::*;
use statistics::scoring::Counts;
use std::collections::BTreeMap;

/// How far a model may be off in the error ratio: while it is far away, and at the end.
pub const SHARES: [f64; 3] = [0.3, 0.1, 0.03];
/// Points that the model has where half of the bits fail tell nothing of its tails; neither do points so deep that none ever will.
const TELLING: std::ops::Range<f64> = 0.9..11.0;

/// One visited point.
#[derive(Debug, Clone, Copy)]
pub struct Spot {
    pub tap: f64,
    pub step: f64,
    pub bits: f64,
    pub errors: f64,
}

/// One lane of one eye.
#[derive(Debug, Clone)]
pub struct LaneEye {
    /// Index in [`Asked::eyes`].
    pub eye: usize,
    /// Index of its surfaces: one condition's eye of one direction and rank in one mounting.
    pub source: usize,
    pub lane: u16,
    /// Index of the piece of copper and pads that it is, on whatever channel.
    pub who: usize,
    /// Index of its delay line.
    pub line: usize,
    pub operating: LanePoint,
    /// Middle of what passes.
    pub middle: Option<Place>,
    pub limit: f64,
    all: Vec<Spot>,
    /// Those used now, and their counts.
    pub spots: Vec<Spot>,
    pub counts: Vec<Counts>,
}

impl LaneEye {
    /// Uses the points that tell something where a model has z; `share`: how far it may be off.
    pub fn choose(&mut self, share: f64, z: impl Fn(&Spot) -> f64) {
        self.spots = self.all.iter().filter(|spot| TELLING.contains(&z(spot))).copied().collect();
        self.counts =
            self.spots.iter().map(|spot| Counts::with_share(spot.bits, spot.errors, share)).collect();
    }
}

/// All lanes of all eyes, and what they share.
#[derive(Clone)]
pub struct Lanes {
    pub lanes: Vec<LaneEye>,
    /// Model, setup and eye of each source of surfaces.
    pub sources: Vec<(usize, usize, EyeName)>,
    pub whos: usize,
    pub lines: usize,
    /// Taps of the longest delay line.
    pub taps: usize,
}

/// Takes an index for a key, a new one where it is new.
fn index<K: Ord>(known: &mut BTreeMap<K, usize>, key: K) -> usize {
    let next = known.len();
    *known.entry(key).or_insert(next)
}

/// A lane, its operating point, the middle of what passes, the limit it was counted against, its points.
type Gathered = (u16, LanePoint, Option<Place>, f64, Vec<Spot>);

fn of_eye(eye: &EyeOf<'_>) -> Result<Vec<Gathered>, String> {
    let view = CaptureView::new(eye.capture).map_err(|error| error.to_string())?;
    let grid = view.grid();
    let mut lanes = Vec::new();
    for (place, lane) in eye.capture.lanes.iter().enumerate().filter(|(_, lane)| !eye.skip.contains(lane)) {
        let map = &view.maps()[place];
        let (mut spots, mut passing, mut tap, mut step) = (Vec::new(), 0.0, 0.0, 0.0);
        for index in 0..grid.len() {
            let point: Point = grid.point(index);
            if map.passes(point) {
                passing += 1.0;
                tap += f64::from(point.tap);
                step += f64::from(point.vref);
            }
            if let Some((bits, errors)) = view.count(place, point) {
                spots.push(Spot {
                    tap: point.tap.into(),
                    step: point.vref.into(),
                    bits: bits as f64,
                    errors: errors as f64,
                });
            }
        }
        let middle = (passing > 0.0).then(|| Place { tap: tap / passing, step: step / passing });
        lanes.push((*lane, eye.capture.operating[place], middle, view.ber_limit(), spots));
    }
    Ok(lanes)
}

impl Lanes {
    /// Gathers the lanes of every eye; command lines have no data lanes and are left aside.
    ///
    /// # Errors
    /// Counts that contradict themselves, in words.
    pub fn of(asked: &Asked<'_>) -> Result<Lanes, String> {
        let found: Vec<_> = asked.eyes.par_iter().map(of_eye).collect::<Result<_, String>>()?;
        let (mut sources, mut whos, mut lines) = (BTreeMap::new(), BTreeMap::new(), BTreeMap::new());
        let mut lanes = Vec::new();
        for (number, (eye, found)) in asked.eyes.iter().zip(found).enumerate() {
            let name = eye.capture.eye;
            if name.direction == Direction::Command {
                continue;
            }
            let source = index(&mut sources, (eye.model, eye.setup, name));
            for (lane, operating, middle, limit, all) in found {
                let width = eye.device_width.clamp(4, 8);
                lanes.push(LaneEye {
                    eye: number,
                    source,
                    lane,
                    who: index(&mut whos, (eye.chip, eye.module, name, lane)),
                    line: index(
                        &mut lines,
                        (eye.chip, name.direction, name.sub_channel, width, lane / width),
                    ),
                    operating,
                    middle,
                    limit,
                    all,
                    spots: Vec::new(),
                    counts: Vec::new(),
                });
            }
        }
        let mut in_order: Vec<_> = sources.into_iter().collect();
        in_order.sort_by_key(|(_, index)| *index);
        Ok(Lanes {
            lanes,
            sources: in_order.into_iter().map(|(source, _)| source).collect(),
            whos: whos.len(),
            lines: lines.len(),
            taps: asked.eyes.iter().map(|eye| usize::from(eye.capture.grid.taps)).max().unwrap_or(0),
        })
    }
}

/// Is this many taps and steps an eye that can be read between its places?
pub fn surface(eye: &FineEye) -> Result<crate::causes::surface::Surface, String> {
    crate::causes::surface::Surface::new(eye.taps, eye.steps, &eye.ratios)
        .ok_or_else(|| format!("the model answered {} x {} places", eye.taps, eye.steps))
}
