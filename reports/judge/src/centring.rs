//! What the scatter of training did to a lane, told by how far its operating point lies off the middle of its eye.
//!
//! Each lane's operating point lands half a tap off, and height and mask fall beside their crest: most of what lanes read apart is that
//! (counted on invented chips: 0.7 to 0.9 of the variance). How far it landed off is seen in the same capture, against the other lanes of
//! its strobe, and how much a lane falls there is seen between them, or in its columns beside: its value is brought to where its strobe's lanes
//! lie on average. What that average is off, all of them share.

use super::eye_summary::TRAINING_SCATTER;
use statistics::special::normal_upper_quantile;
use std::collections::BTreeMap;

/// How far the middles of a strobe's lanes truly lie apart, a delay line's nonlinearity included, taps (estimate: invented chips leave 0.11 to
/// 0.18 of the variance, which is 0.2 taps against the half tap of training).
const MIDDLES_APART: f64 = 0.2;
/// Lanes of a strobe that tell where its operating points lie on average.
const LEAST_LANES: usize = 4;
/// Chance that scatter alone puts any operating point of an eye so far off the others that it is not taken for scatter: such a lane stays as
/// read (three deviations, whatever the number of lanes, were passed in one eye of ten with 40 lanes, and a lane of 39 mV was read as 62).
const NO_SCATTER: f64 = 0.01;
/// Pairs of lanes that tell how all of them fall.
const LEAST_PAIRS: usize = 15;
/// Pairs nearer than this tell no slope, taps.
const NEAR: f64 = 0.1;
/// Variance of heights over what slopes let expect (counted on invented chips: 0.79 to 0.98).
const OF_HEIGHTS: f64 = 0.9;
/// Of masks it is what their lanes show themselves, 0.8 at most, and this beside it: where lanes hardly fall apart, they hardly scatter, whatever the
/// places beside them let expect (counted on 141 invented chips: 0.15 to 0.29 are left, as much where nothing is explained as where all is).
const OF_MASKS: (f64, f64) = (0.8, 0.12);
/// Share of what is left that is an error of the value; the rest is what lanes truly differ by for where their middles lie (counted: 0.2 to
/// 0.6, and 0.8 where slopes are small).
const AN_ERROR: f64 = 0.5;

/// How a lane changes about its operating point, summed over its jobs.
#[derive(Debug, Clone, Copy, Default)]
pub struct Crest {
    /// Jobs that show where the middle of the eye lies, and jobs that show a change.
    jobs: (u16, u16),
    /// Middle of the eye from the operating point, taps.
    off: f64,
    /// Coefficients of the value moved by x = share (off - middle): of slope and bend, by powers of the middle; and what a
    /// bend of 1 adds to them in jobs that show one place only.
    known: [f64; 5],
    of_bend: [f64; 5],
}

impl Crest {
    /// A job: the middle of its eye, and how much more its value is one tap before and after.
    pub fn add(&mut self, off: Option<f64>, beside: [Option<f64>; 2]) {
        let Some(off) = off else { return };
        self.jobs.0 += 1;
        self.off += off;
        let (slope, bend, slope_of_bend, unknown) = match beside {
            [Some(before), Some(after)] => (0.5 * (after - before), before + after, 0.0, 0.0),
            [None, Some(after)] => (after, 0.0, -0.5, 1.0),
            [Some(before), None] => (-before, 0.0, 0.5, 1.0),
            [None, None] => return,
        };
        self.jobs.1 += 1;
        let add = |sums: &mut [f64; 5], slope: f64, bend: f64| {
            let of = [slope * off, slope, bend * off * off, bend * off, bend];
            sums.iter_mut().zip(of).for_each(|(sum, one)| *sum += one);
        };
        add(&mut self.known, slope, bend);
        add(&mut self.of_bend, slope_of_bend, unknown);
    }

    /// Mean middle of the eye from the operating point, taps, where each of so many jobs shows it.
    fn off(&self, jobs: u16) -> Option<f64> {
        (jobs > 0 && self.jobs.0 == jobs).then(|| self.off / f64::from(jobs))
    }

