//! What the table of a generation says, kind by kind.

use crate::devices::ModuleKind;
use crate::results::{Direction, MOST_LANES};

/// All facts of one generation.
#[derive(Debug)]
pub struct Facts {
    /// The name a plan uses.
    pub name: &'static str,
    /// The standard it is defined in.
    pub standard: &'static str,
    /// Names that may stand before a rate, as in `DDR4-3200`.
    pub rate_names: &'static [&'static str],
    /// Standard data rates in thirds of 1 MT/s, slowest first.
    pub rate_thirds: &'static [u32],
    /// Rate that an invented module of a first plan is sold for, MT/s.
    pub usual_rate: u32,
    /// Supplies with nominal voltage and DC ranges. VDDQ is among them.
    pub rails: &'static [RailFacts],
    pub signalling: Signalling,
    /// Sweep of the capture flops where a plan says nothing (an estimate: the chip is under test).
    pub read_sweep: VrefSweep,
    /// Codes of the DRAM's own data reference; `None`: it is a pin, moved by the board.
    pub write_vref: Option<VrefRange>,
    /// Lanes of a DRAM that share one data reference; `None`: each lane has its own.
    pub shared_write_vref: Option<SharedVref>,
    /// Terminations by direction, modules fitted and ranks.
    pub terminations: &'static [Termination],
    /// Which terminations hold where a plan says nothing.
    pub usual_termination: TerminationRule,
    /// Bits of one burst on one lane: the smallest amount a device can compare.
    pub burst_length: u32,
    pub strobe: Strobe,
    pub channels: Channels,
    /// Training steps in the order of a start, by name.
    pub training: &'static [(TrainingStep, &'static str)],
    /// The trained command bus; `None`: it is not trained.
    pub command: Option<CommandBus>,
    pub temperature: Temperature,
    /// Receiver mask for writes, where one is published.
    pub mask: Option<&'static WriteMask>,
    /// Kinds of module (or device) a plan may name.
    pub kinds: &'static [ModuleKind],
    /// What its modules' SPD images are; `None`: none is read.
    pub spd: Option<Spd>,
    /// Its receivers may have a DFE (decision-feedback equalizer).
    pub dfe: bool,
    /// Errors that the DRAM corrects inside, in words; `None`: it corrects none.
    pub on_die_ecc: Option<&'static str>,
    /// Figures of the simulated channel that differ from the base table of the model.
    pub model: &'static [ModelFigure],
    /// Estimated effects of a real bench, which a plan turns on by name.
    pub effects: &'static [ModelFigure],
}

impl Facts {
    pub fn rail(&self, rail: Rail) -> Option<&RailFacts> {
        self.rails.iter().find(|known| known.rail == rail)
    }

    /// Name of a training step; `None` where the generation has no such step.
    pub fn step(&self, step: TrainingStep) -> Option<&'static str> {
        self.training.iter().find(|(known, _)| *known == step).map(|(_, name)| *name)
    }

    /// Terminations of a read or write with this many modules on the channel and ranks on the addressed one; more than two
    /// count as two.
    pub fn termination(&self, direction: Direction, modules: u8, ranks: u8) -> Option<&Termination> {
        let (modules, ranks) = (modules.clamp(1, 2), ranks.clamp(1, 2));
        self.terminations
            .iter()
            .find(|row| row.direction == direction && row.modules == modules && row.ranks == ranks)
    }
}

/// A supply of the memory.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Rail {
    Vdd,
    Vddq,
    Vpp,
    Vdd1,
    Vdd2,
    /// High core supply.
    Vdd2h,
    /// Low core supply: the core's where the device is slow.
    Vdd2l,
}

impl Rail {
    /// Every rail with its name and its key in a plan.
    pub const ALL: [(&'static str, &'static str, Rail); 7] = [
        ("VDD", "vdd_v", Rail::Vdd),
        ("VDDQ", "vddq_v", Rail::Vddq),
        ("VPP", "vpp_v", Rail::Vpp),
        ("VDD1", "vdd1_v", Rail::Vdd1),
        ("VDD2", "vdd2_v", Rail::Vdd2),
        ("VDD2H", "vdd2h_v", Rail::Vdd2h),
        ("VDD2L", "vdd2l_v", Rail::Vdd2l),
    ];

