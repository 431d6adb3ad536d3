//! What can be mounted and set: interface, chips, modules, channels, supplies, patterns.

use crate::generations::{Rail, TerminationRule};
use crate::rates::{DataRate, Generation};
use crate::results::{Direction, LaneSet};
use crate::text::Named;
use crate::units::{Picoseconds, Volts};
use std::ops::Range;

/// One side's delay line and Vref range.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepRange {
    /// Number of delay taps.
    pub taps: u16,
    /// Delay taps in one bit time.
    pub taps_per_ui: u16,
    /// Number of Vref steps.
    pub vref_steps: u16,
    /// Vref at step 0, percent of VDDQ.
    pub vref_start_percent: f64,
    /// One Vref step, percent of VDDQ.
    pub vref_step_percent: f64,
}

/// The interface under test.
#[derive(Debug, Clone, PartialEq)]
pub struct Interface {
    pub generation: Generation,
    /// Data lanes (DQ) the chip has.
    pub lanes: u16,
    /// Sweep seen by the chip's capture flops.
    pub read: SweepRange,
    /// Sweep of the write side (chip's write delay, DRAM's Vref).
    pub write: SweepRange,
    /// Sweep of the command lines (chip's command delay, DRAM's command reference); `None` where they are not captured.
    pub command: Option<SweepRange>,
    /// 4-tap DFE (decision-feedback equalizer) in the chip's receiver: in reads.
    pub dfe: bool,
    /// The DRAM's own 4-tap DFE: in writes.
    pub dram_dfe: bool,
    /// Which terminations hold.
    pub termination: TerminationRule,
    /// Data-clock (WCK) periods in a period of the command clock; `None` where both are one clock.
    pub wck_ratio: Option<u8>,
}

impl Interface {
    /// The sweep of a direction; of the command lines that of writes where none is stated.
    pub fn sweep(&self, direction: Direction) -> &SweepRange {
        match direction {
            Direction::Read => &self.read,
            Direction::Write => &self.write,
            Direction::Command => self.command.as_ref().unwrap_or(&self.write),
        }
    }

    /// Bit time of a direction's lanes at a data rate.
    pub fn bit_time(&self, rate: DataRate, direction: Direction) -> Picoseconds {
        match (direction, &self.generation.facts().command) {
            (Direction::Command, Some(bus)) => {
                let clock = rate.clock_period().0 * f64::from(self.wck_ratio.unwrap_or(1));
                Picoseconds(clock / f64::from(bus.bits_a_clock))
            }
            _ => rate.ui(),
        }
    }
}

/// A test chip. Its name seeds its variation in the simulated target.
#[derive(Debug, Clone, PartialEq)]
pub struct Chip {
    /// Name in the plan.
    pub name: String,
    /// Process-corner label: a fixed level, never a random sample.
    pub corner: Option<String>,
    /// What is known to be wrong with it, or was planted.
    pub fault: Option<String>,
}

/// A firmware image that the agent loads.
#[derive(Debug, Clone, PartialEq)]
pub struct Firmware {
    /// Name in the plan.
    pub name: String,
    /// Image file or identifier handed to the agent.
    pub image: Option<String>,
    /// What the simulated target does otherwise under it; a bench knows nothing of this.
    pub overrides: Vec<ModelValue>,
    /// Lanes that its training of the simulated target sets beside the place it found.
    pub landings: Vec<Landing>,
}

/// Where a training sets one lane, from the place it found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Landing {
    /// Lane number (DQ).
    pub lane: u16,
    /// Delay taps, later where positive.
    pub taps: i16,
    /// Vref steps, upwards where positive.
    pub vref_steps: i16,
}

/// Model values of one lane of a module.
#[derive(Debug, Clone, PartialEq)]
pub struct LaneModel {
    /// Lane number (DQ).
    pub lane: u16,
    pub overrides: Vec<ModelValue>,
}

/// Module kind by its JEDEC name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ModuleKind {
    /// Unbuffered.
    Udimm,
    /// Small outline, unbuffered.
    Sodimm,
    /// Registered: only command and address are re-driven.
    Rdimm,
    /// Load-reduced: buffers regenerate the data, too.
    Lrdimm,
    /// No module: the device is soldered onto the board, beside the chip.
    Soldered,
    /// A small module on a compression connector.
    Camm2,
}

