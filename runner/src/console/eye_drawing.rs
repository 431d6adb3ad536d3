//! An eye drawn in characters: half blocks where the terminal shows them, colour where it has any, true axes always.

use eye::map::PassMap;
use nightbench_core::results::{Grid, LanePoint, Point};

/// What the terminal can show of a drawing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Palette {
    /// Colours (ECMA-48 SGR, 256 colours).
    pub colour: bool,
    /// Characters beyond ASCII.
    pub unicode: bool,
}

/// An eye to draw: one lane before all lanes.
pub struct DrawnEye<'a> {
    /// Its axes.
    pub grid: &'a Grid,
    /// Where the lane passes.
    pub lane: &'a PassMap,
    /// Where every lane passes; `None` for a single lane.
    pub all: Option<&'a PassMap>,
    /// The lane's operating point.
    pub operating: LanePoint,
    /// Half width (ps) and half height (mV) of the box that the limits ask for, where both have one.
    pub half_limit: Option<(f64, f64)>,
    /// Lines above the drawing.
    pub title: Vec<String>,
    /// Lines below it.
    pub notes: Vec<String>,
}

/// Time and voltage of a character. Eyes side by side share one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// ps a column.
    pub ps: f64,
    /// mV a row (two half blocks).
    pub mv: f64,
}

/// Columns left of the drawing: a voltage and the axis.
const LEFT: usize = 9;
/// Most rows of a drawing, so that two lie on a screen.
const MOST_ROWS: f64 = 24.0;
/// Fewest columns a drawing is worth.
const FEWEST: usize = 16;

impl Scale {
    /// The finest one at which each eye fits into `columns`: whole taps a column and whole steps a half row of the eye that needs most.
    pub fn of(eyes: &[&Grid], columns: usize) -> Scale {
        let room = columns.saturating_sub(LEFT).max(FEWEST) as f64;
        let mut scale = Scale { ps: 0.0, mv: 0.0 };
        for grid in eyes {
            let taps_a_column = (f64::from(grid.taps) / room).ceil().max(1.0);
            let steps_a_row = (f64::from(grid.vref_steps) / MOST_ROWS / 2.0).ceil().max(1.0) * 2.0;
            scale.ps = scale.ps.max(taps_a_column * grid.tap_step.0);
            scale.mv = scale.mv.max(steps_a_row * grid.vref_step.0.abs());
        }
        scale
    }
}

/// What a place of the drawing shows, by rising precedence.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Shown {
    /// Beyond the sweep.
    Nothing,
    Fails,
    /// Only the lane passes.
    Passes,
    /// Every lane passes.
    AllPass,
}