    /// Name, as bench files and agents have it.
    pub fn name(self) -> &'static str {
        Self::ALL[self as usize].0
    }

    /// Key in a plan.
    pub fn key(self) -> &'static str {
        Self::ALL[self as usize].1
    }
}

/// A rail of a generation.
#[derive(Debug)]
pub struct RailFacts {
    pub rail: Rail,
    pub nominal_v: f64,
    /// Absolute maximum rating, V: beyond it parts are damaged.
    pub absolute_maximum_v: f64,
    /// DC ranges, V; more than one where the standard lets the rail be switched between levels.
    pub ranges_v: &'static [(f64, f64)],
    /// Follows VDDQ where a plan sets that one alone.
    pub follows_vddq: bool,
}

/// How a data line is driven and terminated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Signalling {
    /// Pseudo open drain: terminated to VDDQ.
    Pod,
    /// Stub series terminated logic: terminated to the middle of VDDQ.
    Sstl,
    /// Low-voltage-swing terminated logic: terminated to ground.
    Lvstl,
}

impl Signalling {
    /// Lowest level as a share of VDDQ, where `h0` of the source's voltage arrives at 0 Hz.
    pub fn low(self, h0: f64) -> f64 {
        match self {
            Signalling::Pod => 1.0 - h0,
            Signalling::Sstl => 0.5 - 0.5 * h0,
            Signalling::Lvstl => 0.0,
        }
    }

    /// Middle between the levels as a share of VDDQ.
    pub fn middle(self, h0: f64) -> f64 {
        match self {
            Signalling::Pod => 1.0 - 0.5 * h0,
            Signalling::Sstl => 0.5,
            Signalling::Lvstl => 0.5 * h0,
        }
    }
}

/// Where a sweep of the reference starts, and its step, % VDDQ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VrefSweep {
    pub start_percent: f64,
    pub step_percent: f64,
}

/// A range of Vref codes: code c is `start_percent + c x step_percent` of VDDQ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VrefRange {
    /// Code 0, % VDDQ.
    pub start_percent: f64,
    /// One code, % VDDQ (negative: higher codes are lower voltages).
    pub step_percent: f64,
    /// Highest code.
    pub last_code: u8,
}

impl VrefRange {
    /// Voltage of a code in % VDDQ; `None` for reserved codes.
    pub fn percent(&self, code: u8) -> Option<f64> {
        (code <= self.last_code).then(|| self.start_percent + f64::from(code) * self.step_percent)
    }

    /// The lowest voltage of the range, % VDDQ.
    pub fn lowest_percent(&self) -> f64 {
        self.start_percent.min(self.start_percent + f64::from(self.last_code) * self.step_percent)
    }
}

/// Lanes that share a DRAM's data reference.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SharedVref {
    /// All lanes of a module: the reference is a pin.
    Module,
    /// All lanes of a device.
    Device,
    /// The lanes of a byte.
    Byte,
}

impl SharedVref {
    /// How many lanes, with devices of this width.
    pub fn lanes(self, device_width: u8) -> u16 {
        match self {
            SharedVref::Module => MOST_LANES,
            SharedVref::Device => u16::from(device_width),
            SharedVref::Byte => 8,
        }
    }
}

/// A termination, by the register that sets it; ohm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Rtt {
    Off,
    /// RTT_NOM: while the ODT pin asks for it.
    Nom(f64),
    /// RTT_WR: on the addressed rank during a write.
    Wr(f64),
    /// RTT_PARK: on whatever is not addressed.
    Park(f64),
    /// The controller's own termination.
    Controller(f64),
}

impl Rtt {
    /// Resistance; `None` when it is off.
    pub fn ohm(self) -> Option<f64> {
        match self {
            Rtt::Off => None,
            Rtt::Nom(ohm) | Rtt::Wr(ohm) | Rtt::Park(ohm) | Rtt::Controller(ohm) => Some(ohm),
        }
    }
}

/// What terminates a data line in one direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Termination {
    pub direction: Direction,
    /// Modules on the channel: 1 or 2.
    pub modules: u8,
    /// Package ranks of the addressed module: 1, or 2 for two and more.
    pub ranks: u8,
    /// Receiving end: the controller in a read, the addressed rank in a write.
    pub receiver: Rtt,
    /// Other ranks of the addressed module.
    pub other_ranks: Rtt,
    /// The other module.
    pub other_module: Rtt,
}

