//! The canonical text of what a plan measures: keys of stored results hash it, so it never changes.
//!
//! Every field is written by hand under a frozen word. The patterns name all fields of a type: a new one does
//! not compile until it is decided here whether it is measured. The texts have the shape of TOML tables.

use crate::measure::{CapturePlan, StartWord, Training, TrainingPolicy};
use nightbench_core::devices::{
    BusKind, Channel, ChannelSegment, Chip, ControlPoint, Firmware, Interface, Landing, LaneModel,
    MeasuredChannel, ModelValue, Module, Pattern, PortPairing, SecondSlot, Supply, SweepRange,
};
use nightbench_core::generations::{Rail, TerminationRule};
use nightbench_core::point_rule::PointRule;
use nightbench_core::rates::{DataRate, Generation};
use nightbench_core::results::{CaptureMode, Direction};
use nightbench_core::units::Celsius;

/// A number without a canonical text. It is refused: any text for it could be that of another number, too.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(
    "`{field}` is {value}: only finite numbers have a place in a job's key; correct the value in the plan"
)]
pub struct Unwritable {
    /// The frozen word of the field.
    pub field: &'static str,
    pub value: f64,
}

/// Text of a value, or why it has none.
pub(crate) type Text = Result<String, Unwritable>;

/// One table of a text: its own lines, then the tables below it.
struct Table {
    header: String,
    lines: String,
    below: Vec<Table>,
    fault: Option<Unwritable>,
}

impl Table {
    fn new(path: &str) -> Table {
        Table::headed(format!("[{path}]\n"))
    }

    fn headed(header: String) -> Table {
        Table { header, lines: String::new(), below: Vec::new(), fault: None }
    }

    fn line(mut self, word: &'static str, value: &str) -> Table {
        for part in [word, " = ", value, "\n"] {
            self.lines.push_str(part);
        }
        self
    }

    fn text(self, word: &'static str, value: &str) -> Table {
        self.line(word, &quoted(value))
    }

    fn text_if(self, word: &'static str, value: Option<&String>) -> Table {
        match value {
            Some(value) => self.text(word, value),
            None => self,
        }
    }

    fn flag(self, word: &'static str, value: bool) -> Table {
        self.line(word, if value { "true" } else { "false" })
    }

    fn whole(self, word: &'static str, value: impl Into<u128>) -> Table {
        self.line(word, &whole(value.into()))
    }

    fn number(mut self, word: &'static str, value: f64) -> Table {
        match decimal(word, value) {
            Ok(text) => self.line(word, &text),
            Err(fault) => {
                self.fault.get_or_insert(fault);
                self
            }
        }
    }

    fn list(self, word: &'static str, values: impl Iterator<Item = String>) -> Table {
        self.line(word, &format!("[{}]", values.collect::<Vec<_>>().join(", ")))
    }

    fn table(mut self, table: Table) -> Table {
        self.below.push(table);
        self
    }

    /// The model values of a module or channel: no value is an empty list, each value a table.
    fn overrides(self, values: &[ModelValue]) -> Table {
        if values.is_empty() {
            return self.line("overrides", "[]");
        }
        values.iter().map(|value| model_value("value.overrides", value)).fold(self, Table::table)
    }

    fn write(self, out: &mut String) -> Result<(), Unwritable> {
        if let Some(fault) = self.fault {
            return Err(fault);
        }
        if !out.is_empty() {
            out.push('\n');
        }
        out.push_str(&self.header);
        out.push_str(&self.lines);
        self.below.into_iter().try_for_each(|table| table.write(out))
    }

    fn finish(self) -> Text {
        let mut out = String::new();
        self.write(&mut out)?;
        Ok(out)
    }
}

pub(crate) fn chip(chip: &Chip) -> Text {
    // What is known of a chip is not what is measured.
    let Chip { name, corner, fault: _ } = chip;
    Table::new("value").text("name", name).text_if("corner", corner.as_ref()).finish()
}

pub(crate) fn firmware(firmware: &Firmware) -> Text {
    let Firmware { name, image, overrides, landings } = firmware;
    let table = Table::new("value").text("name", name).text_if("image", image.as_ref());
    // Without effect on a model the text is that of earlier plans.
    let table = if overrides.is_empty() { table } else { table.overrides(overrides) };
    let of_lane = |landing: &Landing| {
        Table::new("value.lane")
            .whole("lane", landing.lane)
            .text("taps", &landing.taps.to_string())
            .text("vref_steps", &landing.vref_steps.to_string())
    };
    landings.iter().map(of_lane).fold(table, Table::table).finish()
}

