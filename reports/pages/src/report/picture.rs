//! Eye pictures: one colour scale for every eye of a report, and the picture as an indexed PNG in a data URI.

use super::PageError;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use judge::judged::EyePicture;
use nightbench_core::results::Grid;

/// Class of a point that was not measured.
pub(super) const NOT_MEASURED: u8 = 255;
/// Class of a point that was inferred to pass in every lane.
pub(super) const INFERRED_PASS: u8 = 254;
/// Class of a point that was inferred to fail in a lane.
pub(super) const INFERRED_FAIL: u8 = 253;
/// Palette indices of points that were not measured.
const GAP: u8 = 15;
const PASS: u8 = 14;
const FAIL: u8 = 13;
/// Highest class told apart.
const TOP: u8 = 12;
/// A clean point: nearly white, so that outlines and marks stand out.
const CLEAN: [u8; 3] = [0xf6, 0xf8, 0xfa];
const GREY: [u8; 3] = [0xb4, 0xb9, 0xbf];
/// Inferred points: greys, which no measured ratio has, light for pass and dark for fail; so dark that the few surveyed points
/// in what fails do not stand out.
const LIGHT: [u8; 3] = [0xd6, 0xdb, 0xe0];
const DARK: [u8; 3] = [0x50, 0x4c, 0x5e];

/// Viridis from few errors (yellow) to many (purple); nine samples of the published map.
const VIRIDIS: [[u8; 3]; 9] = [
    [0xfd, 0xe7, 0x25],
    [0xad, 0xdc, 0x30],
    [0x5e, 0xc9, 0x62],
    [0x28, 0xae, 0x80],
    [0x21, 0x91, 0x8c],
    [0x2c, 0x72, 0x8e],
    [0x3b, 0x52, 0x8b],
    [0x47, 0x2d, 0x7b],
    [0x44, 0x01, 0x54],
];

/// The part of a grid that is drawn: first and last tap and Vref step, both included.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Window {
    pub taps: (u16, u16),
    pub steps: (u16, u16),
}

/// An eye that fills less than this share of its frame is drawn enlarged.
const SMALL: f64 = 0.35;
/// Room round what is enlarged, as a share of its extent, and the least extent, grid steps.
const ROOM: f64 = 0.35;
const LEAST: f64 = 16.0;

impl Window {
    pub fn whole(grid: &Grid) -> Window {
        Window { taps: (0, grid.taps.saturating_sub(1)), steps: (0, grid.vref_steps.saturating_sub(1)) }
    }

    /// What is worth seeing of a grid: all of it, or where the given places lie with room round them, if that is
    /// a small part.
    pub fn about(grid: &Grid, places: &[(f64, f64)]) -> Window {
        let whole = Window::whole(grid);
        let span = |values: &mut dyn Iterator<Item = f64>, points: u16| {
            let (low, high) =
                values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
            let (middle, half) = ((low + high) / 2.0, ((high - low) * (0.5 + ROOM)).max(LEAST / 2.0));
            let most = f64::from(points.saturating_sub(1));
            // Moved inside the grid, not cut: the scale of a picture should not hang on where the eye lies.
            let half = half.min(most / 2.0);
            let middle = middle.clamp(half, most - half);
            ((middle - half).floor().max(0.0), (middle + half).ceil().min(most))
        };
        if places.is_empty() || grid.taps < 2 || grid.vref_steps < 2 {
            return whole;
        }
        let across = span(&mut places.iter().map(|place| place.0), grid.taps);
        let up = span(&mut places.iter().map(|place| place.1), grid.vref_steps);
        let share = (across.1 - across.0) * (up.1 - up.0)
            / (f64::from(grid.taps - 1) * f64::from(grid.vref_steps - 1));
        if !share.is_finite() || share > SMALL {
            return whole;
        }
        let pair = |(low, high): (f64, f64)| (low as u16, high as u16);
        Window { taps: pair(across), steps: pair(up) }
    }
}

/// The scale shared by every picture of a report.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Scale {
    /// Highest class in use, at least 7 and at most [`TOP`].
    pub top: u8,
}

