//! Eye summaries as bytes for a cache. All numbers are little-endian:
//!
//! - length (u32) and JSON of the training attempts' stages; nothing where there was no training;
//! - number of captures (u16), and each: 0, length (u32) and words of what is wrong with it; or 1, its eye, its mode, its grid, its
//!   lanes' numbers, its slopes, its masks, then [`LANE`] bytes a lane, [`MASK_LANE`] bytes a lane of each mask, and where it was
//!   swept for the size of a tap eight bytes a lane.

use super::eye_summary::{EyeSummary, JobSummary, LaneSummary, MaskSummary};
use eye::shapes::{Mask, MaskShape};
use eye::slopes::Slopes;
use nightbench_core::results::{CaptureMode, Direction, EyeName, Grid};
use nightbench_core::units::{Millivolts, Picoseconds};
use std::sync::Arc;

/// Modes by their number.
const MODES: [CaptureMode; 4] =
    [CaptureMode::Exact, CaptureMode::Fast, CaptureMode::Raster, CaptureMode::RowAndColumn];
/// Four reaches, four uncertainties, flags, eight changes.
const LANE: usize = 4 * 4 + 4 * 2 + 2 + 8 * 2;
/// Scale, uncertainty, "at least".
const MASK_LANE: usize = 4 + 4 + 1;
/// In place of a sub-channel or a hexagon where there is none.
const NONE: u8 = u8::MAX;

impl JobSummary {
    /// As bytes for a cache.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::new();
        let trainings = match self.trainings.as_slice() {
            [] => Vec::new(),
            some => serde_json::to_vec(some).unwrap_or_default(),
        };
        put_block(&mut bytes, &trainings);
        bytes.extend((self.captures.len() as u16).to_le_bytes());
        for capture in &self.captures {
            match capture {
                Ok(capture) => {
                    bytes.push(1);
                    put_capture(&mut bytes, capture);
                }
                Err(words) => {
                    bytes.push(0);
                    put_block(&mut bytes, words.as_bytes());
                }
            }
        }
        bytes
    }

    /// From such bytes; `None` where they are no digest.
    pub fn from_bytes(bytes: &[u8]) -> Option<JobSummary> {
        let mut rest = Bytes(bytes);
        let trainings = match rest.block()? {
            [] => Vec::new(),
            some => serde_json::from_slice(some).ok()?,
        };
        let count = u16::from_le_bytes(rest.take()?);
        let mut captures = Vec::new();
        captures.reserve_exact(usize::from(count).min(bytes.len()));
        for _ in 0..count {
            captures.push(match rest.take()? {
                [0] => Err(std::str::from_utf8(rest.block()?).ok()?.to_owned()),
                [1] => Ok(rest.capture()?),
                _ => return None,
            });
        }
        rest.0.is_empty().then_some(JobSummary { trainings, captures })
    }
}

fn put_block(bytes: &mut Vec<u8>, block: &[u8]) {
    bytes.extend((block.len() as u32).to_le_bytes());
    bytes.extend(block);
}

