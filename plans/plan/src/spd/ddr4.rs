//! The DDR4 image (JESD21-C Annex L, 512 bytes).

use super::bytes::{Image, MakerBlock};
use super::error::READ_AGAIN;
use super::{Addressing, Package, SpdError, SpdImage};
use nightbench_core::devices::ModuleKind;
use nightbench_core::rates::{DataRate, Generation};

const MAKER: MakerBlock = MakerBlock { maker: 320, date: 323, serial: 325, part: (329, 20) };

/// Medium time base, ps.
const MTB_PS: f64 = 125.0;

pub(super) fn read(image: Image<'_>) -> Result<SpdImage, SpdError> {
    image.check_crc(0, 126, "checksum of the base block")?;
    image.check_crc(128, 254, "checksum of the module block")?;
    let mut remarks = Vec::new();
    let revision = check_header(image)?;
    let (module_type, kind) = module_type(image, &mut remarks)?;
    let package = package(image)?;
    let die_bits = die_density(image)?;
    let (device_width, package_ranks) = organisation(image, &mut remarks)?;
    let (data_lanes, ecc_lanes) = bus(image, device_width, &mut remarks)?;
    let addressing = check_addressing(image, die_bits, device_width)?;
    let (clock_period_ps, rated) = clock(image, &mut remarks)?;
    let maker = image.maker(&MAKER)?;
    remarks.extend(maker.remarks);
    let stack = if let Package::SingleLoad { dies } = package { u64::from(dies) } else { 1 };
    let capacity_bytes =
        die_bits / 8 * u64::from(data_lanes / device_width) * u64::from(package_ranks) * stack;
    Ok(SpdImage {
        generation: Generation::Ddr4,
        revision,
        module_type,
        kind,
        package_ranks,
        device_width,
        package,
        die_gigabits: die_bits as f64 / (1u64 << 30) as f64,
        addressing,
        channels: 1,
        data_lanes,
        ecc_lanes,
        capacity_bytes,
        clock_period_ps,
        rated,
        temperature_sensor: image.bits(14, 7, 7) == 1,
        temperature_range: None,
        maker: maker.code,
        made: maker.made,
        serial: maker.serial,
        part_number: maker.part_number,
        remarks,
    })
}

fn check_header(image: Image<'_>) -> Result<(u8, u8), SpdError> {
    let (used, total) = (image.bits(0, 3, 0), image.bits(0, 6, 4));
    if total != 2 || !(1..=4).contains(&used) {
        return Err(SpdError::at(
            0,
            "bytes used and total",
            format!("0x{:02X}", image.at(0)),
            "bits 6:4 = 2 (512 bytes) and bits 3:0 from 1 to 4, usually 0x23",
        ));
    }
    image.revision()
}

fn module_type(image: Image<'_>, remarks: &mut Vec<String>) -> Result<(&'static str, ModuleKind), SpdError> {
    use ModuleKind::{Lrdimm, Rdimm, Sodimm, Udimm};
    if image.bits(3, 7, 7) == 1 {
        remarks.push(format!(
            "byte 3 (module type) is 0x{:02X}: a hybrid module; only its DRAM side is described",
            image.at(3)
        ));
    }
    Ok(match image.bits(3, 3, 0) {
        1 => ("RDIMM", Rdimm),
        2 => ("UDIMM", Udimm),
        3 => ("SO-DIMM", Sodimm),
        4 => ("LRDIMM", Lrdimm),
        5 => ("Mini-RDIMM", Rdimm),
        6 => ("Mini-UDIMM", Udimm),
        // The data lines of a registered small-outline module are unbuffered, so its outline decides.
        8 => ("72b-SO-RDIMM", Sodimm),
        9 => ("72b-SO-UDIMM", Sodimm),
        12 => ("16b-SO-DIMM", Sodimm),
        13 => ("32b-SO-DIMM", Sodimm),
        other => {
            return Err(SpdError::at(
                3,
                "module type",
                format!("0x{:02X}, type {other}", image.at(3)),
                "type 1 to 6, 8, 9, 12 or 13 in bits 3:0",
            ));
        }
    })
}

