//! Reads SPD images (serial presence detect): what a memory module says about itself.
//!
//! DDR3 by JESD21-C Annex K (256 bytes), DDR4 by its Annex L (512 bytes), DDR5 by JESD400-5 (1024 bytes). An image is taken only when it is
//! whole, its checksums hold and its fields agree with each other; else [`SpdError`] names the byte. Pure:
//! the bytes come from the caller.
//!
//! The byte layouts follow public descriptions of the standards; fields known from memory only are marked
//! where they are read.

mod bytes;
mod ddr3;
mod ddr4;
mod ddr5;
mod entry;
mod error;

#[cfg(test)]
mod tests;

pub use error::SpdError;

use bytes::Image;
use nightbench_core::devices::ModuleKind;
use nightbench_core::rates::{DataRate, Generation};

/// Size of the largest image that is read, bytes.
pub const MOST_BYTES: usize = 1024;

/// How the dies of one DRAM package load the data bus.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Package {
    /// One die.
    Monolithic,
    /// Several dies, each a load that counts as a package rank already.
    MultiLoad { dies: u8 },
    /// Several dies behind one load (3DS): each package rank holds as many logical ranks.
    SingleLoad { dies: u8 },
}

impl Package {
    pub fn is_stack(self) -> bool {
        matches!(self, Package::SingleLoad { .. })
    }
    pub fn dies(self) -> u8 {
        match self {
            Package::Monolithic => 1,
            Package::MultiLoad { dies } | Package::SingleLoad { dies } => dies,
        }
    }
}

/// How a die is addressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Addressing {
    /// Bits of a row address.
    pub row_bits: u8,
    /// Bits of a column address.
    pub column_bits: u8,
    pub bank_groups: u8,
    /// Banks of a bank group.
    pub banks: u8,
}

/// What an SPD image says about its module.
#[derive(Debug, Clone, PartialEq)]
pub struct SpdImage {
    pub generation: Generation,
    /// Revision of the byte layout: major, minor.
    pub revision: (u8, u8),
    /// Module type by the standard's name, such as `RDIMM`.
    pub module_type: &'static str,
    /// Module kind, as far as the data lines see a difference.
    pub kind: ModuleKind,
    /// Package ranks on a channel (DDR5: on each sub-channel).
    pub package_ranks: u8,
    /// DQ per DRAM package: 4, 8 or 16.
    pub device_width: u8,
    /// Dies per package, and how they load the bus.
    pub package: Package,
    /// Density of one die, Gbit (0.25 to 64).
    pub die_gigabits: f64,
    pub addressing: Addressing,
    /// Data channels of the module: 1, on DDR5 1 or 2 sub-channels.
    pub channels: u8,
    /// Data lanes of one channel without the ECC lanes.
    pub data_lanes: u8,
    /// ECC lanes of one channel: 0, 4 or 8.
    pub ecc_lanes: u8,
    /// Capacity in bytes; ECC is not counted.
    pub capacity_bytes: u64,
    /// Shortest clock period as stored, ps.
    pub clock_period_ps: f64,
    /// Rated data rate: the standard rate nearest to the stored clock period.
    pub rated: DataRate,
    /// A temperature sensor is on the module.
    pub temperature_sensor: bool,
    /// Operating temperature range code of JESD402-1 (DDR5 only), such as `NT`.
    pub temperature_range: Option<&'static str>,
    /// Maker of the module by JEP-106: continuation count and code, as stored; `None` where blank.
    pub maker: Option<(u8, u8)>,
    /// Year (two digits) and week of manufacture; `None` where blank or not a date.
    pub made: Option<(u8, u8)>,
    /// Serial number, eight hexadecimal digits; `None` where blank.
    pub serial: Option<String>,
    /// Part number without padding; `None` where blank.
    pub part_number: Option<String>,
    /// Oddities that do not stop the image from being used, each a sentence that names its bytes.
    pub remarks: Vec<String>,
}

impl SpdImage {
    /// Reads an image: exactly 256 bytes (DDR3), 512 bytes (DDR4) or 1024 bytes (DDR5).
    ///
    /// # Errors
    /// The first byte or byte range that is missing, contradicts its checksum, holds a reserved value or
    /// contradicts another byte, with its value, what is allowed and the remedy.
    pub fn read(bytes: &[u8]) -> Result<SpdImage, SpdError> {
        let (generation, image) = Image::open(bytes)?;
        match generation {
            Generation::Ddr3 => ddr3::read(image),
            Generation::Ddr4 => ddr4::read(image),
            Generation::Ddr5 => ddr5::read(image),
            other => Err(SpdError::at(
                2,
                "memory type",
                format!("{other}: no reader"),
                "a generation whose images are read",
            )),
        }
    }

    /// Logical ranks of a channel: package ranks, times the dies of a single-load stack.
    pub fn logical_ranks(&self) -> u16 {
        match self.package {
            Package::SingleLoad { dies } => u16::from(self.package_ranks) * u16::from(dies),
            _ => u16::from(self.package_ranks),
        }
    }

    /// Loads on one data lane as the controller sees them: one behind a data buffer, else one a package rank.
    pub fn loads_per_lane(&self) -> u8 {
        if self.kind == ModuleKind::Lrdimm { 1 } else { self.package_ranks }
    }

    /// Lanes with a DRAM behind them, ECC included, over all channels.
    pub fn lanes(&self) -> u16 {
        u16::from(self.channels) * (u16::from(self.data_lanes) + u16::from(self.ecc_lanes))
    }
}