impl DrawnEye<'_> {
    /// The drawing as lines, all of equal width in characters ([`width`] of them); colour codes are not counted.
    pub fn lines(&self, scale: Scale, palette: Palette) -> Vec<String> {
        let grid = self.grid;
        let columns = (f64::from(grid.taps) * grid.tap_step.0 / scale.ps).ceil().max(1.0) as usize;
        let rows = (f64::from(grid.vref_steps) * grid.vref_step.0.abs() / scale.mv).ceil().max(1.0) as usize;
        let mut lines: Vec<String> = self.title.clone();
        let operating = (
            (f64::from(self.operating.tap) + 0.5) * grid.tap_step.0 / scale.ps,
            self.row_of(f64::from(self.operating.vref) + 0.5, scale, rows),
        );
        for row in 0..rows {
            let top_mv = grid.vref_start.0 + (rows - row) as f64 * scale.mv;
            let label = if row % 4 == 0 { format!("{top_mv:5.0} mV") } else { " ".repeat(8) };
            let mut line = format!("{label}{}", if palette.unicode { '\u{2502}' } else { '|' });
            for column in 0..columns {
                let upper = self.shown(column, 2 * (rows - row) - 1, scale);
                let lower = self.shown(column, 2 * (rows - row) - 2, scale);
                let mark = self.mark(column, row, operating, scale, palette);
                line.push_str(&cell(upper, lower, mark, palette));
            }
            lines.push(line);
        }
        lines.extend(axis(columns, scale, grid, palette));
        lines.extend(self.notes.iter().cloned());
        lines
    }

    /// Row of a Vref in steps (fractions count from the lower edge of step 0), from the top.
    fn row_of(&self, steps: f64, scale: Scale, rows: usize) -> f64 {
        rows as f64 - steps * self.grid.vref_step.0.abs() / scale.mv
    }

    /// A place that covers several points passes only where all of them do.
    fn shown(&self, column: usize, half_row: usize, scale: Scale) -> Shown {
        let grid = self.grid;
        let taps = covered(column as f64 * scale.ps / grid.tap_step.0, scale.ps / grid.tap_step.0, grid.taps);
        let step = grid.vref_step.0.abs();
        let steps = covered(half_row as f64 * scale.mv / 2.0 / step, scale.mv / 2.0 / step, grid.vref_steps);
        let mut shown = Shown::Nothing;
        for vref in steps {
            for tap in taps.clone() {
                let point = Point { tap, vref };
                let here = match (self.lane.passes(point), self.all.is_some_and(|all| all.passes(point))) {
                    (_, true) => Shown::AllPass,
                    (true, false) => Shown::Passes,
                    (false, false) => Shown::Fails,
                };
                shown = if shown == Shown::Nothing { here } else { shown.min(here) };
            }
        }
        shown
    }

    /// The operating point and the corners of the limit box.
    fn mark(
        &self,
        column: usize,
        row: usize,
        (across, down): (f64, f64),
        scale: Scale,
        palette: Palette,
    ) -> Option<char> {
        let here = |x: f64, y: f64| x.floor() == column as f64 && y.floor() == row as f64;
        if here(across, down) {
            return Some(if palette.unicode { '\u{253c}' } else { '+' });
        }
        let (half_ps, half_mv) = self.half_limit?;
        let (dx, dy) = (half_ps / scale.ps, half_mv / scale.mv);
        let corners = [
            (across - dx, down - dy, '\u{250c}'),
            (across + dx, down - dy, '\u{2510}'),
            (across - dx, down + dy, '\u{2514}'),
            (across + dx, down + dy, '\u{2518}'),
        ];
        let found = corners.into_iter().find(|(x, y, _)| here(*x, *y))?;
        Some(if palette.unicode { found.2 } else { 'o' })
    }
}

/// Points of an axis that a stretch of it covers, at least the one it begins in; none beyond the sweep.
fn covered(from: f64, length: f64, points: u16) -> std::ops::Range<u16> {
    const ROUNDING: f64 = 1e-9;
    let first = (from + ROUNDING).floor() as u16;
    let end = ((from + length - ROUNDING).ceil() as u16).max(first.saturating_add(1));
    first.min(points)..end.min(points)
}

fn cell(upper: Shown, lower: Shown, mark: Option<char>, palette: Palette) -> String {
    if palette.colour {
        let character = mark.unwrap_or(if palette.unicode { '\u{2580}' } else { ' ' });
        // Without half blocks both halves have one ground, the poorer one.
        let ground = if palette.unicode && mark.is_none() { lower } else { upper.min(lower) };
        // A mark is seen on light ground and on dark.
        let on_light = upper.min(lower) >= Shown::Passes;
        let front = match (mark, on_light) {
            (Some(_), true) => 16,
            (Some(_), false) => 231,
            (None, _) => colour(upper),
        };
        return format!("\u{1b}[38;5;{front};48;5;{}m{character}\u{1b}[0m", colour(ground));
    }
    if let Some(mark) = mark {
        return mark.to_string();
    }
    let passes = |half: Shown| half >= Shown::Passes;
    let character = match (passes(upper), passes(lower), palette.unicode) {
        (true, true, true) => {
            if upper.min(lower) == Shown::AllPass {
                '\u{2588}'
            } else {
                '\u{2592}'
            }
        }
        (true, false, true) => '\u{2580}',
        (false, true, true) => '\u{2584}',
        (true, true, false) => {
            if upper.min(lower) == Shown::AllPass {
                '#'
            } else {
                '='
            }
        }
        (true, false, false) => '\'',
        (false, true, false) => ',',
        (false, false, true) => '\u{b7}',
        (false, false, false) => '.',
    };
    if upper.max(lower) == Shown::Nothing { ' ' } else { character }.to_string()
}