fn package(image: Image<'_>) -> Result<Package, SpdError> {
    let (stacked, dies, loading) = (image.bits(6, 7, 7) == 1, image.bits(6, 6, 4) + 1, image.bits(6, 1, 0));
    match (stacked, dies, loading) {
        (false, 1, 0) => Ok(Package::Monolithic),
        (true, 2..=8, 1) => Ok(Package::MultiLoad { dies }),
        (true, 2..=8, 2) => Ok(Package::SingleLoad { dies }),
        _ => Err(SpdError::at(
            6,
            "package type",
            format!(
                "0x{:02X}: {}, {dies} dies, loading code {loading}",
                image.at(6),
                if stacked { "not monolithic" } else { "monolithic" }
            ),
            "0x00 (monolithic), or bit 7 with 2 to 8 dies and loading 1 (multi-load) or 2 (single load)",
        )),
    }
}

/// Bits of one die.
fn die_density(image: Image<'_>) -> Result<u64, SpdError> {
    const MEGABITS: [u64; 10] = [256, 512, 1024, 2048, 4096, 8192, 16384, 32768, 12288, 24576];
    let code = image.bits(4, 3, 0);
    MEGABITS.get(usize::from(code)).map(|megabits| megabits << 20).ok_or_else(|| {
        SpdError::at(
            4,
            "die density",
            format!("0x{:02X}, code {code}", image.at(4)),
            "code 0 to 9 in bits 3:0",
        )
    })
}

fn organisation(image: Image<'_>, remarks: &mut Vec<String>) -> Result<(u8, u8), SpdError> {
    let byte = image.at(12);
    let code = image.bits(12, 2, 0);
    if code > 2 {
        return Err(SpdError::at(
            12,
            "device width",
            format!("0x{byte:02X}, code {code}"),
            "0 (x4), 1 (x8) or 2 (x16) in bits 2:0",
        ));
    }
    if image.bits(12, 6, 6) == 1 {
        return Err(SpdError::at(
            12,
            "rank mix",
            format!("0x{byte:02X}: the ranks differ from each other"),
            "bit 6 = 0, all ranks alike",
        ));
    }
    if image.at(10) != 0 {
        remarks.push(format!(
            "byte 10 (second package type) is 0x{:02X} although byte 12 says that all ranks are alike",
            image.at(10)
        ));
    }
    Ok((4 << code, image.bits(12, 5, 3) + 1))
}

/// Data and ECC lanes.
fn bus(image: Image<'_>, device_width: u8, remarks: &mut Vec<String>) -> Result<(u8, u8), SpdError> {
    let byte = image.at(13);
    let (code, extension) = (image.bits(13, 2, 0), image.bits(13, 4, 3));
    let refuse = |value: String, allowed: &str| Err(SpdError::at(13, "bus width", value, allowed));
    if code > 3 || extension > 1 {
        return refuse(
            format!("0x{byte:02X}, width code {code}, extension code {extension}"),
            "width 0 (8) to 3 (64) in bits 2:0, extension 0 or 1 (8 bits) in bits 4:3",
        );
    }
    let (data, ecc) = (8u8 << code, extension * 8);
    if device_width > data {
        return refuse(
            format!("0x{byte:02X}: {data} data bits, narrower than one x{device_width} device (byte 12)"),
            "at least the width of one device",
        );
    }
    let wanted = match image.bits(3, 3, 0) {
        8 | 9 => Some((64, 8)),
        12 => Some((16, ecc)),
        13 => Some((32, ecc)),
        _ => None,
    };
    if let Some((wanted_data, wanted_ecc)) = wanted
        && (wanted_data, wanted_ecc) != (data, ecc)
    {
        return refuse(
            format!("0x{byte:02X}: {data} + {ecc} bits on module type {} (byte 3)", image.bits(3, 3, 0)),
            &format!("{wanted_data} + {wanted_ecc} bits on this module type"),
        );
    }
    if ecc > 0 && device_width == 16 {
        remarks.push(format!(
            "byte 13 (bus width) is 0x{byte:02X}: 8 ECC bits cannot be made of whole x16 devices (byte 12)"
        ));
    }
    Ok((data, ecc))
}

