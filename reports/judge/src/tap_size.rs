//! The size of a tap as sweeps of this run show it: the distance of two crossings of an eye is a bit time, so its number of taps says
//! how large one is. What a delay line's nonlinearity does to that is the same for the lanes of a strobe; strobes average it.

use super::eye_summary::EyeSummary;
use nightbench_core::results::{Direction, EyeName};
use nightbench_core::text::counted;
use plan::budget::{BudgetLine, LineUnit, TAP_SIZE};
use std::collections::BTreeMap;

/// Nonlinearity of a delay line at two crossings, taps, as standard uncertainty, before strobes showed how they differ (0.6 taps peak
/// to peak, arc sine: the budget's own estimate), and the weight of that estimate, in strobes.
const NONLINEARITY_TAPS: f64 = 0.3;
const NONLINEARITY_WEIGHT: f64 = 4.0;
/// Half-width of the relative error of a tap's size, as the device states it (estimate until a bench measures it), and its standard
/// uncertainty (rectangular).
pub const STATED_WITHIN: f64 = 0.01;
pub const STATED: f64 = STATED_WITHIN / 1.732_050_807_568_877_2;

/// A tap as measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TapSize {
    /// Size over what the device states.
    pub scale: f64,
    /// Standard uncertainty of that, and its degrees of freedom.
    pub u: f64,
    pub freedom: f64,
    /// Delay lines (strobes) it rests on.
    pub strobes: usize,
}

impl TapSize {
    /// Standard uncertainty of a length in taps, of itself: no value is corrected, so that what a tap is off counts (GUM F.2.4.5).
    pub fn uncertainty(&self) -> f64 {
        self.u.hypot(self.scale - 1.0)
    }

    /// Does it say more than a device's word of this standard uncertainty, or contradict it?
    pub fn tells_more_than(&self, stated: f64) -> bool {
        self.u < stated || (self.scale - 1.0).abs() > 2.0 * self.u.hypot(stated)
    }
}

/// A delay line: chip, direction, and a strobe of an eye.
type Line = (u16, EyeName, u16);

/// Sums of bit times over spans, and of the square of the nonlinearity in units of a span.
#[derive(Debug, Default)]
pub struct TapSizes {
    lines: BTreeMap<Line, (f64, f64, f64)>,
    /// Lanes that were swept and gave no distance.
    pub unseen: usize,
}

impl TapSizes {
    /// Adds the sweeps of a capture of a chip whose strobes have so many lanes.
    pub fn add(&mut self, chip: u16, strobe: u16, capture: &EyeSummary) {
        let ui_taps = capture.grid.ui.0 / capture.grid.tap_step.0;
        for (lane, span) in capture.lanes.iter().zip(&capture.spans) {
            match span {
                Some((taps, _)) => {
                    let line = self.lines.entry((chip, capture.eye, lane / strobe.max(1))).or_default();
                    let scale = ui_taps / f64::from(*taps);
                    *line = (line.0 + scale, line.1 + 1.0, line.2 + NONLINEARITY_TAPS * scale / ui_taps);
                }
                None => self.unseen += 1,
            }
        }
    }

    /// The budget lines that other runs of these devices may take, one a direction whose sweeps tell more than the device's own word.
    pub fn lines(&self, source: &str) -> Vec<BudgetLine> {
        let of = |(_, direction): &(&str, Direction)| {
            let tap = self.of(*direction).filter(|tap| tap.tells_more_than(STATED))?;
            Some(BudgetLine {
                name: TAP_SIZE.into(),
                unit: LineUnit::Percent,
                metric: None,
                direction: Some(*direction),
                standard_uncertainty: 100.0 * tap.uncertainty(),
                degrees_of_freedom: Some(tap.freedom),
                source: format!(
                    "{source}: a tap is {:.4} +- {:.4} of what the device states, by {}",
                    tap.scale,
                    tap.u,
                    counted(tap.strobes, "strobe")
                ),
            })
        };
        Direction::ALL.iter().filter_map(of).collect()
    }