impl ModuleKind {
    /// Every kind with its name.
    pub const ALL: [(&'static str, ModuleKind); 6] = [
        ("UDIMM", ModuleKind::Udimm),
        ("SODIMM", ModuleKind::Sodimm),
        ("RDIMM", ModuleKind::Rdimm),
        ("LRDIMM", ModuleKind::Lrdimm),
        ("soldered", ModuleKind::Soldered),
        ("CAMM2", ModuleKind::Camm2),
    ];

    /// The JEDEC name.
    pub fn name(self) -> &'static str {
        Self::ALL[self as usize].0
    }
}

/// A module as the data bus sees it: its kind, or the property that sets it apart from others of its kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum BusKind {
    Unbuffered,
    SmallOutline,
    /// RDIMM: on the data lines as a UDIMM.
    Registered,
    /// LRDIMM: a buffer hides ranks and stacks behind it.
    LoadReduced,
    /// 3DS packages: one load a stack.
    Stacked,
    /// Two half-populated modules that share an address bus.
    HalfPopulated,
    /// A device on the board: no connector.
    Soldered,
    /// CAMM2: one compression connector.
    Compression,
}

impl BusKind {
    /// Every bus kind with the word that a plan uses in `fits` and in the `kind` of a skip.
    pub const ALL: [(&'static str, BusKind); 8] = [
        ("UDIMM", BusKind::Unbuffered),
        ("SODIMM", BusKind::SmallOutline),
        ("RDIMM", BusKind::Registered),
        ("LRDIMM", BusKind::LoadReduced),
        ("3DS", BusKind::Stacked),
        ("half-populated", BusKind::HalfPopulated),
        ("soldered", BusKind::Soldered),
        ("CAMM2", BusKind::Compression),
    ];

    pub fn name(self) -> &'static str {
        Self::ALL[self as usize].0
    }

    /// Stands alone at the end of its lines: no riser, adapter card or second slot, and the chip is soldered, too.
    pub fn is_point_to_point(self) -> bool {
        matches!(self, BusKind::Soldered | BusKind::Compression)
    }
}

/// A memory module (or a half-populated pair of them).
#[derive(Debug, Clone, PartialEq)]
pub struct Module {
    /// Name in the plan; it seeds the unit-to-unit variation in the simulated target.
    pub name: String,
    pub kind: ModuleKind,
    /// 3DS packages: several dies behind one load.
    pub stacked: bool,
    /// Two half-populated modules that share an address bus.
    pub half_populated: bool,
    /// Package ranks.
    pub ranks: u8,
    /// DQ per DRAM package: 4, 8 or 16.
    pub device_width: u8,
    /// Dies per package.
    pub dies: u8,
    pub rated: DataRate,
    /// Lanes with a DRAM behind them; for a half-populated pair, those of each module.
    pub populated: Vec<LaneSet>,
    /// Serial number expected at identification, where known.
    pub serial: Option<String>,
    /// Model values of this module that differ from the defaults.
    pub overrides: Vec<ModelValue>,
    /// Lanes with model values of their own.
    pub lane_models: Vec<LaneModel>,
    /// What is known to be wrong with it, or was planted.
    pub fault: Option<String>,
}

impl Module {
    /// How the data bus sees it: a data buffer hides a stack, and a stack outweighs the other kinds.
    pub fn bus_kind(&self) -> BusKind {
        match self.kind {
            _ if self.half_populated => BusKind::HalfPopulated,
            ModuleKind::Lrdimm => BusKind::LoadReduced,
            ModuleKind::Soldered => BusKind::Soldered,
            ModuleKind::Camm2 => BusKind::Compression,
            _ if self.stacked => BusKind::Stacked,
            ModuleKind::Udimm => BusKind::Unbuffered,
            ModuleKind::Sodimm => BusKind::SmallOutline,
            ModuleKind::Rdimm => BusKind::Registered,
        }
    }
    /// Kind and properties in words, for example `RDIMM, 3DS`.
    pub fn kind_words(&self) -> String {
        let stack = if self.stacked { ", 3DS" } else { "" };
        let pair = if self.half_populated { ", half-populated pair" } else { "" };
        format!("{}{stack}{pair}", self.kind.name())
    }
    /// All lanes with a DRAM behind them.
    pub fn lanes(&self) -> LaneSet {
        LaneSet(self.populated.iter().fold(0, |all, set| all | set.0))
    }
    /// In a half-populated pair, which module (0 or 1) carries the lane; else 0.
    pub fn half_of(&self, lane: u16) -> usize {
        self.populated.iter().position(|set| set.contains(lane)).unwrap_or(0)
    }
}