/// Level of a plan that declares no firmware.
pub(crate) const FIRMWARE_AS_LOADED: &str = "as loaded";

pub(crate) fn module(module: &Module) -> Text {
    // Kind and properties show as one frozen word, and so does a stack behind data buffers, which hide it.
    let Module { name, kind: _, stacked: _, half_populated: _, ranks, .. } = module;
    let Module { device_width, dies, rated, populated, serial, overrides, .. } = module;
    // What is known of a module is not what is measured.
    let Module { lane_models, fault: _, .. } = module;
    let of_lane =
        |lane: &LaneModel| Table::new("value.lane").whole("lane", lane.lane).overrides(&lane.overrides);
    let table = Table::new("value")
        .text("name", name)
        .text("kind", bus_word(module.bus_kind()))
        .whole("ranks", *ranks)
        .whole("device_width", *device_width)
        .whole("dies", *dies)
        .text("rated", &rate(*rated))
        .list("populated", populated.iter().map(|lanes| whole(lanes.0)))
        .text_if("serial", serial.as_ref())
        .overrides(overrides);
    lane_models.iter().map(of_lane).fold(table, Table::table).finish()
}

fn bus_word(kind: BusKind) -> &'static str {
    match kind {
        BusKind::Unbuffered => "unbuffered",
        BusKind::SmallOutline => "small-outline",
        BusKind::Registered => "registered",
        BusKind::LoadReduced => "load-reduced",
        BusKind::Stacked => "die-stacked",
        BusKind::HalfPopulated => "half-populated-pair",
        BusKind::Soldered => "soldered",
        BusKind::Compression => "camm2",
    }
}

pub(crate) fn channel(channel: &Channel) -> Text {
    let Channel { name, risers, adapter, second_slot, fits, measured, overrides } = channel;
    let slot = match second_slot {
        SecondSlot::None => "none",
        SecondSlot::Empty => "empty",
        SecondSlot::Populated => "populated",
    };
    let mut table = Table::new("value")
        .text("name", name)
        .whole("risers", *risers)
        .flag("adapter", *adapter)
        .text("second_slot", slot)
        .list("fits", fits.iter().map(|kind| quoted(bus_word(*kind))));
    if let Some(measured) = measured {
        table = table.table(measured_channel(measured));
    }
    table.overrides(overrides).finish()
}

/// The file's content counts, never its name.
fn measured_channel(measured: &MeasuredChannel) -> Table {
    let MeasuredChannel { file: _, span: _, sha256, pairing, line, reversed, replaces, coupling } = measured;
    let pairing = match pairing {
        PortPairing::OneTwo => "1-2/3-4",
        PortPairing::OneThree => "1-3/2-4",
        PortPairing::OneFour => "1-4/2-3",
    };
    let segment = |segment: &ChannelSegment| match segment {
        ChannelSegment::Adapter => "adapter",
        ChannelSegment::Risers => "risers",
        ChannelSegment::Connector => "connector",
        ChannelSegment::SecondSlot => "second-slot",
        ChannelSegment::Board => "board",
        ChannelSegment::Socket => "socket",
    };
    let table = Table::new("value.measured")
        .text("sha256", sha256)
        .text("pairing", pairing)
        .whole("line", *line)
        .flag("reversed", *reversed)
        .list("replaces", replaces.iter().map(|replaced| quoted(segment(replaced))));
    // Earlier plans had no such word.
    if *coupling { table.flag("coupling", true) } else { table }
}

pub(crate) fn supply(supply: &Supply) -> Text {
    let Supply { name, rails } = supply;
    let word = |rail: Rail| match rail {
        Rail::Vdd => "vdd",
        Rail::Vddq => "vddq",
        Rail::Vpp => "vpp",
        Rail::Vdd1 => "vdd1",
        Rail::Vdd2 => "vdd2",
        Rail::Vdd2h => "vdd2h",
        Rail::Vdd2l => "vdd2l",
    };
    let table = Table::new("value").text("name", name);
    rails.iter().fold(table, |table, (rail, volts)| table.number(word(*rail), volts.0)).finish()
}

pub(crate) fn rate(rate: DataRate) -> String {
    whole(rate.nominal().into())
}

pub(crate) fn temperature(temperature: Celsius, at: ControlPoint) -> Text {
    let degrees = decimal("temperature", temperature.0)?;
    let at = match at {
        ControlPoint::DramCase => "DRAM case",
        ControlPoint::Chip => "chip",
        ControlPoint::Air => "air",
    };
    Ok(format!("{}@{at}", degrees.strip_suffix(".0").unwrap_or(&degrees)))
}

