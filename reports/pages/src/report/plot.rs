//! Small plots as data for the templates: a frame, two axes, and one SVG path a series, never an element a point.

use super::words::{coordinate, plain};
use serde::Serialize;

/// Drawing size, in SVG user units (about one CSS pixel each).
const WIDTH: f64 = 360.0;
const HEIGHT: f64 = 224.0;
/// Plot area: left, top, right, bottom.
pub(crate) const AREA: Area = Area { left: 48.0, top: 22.0, right: 350.0, bottom: 186.0 };

/// Line styles told apart.
pub(crate) const SLOTS: usize = 7;

/// A rectangle in SVG user units.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Area {
    pub left: f64,
    pub top: f64,
    pub right: f64,
    pub bottom: f64,
}

/// A linear map from data to SVG units.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scale {
    low: f64,
    high: f64,
    from: f64,
    to: f64,
}

impl Scale {
    /// From `low..high` onto `from..to`; an empty range is widened so that nothing divides by zero.
    pub fn new(low: f64, high: f64, from: f64, to: f64) -> Scale {
        let (low, high) = if high - low > f64::EPSILON * high.abs().max(1.0) {
            (low, high)
        } else {
            (low - 0.5, low + 0.5)
        };
        Scale { low, high, from, to }
    }
    /// Lower end of the data range.
    pub fn low(self) -> f64 {
        self.low
    }
    /// Upper end of the data range.
    pub fn high(self) -> f64 {
        self.high
    }
    /// Where a value lies.
    pub fn at(self, value: f64) -> f64 {
        self.from + (value - self.low) / (self.high - self.low) * (self.to - self.from)
    }
    /// Where a value lies, held inside the range.
    pub fn held(self, value: f64) -> f64 {
        self.at(value.clamp(self.low, self.high))
    }
    /// SVG units of one data unit.
    pub fn unit(self) -> f64 {
        (self.to - self.from) / (self.high - self.low)
    }
    /// Round ticks inside the range, about `about` of them.
    pub fn ticks(self, about: usize) -> Vec<Tick> {
        let step = round_step((self.high - self.low) / about.max(1) as f64);
        let digits = (-step.log10().floor()).clamp(0.0, 6.0) as usize;
        let (first, last) =
            ((self.low / step - 1e-9).ceil() as i64, (self.high / step + 1e-9).floor() as i64);
        (first..=last.min(first + 20))
            .map(|k| k as f64 * step)
            .map(|value| Tick { at: coordinate(self.at(value)), text: plain(value, digits) })
            .collect()
    }
    /// Ticks at whole decades of a range of decimal logarithms.
    pub fn decades(self) -> Vec<Tick> {
        let (first, last) = ((self.low - 1e-9).ceil() as i32, (self.high + 1e-9).floor() as i32);
        (first..=last.min(first + 20))
            .map(|decade| Tick {
                at: coordinate(self.at(f64::from(decade))),
                text: plain(10f64.powi(decade), (-decade).max(0) as usize),
            })
            .collect()
    }
}

/// The range of the values, with 0 and the given extra values in it, widened by 4 %.
pub(crate) fn range(values: impl Iterator<Item = f64>, extra: &[f64]) -> (f64, f64) {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for value in values.chain(extra.iter().copied()).filter(|value| value.is_finite()) {
        low = low.min(value);
        high = high.max(value);
    }
    if low > high {
        return (-1.0, 1.0);
    }
    let pad = 0.04 * (high - low).max(1e-9);
    (low - pad, high + pad)
}

fn round_step(rough: f64) -> f64 {
    if !rough.is_finite() || rough <= 0.0 {
        return 1.0;
    }
    let decade = 10f64.powf(rough.log10().floor());
    let lead = rough / decade;
    decade
        * if lead <= 1.0 {
            1.0
        } else if lead <= 2.0 {
            2.0
        } else if lead <= 5.0 {
            5.0
        } else {
            10.0
        }
}

