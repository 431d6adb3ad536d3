//! The map of lanes: the worst margin of every lane in every condition, one map a direction and rank, so that a bad lane,
//! byte, module or rate shows as a line or a block.

use super::PageError;
use super::plot::{Scale, Tick};
use super::words::*;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use judge::judged::{JudgedCondition, JudgedRun, LaneValues, RunFacts};
use nightbench_core::results::EyeName;
use plan::matrix::Factor;
use serde::Serialize;
use std::collections::BTreeMap;

/// Rows of one map, at most; beyond it the worst conditions are kept.
const MOST_ROWS: usize = 600;
/// Plot area: left and right, and the height of all rows together that is aimed at.
const LEFT: f64 = 190.0;
const RIGHT: f64 = 690.0;
const TOP: f64 = 34.0;
const HEIGHT: f64 = 330.0;
/// Highest row, and the least room of a name.
const MOST_PITCH: f64 = 11.0;
const NAME_ROOM: f64 = 10.0;
/// Lanes of a byte lane.
const BYTE: u16 = 8;

/// Upper ends of the classes of margin as a share of the limit, with their colours: vermillion below the limit, blue
/// above it, darker further away (after Okabe and Ito's palette).
const CLASSES: [(f32, [u8; 3], &str); 8] = [
    (-0.5, [0x7f, 0x2a, 0x00], "\u{2212}50 % or less"),
    (-0.2, [0xd5, 0x5e, 0x00], "to \u{2212}20 %"),
    (0.0, [0xf4, 0xa5, 0x6e], "below the limit"),
    (0.1, [0xfb, 0xf1, 0xc7], "0 to 10 %"),
    (0.25, [0xc6, 0xdb, 0xef], "to 25 %"),
    (0.5, [0x85, 0xb8, 0xdd], "to 50 %"),
    (1.0, [0x3d, 0x86, 0xc0], "to 100 %"),
    (f32::INFINITY, [0x0b, 0x45, 0x7a], "above 100 %"),
];
const NOTHING: [u8; 3] = [0xb4, 0xb9, 0xbf];

/// A name at the side of a map, for the rows it stands for.
#[derive(Debug, Serialize)]
pub(super) struct Group {
    pub y: String,
    pub text: String,
}

#[derive(Debug, Serialize)]
pub(super) struct LaneMap {
    pub title: String,
    pub words: String,
    pub uri: String,
    pub width: f64,
    pub height: String,
    pub left: f64,
    pub right: f64,
    pub top: f64,
    pub bottom: String,
    pub span: String,
    pub bytes: Vec<Tick>,
    pub lanes: Vec<Tick>,
    /// Lines between byte lanes, between strobes of narrower devices, and between setups.
    pub byte_lines: String,
    pub strobe_lines: String,
    pub group_lines: String,
    pub groups: Vec<Group>,
    pub worst: Option<(String, String)>,
    pub simulated: bool,
}

#[derive(Debug, Serialize)]
pub(super) struct MapColour {
    pub colour: String,
    pub words: &'static str,
}

/// The colours of every map, with their words.
pub(super) fn colours() -> Vec<MapColour> {
    let hex = |[r, g, b]: [u8; 3]| format!("#{r:02x}{g:02x}{b:02x}");
    let mut list: Vec<MapColour> =
        CLASSES.iter().map(|(_, colour, words)| MapColour { colour: hex(*colour), words }).collect();
    list.push(MapColour { colour: hex(NOTHING), words: "no value" });
    list
}

/// One map for every direction, rank and sub-channel whose lanes were judged.
///
/// # Errors
/// The picture cannot be written.
pub(super) fn maps(run: &JudgedRun, facts: &RunFacts) -> Result<Vec<LaneMap>, PageError> {
    let mut eyes: BTreeMap<EyeName, Vec<(&JudgedCondition, &LaneValues)>> = BTreeMap::new();
    for judged in &run.conditions {
        for values in judged.lanes.iter().filter(|values| !values.margin_share.is_empty()) {
            eyes.entry(values.eye).or_default().push((judged, values));
        }
    }
    eyes.into_iter().map(|(eye, rows)| map(run, facts, eye, rows)).collect()
}

