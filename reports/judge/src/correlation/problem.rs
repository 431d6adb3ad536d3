//! What is fitted to what: the unknowns, what is known of them beforehand, and where a lane's points read the surfaces of its source.

use super::Asked;
use super::frames::Frame;
use super::lanes::{LaneEye, Lanes, Spot};
use crate::causes::surface::{Place, Surface};
use nightbench_core::figure_model::LaneSpread;
use statistics::scoring::Counts;

/// Standard deviation of the logarithm of a figure whose value is an estimate.
pub const PRIOR_SD: f64 = 0.3;
/// A lane's place in time is not known beforehand, taps; its offset as far as receivers and a bench's Vref go, steps.
const TIME_SD: f64 = 30.0;
const VREF_SD: f64 = 1.0;
/// Least size of a nonlinearity that is thought of, taps.
const LEAST_NONLINEARITY: f64 = 0.3;
/// Least spread of copper and pads: that of lanes that are alike.
pub const LEAST_SPREAD: f64 = 1e-4;
/// What a lane has of its own on whatever channel: impedance, capacitance, length.
pub const OWN: usize = 3;

/// Everything that is fitted.
#[derive(Debug, Clone)]
pub struct State {
    /// The shared unknowns, as [`Problem::columns`] has them.
    pub theta: Vec<f64>,
    /// Each delay line's nonlinearity: size times cosine and sine.
    pub line: Vec<[f64; 2]>,
    /// Each lane's impedance, capacitance and length, in their standard deviations.
    pub own: Vec<[f64; OWN]>,
    /// Each lane's place in its eye, taps and Vref steps later and higher than the model has it.
    pub place: Vec<[f64; 2]>,
}

/// What one of the shared unknowns is the logarithm of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum What {
    /// Index in [`Asked::figures`].
    Figure(usize),
    /// A setup, and which of its contacts.
    Contact(usize, usize),
}

/// A shared unknown.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    pub what: What,
    /// What is known beforehand, as a standard deviation.
    pub sd: f64,
}

/// What is fitted to what.
pub struct Problem<'a> {
    pub asked: &'a Asked<'a>,
    pub lanes: Lanes,
    /// Places in [`Lanes::lanes`] of those that are fitted.
    pub used: Vec<usize>,
    /// The free figures, then the contacts of each setup that is fitted.
    pub columns: Vec<Column>,
    /// How much of their spread lanes, delay lines and contacts are given: while the figures are far off, lanes of their own would bend to
    /// what the figures lack, and stay so.
    pub given: f64,
    spreads: Vec<LaneSpread>,
}