    /// What the mean over so many jobs gains where the operating point of each is moved by `share` of what its eye's middle lies
    /// beyond `middle`. `bend`: of crests where a job shows one place only.
    fn moved(&self, jobs: u16, share: f64, middle: f64, bend: Option<f64>) -> Option<f64> {
        let [slope_off, slope, bend_off_off, bend_off, bends] = match bend {
            Some(bend) => [0, 1, 2, 3, 4].map(|at| self.known[at] + bend * self.of_bend[at]),
            None if self.of_bend[4] > 0.0 => return None,
            None => self.known,
        };
        let straight = share * (slope_off - middle * slope);
        let bent = 0.5 * share * share * (bend_off_off - 2.0 * middle * bend_off + middle * middle * bends);
        (jobs > 0 && self.jobs.1 == jobs).then(|| (straight + bent) / f64::from(jobs))
    }
}

/// How a metric falls off where the operating point lies beside the middle: as lanes show together, which a single lane's columns beside tell
/// less surely; of few lanes as those columns show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Falls {
    /// Not, or for what is the device's own as well.
    No,
    /// At most so much a tap, by what the captures let expect.
    Height {
        most: f64,
    },
    Mask {
        most: f64,
    },
}

/// A lane brought to its strobe's mean place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Centred {
    /// Nothing told how.
    AsRead,
    /// No scatter of training put its operating point where it is.
    NoScatter,
    Moved {
        /// What its value gains.
        by: f64,
        /// Of the variance that training gives it: the share that stays an error of its value, the share that its true value may lie about it, and
        /// the share that its strobe's lanes have in common now.
        error: f64,
        about: f64,
        shared: f64,
    },
}

/// A lane of an eye as far as it matters here: its strobe, value, crest and jobs.
pub type Lane = (u16, f64, Crest, u16);

/// Where the operating points of a strobe lie on average.
#[derive(Clone, Copy)]
struct Strobe {
    middle: f64,
    furthest: f64,
    /// Share of what a lane lies off that is scatter.
    scatter: f64,
    lanes: f64,
}

/// Lanes (`None` where a lane has no value of its own) brought to the mean place of their strobe's lanes.
pub fn centred(lanes: &[Option<Lane>], falls: Falls, bend: Option<f64>) -> Vec<Centred> {
    let mut by_strobe: BTreeMap<u16, (Vec<f64>, u16)> = BTreeMap::new();
    for (group, _, crest, jobs) in lanes.iter().flatten() {
        if let Some(off) = crest.off(*jobs) {
            let (offs, most) = by_strobe.entry(*group).or_default();
            offs.push(off);
            *most = (*most).max(*jobs);
        }
    }
    by_strobe.retain(|_, (offs, _)| offs.len() >= LEAST_LANES);
    let Some(scattered) = Scattered::of(&by_strobe) else { return vec![Centred::AsRead; lanes.len()] };
    let strobes: BTreeMap<u16, Strobe> = by_strobe
        .into_iter()
        .map(|(group, (offs, jobs))| (group, Strobe::of(&offs, jobs, &scattered)))
        .collect();
    let near = |lane: &Lane| {
        let (strobe, off) = (strobes.get(&lane.0)?, lane.2.off(lane.3)?);
        Some((*strobe, off - strobe.middle))
    };
    let (most, all, beside) = match falls {
        Falls::Height { most } => (most, OF_HEIGHTS, None),
        Falls::Mask { most } => (most, OF_MASKS.0, Some(OF_MASKS.1)),
        Falls::No => return vec![Centred::AsRead; lanes.len()],
    };
    let within: Vec<(u16, f64, f64)> = lanes
        .iter()
        .flatten()
        .filter_map(|lane| {
            let (_, off) = near(lane).filter(|(strobe, off)| off.abs() <= strobe.furthest)?;
            Some((lane.0, lane.1, off))
        })
        .collect();
    let slope = slope_of_pairs(&within).map(|slope| slope.clamp(-most, most));
    lanes
        .iter()
        .map(|lane| {
            let Some(lane) = lane else { return Centred::AsRead };
            let Some((strobe, off)) = near(lane) else { return Centred::AsRead };
            if off.abs() > strobe.furthest {
                return Centred::NoScatter;
            }
            let (by, explained) = match slope {
                Some(slope) if most > 0.0 => (-slope * strobe.scatter * off, (slope / most).powi(2).min(all)),
                _ => match lane.2.moved(lane.3, strobe.scatter, strobe.middle, bend) {
                    Some(by) => (by, all),
                    None => return Centred::AsRead,
                },
            };
            let left = explained * (1.0 - strobe.scatter);
            let unexplained = beside.unwrap_or(all - explained);
            Centred::Moved {
                by,
                error: unexplained + AN_ERROR * left,
                about: (1.0 - AN_ERROR) * left,
                shared: explained * strobe.scatter.powi(2) / strobe.lanes,
            }
        })
        .collect()
}