/// A tick: where and what it says.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct Tick {
    pub at: String,
    pub text: String,
}

/// A series: one path.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct Series {
    pub path: String,
    /// Style class.
    pub class: String,
}

/// A shaded rectangle.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct Band {
    pub x: String,
    pub y: String,
    pub w: String,
    pub h: String,
    pub class: &'static str,
}

/// A text inside the drawing.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct Label {
    pub x: String,
    pub y: String,
    pub text: String,
    pub anchor: &'static str,
}

/// A plot, ready for the template.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct Plot {
    pub title: String,
    /// What it shows, for those who do not see it; also the caption's second part.
    pub words: String,
    pub width: f64,
    pub height: f64,
    pub left: f64,
    pub right: f64,
    pub top: f64,
    pub bottom: f64,
    pub x_label: String,
    pub y_label: String,
    pub x_ticks: Vec<Tick>,
    pub y_ticks: Vec<Tick>,
    /// Ticks of a second y axis at the right.
    pub right_ticks: Vec<Tick>,
    pub bands: Vec<Band>,
    pub series: Vec<Series>,
    pub labels: Vec<Label>,
    /// Style class (`s0`, `s1`, ...) and name of each series that has one.
    pub legend: Vec<(usize, String)>,
    pub simulated: bool,
}

impl Plot {
    /// An empty plot of the usual size over the given scales.
    pub fn new(title: String, words: String, simulated: bool) -> Plot {
        Plot {
            title,
            words,
            width: WIDTH,
            height: HEIGHT,
            left: AREA.left,
            right: AREA.right,
            top: AREA.top,
            bottom: AREA.bottom,
            x_label: String::new(),
            y_label: String::new(),
            x_ticks: Vec::new(),
            y_ticks: Vec::new(),
            right_ticks: Vec::new(),
            bands: Vec::new(),
            series: Vec::new(),
            labels: Vec::new(),
            legend: Vec::new(),
            simulated,
        }
    }

    /// Makes the plot as high as `rows` rows of `pitch` need; returns the area.
    pub fn with_rows(&mut self, rows: usize, pitch: f64, left: f64) -> Area {
        let bottom = AREA.top + rows as f64 * pitch;
        self.height = bottom + HEIGHT - AREA.bottom;
        self.left = left;
        self.bottom = bottom;
        Area { left, bottom, ..AREA }
    }

    /// Adds a series unless it is empty.
    pub fn draw(&mut self, path: Path, class: impl Into<String>) {
        if !path.0.is_empty() {
            self.series.push(Series { path: path.0, class: class.into() });
        }
    }

    /// Shades the guard band about a limit at `x` = 0 of a horizontal margin axis, and draws the limit.
    pub fn limit_across(&mut self, x: Scale, guard_band: f64, area: Area) {
        self.band(x.held(-guard_band), area.top, x.held(guard_band), area.bottom);
        let mut path = Path::default();
        path.line(&[(x.held(0.0), area.top), (x.held(0.0), area.bottom)]);
        self.draw(path, "limit");
    }

    /// The same for a vertical margin axis.
    pub fn limit_along(&mut self, y: Scale, guard_band: f64, area: Area) {
        self.band(area.left, y.held(guard_band), area.right, y.held(-guard_band));
        let mut path = Path::default();
        path.line(&[(area.left, y.held(0.0)), (area.right, y.held(0.0))]);
        self.draw(path, "limit");
    }

    fn band(&mut self, left: f64, top: f64, right: f64, bottom: f64) {
        let (w, h) = ((right - left).max(0.0), (bottom - top).max(0.0));
        if w > 0.0 && h > 0.0 {
            self.bands.push(Band {
                x: coordinate(left),
                y: coordinate(top),
                w: coordinate(w),
                h: coordinate(h),
                class: "guard",
            });
        }
    }
}