fn lowest(values: &LaneValues) -> f32 {
    values.margin_share.iter().copied().fold(f32::INFINITY, f32::min)
}

/// Factors whose change is marked by a line and a name.
const SETUP: [Factor; 2] = [Factor::Module, Factor::Channel];

fn map(
    run: &JudgedRun,
    facts: &RunFacts,
    eye: EyeName,
    mut rows: Vec<(&JudgedCondition, &LaneValues)>,
) -> Result<LaneMap, PageError> {
    let all = rows.len();
    if all > MOST_ROWS {
        rows.sort_by(|a, b| lowest(a.1).total_cmp(&lowest(b.1)));
        rows.truncate(MOST_ROWS);
    }
    rows.sort_by_key(|(judged, _)| judged.condition.levels);
    let lanes = || rows.iter().flat_map(|(_, values)| values.lanes.iter().copied());
    let (first, last) = (lanes().min().unwrap_or(0), lanes().max().unwrap_or(0));
    let pitch = (HEIGHT / rows.len().max(1) as f64).min(MOST_PITCH);
    let bottom = TOP + pitch * rows.len() as f64;
    let x = Scale::new(f64::from(first) - 0.5, f64::from(last) + 0.5, LEFT, RIGHT);
    let y = |row: usize| TOP + pitch * row as f64;
    let edge = |lane: u16| coordinate(x.at(f64::from(lane) - 0.5));
    let vertical =
        |lane: u16, from: f64, to: f64| format!("M{} {}V{}", edge(lane), coordinate(from), coordinate(to));
    let width = usize::from(last - first) + 1;
    let mut classes = vec![CLASSES.len() as u8; width * rows.len()];
    let mut worst: Option<(f32, usize, u16)> = None;
    for (row, (_, values)) in rows.iter().enumerate() {
        for (lane, share) in
            values.lanes.iter().zip(&values.margin_share).filter(|(_, share)| share.is_finite())
        {
            let class = CLASSES.iter().position(|(end, ..)| share < end).unwrap_or(CLASSES.len() - 1);
            if let Some(slot) = classes.get_mut(row * width + usize::from(lane - first)) {
                *slot = class as u8;
            }
            if worst.is_none_or(|(least, ..)| *share < least) {
                worst = Some((*share, row, *lane));
            }
        }
    }
    let setup = |judged: &JudgedCondition| SETUP.map(|factor| judged.condition.level(factor));
    let (mut groups, mut group_lines, mut strobe_lines) = (Vec::new(), String::new(), String::new());
    let mut begin = 0;
    let mut named = f64::NEG_INFINITY;
    for row in 1..=rows.len() {
        let Some((here, _)) = rows.get(begin) else { break };
        if rows.get(row).is_some_and(|(next, _)| setup(next) == setup(here)) {
            continue;
        }
        group_lines.push_str(&format!("M{LEFT} {}H{RIGHT}", coordinate(y(row))));
        let [module, _] = setup(here);
        let strobe = facts.strobe_lanes.get(module).copied().unwrap_or(BYTE).max(1);
        if strobe < BYTE {
            for lane in (first..=last).filter(|lane| lane % strobe == 0 && lane % BYTE != 0) {
                strobe_lines.push_str(&vertical(lane, y(begin), y(row)));
            }
        }
        let middle = (y(begin) + y(row)) / 2.0 + 3.5;
        if middle - named >= NAME_ROOM {
            let words = describe(run, &here.condition, &SETUP);
            groups.push(Group { y: coordinate(middle), text: super::distributions::shorten(&words, 36) });
            named = middle;
        }
        begin = row;
    }
    let borders: Vec<u16> = (first..=last).filter(|lane| lane % BYTE == 0 && *lane > first).collect();
    let byte_lines = borders.iter().map(|lane| vertical(*lane, TOP - 4.0, bottom)).collect();
    let middle = |byte: u16| f64::from((byte * BYTE).max(first) + (byte * BYTE + BYTE - 1).min(last)) / 2.0;
    let bytes = (first / BYTE..=last / BYTE)
        .map(|byte| Tick { at: coordinate(x.at(middle(byte))), text: format!("byte {byte}") })
        .collect();
    let within = describe_order(run);
    Ok(LaneMap {
        title: format!("Worst margin of every lane in every condition: {eye}"),
        words: format!(
            "{} of {}, a row each, {within}. Colour: margin as a share of its limit, the lowest over the metrics judged of this \
             eye. Full lines part byte lanes, fine lines the strobes of narrower devices.{}{}",
            count(rows.len(), "row", "rows"),
            count(all, "condition", "conditions"),
            worst.map_or_else(String::new, |(share, row, lane)| format!(
                " Lowest (ring): lane {lane} at {}, {} %.",
                rows.get(row).map_or("", |(judged, _)| judged.name.as_str()),
                signed(f64::from(100.0 * share), 0)
            )),
            if all > rows.len() { " The worst conditions are kept." } else { "" }
        ),
        uri: png(&classes, width, rows.len(), eye)?,
        width: RIGHT + 10.0,
        height: coordinate(bottom + 34.0),
        left: LEFT,
        right: RIGHT,
        top: TOP,
        bottom: coordinate(bottom),
        span: coordinate(bottom - TOP),
        bytes,
        lanes: x.ticks(9).into_iter().filter(|tick| !tick.text.contains('.')).collect(),
        byte_lines,
        strobe_lines,
        group_lines,
        groups,
        worst: worst
            .map(|(_, row, lane)| (coordinate(x.at(f64::from(lane))), coordinate(y(row) + pitch / 2.0))),
        simulated: facts.simulated,
    })
}