impl<'a> Problem<'a> {
    /// Gathers the lanes.
    ///
    /// # Errors
    /// Damaged counts, in words.
    pub fn new(asked: &'a Asked<'a>) -> Result<Problem<'a>, String> {
        let lanes = Lanes::of(asked)?;
        let spreads = lanes.sources.iter().map(|(model, _, eye)| asked.models[*model].spread(*eye)).collect();
        let used: Vec<usize> =
            (0..lanes.lanes.len()).filter(|lane| !asked.eyes[lanes.lanes[*lane].eye].held_out).collect();
        let everywhere = |figure: &usize| Column { what: What::Figure(*figure), sd: PRIOR_SD };
        let mut columns: Vec<Column> = asked.free.iter().map(everywhere).collect();
        let mut setups: Vec<(usize, usize)> = used
            .iter()
            .map(|lane| &asked.eyes[lanes.lanes[*lane].eye])
            .map(|eye| (eye.setup, eye.model))
            .collect();
        setups.sort_unstable();
        setups.dedup_by_key(|(setup, _)| *setup);
        for (setup, model) in setups {
            let contacts = asked.models[model].contacts().into_iter().enumerate();
            columns.extend(contacts.map(|(which, sd)| Column { what: What::Contact(setup, which), sd }));
        }
        Ok(Problem { asked, lanes, used, columns, given: 1.0, spreads })
    }

    /// What is known of a shared unknown beforehand, as a standard deviation.
    pub fn column_sd(&self, at: usize) -> f64 {
        let column = &self.columns[at];
        if matches!(column.what, What::Contact(..)) { self.given * column.sd } else { column.sd }
    }

    /// Logarithm of what is known of the shared unknowns beforehand.
    pub fn prior(&self, theta: &[f64]) -> f64 {
        theta.iter().enumerate().map(|(at, theta)| -0.5 * (theta / self.column_sd(at)).powi(2)).sum()
    }

    /// The figures' values and the contacts of one source, as far as some columns speak of them.
    pub fn values(
        &self,
        source: usize,
        columns: &[Column],
        theta: &[f64],
    ) -> (Vec<(&'a str, f64)>, Vec<f64>) {
        let setup = self.lanes.sources[source].1;
        let (mut figures, mut contacts) = (Vec::new(), Vec::new());
        for (column, ln) in columns.iter().zip(theta) {
            match column.what {
                What::Figure(at) => {
                    let figure = &self.asked.figures[at];
                    let value = (figure.value * ln.exp()).clamp(figure.range.0, figure.range.1);
                    figures.push((figure.name.as_str(), value));
                }
                What::Contact(of, which) if of == setup => {
                    contacts.resize(contacts.len().max(which + 1), 0.0);
                    contacts[which] = *ln;
                }
                What::Contact(..) => {}
            }
        }
        (figures, contacts)
    }

    /// Sources that some lanes need.
    pub fn sources_of(&self, lanes: &[usize]) -> Vec<usize> {
        let mut sources: Vec<usize> = lanes.iter().map(|lane| self.lanes.lanes[*lane].source).collect();
        sources.sort_unstable();
        sources.dedup();
        sources
    }

    /// Every lane's late taps by its delay line, and how they follow either part of the nonlinearity: line by line, tap by tap.
    pub fn late(&self, state: &State) -> Vec<Vec<(f64, [f64; 2])>> {
        let mut late = vec![Vec::new(); self.lanes.lines];
        for at in &self.used {
            let lane = &self.lanes.lanes[*at];
            if late[lane.line].is_empty() {
                let model = self.asked.models[self.lanes.sources[lane.source].0];
                let of = |tap: usize| model.nonlinearity(tap as f64, state.line[lane.line]);
                late[lane.line] = (0..self.lanes.taps).map(of).collect();
            }
        }
        late
    }

    fn nonlinearity(&self, lane: &LaneEye, tap: f64, parts: [f64; 2]) -> f64 {
        self.asked.models[self.lanes.sources[lane.source].0].nonlinearity(tap, parts).0
    }

    /// Where a lane's point reads its source's surfaces.
    pub fn read_at(
        &self,
        lane: &LaneEye,
        frame: &Frame,
        spot: &Spot,
        line: [f64; 2],
        place: [f64; 2],
    ) -> Place {
        let late = self.nonlinearity(lane, spot.tap, line);
        frame.scale.place(spot.tap + late - place[0], spot.step - place[1])
    }

    /// A lane's surface: its source's with its own copper and pads.
    pub fn lane_surface(&self, base: &Surface, frame: &Frame, own: [f64; OWN]) -> Surface {
        let parts = own.iter().zip(&frame.own).filter_map(|(by, own)| Some((by, own.as_ref()?)));
        base.plus(parts.flat_map(|(by, [slope, bend])| [(*by, slope), (by * by, bend)]))
    }

    /// Calls for each of a lane's points: what it is and z there.
    pub fn each_z(&self, at: usize, frame: &Frame, state: &State, mut take: impl FnMut(&Spot, &Counts, f64)) {
        let lane = &self.lanes.lanes[at];
        let surface = self.lane_surface(&frame.base, frame, state.own[lane.who]);
        for (spot, counts) in lane.spots.iter().zip(&lane.counts) {
            let place = self.read_at(lane, frame, spot, state.line[lane.line], state.place[at]);
            take(spot, counts, surface.at(0, place));
        }
    }

    pub fn place_sd(&self, lane: &LaneEye) -> [f64; 2] {
        [TIME_SD, VREF_SD.hypot(self.spreads[lane.source].offset_steps)]
    }

    pub fn own_sd(&self, source: usize) -> [f64; OWN] {
        let spread = &self.spreads[source];
        [spread.impedance, spread.capacitance, spread.length_mm].map(|sd| sd.max(LEAST_SPREAD))
    }

    pub fn line_sd(&self, lane: &LaneEye) -> f64 {
        self.given * self.spreads[lane.source].nonlinearity_taps.max(LEAST_NONLINEARITY) * 0.5f64.sqrt()
    }
}
