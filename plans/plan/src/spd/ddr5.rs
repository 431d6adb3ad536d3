//! The DDR5 image (JESD400-5, 1024 bytes).

use super::bytes::{Image, MakerBlock};
use super::error::READ_AGAIN;
use super::{Addressing, Package, SpdError, SpdImage};
use nightbench_core::devices::ModuleKind;
use nightbench_core::rates::{DataRate, Generation};

const MAKER: MakerBlock = MakerBlock { maker: 512, date: 515, serial: 517, part: (521, 30) };

/// Temperature range codes of JESD402-1 in the order of byte 233, bits 7:4.
const RANGES: [&str; 9] = ["A1T", "A2T", "A3T", "IT", "ST", "ET", "RT", "NT", "XT"];

pub(super) fn read(image: Image<'_>) -> Result<SpdImage, SpdError> {
    image.check_crc(0, 510, "checksum")?;
    let mut remarks = Vec::new();
    let revision = check_header(image)?;
    let (module_type, kind) = module_type(image, &mut remarks)?;
    let (die_bits, package, height) = density_and_package(image, &mut remarks)?;
    let device_width = device_width(image)?;
    let addressing = check_addressing(image, die_bits, device_width)?;
    let (clock_period_ps, rated) = clock(image, &mut remarks)?;
    let package_ranks = ranks(image)?;
    let (channels, data_lanes, ecc_lanes) = bus(image, device_width)?;
    if channels == 1 {
        remarks.push("byte 235 (bus): one sub-channel, where DDR5 modules have two".into());
    }
    let maker = image.maker(&MAKER)?;
    remarks.extend(maker.remarks);
    let capacity_bytes = die_bits / 8
        * u64::from(channels)
        * u64::from(data_lanes / device_width)
        * u64::from(package_ranks)
        * height;
    let range = usize::from(image.bits(233, 7, 4));
    if range >= RANGES.len() {
        remarks.push(format!("byte 233 (temperature range) is 0x{:02X}: not a known range", image.at(233)));
    }
    Ok(SpdImage {
        generation: Generation::Ddr5,
        revision,
        module_type,
        kind,
        package_ranks,
        device_width,
        package,
        die_gigabits: die_bits as f64 / (1u64 << 30) as f64,
        addressing,
        channels,
        data_lanes,
        ecc_lanes,
        capacity_bytes,
        clock_period_ps,
        rated,
        temperature_sensor: temperature_sensor(image),
        temperature_range: RANGES.get(range).copied(),
        maker: maker.code,
        made: maker.made,
        serial: maker.serial,
        part_number: maker.part_number,
        remarks,
    })
}

