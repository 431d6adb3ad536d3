//! The DDR3 image (JESD21-C Annex K, 256 bytes).

use super::bytes::{Image, MakerBlock};
use super::error::READ_AGAIN;
use super::{Addressing, Package, SpdError, SpdImage};
use nightbench_core::devices::ModuleKind;
use nightbench_core::rates::{DataRate, Generation};

const MAKER: MakerBlock = MakerBlock { maker: 117, date: 120, serial: 122, part: (128, 18) };

pub(super) fn read(image: Image<'_>) -> Result<SpdImage, SpdError> {
    // Bit 7 of byte 0: the maker's block, written last, is left out of the checksum.
    let covered = if image.bits(0, 7, 7) == 1 { 117 } else { 126 };
    image.check_crc_of(0..covered, 126, "checksum")?;
    let mut remarks = Vec::new();
    let revision = check_header(image)?;
    let (module_type, kind) = module_type(image)?;
    let die_bits = die_density(image)?;
    let package = package(image, &mut remarks)?;
    let (device_width, package_ranks) = organisation(image)?;
    let (data_lanes, ecc_lanes) = bus(image, device_width)?;
    let addressing = check_addressing(image, die_bits, device_width)?;
    let (clock_period_ps, rated) = clock(image, &mut remarks)?;
    if image.bits(6, 0, 0) == 1 {
        remarks.push(format!(
            "byte 6 (supply) is 0x{:02X}: the module does not work at 1.5 V; declare a [[supply]] of 1.35 V",
            image.at(6)
        ));
    }
    let maker = image.maker(&MAKER)?;
    remarks.extend(maker.remarks);
    Ok(SpdImage {
        generation: Generation::Ddr3,
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
        capacity_bytes: die_bits / 8 * u64::from(data_lanes / device_width) * u64::from(package_ranks),
        clock_period_ps,
        rated,
        temperature_sensor: image.bits(32, 7, 7) == 1,
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
    if total != 1 || !(1..=3).contains(&used) {
        return Err(SpdError::at(
            0,
            "bytes used and total",
            format!("0x{:02X}", image.at(0)),
            "bits 6:4 = 1 (256 bytes) and bits 3:0 from 1 to 3, usually 0x92",
        ));
    }
    image.revision()
}

fn module_type(image: Image<'_>) -> Result<(&'static str, ModuleKind), SpdError> {
    use ModuleKind::{Lrdimm, Rdimm, Sodimm, Udimm};
    Ok(match image.bits(3, 3, 0) {
        1 => ("RDIMM", Rdimm),
        2 => ("UDIMM", Udimm),
        3 => ("SO-DIMM", Sodimm),
        5 => ("Mini-RDIMM", Rdimm),
        6 => ("Mini-UDIMM", Udimm),
        8 => ("72b-SO-UDIMM", Sodimm),
        // The data lines of a registered small-outline module are unbuffered, so its outline decides.
        9 => ("72b-SO-RDIMM", Sodimm),
        11 => ("LRDIMM", Lrdimm),
        12 => ("16b-SO-DIMM", Sodimm),
        13 => ("32b-SO-DIMM", Sodimm),
        other => {
            return Err(SpdError::at(
                3,
                "module type",
                format!("0x{:02X}, type {other}", image.at(3)),
                "type 1 to 3, 5, 6, 8, 9 or 11 to 13 in bits 3:0, for which a plan has a module kind",
            ));
        }
    })
}

/// Bits of one die.
fn die_density(image: Image<'_>) -> Result<u64, SpdError> {
    let code = image.bits(4, 3, 0);
    if code > 6 {
        return Err(SpdError::at(
            4,
            "die density",
            format!("0x{:02X}, code {code}", image.at(4)),
            "code 0 (256 Mbit) to 6 (16 Gbit) in bits 3:0",
        ));
    }
    Ok(1 << (28 + code))
}

/// Signal loading in bits 1:0 as in DDR4's image (published descriptions of Annex K agree on it).
fn package(image: Image<'_>, remarks: &mut Vec<String>) -> Result<Package, SpdError> {
    let (stacked, dies, loading) = (image.bits(33, 7, 7) == 1, image.bits(33, 6, 4), image.bits(33, 1, 0));
    // Die counts 0 (not stated), 1, 2, 4, 8 by code.
    let dies = if dies == 0 { 0 } else { 1u8.checked_shl(u32::from(dies) - 1).unwrap_or(0) };
    match (stacked, dies, loading) {
        (false, 0 | 1, 0) => Ok(Package::Monolithic),
        (true, 2..=8, 1) => Ok(Package::MultiLoad { dies }),
        // Images before revision 1.1 do not say more.
        (true, 0, 0) => {
            remarks.push(
                "byte 33 (package) does not say how many dies a package holds: two, each a load, are taken"
                    .into(),
            );
            Ok(Package::MultiLoad { dies: 2 })
        }
        (true, 2..=8, 2) => {
            remarks.push(
                "byte 33 (package): a stack behind one load; its dies are not counted into the capacity, which readers \
                 disagree about: compare it with the label"
                    .into(),
            );
            Ok(Package::SingleLoad { dies })
        }
        _ => Err(SpdError::at(
            33,
            "device type",
            format!("0x{:02X}", image.at(33)),
            "0x00 (one die), or bit 7 with die code 2 to 4 (2, 4, 8 dies) and loading 1 (multi-load) or 2 (single load)",
        )),
    }
}

fn organisation(image: Image<'_>) -> Result<(u8, u8), SpdError> {
    let byte = image.at(7);
    let (ranks, width) = (image.bits(7, 5, 3), image.bits(7, 2, 0));
    if width > 2 || ranks > 3 {
        return Err(SpdError::at(
            7,
            "organisation",
            format!("0x{byte:02X}, rank code {ranks}, width code {width}"),
            "rank code 0 to 3 (1 to 4 ranks) in bits 5:3, width code 0 to 2 (x4, x8, x16) in bits 2:0",
        ));
    }
    Ok((4 << width, ranks + 1))
}

/// Data and ECC lanes.
fn bus(image: Image<'_>, device_width: u8) -> Result<(u8, u8), SpdError> {
    let byte = image.at(8);
    let (extension, code) = (image.bits(8, 4, 3), image.bits(8, 2, 0));
    if code > 3 || extension > 1 {
        return Err(SpdError::at(
            8,
            "bus width",
            format!("0x{byte:02X}, extension code {extension}, width code {code}"),
            "extension code 0 or 1 (0 or 8 bits) in bits 4:3, width code 0 to 3 (8 to 64 bits) in bits 2:0",
        ));
    }
    let data = 8u8 << code;
    if device_width > data {
        return Err(SpdError::at(
            8,
            "bus width",
            format!("0x{byte:02X}: {data} data bits, narrower than one x{device_width} device (byte 7)"),
            "at least the width of one device",
        ));
    }
    Ok((data, extension * 8))
}

/// Rows, columns and banks must multiply up to the die density.
fn check_addressing(image: Image<'_>, die_bits: u64, device_width: u8) -> Result<Addressing, SpdError> {
    let (rows, columns, banks) = (image.bits(5, 5, 3), image.bits(5, 2, 0), image.bits(4, 6, 4));
    if rows > 4 || columns > 3 || banks > 3 {
        return Err(SpdError::over(
            4..=5,
            "rows, columns and banks",
            format!("row code {rows}, column code {columns}, bank code {banks}"),
            "row code 0 to 4 (12 to 16 bits), column code 0 to 3 (9 to 12 bits), bank code 0 to 3 (8 to 64 banks)",
            READ_AGAIN,
        ));
    }
    let bits = u64::from(device_width) << (rows + 12 + columns + 9 + banks + 3);
    if bits != die_bits {
        return Err(SpdError::over(
            4..=7,
            "addressing",
            format!(
                "rows, columns and banks of x{device_width} devices make {} Mbit, the die density says {} Mbit",
                bits >> 20,
                die_bits >> 20
            ),
            "2^(rows + columns) x banks x device width = die density",
            READ_AGAIN,
        ));
    }
    Ok(Addressing { row_bits: rows + 12, column_bits: columns + 9, bank_groups: 1, banks: 8 << banks })
}

fn clock(image: Image<'_>, remarks: &mut Vec<String>) -> Result<(f64, DataRate), SpdError> {
    let (fine_by, medium_by) = (image.bits(9, 3, 0), image.at(11));
    if fine_by == 0 || medium_by == 0 {
        return Err(SpdError::over(
            9..=11,
            "time bases",
            format!("0x{:02X}, {} / {medium_by}", image.at(9), image.at(10)),
            "divisors above 0, usually 0x11 and 1 / 8 ns",
            READ_AGAIN,
        ));
    }
    let fine_ps = f64::from(image.bits(9, 7, 4)) / f64::from(fine_by);
    let medium_ps = 1000.0 * f64::from(image.at(10)) / f64::from(medium_by);
    let time = |medium: usize, fine: usize| {
        f64::from(image.at(medium)) * medium_ps + f64::from(image.at(fine) as i8) * fine_ps
    };
    let shortest = time(12, 34);
    let rated = if shortest > 0.0 { DataRate::snap(Generation::Ddr3, 2e6 / shortest) } else { None };
    let Some(rated) = rated else {
        return Err(SpdError::at(
            12,
            "shortest clock period",
            format!("0x{:02X} with byte 34 = 0x{:02X}: {shortest} ps", image.at(12), image.at(34)),
            "within 1 % of a DDR3 clock period, 938 ps (2133) to 2500 ps (800)",
        ));
    };
    let latencies = image.word(14) & 0x7FFF;
    if latencies == 0 {
        return Err(SpdError::over(
            14..=15,
            "CAS latencies",
            format!("0x{:04X}: none", image.word(14)),
            "at least one latency",
            READ_AGAIN,
        ));
    }
    let slowest = 4 + 15 - latencies.leading_zeros();
    let access = time(16, 35);
    if access <= 0.0 || access / shortest > f64::from(slowest) + 0.025 {
        remarks.push(format!(
            "bytes 14 to 16 (CAS latencies, access time): {access} ps at a clock of {shortest} ps does not fit the \
             longest latency of {slowest} clocks"
        ));
    }
    Ok((shortest, rated))
}