/// Dark blue, mid and light: told apart by lightness alone, also by readers who see no hue.
fn colour(shown: Shown) -> u8 {
    match shown {
        Shown::Nothing => 16,
        Shown::Fails => 17,
        Shown::Passes => 67,
        Shown::AllPass => 153,
    }
}

/// What the drawings show, on one line.
pub fn legend(palette: Palette) -> String {
    let (point, corner) = if palette.unicode { ('\u{253c}', '\u{250c}') } else { ('+', 'o') };
    let ground = |shown: Shown| cell(shown, shown, None, palette);
    format!(
        "{} all lanes pass  {} only this lane  {} fails  {point} operating point  {corner} limits",
        ground(Shown::AllPass),
        ground(Shown::Passes),
        ground(Shown::Fails)
    )
}

/// The time axis: a line with ticks, and their times under it.
fn axis(columns: usize, scale: Scale, grid: &Grid, palette: Palette) -> Vec<String> {
    const TICK: usize = 16;
    let (corner, line, tick) =
        if palette.unicode { ('\u{2514}', '\u{2500}', '\u{2534}') } else { ('+', '-', '+') };
    let mut ruler = " ".repeat(8);
    ruler.push(corner);
    ruler.extend((0..columns).map(|column| if column > 0 && column % TICK == 0 { tick } else { line }));
    let mut words = " ".repeat(LEFT);
    for column in (0..columns).step_by(TICK) {
        let ps = column as f64 * scale.ps;
        let word = if column == 0 { "0".to_string() } else { format!("{ps:.0} ps") };
        // The last word may be too long for what is left of the line.
        if column + word.chars().count() <= columns.max(FEWEST) {
            words.push_str(&format!("{word:<TICK$}"));
        }
    }
    let words = words.trim_end().to_string();
    let taps = format!(
        "{}{:.1} ps a tap, {:.1} mV a step; UI {:.0} ps",
        " ".repeat(LEFT),
        grid.tap_step.0,
        grid.vref_step.0,
        grid.ui.0
    );
    vec![ruler, words, taps]
}

/// Characters that a line takes on the screen: colour codes take none.
pub fn width(line: &str) -> usize {
    let mut count = 0;
    let mut inside = false;
    for character in line.chars() {
        match character {
            '\u{1b}' => inside = true,
            'm' if inside => inside = false,
            _ if inside => {}
            _ => count += 1,
        }
    }
    count
}