/// What stands in the board's second slot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SecondSlot {
    /// The board has no second slot on this channel.
    None,
    /// An empty slot: an open stub.
    Empty,
    /// A second module, terminated.
    Populated,
}

/// A segment of the channel, in order from the module to the chip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ChannelSegment {
    /// Adapter card with its connector.
    Adapter,
    /// All risers with their connectors.
    Risers,
    /// Connector into the board.
    Connector,
    SecondSlot,
    /// Board line.
    Board,
    Socket,
}

impl ChannelSegment {
    /// Every segment with the plan's word, module first.
    pub const ALL: [(&'static str, ChannelSegment); 6] = [
        ("adapter", ChannelSegment::Adapter),
        ("risers", ChannelSegment::Risers),
        ("connector", ChannelSegment::Connector),
        ("second slot", ChannelSegment::SecondSlot),
        ("board", ChannelSegment::Board),
        ("socket", ChannelSegment::Socket),
    ];
}

/// Which ports of a four-port measurement are the two ends of a line; the file format does not say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum PortPairing {
    /// Line 1 from port 1 to 2, line 2 from port 3 to 4.
    #[default]
    OneTwo,
    /// Line 1 from port 1 to 3, line 2 from port 2 to 4.
    OneThree,
    /// Line 1 from port 1 to 4, line 2 from port 2 to 3.
    OneFour,
}

impl PortPairing {
    /// Every pairing with the plan's word.
    pub const ALL: [(&'static str, PortPairing); 3] = [
        ("1-2/3-4", PortPairing::OneTwo),
        ("1-3/2-4", PortPairing::OneThree),
        ("1-4/2-3", PortPairing::OneFour),
    ];

    pub fn name(self) -> &'static str {
        Self::ALL[self as usize].0
    }

    /// Reads the plan's word.
    pub fn parse(word: &str) -> Option<PortPairing> {
        Self::ALL.iter().find(|(name, _)| *name == word.trim()).map(|(_, pairing)| *pairing)
    }
}

/// A measured channel: a Touchstone file in place of neighbouring segments. Results depend on the file's
/// content, never on its name.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasuredChannel {
    /// The file, as the plan names it.
    pub file: String,
    /// Where the plan names it.
    pub span: Range<usize>,
    /// Digest of the file's bytes.
    pub sha256: String,
    /// Which ports belong together in a four-port.
    pub pairing: PortPairing,
    /// The line used, from 1.
    pub line: u8,
    /// Port 1 is on the chip's side instead of the module's.
    pub reversed: bool,
    /// The segments it replaces: neighbours, module first.
    pub replaces: Vec<ChannelSegment>,
    /// What the other line of a four-port couples stands in for the modelled coupling of these segments.
    pub coupling: bool,
}

/// A channel: what stands between chip and module.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// Name in the plan.
    pub name: String,
    /// Riser cards in series, 0 to 3.
    pub risers: u8,
    /// Adapter card (small-outline module into a full-size socket).
    pub adapter: bool,
    pub second_slot: SecondSlot,
    /// Modules that can be mounted.
    pub fits: Vec<BusKind>,
    /// Measured data in place of modelled segments.
    pub measured: Option<MeasuredChannel>,
    /// Model values of this channel that differ from the defaults.
    pub overrides: Vec<ModelValue>,
}

/// A named set of rail voltages.
#[derive(Debug, Clone, PartialEq)]
pub struct Supply {
    /// Name in the plan.
    pub name: String,
    /// Every rail of the generation, in the order of its table.
    pub rails: Vec<(Rail, Volts)>,
}

impl Supply {
    /// The voltage of a rail; `None` where the generation has no such rail.
    pub fn rail(&self, rail: Rail) -> Option<Volts> {
        self.rails.iter().find(|(known, _)| *known == rail).map(|(_, volts)| *volts)
    }