fn put_capture(bytes: &mut Vec<u8>, capture: &EyeSummary) {
    let EyeSummary { eye, mode, grid, lanes, edges, masks, slopes, spans } = capture;
    bytes.reserve(64 + lanes.len() * (2 + LANE + MASK_LANE * masks.len()));
    bytes.push(match eye.direction {
        Direction::Read => 0,
        Direction::Write => 1,
        Direction::Command => 2,
    });
    bytes.push(eye.rank);
    bytes.push(eye.sub_channel.unwrap_or(NONE));
    bytes.push(MODES.iter().position(|known| known == mode).map_or(NONE, |at| at as u8));
    bytes.extend(grid.taps.to_le_bytes());
    bytes.extend(grid.vref_steps.to_le_bytes());
    for number in [grid.tap_step.0, grid.vref_start.0, grid.vref_step.0, grid.ui.0, grid.vddq.0] {
        bytes.extend(number.to_le_bytes());
    }
    bytes.extend((lanes.len() as u16).to_le_bytes());
    lanes.iter().for_each(|lane| bytes.extend(lane.to_le_bytes()));
    for number in slopes.along_taps.iter().chain(&slopes.along_vref) {
        bytes.extend(number.to_le_bytes());
    }
    bytes.push(u8::from(!spans.is_empty()));
    bytes.push(masks.len() as u8);
    for MaskSummary { mask, slopes, .. } in masks {
        let (tag, flat) = match mask.shape {
            MaskShape::Rectangle => (NONE, 0.0),
            MaskShape::Hexagon { flat } => (6, flat),
        };
        bytes.push(tag);
        for number in [flat, mask.half_width.0, mask.half_height.0] {
            bytes.extend(number.to_le_bytes());
        }
        bytes.extend(slopes.0.to_le_bytes());
        bytes.extend(slopes.1.to_le_bytes());
    }
    for lane in edges {
        lane.reach.iter().for_each(|number| bytes.extend(number.to_le_bytes()));
        lane.u.iter().for_each(|number| bytes.extend(number.to_le_bytes()));
        bytes.extend(lane.flags.to_le_bytes());
        lane.beside.iter().flatten().for_each(|number| bytes.extend(number.to_le_bytes()));
    }
    for (scale, u, at_least) in masks.iter().flat_map(|mask| &mask.lanes) {
        bytes.extend(scale.to_le_bytes());
        bytes.extend(u.to_le_bytes());
        bytes.push(u8::from(*at_least));
    }
    for (taps, u) in spans.iter().map(|span| span.unwrap_or((f32::NAN, f32::NAN))) {
        bytes.extend(taps.to_le_bytes());
        bytes.extend(u.to_le_bytes());
    }
}

struct Bytes<'a>(&'a [u8]);

impl<'a> Bytes<'a> {
    fn take<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (first, rest) = self.0.split_first_chunk::<N>()?;
        self.0 = rest;
        Some(*first)
    }

    fn many(&mut self, count: usize) -> Option<&'a [u8]> {
        let (first, rest) = self.0.split_at_checked(count)?;
        self.0 = rest;
        Some(first)
    }

    fn block(&mut self) -> Option<&'a [u8]> {
        let length = u32::from_le_bytes(self.take()?) as usize;
        self.many(length)
    }

    fn number(&mut self) -> Option<f64> {
        self.take().map(f64::from_le_bytes)
    }

    fn single(&mut self) -> Option<f32> {
        self.take().map(f32::from_le_bytes)
    }

    /// A distance of crossings, where it was seen; `None` where the bytes end.
    fn span(&mut self) -> Option<Option<(f32, f32)>> {
        let span = (self.single()?, self.single()?);
        Some((!span.0.is_nan()).then_some(span))
    }

    fn capture(&mut self) -> Option<EyeSummary> {
        let [direction, rank, sub_channel] = self.take()?;
        let eye = EyeName {
            direction: match direction {
                0 => Direction::Read,
                1 => Direction::Write,
                2 => Direction::Command,
                _ => return None,
            },
            rank,
            sub_channel: (sub_channel != NONE).then_some(sub_channel),
        };
        let [mode] = self.take()?;
        let mode = *MODES.get(usize::from(mode))?;
        let grid = Grid {
            taps: u16::from_le_bytes(self.take()?),
            vref_steps: u16::from_le_bytes(self.take()?),
            tap_step: Picoseconds(self.number()?),
            vref_start: Millivolts(self.number()?),
            vref_step: Millivolts(self.number()?),
            ui: Picoseconds(self.number()?),
            vddq: Millivolts(self.number()?),
        };
        let count = usize::from(u16::from_le_bytes(self.take()?));
        let lanes: Arc<[u16]> =
            self.many(2 * count)?.as_chunks().0.iter().map(|two| u16::from_le_bytes(*two)).collect();
        let mut three = || Some([self.single()?, self.single()?, self.single()?]);
        let slopes = Slopes { along_taps: three()?, along_vref: three()? };
        let [swept, number_of_masks] = self.take()?;
        let mut masks = Vec::new();
        for _ in 0..number_of_masks {
            let [tag] = self.take()?;
            let flat = self.number()?;
            let shape = match tag {
                NONE => MaskShape::Rectangle,
                6 => MaskShape::Hexagon { flat },
                _ => return None,
            };
            let (half_width, half_height) = (Picoseconds(self.number()?), Millivolts(self.number()?));
            let slopes = (self.single()?, self.single()?);
            let mask = Mask { shape, half_width, half_height };
            masks.push(MaskSummary { mask, lanes: Vec::new(), slopes });
        }
        let edges = self.many(LANE * count)?.as_chunks::<LANE>().0.iter().map(lane).collect();
        for mask in &mut masks {
            let lanes = self.many(MASK_LANE * count)?.as_chunks::<MASK_LANE>().0;
            mask.lanes = lanes.iter().map(mask_lane).collect();
        }
        let spans =
            if swept == 1 { (0..count).map(|_| self.span()).collect::<Option<_>>()? } else { Vec::new() };
        Some(EyeSummary { eye, mode, grid, lanes, edges, masks, slopes, spans })
    }
}