/// How the rows follow each other.
fn describe_order(run: &JudgedRun) -> String {
    let names: Vec<&str> = varied(run).iter().map(|factor| factor.name()).collect();
    if names.is_empty() { "in the plan's order".into() } else { format!("sorted by {}", names.join(", ")) }
}

fn png(classes: &[u8], width: usize, height: usize, eye: EyeName) -> Result<String, PageError> {
    let fault = |error: png::EncodingError| PageError::Png { eye: eye.to_string(), words: error.to_string() };
    let mut pixels = Vec::with_capacity(width.div_ceil(2) * height);
    for row in classes.chunks_exact(width) {
        pixels.extend(row.chunks(2).map(|pair| pair.first().unwrap_or(&0) << 4 | pair.get(1).unwrap_or(&0)));
    }
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width as u32, height as u32);
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Four);
    encoder.set_compression(png::Compression::High);
    let palette = CLASSES.iter().map(|(_, colour, _)| *colour).chain([NOTHING]);
    encoder.set_palette(palette.flatten().collect::<Vec<u8>>());
    let written = encoder.write_header().and_then(|mut writer| writer.write_image_data(&pixels));
    written.map_err(fault)?;
    Ok(format!("data:image/png;base64,{}", STANDARD.encode(&bytes)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::tests::fixture::{Kind, demo};

    /// One bad lane of one condition must be named by the map of its direction, and by no other.
    #[test]
    fn a_bad_lane_is_named_with_its_condition() {
        let mut demo = demo(60, Kind::Usual);
        let at =
            demo.run.conditions.iter().position(|judged| judged.lanes.len() > 1).expect("read and write");
        demo.run.conditions[at].lanes[0].margin_share[17] = -0.93;
        let maps = maps(&demo.run, &demo.facts).expect("drawn");
        assert_eq!(maps.len(), 2, "read and write apart");
        let name = &demo.run.conditions[at].name;
        let said = format!("lane 17 at {name}, \u{2212}93 %");
        assert!(maps[0].words.contains(&said), "{}", maps[0].words);
        assert!(!maps[1].words.contains("\u{2212}93 %"));
        assert_eq!(maps[0].bytes.len(), 9, "72 lanes are nine byte lanes");
        assert!(!maps[0].strobe_lines.is_empty(), "the x4 module has strobes of its own");
    }
}
