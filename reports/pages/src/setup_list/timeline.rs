//! The run as a picture: a row a day, hours from left to right; hands, hands-free work and waiting, with attended hours behind.

use serde::Serialize;

/// What a stretch of the run is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum SegmentKind {
    /// Hands, boot and mounting check: somebody is there.
    Hands,
    /// The bench works alone.
    Work,
    /// Ready and waiting for somebody to come.
    Waiting,
}

/// A stretch of the run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Segment {
    /// Begin, minutes on the timeline's scale.
    pub from_min: f64,
    /// End, minutes.
    pub to_min: f64,
    /// What it is.
    pub kind: SegmentKind,
    /// Number of the mounting it belongs to.
    pub number: usize,
}

/// A run on a time scale of minutes.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Timeline {
    /// Begin of the first row, min; each row is a day long.
    pub first_min: f64,
    /// Names of the rows.
    pub rows: Vec<String>,
    /// Attended stretches, min; empty where there are none or where somebody is always there.
    pub attended: Vec<(f64, f64)>,
    /// The run.
    pub segments: Vec<Segment>,
}

const DAY_MIN: f64 = 1440.0;
const LEFT: f64 = 92.0;
const WIDTH: f64 = 720.0;
const TOP: f64 = 18.0;
const PITCH: f64 = 20.0;
const BAR: f64 = 14.0;
/// Most rows drawn: two months.
const MOST_ROWS: usize = 62;

#[derive(Debug, Serialize)]
pub(super) struct Bar {
    x: String,
    y: String,
    w: String,
    h: String,
    class: &'static str,
    /// Number of the mounting, where there is room for it.
    label: Option<usize>,
    label_x: String,
    label_y: String,
}

#[derive(Debug, Serialize)]
struct Row {
    name: String,
    y: String,
    line: String,
}

#[derive(Debug, Serialize)]
struct HourMark {
    x: String,
    text: String,
}

/// The picture, ready for the template.
#[derive(Debug, Serialize)]
pub(super) struct Picture {
    width: String,
    height: String,
    left: String,
    right: String,
    top: String,
    bottom: String,
    rows: Vec<Row>,
    hours: Vec<HourMark>,
    bars: Vec<Bar>,
    /// Rows that are not drawn.
    left_out: usize,
    waits: bool,
    attends: bool,
}

/// Lays the run out.
pub(super) fn picture(timeline: &Timeline) -> Picture {
    let shown = timeline.rows.len().min(MOST_ROWS);
    let right = LEFT + WIDTH;
    let bottom = TOP + shown as f64 * PITCH;
    let mut bars = Vec::new();
    for &(from, to) in &timeline.attended {
        cut(timeline, from, to, shown, |row, a, b| bars.push(bar(row, a, b, "attended", None)));
    }
    for segment in &timeline.segments {
        let class = match segment.kind {
            SegmentKind::Hands => "hands",
            SegmentKind::Work if segment.number.is_multiple_of(2) => "work even",
            SegmentKind::Work => "work odd",
            SegmentKind::Waiting => "waiting",
        };
        let label = (segment.kind == SegmentKind::Work).then_some(segment.number);
        cut(timeline, segment.from_min, segment.to_min, shown, |row, a, b| {
            bars.push(bar(row, a, b, class, label))
        });
    }
    Picture {
        width: one(right + 18.0),
        height: one(bottom + 4.0),
        left: one(LEFT),
        right: one(right),
        top: one(TOP),
        bottom: one(bottom),
        rows: timeline.rows[..shown]
            .iter()
            .enumerate()
            .map(|(row, name)| {
                let y = TOP + row as f64 * PITCH;
                Row { name: name.clone(), y: one(y + 14.0), line: one(y + PITCH) }
            })
            .collect(),
        hours: (0..=8)
            .map(|k| HourMark { x: one(LEFT + WIDTH * f64::from(k) / 8.0), text: format!("{:02}:00", 3 * k) })
            .collect(),
        bars,
        left_out: timeline.rows.len() - shown,
        waits: timeline.segments.iter().any(|segment| segment.kind == SegmentKind::Waiting),
        attends: !timeline.attended.is_empty(),
    }
}

/// Cuts a stretch at midnights and at the picture's ends.
fn cut(timeline: &Timeline, from: f64, to: f64, shown: usize, mut draw: impl FnMut(usize, f64, f64)) {
    if !(from.is_finite() && to.is_finite()) {
        return;
    }
    let (from, to) = (from - timeline.first_min, to - timeline.first_min);
    let first = (from / DAY_MIN).floor().max(0.0) as usize;
    for row in first..shown {
        let begin = row as f64 * DAY_MIN;
        let (a, b) = (from.max(begin) - begin, to.min(begin + DAY_MIN) - begin);
        if to <= begin {
            break;
        }
        if b > a {
            draw(row, a, b);
        }
    }
}

fn bar(row: usize, from: f64, to: f64, class: &'static str, label: Option<usize>) -> Bar {
    let x = |minute: f64| LEFT + WIDTH * minute / DAY_MIN;
    // Attended hours show above and below the run's bar.
    let high = if class == "attended" { PITCH } else { BAR };
    let y = TOP + row as f64 * PITCH + (PITCH - high) / 2.0;
    // A change of a few minutes is still to be seen on a day's scale.
    let width = (x(to) - x(from)).max(if class == "hands" { 2.5 } else { 0.3 });
    let digits = label.map_or(0, |number| number.to_string().len()) as f64;
    Bar {
        x: one(x(from)),
        y: one(y),
        w: one(width),
        h: one(high),
        class,
        label: label.filter(|_| width > 6.0 * digits + 4.0),
        label_x: one(x(from) + width / 2.0),
        label_y: one(y + BAR - 3.5),
    }
}

fn one(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_string)
}