/// How an eye's operating points scatter about the middles of their eyes, strobe by strobe: training treats all lanes alike.
struct Scattered {
    /// Their standard deviation as their median deviation tells it, which a few lanes that landed far off do not move.
    seen: f64,
    /// Standard deviations that chance leaves no lane beyond.
    furthest: f64,
}

impl Scattered {
    fn of(by_strobe: &BTreeMap<u16, (Vec<f64>, u16)>) -> Option<Scattered> {
        let mut away: Vec<f64> = Vec::new();
        for (offs, _) in by_strobe.values() {
            let median = median(&mut offs.clone());
            away.extend(offs.iter().map(|off| (off - median).abs()));
        }
        if away.is_empty() {
            return None;
        }
        // On either side.
        let furthest = normal_upper_quantile(0.5 * NO_SCATTER / away.len() as f64).ok()?;
        // 1.4826 times their median is a normal sample's standard deviation.
        Some(Scattered { seen: 1.4826 * median(&mut away), furthest })
    }
}

impl Strobe {
    /// From its lanes' middles.
    fn of(offs: &[f64], jobs: u16, of_all: &Scattered) -> Strobe {
        let scatter = TRAINING_SCATTER * TRAINING_SCATTER / f64::from(jobs.max(1));
        let median = median(&mut offs.to_vec());
        let furthest = of_all.furthest * (scatter + MIDDLES_APART * MIDDLES_APART).sqrt().max(of_all.seen);
        let near: Vec<f64> = offs.iter().copied().filter(|off| (off - median).abs() <= furthest).collect();
        let lanes = near.len() as f64;
        let middle = near.iter().sum::<f64>() / lanes;
        // What is more than twice what training scatters is no scatter.
        let apart = (of_all.seen.powi(2) - 2.0 * scatter).max(MIDDLES_APART * MIDDLES_APART);
        Strobe { middle, furthest, scatter: scatter / (scatter + apart), lanes }
    }
}

/// Change of the value a tap: the median over pairs of lanes of a strobe (Theil, Proc. Kon. Ned. Akad. Wetensch. 53 (1950) 386; Sen, J. Am.
/// Stat. Assoc. 63 (1968) 1379), which a bad lane hardly moves. `lanes`: strobe, value, place.
fn slope_of_pairs(lanes: &[(u16, f64, f64)]) -> Option<f64> {
    let mut slopes = Vec::new();
    for (at, a) in lanes.iter().enumerate() {
        let others = lanes[at + 1..].iter().filter(|b| b.0 == a.0 && (b.2 - a.2).abs() > NEAR);
        slopes.extend(others.map(|b| (b.1 - a.1) / (b.2 - a.2)));
    }
    (slopes.len() >= LEAST_PAIRS).then(|| median(&mut slopes))
}