    /// The size of a tap of a direction; `None` where no sweep saw both crossings.
    pub fn of(&self, direction: Direction) -> Option<TapSize> {
        let lines: Vec<(f64, f64)> = self
            .lines
            .iter()
            .filter(|((_, eye, _), _)| eye.direction == direction)
            .map(|(_, (sum, n, estimate))| (sum / n, estimate / n))
            .collect();
        let n = lines.len() as f64;
        if lines.is_empty() {
            return None;
        }
        let mean = lines.iter().map(|(scale, _)| scale).sum::<f64>() / n;
        let squares: f64 = lines.iter().map(|(scale, _)| (scale - mean).powi(2)).sum();
        let estimate = lines.iter().map(|(_, estimate)| estimate.powi(2)).sum::<f64>() / n;
        // The spread of the strobes, with the estimate as so many more.
        let freedom = NONLINEARITY_WEIGHT + n - 1.0;
        // The standard deviation of Student's distribution: the budget takes it for a normal one (JCGM 101 6.4.9.4).
        let variance = (NONLINEARITY_WEIGHT * estimate + squares) / freedom * (freedom / (freedom - 2.0));
        Some(TapSize { scale: mean, u: (variance / n).sqrt(), freedom, strobes: lines.len() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightbench_core::results::{CaptureMode, Grid};
    use nightbench_core::units::{Millivolts, Picoseconds};
    use plan::limits::Metric;

    /// A capture of strobes of 8 lanes whose lines are off by these taps over a bit time; a tap is 2 % larger than stated.
    fn capture(off: &[f64]) -> EyeSummary {
        let lanes = 8 * off.len() as u16;
        EyeSummary {
            eye: EyeName { direction: Direction::Read, rank: 0, sub_channel: None },
            mode: CaptureMode::Exact,
            grid: Grid {
                taps: 64,
                vref_steps: 64,
                tap_step: Picoseconds(10.0),
                vref_start: Millivolts(0.0),
                vref_step: Millivolts(5.0),
                ui: Picoseconds(320.0),
                vddq: Millivolts(1200.0),
            },
            lanes: (0..lanes).collect(),
            edges: Vec::new(),
            masks: Vec::new(),
            slopes: Default::default(),
            spans: (0..lanes)
                .map(|lane| Some(((32.0 / 1.02 + off[usize::from(lane / 8)]) as f32, 0.01)))
                .collect(),
        }
    }

    #[test]
    fn strobes_average_the_nonlinearity_and_show_it() {
        let mut sizes = TapSizes::default();
        sizes.add(0, 8, &capture(&[0.3]));
        let one = sizes.of(Direction::Read).unwrap();
        // One strobe: 0.3 taps of 32 is all that is known, to four degrees of freedom.
        assert!((one.u - 2f64.sqrt() * 0.3 / 32.0 * one.scale).abs() < 1e-3 && one.strobes == 1, "{one:?}");
        assert!((one.scale - 1.02).abs() < 2.0 * one.u);
        let mut sizes = TapSizes::default();
        for _ in 0..3 {
            sizes.add(0, 8, &capture(&[0.3, -0.3, 0.1, -0.1, 0.2, -0.2, 0.0, 0.25, -0.25]));
        }
        let nine = sizes.of(Direction::Read).unwrap();
        assert_eq!(nine.strobes, 9, "the same lines again are no other ones");
        assert!((nine.scale - 1.02).abs() < 2.0 * nine.u && nine.u < 0.4 * one.u, "{nine:?}");
        assert_eq!(sizes.of(Direction::Write), None);
        let lines = sizes.lines("a study");
        assert_eq!((lines.len(), lines[0].direction), (1, Some(Direction::Read)), "{lines:?}");
        assert!(
            (lines[0].standard_uncertainty - 100.0 * nine.u.hypot(nine.scale - 1.0)).abs() < 1e-12,
            "{lines:?}"
        );
        assert!(lines[0].applies(Metric::LateMargin, Direction::Read));
    }
}