/// Rows, columns and banks must multiply up to the die density.
fn check_addressing(image: Image<'_>, die_bits: u64, device_width: u8) -> Result<Addressing, SpdError> {
    let (banks, groups) = (image.bits(4, 5, 4), image.bits(4, 7, 6));
    if banks > 1 || groups > 2 {
        return Err(SpdError::at(
            4,
            "banks",
            format!("0x{:02X}, bank code {banks}, bank-group code {groups}", image.at(4)),
            "bank code 0 or 1 in bits 5:4, bank-group code 0 to 2 in bits 7:6",
        ));
    }
    let (rows, columns) = (image.bits(5, 5, 3), image.bits(5, 2, 0));
    if rows > 6 || columns > 3 {
        return Err(SpdError::at(
            5,
            "rows and columns",
            format!("0x{:02X}, row code {rows}, column code {columns}", image.at(5)),
            "row code 0 to 6 (12 to 18 bits) in bits 5:3, column code 0 to 3 (9 to 12 bits) in bits 2:0",
        ));
    }
    let bits = u64::from(device_width) << (rows + 12 + columns + 9 + groups + banks + 2);
    // Dies of 12 and 24 Gbit leave a quarter of their row addresses unused.
    let addressed = if image.bits(4, 3, 0) >= 8 { bits / 4 * 3 } else { bits };
    if addressed == die_bits {
        return Ok(Addressing {
            row_bits: rows + 12,
            column_bits: columns + 9,
            // Code 0: no groups, which is one.
            bank_groups: 1 << groups,
            banks: 4 << banks,
        });
    }
    let (found, wanted) = (addressed >> 20, die_bits >> 20);
    Err(SpdError::over(
        4..=5,
        "addressing",
        format!(
            "0x{:02X} 0x{:02X}: rows, columns and banks of x{device_width} devices (byte 12) make {found} Mbit, the die \
             density says {wanted} Mbit",
            image.at(4),
            image.at(5)
        ),
        "2^(rows + columns) x banks x device width = die density",
        READ_AGAIN,
    ))
}

/// A time of medium and fine time base, ps.
fn time(image: Image<'_>, medium: usize, fine: usize) -> f64 {
    f64::from(image.at(medium)) * MTB_PS + f64::from(image.at(fine) as i8)
}

fn clock(image: Image<'_>, remarks: &mut Vec<String>) -> Result<(f64, DataRate), SpdError> {
    if image.bits(17, 3, 0) != 0 {
        return Err(SpdError::at(
            17,
            "time bases",
            format!("0x{:02X}", image.at(17)),
            "0x00 (125 ps medium, 1 ps fine)",
        ));
    }
    let (shortest, longest) = (time(image, 18, 125), time(image, 19, 124));
    let rated = if shortest > 0.0 { DataRate::snap(Generation::Ddr4, 2e6 / shortest) } else { None };
    let Some(rated) = rated else {
        return Err(SpdError::at(
            18,
            "shortest clock period",
            format!("0x{:02X} with byte 125 = 0x{:02X}: {shortest} ps", image.at(18), image.at(125)),
            "within 1 % of a DDR4 clock period, 625 ps (3200) to 1250 ps (1600)",
        ));
    };
    if longest < shortest {
        return Err(SpdError::at(
            19,
            "longest clock period",
            format!("0x{:02X} with byte 124 = 0x{:02X}: {longest} ps", image.at(19), image.at(124)),
            format!("at least the shortest, {shortest} ps (bytes 18 and 125)"),
        ));
    }
    let mask = u32::from(image.word(20)) | u32::from(image.word(22)) << 16;
    let latencies = mask & 0x3FFF_FFFF;
    if latencies == 0 {
        return Err(SpdError::over(
            20..=23,
            "CAS latencies",
            format!("0x{mask:08X}: none"),
            "at least one latency",
            READ_AGAIN,
        ));
    }
    let first = if mask >> 31 == 1 { 23 } else { 7 };
    let slowest = first + 31 - latencies.leading_zeros();
    let access = time(image, 24, 123);
    // 2.5 % of a clock: the standard's rounding rule for latencies (from memory).
    if access <= 0.0 || access / shortest - 0.025 > f64::from(slowest) {
        remarks.push(format!(
            "bytes 20 to 24 (CAS latencies, access time): {access} ps at a clock of {shortest} ps does not fit the \
             longest latency of {slowest} clocks"
        ));
    }
    if image.bits(11, 0, 0) == 0 {
        remarks.push(format!(
            "byte 11 (supply) is 0x{:02X}: the module does not claim to work at 1.2 V",
            image.at(11)
        ));
    }
    Ok((shortest, rated))
}