fn check_header(image: Image<'_>) -> Result<(u8, u8), SpdError> {
    let size = image.bits(0, 6, 4);
    if size != 3 {
        return Err(SpdError::at(
            0,
            "total bytes",
            format!("0x{:02X}, size code {size}", image.at(0)),
            "size code 3 (1024 bytes) in bits 6:4, usually 0x30",
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
    let code = image.bits(3, 3, 0);
    Ok(match code {
        1 => ("RDIMM", Rdimm),
        2 => ("UDIMM", Udimm),
        3 => ("SO-DIMM", Sodimm),
        4 => ("LRDIMM", Lrdimm),
        // A clock driver on the module re-drives the clock only; data lines stay unbuffered.
        5 => ("CUDIMM", Udimm),
        6 => ("CSO-DIMM", Sodimm),
        other => {
            let name = match other {
                7 => " (MRDIMM: its data buffers run the bus at twice the DRAM's rate)",
                8 => " (CAMM2: another connector)",
                10 => " (DDIMM: a serial link, no DQ)",
                11 => " (soldered down: no module)",
                _ => "",
            };
            return Err(SpdError::over(
                3..=3,
                "module type",
                format!("0x{:02X}, type {other}{name}", image.at(3)),
                "type 1 to 6 in bits 3:0, for which a plan has a module kind",
                "describe the device in the plan by hand",
            ));
        }
    })
}

/// Bits of one die, package, and the factor by which a stack multiplies the capacity.
fn density_and_package(image: Image<'_>, remarks: &mut Vec<String>) -> Result<(u64, Package, u64), SpdError> {
    const GIGABITS: [u64; 8] = [4, 8, 12, 16, 24, 32, 48, 64];
    let byte = image.at(4);
    let (code, kind) = (image.bits(4, 4, 0), image.bits(4, 7, 5));
    let gigabits = usize::from(code).checked_sub(1).and_then(|i| GIGABITS.get(i)).ok_or_else(|| {
        SpdError::at(4, "die density", format!("0x{byte:02X}, code {code}"), "code 1 to 8 in bits 4:0")
    })?;
    let package = match kind {
        0 => Package::Monolithic,
        1 => {
            remarks.push(
                "byte 4 (package): a two-die package; its dies are taken as counted among the package ranks, which \
                 readers disagree about: compare the capacity with the label"
                    .into(),
            );
            Package::MultiLoad { dies: 2 }
        }
        2..=5 => Package::SingleLoad { dies: 2 << (kind - 2) },
        _ => {
            return Err(SpdError::at(
                4,
                "package",
                format!("0x{byte:02X}, package code {kind}"),
                "0 (one die), 1 (two dies), 2 to 5 (stacks of 2, 4, 8, 16) in bits 7:5",
            ));
        }
    };
    let height = if let Package::SingleLoad { dies } = package { u64::from(dies) } else { 1 };
    Ok((gigabits << 30, package, height))
}

fn device_width(image: Image<'_>) -> Result<u8, SpdError> {
    match image.bits(6, 7, 5) {
        code @ 0..=2 => Ok(4 << code),
        code => Err(SpdError::at(
            6,
            "device width",
            format!("0x{:02X}, code {code}", image.at(6)),
            "0 (x4), 1 (x8) or 2 (x16) in bits 7:5",
        )),
    }
}

/// Rows, columns and banks must multiply up to the die density.
fn check_addressing(image: Image<'_>, die_bits: u64, device_width: u8) -> Result<Addressing, SpdError> {
    let (rows, columns) = (image.bits(5, 4, 0), image.bits(5, 7, 5));
    if rows > 2 || columns > 1 {
        return Err(SpdError::at(
            5,
            "rows and columns",
            format!("0x{:02X}, row code {rows}, column code {columns}", image.at(5)),
            "row code 0 to 2 (16 to 18 bits) in bits 4:0, column code 0 or 1 (10 or 11 bits) in bits 7:5",
        ));
    }
    let (groups, banks) = (image.bits(7, 7, 5), image.bits(7, 2, 0));
    if groups > 3 || banks > 2 {
        return Err(SpdError::at(
            7,
            "banks",
            format!("0x{:02X}, bank-group code {groups}, bank code {banks}", image.at(7)),
            "bank-group code 0 to 3 in bits 7:5, bank code 0 to 2 in bits 2:0",
        ));
    }
    let bits = u64::from(device_width) << (rows + 16 + columns + 10 + groups + banks);
    // Dies of 12, 24 and 48 Gbit leave a quarter of their row addresses unused.
    let quarter_unused = matches!(image.bits(4, 4, 0), 3 | 5 | 7);
    let addressed = if quarter_unused { bits / 4 * 3 } else { bits };
    if addressed == die_bits {
        return Ok(Addressing {
            row_bits: rows + 16,
            column_bits: columns + 10,
            bank_groups: 1 << groups,
            banks: 1 << banks,
        });
    }
    Err(SpdError::over(
        4..=7,
        "addressing",
        format!(
            "rows, columns and banks of x{device_width} devices make {} Mbit, the die density says {} Mbit",
            addressed >> 20,
            die_bits >> 20
        ),
        "2^(rows + columns) x banks x device width = die density",
        READ_AGAIN,
    ))
}

fn clock(image: Image<'_>, remarks: &mut Vec<String>) -> Result<(f64, DataRate), SpdError> {
    let (shortest, longest) = (image.word(20), image.word(22));
    let rated = (shortest > 0).then(|| DataRate::snap(Generation::Ddr5, 2e6 / f64::from(shortest))).flatten();
    let Some(rated) = rated else {
        return Err(SpdError::over(
            20..=21,
            "shortest clock period",
            format!("{shortest} ps"),
            "within 1 % of a DDR5 clock period, 217 ps (9200) to 625 ps (3200)",
            READ_AGAIN,
        ));
    };
    if longest < shortest {
        return Err(SpdError::over(
            22..=23,
            "longest clock period",
            format!("{longest} ps"),
            format!("at least the shortest, {shortest} ps (bytes 20 and 21)"),
            READ_AGAIN,
        ));
    }
    let mask = (0..5).fold(0u64, |mask, i| mask | u64::from(image.at(24 + i)) << (8 * i));
    if mask == 0 {
        return Err(SpdError::over(24..=28, "CAS latencies", "none", "at least one latency", READ_AGAIN));
    }
    let slowest = 20 + 2 * (63 - mask.leading_zeros());
    let access = f64::from(image.word(30));
    // 2.5 %: the stored period is cut off to whole picoseconds.
    if access <= 0.0 || access / f64::from(shortest) > 1.025 * f64::from(slowest) {
        remarks.push(format!(
            "bytes 24 to 31 (CAS latencies, access time): {access} ps at a clock of {shortest} ps does not fit the \
             longest latency of {slowest} clocks"
        ));
    }
    for (byte, rail, nominal) in [(16, "VDD", 1.1), (17, "VDDQ", 1.1), (18, "VPP", 1.8)] {
        if image.bits(byte, 7, 4) != 0 {
            remarks.push(format!(
                "byte {byte} ({rail}) is 0x{:02X}: nominal voltage is not the usual {nominal} V",
                image.at(byte)
            ));
        }
    }
    Ok((f64::from(shortest), rated))
}

fn ranks(image: Image<'_>) -> Result<u8, SpdError> {
    if image.bits(234, 6, 6) == 1 {
        return Err(SpdError::at(
            234,
            "rank mix",
            format!("0x{:02X}: the ranks differ from each other", image.at(234)),
            "bit 6 = 0, all ranks alike",
        ));
    }
    Ok(image.bits(234, 5, 3) + 1)
}

/// Sub-channels, and data and ECC lanes of each.
fn bus(image: Image<'_>, device_width: u8) -> Result<(u8, u8, u8), SpdError> {
    let byte = image.at(235);
    let (channels, extension, width) = (image.bits(235, 7, 5), image.bits(235, 4, 3), image.bits(235, 2, 0));
    if channels > 1 || extension > 2 || width > 3 {
        return Err(SpdError::at(
            235,
            "bus",
            format!(
                "0x{byte:02X}, sub-channel code {channels}, extension code {extension}, width code {width}"
            ),
            "sub-channel code 0 or 1 (one or two) in bits 7:5, extension code 0 to 2 (0, 4, 8 bits) in bits 4:3, width \
             code 0 to 3 (8 to 64 bits) in bits 2:0",
        ));
    }
    let data = 8u8 << width;
    if device_width > data {
        return Err(SpdError::at(
            235,
            "bus",
            format!("0x{byte:02X}: {data} data bits, narrower than one x{device_width} device (byte 6)"),
            "at least the width of one device",
        ));
    }
    Ok((1 << channels, data, extension * 4))
}

/// The hub (SPD5118, byte 196) has a sensor of its own; byte 212, bits 7 and 6, say that others are present.
fn temperature_sensor(image: Image<'_>) -> bool {
    let hub = image.bits(196, 7, 7) == 1 && image.bits(196, 3, 0) == 0;
    hub || image.bits(212, 7, 6) != 0
}