fn lane(bytes: &[u8; LANE]) -> LaneSummary {
    let (reach, rest) = bytes.split_at(16);
    let mut lane = LaneSummary::default();
    for (number, four) in lane.reach.iter_mut().zip(reach.as_chunks().0) {
        *number = f32::from_le_bytes(*four);
    }
    let [u @ .., flags, _, _, _, _, _, _, _, _] = rest.as_chunks::<2>().0 else { return lane };
    for (number, two) in lane.u.iter_mut().zip(u) {
        *number = u16::from_le_bytes(*two);
    }
    lane.flags = u16::from_le_bytes(*flags);
    let changes = rest[rest.len() - 16..].as_chunks().0;
    for (number, two) in lane.beside.iter_mut().flatten().zip(changes) {
        *number = i16::from_le_bytes(*two);
    }
    lane
}

fn mask_lane([a, b, c, d, e, f, g, h, at_least]: &[u8; MASK_LANE]) -> (f32, f32, bool) {
    (f32::from_le_bytes([*a, *b, *c, *d]), f32::from_le_bytes([*e, *f, *g, *h]), *at_least != 0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::eye_summary::{StageSummary, digest};
    use eye::cases::capture;
    use nightbench_core::point_rule::PointRule;

    #[test]
    fn a_digest_survives_its_bytes_and_nothing_else_is_taken_for_one() {
        let mut capture = capture(20, 16, 3, PointRule::error_free(1e-3, 0.95));
        capture.eye.sub_channel = Some(1);
        let place = nightbench_core::results::Point { tap: 0, vref: 0 };
        let errors = vec![3; 3];
        let kind = nightbench_core::results::VisitKind::Sweep;
        capture.visits.push(nightbench_core::results::Visit { point: place, kind, bits: 10, errors });
        let mask =
            Mask { shape: MaskShape::Rectangle, half_width: Picoseconds(5.0), half_height: Millivolts(4.0) };
        let mut swept = digest(&capture, &[mask]);
        let spans = &mut swept.as_mut().unwrap().spans;
        assert_eq!(*spans, [None; 3]);
        spans[1] = Some((31.5, 0.02));
        let digest = JobSummary {
            trainings: vec![vec![StageSummary {
                name: "write levelling".into(),
                end_stop: true,
                narrowest_taps: Some(3.25),
                lowest_steps: None,
                failed: Some(("0-3".into(), vec!["a broken strobe".into()])),
            }]],
            captures: vec![swept, Err("contradiction".into())],
        };
        let bytes = digest.to_bytes();
        assert_eq!(JobSummary::from_bytes(&bytes).as_ref(), Some(&digest));
        for length in 0..bytes.len() {
            assert_eq!(JobSummary::from_bytes(&bytes[..length]), None, "{length} bytes");
        }
        assert!(digest.captures[0].as_ref().unwrap().holds(&[mask]));
    }
}