impl Termination {
    /// A row: the receiving end, other ranks of the addressed module, the other module.
    pub const fn of(
        direction: Direction,
        modules: u8,
        ranks: u8,
        receiver: Rtt,
        other_ranks: Rtt,
        other_module: Rtt,
    ) -> Termination {
        Termination { direction, modules, ranks, receiver, other_ranks, other_module }
    }
}

/// Which terminations hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum TerminationRule {
    /// One value for each end and for whatever is parked, whoever is addressed.
    Fixed,
    /// By the generation's table: direction, modules fitted, ranks.
    Table,
}

impl TerminationRule {
    /// Every rule with the plan's word.
    pub const ALL: [(&'static str, TerminationRule); 2] =
        [("fixed", TerminationRule::Fixed), ("table", TerminationRule::Table)];

    pub fn name(self) -> &'static str {
        Self::ALL[self as usize].0
    }
}

/// What clocks the data.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Strobe {
    /// A strobe of the command clock's frequency.
    Dqs,
    /// A data clock faster than the command clock, by one of these ratios (the usual one first), each with the fastest rate it
    /// is for, MT/s.
    Wck(&'static [(u8, u32)]),
}

impl Strobe {
    /// Data-clock periods in one period of the command clock with the fastest rate they are for, the usual one first; empty
    /// where both are one clock.
    pub fn ratios(self) -> &'static [(u8, u32)] {
        match self {
            Strobe::Dqs => &[],
            Strobe::Wck(ratios) => ratios,
        }
    }
}

/// How the data lanes form channels of their own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Channels {
    One,
    /// Two halves, where there are more lanes than this.
    TwoAbove(u16),
    /// Channels of so many lanes.
    Of(u16),
}

impl Channels {
    /// Lanes of one channel where the interface has `lanes`; as many as that where it is one channel.
    pub fn width(self, lanes: u16) -> u16 {
        match self {
            Channels::TwoAbove(most) if lanes > most => lanes / 2,
            Channels::Of(width) => width.min(lanes),
            _ => lanes,
        }
    }
}

/// A step of training.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum TrainingStep {
    ZqCalibration,
    CommandSelect,
    CommandAddress,
    /// The DRAM's command reference; where the command lines are captured.
    CommandVref,
    /// The strobe (or data clock) meets the command clock at the DRAM.
    WriteLevelling,
    /// Where the receiver opens for the read strobe.
    Gate,
    Dfe,
    ReadCentring,
    ReadVref,
    WriteCentring,
    WriteVref,
}

/// The command bus of one channel, as it is trained.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CommandBus {
    /// Command/address lines.
    pub lines: u16,
    /// Bits a line carries in one period of the command clock.
    pub bits_a_clock: u8,
    /// Codes of the DRAM's command reference.
    pub vref: VrefRange,
}

/// Case temperatures and refresh.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Temperature {
    /// Normal range, °C.
    pub normal_degc: (f64, f64),
    /// Highest with doubled refresh, °C.
    pub extended_degc: f64,
    /// Average refresh interval in the normal range, us; half of it above.
    pub refresh_us: f64,
}

/// A receiver mask for writes.
#[derive(Debug)]
pub struct WriteMask {
    /// Name of the preset in a plan.
    pub preset: &'static str,
    /// Bit error ratio that it is defined for.
    pub ber: f64,
    /// Rate (MT/s), width (UI), height (mV peak to peak) and the source of both.
    pub rows: &'static [(u32, f64, f64, &'static str)],
}

/// Kinds of SPD image.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Spd {
    /// Memory type in byte 2.
    pub memory_type: u8,
    /// Size of the image, bytes.
    pub bytes: usize,
}

/// A figure of the simulated channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ModelFigure {
    /// Key of the model's table.
    pub name: &'static str,
    /// In the unit the key ends in.
    pub value: f64,
    pub known: Known,
}

impl ModelFigure {
    pub(super) const fn published(name: &'static str, value: f64) -> ModelFigure {
        ModelFigure { name, value, known: Known::Published }
    }

    pub(super) const fn estimate(name: &'static str, value: f64) -> ModelFigure {
        ModelFigure { name, value, known: Known::Estimate }
    }

    pub(super) const fn memory(name: &'static str, value: f64) -> ModelFigure {
        ModelFigure { name, value, known: Known::Memory }
    }
}

/// What a figure rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Known {
    /// A published data sheet or standard's table that was read.
    Published,
    Memory,
    Estimate,
}