pub(crate) fn pattern(pattern: &Pattern) -> String {
    match pattern {
        Pattern::Prbs(order) => format!("PRBS{}", whole((*order).into())),
        Pattern::Fixed(bits) => format!("fixed {bits}"),
        Pattern::VictimAggressor => "victim/aggressor".into(),
        Pattern::VictimOnly => "victim only".into(),
        Pattern::DataBusInversion => "data-bus inversion".into(),
    }
}

pub(crate) fn interface(interface: &Interface) -> Text {
    let Interface { generation, lanes, read, write, command, dfe, dram_dfe, termination, wck_ratio } =
        interface;
    let word = match generation {
        Generation::Ddr3 => "DDR3",
        Generation::Ddr4 => "DDR4",
        Generation::Ddr5 => "DDR5",
        Generation::Lpddr4x => "LPDDR4X",
        Generation::Lpddr5 => "LPDDR5",
    };
    let mut table =
        Table::new("value").text("generation", word).whole("lanes", *lanes).flag("equaliser", *dfe);
    if *dram_dfe {
        table = table.flag("dram_dfe", true);
    }
    // What a generation has without a word is not written: so are the texts of earlier plans.
    if *termination != generation.facts().usual_termination {
        let rule = match termination {
            TerminationRule::Fixed => "fixed",
            TerminationRule::Table => "table",
        };
        table = table.text("termination", rule);
    }
    if let Some(ratio) = wck_ratio {
        table = table.whole("wck_ratio", *ratio);
    }
    let table = table.table(sweep("value.read", read)).table(sweep("value.write", write));
    match command {
        Some(command) => table.table(sweep("value.command", command)).finish(),
        None => table.finish(),
    }
}

fn sweep(path: &str, sweep: &SweepRange) -> Table {
    let SweepRange { taps, taps_per_ui, vref_steps, vref_start_percent, vref_step_percent } = sweep;
    Table::new(path)
        .whole("taps", *taps)
        .whole("taps_per_ui", *taps_per_ui)
        .whole("vref_steps", *vref_steps)
        .number("vref_start_percent", *vref_start_percent)
        .number("vref_step_percent", *vref_step_percent)
}

pub(crate) fn training(training: &Training) -> Text {
    let Training { policy, pass_ber, fewest_taps, fewest_steps, pattern: trained_with } = training;
    let mut table = Table::new("value");
    match policy {
        TrainingPolicy::EveryCondition => table = table.text("policy", "every_condition"),
        TrainingPolicy::Held { temperature, supply } => {
            let held = Table::new("value.policy.held")
                .number("temperature", *temperature)
                .text_if("supply", supply.as_ref());
            table = table.table(held);
        }
    }
    // What trains with the pattern it measures is written as it always was.
    if let Some(other) = trained_with {
        table = table.text("pattern", &pattern(other));
    }
    table
        .number("pass_ber", *pass_ber)
        .whole("fewest_taps", *fewest_taps)
        .whole("fewest_steps", *fewest_steps)
        .finish()
}

pub(crate) fn capture(capture: &CapturePlan) -> Text {
    let CapturePlan { directions, mode, rule, ber_limit, confidence, short_dwell, tap_sweep } = capture;
    let direction = |direction: &Direction| match direction {
        Direction::Read => "read",
        Direction::Write => "write",
        Direction::Command => "command",
    };
    let mode = match mode {
        CaptureMode::Exact => "exact",
        CaptureMode::Fast => "fast",
        CaptureMode::Raster => "raster",
        CaptureMode::RowAndColumn => "row_and_column",
    };
    let mut table = Table::new("value")
        .list("directions", directions.iter().map(|captured| quoted(direction(captured))))
        .text("mode", mode)
        .number("ber_limit", *ber_limit)
        .number("confidence", *confidence);
    if let Some(short) = short_dwell {
        table = table.flag("short_dwell", *short);
    }
    // What is not asked for is not written: so are the texts of earlier plans.
    if *tap_sweep {
        table = table.flag("tap_sweep", true);
    }
    table.table(point_rule(rule)).finish()
}

fn point_rule(rule: &PointRule) -> Table {
    let table = Table::new("value.rule");
    match rule {
        PointRule::Sequential { limit, ratio, alpha, beta, cap } => table
            .text("kind", "sequential")
            .number("limit", *limit)
            .number("ratio", *ratio)
            .number("alpha", *alpha)
            .number("beta", *beta)
            .number("cap", *cap),
        PointRule::Fixed { bits, errors } => {
            table.text("kind", "fixed").whole("bits", *bits).whole("errors", *errors)
        }
    }
}