/// Of at least one value.
fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    if values.len() % 2 == 1 { values[half] } else { 0.5 * (values[half - 1] + values[half]) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEIGHT: Falls = Falls::Height { most: 40.0 };

    /// Offs of the operating points of eight lanes from their crests, taps.
    const PLACES: [f64; 8] = [0.5, -0.4, 0.1, 0.7, -0.6, 0.0, -0.3, 0.2];

    fn height(at: f64) -> f64 {
        300.0 - 20.0 * at - 4.0 * at * at
    }

    /// A job whose operating point lies `place` taps later than the others' mean.
    fn lane(place: f64, lower: f64, seen: [bool; 2]) -> Option<Lane> {
        let mut crest = Crest::default();
        let beside = [-1.0, 1.0].map(|step| height(place + step) - height(place));
        crest.add(Some(1.5 - place), [0, 1].map(|at| seen[at].then_some(beside[at])));
        Some((0, height(place) - lower, crest, 1))
    }

    fn values(lanes: &[Option<Lane>], centred: &[Centred]) -> Vec<f64> {
        let value = |(lane, centred): (&Option<Lane>, &Centred)| {
            let by = if let Centred::Moved { by, .. } = centred { *by } else { 0.0 };
            lane.unwrap().1 + by
        };
        lanes.iter().zip(centred).map(value).collect()
    }

    fn spread(values: &[f64]) -> f64 {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        values.iter().map(|value| (value - mean).powi(2)).sum::<f64>()
    }

    /// Lanes that are alike read alike where scatter is all they differ by; a lane that is truly lower stays lower.
    #[test]
    fn lanes_come_to_the_mean_place_and_a_bad_one_stays_bad() {
        let all = |bad: f64| -> Vec<Option<Lane>> {
            let lanes = PLACES.iter().enumerate();
            lanes.map(|(at, place)| lane(*place, if at == 3 { bad } else { 0.0 }, [true; 2])).collect()
        };
        let healthy = all(0.0);
        let before = spread(&values(&healthy, &[Centred::AsRead; 8]));
        let moved = values(&healthy, &centred(&healthy, HEIGHT, None));
        // The share of scatter is 0.86: what is left has (1 - 0.86)^2 of the variance, and the bend.
        assert!(spread(&moved) < 0.06 * before, "{moved:?} {before}");
        let bad = all(25.0);
        for (at, (a, b)) in moved.iter().zip(values(&bad, &centred(&bad, HEIGHT, None))).enumerate() {
            assert!((a - b - if at == 3 { 25.0 } else { 0.0 }).abs() < 5.0, "{at}: {a} {b}");
        }
        assert_eq!(centred(&healthy, Falls::No, None), [Centred::AsRead; 8]);
    }

    /// Four lanes tell no slope: their columns beside do, both of them or one with the bend of all.
    #[test]
    fn few_lanes_go_by_their_columns() {
        let of = |bad: f64, seen: [bool; 2]| -> Vec<Option<Lane>> {
            let lanes = PLACES[..4].iter().enumerate();
            lanes.map(|(at, place)| lane(*place, if at == 3 { bad } else { 0.0 }, seen)).collect()
        };
        let both = values(&of(0.0, [true; 2]), &centred(&of(0.0, [true; 2]), HEIGHT, None));
        let as_read = spread(&values(&of(0.0, [true; 2]), &[Centred::AsRead; 4]));
        assert!(spread(&both) < 0.04 * as_read, "{both:?}");
        for seen in [[true, false], [false, true]] {
            let one = of(25.0, seen);
            for (at, (a, b)) in both.iter().zip(values(&one, &centred(&one, HEIGHT, Some(-8.0)))).enumerate()
            {
                assert!((a - b - if at == 3 { 25.0 } else { 0.0 }).abs() < 1e-9, "{at}: {a} {b}");
            }
            assert_eq!(centred(&one, HEIGHT, None), [Centred::AsRead; 4]);
        }
        assert_eq!(centred(&of(0.0, [true; 2])[..3], HEIGHT, None), [Centred::AsRead; 3]);
    }

    /// A lane trained four taps off is not excused, and moves nobody; lanes whose middles differ by far more than training scatters are
    /// left nearly as they are, and so are means over many jobs.
    #[test]
    fn what_is_no_scatter_is_not_taken_for_it() {
        let mut lanes: Vec<Option<Lane>> = PLACES.iter().map(|place| lane(*place, 0.0, [true; 2])).collect();
        let before = centred(&lanes[..7], HEIGHT, None);
        lanes[7] = lane(4.0, 0.0, [true; 2]);
        let with = centred(&lanes, HEIGHT, None);
        assert_eq!(with[7], Centred::NoScatter);
        assert_eq!(with[..7], before[..]);
        let left = |one: Centred| match one {
            Centred::Moved { error, about, .. } => error + about,
            other => panic!("{other:?}"),
        };
        let apart: Vec<Option<Lane>> =
            (0..8).map(|at| lane(1.5 * f64::from(at % 4), 0.0, [true; 2])).collect();
        assert!(centred(&apart, HEIGHT, None).into_iter().all(|one| left(one) > 0.8));
        let mut many = lane(0.5, 0.0, [true; 2]).unwrap();
        for _ in 0..99 {
            many.2.add(Some(1.0), [Some(1.0), Some(-1.0)]);
        }
        many.3 = 100;
        assert!(left(centred(&[Some(many); 8], HEIGHT, None)[0]) > 0.8);
    }

    /// Two lanes of a strobe that landed far off to either side are scatter still, as the lanes of the other strobes have it: of an eye of many lanes
    /// some land three deviations off.
    #[test]
    fn a_lane_that_landed_far_off_is_moved() {
        let mut lanes: Vec<Option<Lane>> = Vec::new();
        for strobe in 0..5u16 {
            for (at, place) in PLACES.iter().enumerate() {
                let place = match (strobe, at) {
                    (2, 4) => -1.5,
                    (2, 3) => 1.6,
                    _ => *place,
                };
                lanes.extend(
                    lane(place, 0.0, [true; 2])
                        .map(|(_, value, crest, jobs)| Some((strobe, value, crest, jobs))),
                );
            }
        }
        let moved = centred(&lanes, HEIGHT, None);
        let found = values(&lanes, &moved);
        let mean = found.iter().sum::<f64>() / found.len() as f64;
        assert!(
            lanes[20].unwrap().1 - mean > 20.0 && (found[20] - mean).abs() < 16.0,
            "{} {mean}",
            found[20]
        );
        assert!((found[19] - mean).abs() < 16.0, "{} {mean}", found[19]);
        assert!(matches!(moved[20], Centred::Moved { .. }), "{:?}", moved[20]);
    }

    /// How masks fall is told by all lanes together, hardly by one that is bad, and never as more than their own slopes say.
    #[test]
    fn masks_fall_as_lanes_show() {
        let mask = |place: f64, lower: f64| {
            let mut crest = Crest::default();
            crest.add(Some(1.5 - place), [None; 2]);
            Some((0, 130.0 + 12.0 * place - lower, crest, 1))
        };
        for bad in [0.0, 30.0] {
            let lanes: Vec<Option<Lane>> = PLACES
                .iter()
                .enumerate()
                .map(|(at, place)| mask(*place, if at == 3 { bad } else { 0.0 }))
                .collect();
            let found = values(&lanes, &centred(&lanes, Falls::Mask { most: 14.0 }, None));
            let others: Vec<f64> =
                found.iter().enumerate().filter(|(at, _)| *at != 3).map(|one| *one.1).collect();
            let mean = others.iter().sum::<f64>() / 7.0;
            assert!(spread(&others) < 40.0 && (mean - found[3] - bad).abs() < 8.0, "{bad}: {found:?}");
            let held = centred(&lanes, Falls::Mask { most: 6.0 }, None);
            let Centred::Moved { by, .. } = held[4] else { panic!() };
            assert!(by > 0.0 && by < 6.0 * 0.9, "{by}");
        }
        let few: Vec<Option<Lane>> = PLACES[..5].iter().map(|place| mask(*place, 0.0)).collect();
        assert_eq!(centred(&few, Falls::Mask { most: 14.0 }, None), [Centred::AsRead; 5]);
    }
}