impl Scale {
    /// The scale that holds every picture.
    pub fn over<'a>(pictures: impl Iterator<Item = &'a EyePicture>) -> Scale {
        let seen = pictures.flat_map(|picture| &picture.classes).filter(|class| **class < INFERRED_FAIL);
        Scale { top: seen.copied().max().unwrap_or(0).clamp(7, TOP) }
    }

    pub fn colour(self, class: u8) -> [u8; 3] {
        match class {
            NOT_MEASURED => return GREY,
            INFERRED_PASS => return LIGHT,
            INFERRED_FAIL => return DARK,
            0 => return CLEAN,
            _ => {}
        }
        let share = f64::from(class.min(self.top) - 1) / f64::from(self.top - 1) * 8.0;
        let below = (share.floor() as usize).min(7);
        let part = share - below as f64;
        let (low, high) = (VIRIDIS[below], VIRIDIS[below + 1]);
        std::array::from_fn(|i| {
            (f64::from(low[i]) + part * (f64::from(high[i]) - f64::from(low[i]))).round() as u8
        })
    }

    /// `#rrggbb`.
    pub fn hex(self, class: u8) -> String {
        let [r, g, b] = self.colour(class);
        format!("#{r:02x}{g:02x}{b:02x}")
    }

    /// A part of the picture as a data URI: four bits a point, highest Vref in the first row.
    ///
    /// # Errors
    /// A picture that does not have one class a point of its grid, or a grid without points.
    pub fn data_uri(self, picture: &EyePicture, window: Window) -> Result<String, PageError> {
        let (taps, steps) = (usize::from(picture.grid.taps), usize::from(picture.grid.vref_steps));
        if taps == 0 || steps == 0 || picture.classes.len() != taps * steps {
            return Err(PageError::Picture {
                eye: picture.eye.to_string(),
                points: picture.classes.len(),
                taps: picture.grid.taps,
                steps: picture.grid.vref_steps,
            });
        }
        let (first, last) = (usize::from(window.taps.0), usize::from(window.taps.1).min(taps - 1));
        let (low, high) = (usize::from(window.steps.0), usize::from(window.steps.1).min(steps - 1));
        let (width, height) = (last + 1 - first, high + 1 - low);
        let mut pixels = Vec::with_capacity(width.div_ceil(2) * height);
        for row in picture.classes.chunks_exact(taps).take(high + 1).skip(low).rev() {
            for pair in row.get(first..=last).unwrap_or_default().chunks(2) {
                let index = |class: Option<&u8>| match class {
                    Some(&NOT_MEASURED) => GAP,
                    Some(&INFERRED_PASS) => PASS,
                    Some(&INFERRED_FAIL) => FAIL,
                    Some(class) => (*class).min(self.top),
                    None => 0,
                };
                pixels.push(index(pair.first()) << 4 | index(pair.get(1)));
            }
        }
        let mut bytes = Vec::new();
        let mut encoder = png::Encoder::new(&mut bytes, width as u32, height as u32);
        encoder.set_color(png::ColorType::Indexed);
        encoder.set_depth(png::BitDepth::Four);
        encoder.set_compression(png::Compression::High);
        let classes = (0..=TOP).chain([INFERRED_FAIL, INFERRED_PASS, NOT_MEASURED]);
        encoder.set_palette(classes.flat_map(|class| self.colour(class)).collect::<Vec<u8>>());
        let written = encoder.write_header().and_then(|mut writer| writer.write_image_data(&pixels));
        written.map_err(|error| PageError::Png { eye: picture.eye.to_string(), words: error.to_string() })?;
        Ok(format!("data:image/png;base64,{}", STANDARD.encode(&bytes)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightbench_core::units::{Millivolts, Picoseconds};

    #[test]
    fn a_small_eye_is_enlarged_and_a_large_one_is_not() {
        let grid = Grid {
            taps: 128,
            vref_steps: 64,
            tap_step: Picoseconds(5.0),
            vref_start: Millivolts(500.0),
            vref_step: Millivolts(8.0),
            ui: Picoseconds(400.0),
            vddq: Millivolts(1200.0),
        };
        assert_eq!(Window::about(&grid, &[]), Window::whole(&grid));
        assert_eq!(Window::about(&grid, &[(5.0, 5.0), (120.0, 60.0)]), Window::whole(&grid));
        // 20 taps and 10 steps about (60, 30), with room: 34 taps, and the least extent of steps.
        let small = Window::about(&grid, &[(50.0, 25.0), (70.0, 35.0)]);
        assert_eq!(small, Window { taps: (43, 77), steps: (21, 39) });
        // At the border it is moved inside.
        let corner = Window::about(&grid, &[(0.0, 0.0), (2.0, 3.0)]);
        assert_eq!(corner, Window { taps: (0, 16), steps: (0, 16) });
    }
}