    /// VDDQ, the rail that the eye refers to.
    pub fn vddq(&self) -> Volts {
        self.rail(Rail::Vddq).unwrap_or(Volts(f64::NAN))
    }

    /// Every rail by name.
    pub fn named(&self) -> impl Iterator<Item = (&'static str, Volts)> + '_ {
        self.rails.iter().map(|(rail, volts)| (rail.name(), *volts))
    }

    /// Sets a rail that the supply has.
    pub fn set(&mut self, rail: Rail, volts: Volts) {
        for (known, value) in &mut self.rails {
            if *known == rail {
                *value = volts;
            }
        }
    }
}

/// Where a temperature level is held and measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ControlPoint {
    /// DRAM case, top centre.
    DramCase,
    Chip,
    /// Air at the device.
    Air,
}

impl ControlPoint {
    /// Every control point with the plan's word.
    pub const ALL: [(&'static str, ControlPoint); 3] =
        [("DRAM case", ControlPoint::DramCase), ("chip", ControlPoint::Chip), ("air", ControlPoint::Air)];

    pub fn name(self) -> &'static str {
        Self::ALL[self as usize].0
    }
}

/// Data pattern compared while an eye is captured.
#[derive(Debug, Clone, PartialEq)]
pub enum Pattern {
    /// Pseudo-random bits of a shift register of this order.
    Prbs(u8),
    /// A repeated bit sequence.
    Fixed(String),
    /// Pseudo-random victim, the byte's other lanes switching together.
    VictimAggressor,
    /// Pseudo-random victim, the byte's other lanes quiet.
    VictimOnly,
    /// Pseudo-random data with data-bus inversion.
    DataBusInversion,
}

impl Pattern {
    /// The plan's word.
    pub fn name(&self) -> String {
        match self {
            Pattern::Prbs(order) => format!("PRBS{order}"),
            Pattern::Fixed(bits) => format!("fixed {bits}"),
            Pattern::VictimAggressor => "victim/aggressor".into(),
            Pattern::VictimOnly => "victim only".into(),
            Pattern::DataBusInversion => "data-bus inversion".into(),
        }
    }

    /// Reads the plan's word; `None` for one that is no pattern.
    pub fn parse(word: &str) -> Option<Pattern> {
        let lower = word.trim().to_lowercase();
        if let Some(order) = lower.strip_prefix("prbs").and_then(|rest| rest.parse::<u8>().ok())
            && [7, 9, 11, 15, 20, 23, 31].contains(&order)
        {
            return Some(Pattern::Prbs(order));
        }
        if let Some(bits) = lower.strip_prefix("fixed ") {
            let bits: String = bits.chars().filter(|c| !c.is_whitespace()).collect();
            if (1..=64).contains(&bits.len()) && bits.chars().all(|c| c == '0' || c == '1') {
                return Some(Pattern::Fixed(bits));
            }
        }
        match lower.as_str() {
            "victim/aggressor" => Some(Pattern::VictimAggressor),
            "victim only" => Some(Pattern::VictimOnly),
            "data-bus inversion" => Some(Pattern::DataBusInversion),
            _ => None,
        }
    }

    /// Is it a level that never changes?
    pub fn is_level(&self) -> bool {
        matches!(self, Pattern::Fixed(bits) if bits.bytes().all(|bit| bits.bytes().next() == Some(bit)))
    }

    /// Passes that a byte's lanes need to be compared: with quiet neighbours only one of eight is looked at.
    pub fn passes(&self) -> u32 {
        if matches!(self, Pattern::VictimOnly) { 8 } else { 1 }
    }
}

/// A value of the simulated target's model that a plan sets instead of the default.
#[derive(Debug, Clone, PartialEq)]
pub struct ModelValue {
    /// Name in the table of the model.
    pub name: String,
    /// Value in the table's unit.
    pub value: f64,
    /// Where in the plan.
    pub span: Range<usize>,
}

macro_rules! named {
    ($($type:ty),*) => { $(impl Named for $type { fn name(&self) -> &str { &self.name } })* };
}
named!(Chip, Firmware, Module, Channel, Supply);