pub(crate) fn start(start: StartWord) -> String {
    match start {
        StartWord::PowerCycle => "PowerCycle",
        StartWord::Reset => "Reset",
        StartWord::Retrain => "Retrain",
    }
    .into()
}

pub(crate) fn model(values: &[ModelValue]) -> Text {
    if values.is_empty() {
        return Ok("value = []\n".into());
    }
    let mut out = String::new();
    values.iter().try_for_each(|value| model_value("value", value).write(&mut out))?;
    Ok(out)
}

fn model_value(path: &str, value: &ModelValue) -> Table {
    let ModelValue { name, value, span: _ } = value;
    Table::headed(format!("[[{path}]]\n")).text("name", name).number("value", *value)
}

fn whole(value: u128) -> String {
    let mut digits = Vec::new();
    let mut rest = value;
    loop {
        digits.push(char::from(b'0' + (rest % 10) as u8));
        rest /= 10;
        if rest == 0 {
            return digits.into_iter().rev().collect();
        }
    }
}

/// The shortest digits that read back as the same number, with a decimal point and without an exponent. The
/// number settles the digits; their layout is settled here.
fn decimal(field: &'static str, value: f64) -> Text {
    if !value.is_finite() {
        return Err(Unwritable { field, value });
    }
    let scientific = format!("{:e}", value.abs());
    let (digits, exponent) = scientific.split_once('e').unwrap_or((&scientific, "0"));
    let digits: String = digits.chars().filter(char::is_ascii_digit).collect();
    let point = exponent.parse::<i32>().unwrap_or(0) + 1;
    let sign = if value.is_sign_negative() { "-" } else { "" };
    let (before, after) = match usize::try_from(point) {
        Ok(point) if point > 0 => {
            let (before, after) = digits.split_at(point.min(digits.len()));
            (format!("{before}{}", "0".repeat(point - before.len())), after.to_string())
        }
        _ => ("0".into(), format!("{}{digits}", "0".repeat(point.unsigned_abs() as usize))),
    };
    Ok(format!("{sign}{before}.{}", if after.is_empty() { "0" } else { &after }))
}

/// A text in quotes, which depend on its content. Only the escaped forms can hold control characters.
fn quoted(text: &str) -> String {
    let longest = |quote: char| {
        let runs = text.split(|letter| letter != quote).map(str::len);
        runs.max().unwrap_or(0)
    };
    let (single, double) = (longest('\''), longest('"'));
    let control = text.chars().any(|letter| letter.is_ascii_control() && letter != '\t' && letter != '\n');
    let (backslash, lines) = (text.contains('\\'), text.contains('\n'));
    let raw = |quotes: &str| {
        let begin = if lines { "\n" } else { "" };
        format!("{quotes}{begin}{text}{quotes}")
    };
    if !control && !backslash && double == 0 && !lines {
        format!("\"{}\"", escaped(text, false))
    } else if !control && single == 0 && !lines {
        raw("'")
    } else if !control && !backslash && double <= 2 {
        format!("\"\"\"{}{}\"\"\"", if lines { "\n" } else { "" }, escaped(text, true))
    } else if !control && single <= 2 {
        raw("'''")
    } else if lines {
        format!("\"\"\"\n{}\"\"\"", escaped(text, true))
    } else {
        format!("\"{}\"", escaped(text, false))
    }
}

/// Escapes for a text in double quotes; one of several lines keeps line breaks and up to two quotes in a row.
fn escaped(text: &str, several_lines: bool) -> String {
    let mut out = String::new();
    let mut quotes = 0;
    for letter in text.chars() {
        quotes = if letter == '"' { quotes + 1 } else { 0 };
        match letter {
            '"' if several_lines && quotes <= 2 => out.push('"'),
            '"' => {
                out.push_str("\\\"");
                quotes = 0;
            }
            '\n' if several_lines => out.push('\n'),
            '\u{8}' => out.push_str("\\b"),
            '\t' => out.push_str("\\t"),
            '\n' => out.push_str("\\n"),
            '\u{c}' => out.push_str("\\f"),
            '\r' => out.push_str("\\r"),
            '\\' => out.push_str("\\\\"),
            control if control.is_ascii_control() => {
                let code = u32::from(control);
                out.push_str("\\u00");
                for digit in [code >> 4, code & 15] {
                    out.push(char::from_digit(digit, 16).unwrap_or('0').to_ascii_uppercase());
                }
            }
            other => out.push(other),
        }
    }
    out
}

#[cfg(test)]
#[path = "canonical_tests.rs"]
mod tests;