/// Two drawings beside each other, or one below the other where the screen is too narrow.
pub fn beside(left: &[String], right: &[String], columns: usize) -> Vec<String> {
    const GAP: usize = 3;
    let wide = |lines: &[String]| lines.iter().map(|line| width(line)).max().unwrap_or(0);
    let first = wide(left);
    if first + GAP + wide(right) > columns {
        return left.iter().chain([&String::new()]).chain(right).cloned().collect();
    }
    let empty = String::new();
    (0..left.len().max(right.len()))
        .map(|row| {
            let (l, r) = (left.get(row).unwrap_or(&empty), right.get(row).unwrap_or(&empty));
            let pad = " ".repeat(first - width(l) + GAP);
            format!("{l}{pad}{r}").trim_end().to_string()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightbench_core::units::{Millivolts, Picoseconds};

    fn grid(taps: u16, vref_steps: u16) -> Grid {
        Grid {
            taps,
            vref_steps,
            tap_step: Picoseconds(10.0),
            vref_start: Millivolts(600.0),
            vref_step: Millivolts(5.0),
            ui: Picoseconds(320.0),
            vddq: Millivolts(1200.0),
        }
    }

    fn eye<'a>(grid: &'a Grid, lane: &'a PassMap, half_limit: Option<(f64, f64)>) -> DrawnEye<'a> {
        let operating = LanePoint { tap: 16, vref: 4 };
        DrawnEye { grid, lane, all: None, operating, half_limit, title: vec![], notes: vec![] }
    }

    const PLAIN: Palette = Palette { colour: false, unicode: false };

    #[test]
    fn every_point_of_a_small_eye_has_its_half_of_a_character() {
        let grid = grid(32, 8);
        let map = PassMap::from_fn(32, 8, |p| (10..=20).contains(&p.tap) && (3..=5).contains(&p.vref));
        let lines = eye(&grid, &map, None).lines(Scale::of(&[&grid], 80), PLAIN);
        let rows: Vec<&str> = lines[..4].iter().map(|line| &line[LEFT..]).collect();
        assert_eq!(rows[0], ".".repeat(32), "steps 6 and 7");
        assert_eq!(
            rows[1],
            format!("{}{}+{}{}", ".".repeat(10), "=".repeat(6), "=".repeat(4), ".".repeat(11)),
            "steps 4 and 5, with the operating point"
        );
        assert_eq!(rows[2].matches('\'').count(), 11, "step 3 alone: {}", rows[2]);
        assert!(lines[0].starts_with("  640 mV"), "{}", lines[0]);
        assert!(lines[5].contains("160 ps"), "{}", lines[5]);
    }

    #[test]
    fn the_operating_point_and_the_limit_box_stand_where_they_are() {
        let grid = grid(32, 8);
        let map = PassMap::from_fn(32, 8, |_| true);
        let lines = eye(&grid, &map, Some((50.0, 10.0))).lines(Scale::of(&[&grid], 80), PLAIN);
        let at = |row: usize, column: usize| lines[row].as_bytes()[LEFT + column] as char;
        assert_eq!(at(1, 16), '+');
        assert_eq!((at(0, 11), at(0, 21)), ('o', 'o'));
        assert_eq!((at(2, 11), at(2, 21)), ('o', 'o'));
    }

    #[test]
    fn a_place_of_several_points_passes_only_where_all_do() {
        let grid = grid(128, 64);
        let map = PassMap::from_fn(128, 64, |p| p.tap != 64);
        let scale = Scale::of(&[&grid], 73);
        assert_eq!(scale.ps, 20.0);
        let drawn = eye(&grid, &map, None);
        assert_eq!(drawn.shown(32, 3, scale), Shown::Fails);
        assert_eq!(drawn.shown(33, 3, scale), Shown::Passes);
    }

    #[test]
    fn eyes_side_by_side_share_their_scale_and_fit() {
        let (fast, slow) = (grid(64, 64), Grid { tap_step: Picoseconds(20.0), ..grid(64, 64) });
        let scale = Scale::of(&[&fast, &slow], 80);
        assert_eq!(scale.ps, 20.0);
        let map = PassMap::from_fn(64, 64, |_| false);
        let palette = Palette { colour: true, unicode: true };
        let left = eye(&fast, &map, None).lines(scale, palette);
        let right = eye(&slow, &map, None).lines(scale, palette);
        assert!(left.iter().all(|line| width(line) <= 80) && right.iter().all(|line| width(line) <= 80));
        let both = beside(&left, &right, 160);
        assert_eq!(both.len(), left.len().max(right.len()));
        assert!(both.iter().all(|line| width(line) <= 160));
        assert_eq!(
            beside(&left, &right, 80).len(),
            left.len() + 1 + right.len(),
            "below where it does not fit"
        );
    }
}