/// A growing SVG path.
#[derive(Debug, Clone, Default)]
pub(crate) struct Path(pub String);

impl Path {
    /// A polyline.
    pub fn line(&mut self, points: &[(f64, f64)]) {
        for (index, (x, y)) in points.iter().enumerate() {
            self.0.push(if index == 0 { 'M' } else { 'L' });
            self.0.push_str(&coordinate(*x));
            self.0.push(' ');
            self.0.push_str(&coordinate(*y));
        }
    }
    /// A dot: a line of no length, which round line ends make visible.
    pub fn dot(&mut self, x: f64, y: f64) {
        self.0.push_str(&format!("M{} {}h0", coordinate(x), coordinate(y)));
    }
    /// An x of this half size.
    pub fn cross(&mut self, x: f64, y: f64, half: f64) {
        for sign in [1.0, -1.0] {
            self.line(&[(x - half, y - sign * half), (x + half, y + sign * half)]);
        }
    }
    /// A closed rectangle.
    pub fn rectangle(&mut self, x: f64, y: f64, w: f64, h: f64) {
        let (x, y, w, h) = (coordinate(x), coordinate(y), coordinate(w), coordinate(h));
        self.0.push_str(&format!("M{x} {y}h{w}v{h}h-{w}z"));
    }
}

/// Corners of a path of straight lines, whatever its commands: absolute or relative, two-way or one-way.
pub(crate) fn corners(path: &str) -> Vec<(f64, f64)> {
    let mut corners = Vec::new();
    let (mut x, mut y, mut command) = (0.0, 0.0, 'M');
    let mut numbers: Vec<f64> = Vec::new();
    let spaced: String = path
        .chars()
        .flat_map(|c| {
            let alone = c.is_ascii_alphabetic() && !matches!(c, 'e' | 'E');
            if alone { [' ', c, ' '] } else { ['\0', if c == ',' { ' ' } else { c }, '\0'] }
        })
        .filter(|c| *c != '\0')
        .collect();
    for word in spaced.split_ascii_whitespace() {
        let Ok(number) = word.parse::<f64>() else {
            command = word.chars().next().unwrap_or('Z');
            numbers.clear();
            continue;
        };
        numbers.push(number);
        let relative = command.is_ascii_lowercase();
        match (command.to_ascii_uppercase(), numbers.as_slice()) {
            ('H', [to]) => x = if relative { x + to } else { *to },
            ('V', [to]) => y = if relative { y + to } else { *to },
            ('M' | 'L', [a, b]) => (x, y) = if relative { (x + a, y + b) } else { (*a, *b) },
            _ => continue,
        }
        numbers.clear();
        corners.push((x, y));
    }
    corners
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        let texts = |low, high| -> Vec<String> {
            Scale::new(low, high, 0.0, 100.0).ticks(5).into_iter().map(|tick| tick.text).collect()
        };
        assert_eq!(texts(-3.0, 11.0), ["0", "5", "10"]);
        assert_eq!(texts(0.0, 1.0), ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]);
        assert_eq!(texts(5.0, 5.0).first().map(String::as_str), Some("4.6"));
    }

    #[test]
    fn a_range_of_nothing_is_still_a_range() {
        assert_eq!(range([].into_iter(), &[]), (-1.0, 1.0));
        let (low, high) = range([2.0, f64::NAN].into_iter(), &[0.0]);
        assert!(low < 0.0 && high > 2.0);
    }

    #[test]
    fn corners_of_every_kind_of_line_are_found() {
        assert_eq!(corners("M1 2L3,4H5V6Z"), [(1.0, 2.0), (3.0, 4.0), (5.0, 4.0), (5.0, 6.0)]);
        assert_eq!(corners("M1 2h2v-1l1 1z"), [(1.0, 2.0), (3.0, 2.0), (3.0, 1.0), (4.0, 2.0)]);
        assert!(corners("").is_empty());
    }
}
