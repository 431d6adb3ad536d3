//! Tests of the SPD reader on synthetic images (tests/spd/make_images.py writes them: invented modules).

use super::bytes::crc16;
use super::*;
use crate::Plan;
use nightbench_core::generations::TerminationRule;
use proptest::prelude::*;

const STORED: [(&str, &str); 21] = [
    ("ddr3-udimm-800-ecc", include_str!("../../../../tests/data/spd/ddr3-udimm-800-ecc.hex")),
    ("ddr3-udimm-1333", include_str!("../../../../tests/data/spd/ddr3-udimm-1333.hex")),
    ("ddr3-udimm-2133", include_str!("../../../../tests/data/spd/ddr3-udimm-2133.hex")),
    ("ddr3-sodimm-1600", include_str!("../../../../tests/data/spd/ddr3-sodimm-1600.hex")),
    ("ddr3-sodimm-1066", include_str!("../../../../tests/data/spd/ddr3-sodimm-1066.hex")),
    ("ddr3-rdimm-1866", include_str!("../../../../tests/data/spd/ddr3-rdimm-1866.hex")),
    ("ddr3-lrdimm-1333", include_str!("../../../../tests/data/spd/ddr3-lrdimm-1333.hex")),
    ("ddr4-udimm-1600", include_str!("../../../../tests/data/spd/ddr4-udimm-1600.hex")),
    ("ddr4-udimm-1866", include_str!("../../../../tests/data/spd/ddr4-udimm-1866.hex")),
    ("ddr4-udimm-2400-ecc", include_str!("../../../../tests/data/spd/ddr4-udimm-2400-ecc.hex")),
    ("ddr4-udimm-3200", include_str!("../../../../tests/data/spd/ddr4-udimm-3200.hex")),
    ("ddr4-sodimm-2400", include_str!("../../../../tests/data/spd/ddr4-sodimm-2400.hex")),
    ("ddr4-sodimm-3200", include_str!("../../../../tests/data/spd/ddr4-sodimm-3200.hex")),
    ("ddr4-rdimm-2933", include_str!("../../../../tests/data/spd/ddr4-rdimm-2933.hex")),
    ("ddr4-rdimm-3ds-2133", include_str!("../../../../tests/data/spd/ddr4-rdimm-3ds-2133.hex")),
    ("ddr4-lrdimm-2666", include_str!("../../../../tests/data/spd/ddr4-lrdimm-2666.hex")),
    ("ddr5-udimm-4800", include_str!("../../../../tests/data/spd/ddr5-udimm-4800.hex")),
    ("ddr5-sodimm-5600", include_str!("../../../../tests/data/spd/ddr5-sodimm-5600.hex")),
    ("ddr5-udimm-5200-ecc", include_str!("../../../../tests/data/spd/ddr5-udimm-5200-ecc.hex")),
    ("ddr5-rdimm-6400", include_str!("../../../../tests/data/spd/ddr5-rdimm-6400.hex")),
    ("ddr5-rdimm-3ds-4800", include_str!("../../../../tests/data/spd/ddr5-rdimm-3ds-4800.hex")),
];

/// The bytes of a stored dump: an address, then sixteen bytes per line.
fn stored(name: &str) -> Vec<u8> {
    let (_, dump) = STORED.iter().find(|(known, _)| *known == name).expect(name);
    dump.lines()
        .flat_map(|line| line.split_whitespace().skip(1))
        .map(|byte| u8::from_str_radix(byte, 16).expect("a byte"))
        .collect()
}

/// Sets bytes and makes the checksums right again.
fn patched(name: &str, changes: &[(usize, u8)]) -> Vec<u8> {
    let mut image = stored(name);
    for (byte, value) in changes {
        image[*byte] = *value;
    }
    reseal(&mut image);
    image
}

fn reseal(image: &mut [u8]) {
    if image.len() == 256 {
        let covered = if image[0] & 0x80 == 0 { 126 } else { 117 };
        let sum = crc16(&image[..covered]).to_le_bytes();
        image[126..128].copy_from_slice(&sum);
    }
    let blocks: &[(usize, usize)] = match image.len() {
        512 => &[(0, 126), (128, 254)],
        1024 => &[(0, 510)],
        _ => &[],
    };
    for (first, stored) in blocks {
        let sum = crc16(&image[*first..*stored]).to_le_bytes();
        image[*stored..*stored + 2].copy_from_slice(&sum);
    }
}

fn read(name: &str) -> SpdImage {
    SpdImage::read(&stored(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

fn gibibytes(image: &SpdImage) -> u64 {
    image.capacity_bytes >> 30
}

/// 0x31C3 for "123456789" with polynomial 0x1021 and start 0 (source: catalogue of CRC parameters, XMODEM).
#[test]
fn checksum_matches_the_published_check_value() {
    assert_eq!(crc16(b"123456789"), 0x31C3);
}

#[test]
fn every_stored_image_is_read_without_remarks() {
    for (name, _) in STORED {
        let image = read(name);
        assert_eq!(image.remarks, Vec::<String>::new(), "{name}");
        assert!(image.part_number.is_some() && image.serial.is_some(), "{name}");
    }
}

#[test]
fn ddr4_unbuffered_two_ranks() {
    let image = read("ddr4-udimm-3200");
    assert_eq!(
        (image.generation, image.kind, image.module_type),
        (Generation::Ddr4, ModuleKind::Udimm, "UDIMM")
    );
    assert_eq!((image.package_ranks, image.device_width, image.package), (2, 8, Package::Monolithic));
    // Worked example: 1 GiB x 64/8 x 2 = 16 GiB.
    assert_eq!(gibibytes(&image), 16);
    assert_eq!((image.rated.nominal(), image.clock_period_ps), (3200, 625.0));
    assert_eq!((image.lanes(), image.ecc_lanes, image.loads_per_lane()), (64, 0, 2));
    assert_eq!(image.serial.as_deref(), Some("5EED0A04"));
    assert_eq!(image.part_number.as_deref(), Some("EXAMPLE-U16-2R8-32"));
    assert_eq!((image.made, image.temperature_sensor), (Some((24, 31)), false));
}

/// 2 Gb (0.25 GiB) x 64/8 x 2 = 4 GiB; 4 Gb x 64/4 x 4 ranks of two-die packages = 32 GiB behind one load. The tool that the
/// images are compared with has the same sizes.
#[test]
fn ddr3_modules() {
    let image = read("ddr3-udimm-1333");
    assert_eq!((image.generation, image.kind), (Generation::Ddr3, ModuleKind::Udimm));
    assert_eq!((gibibytes(&image), image.rated.nominal(), image.clock_period_ps), (4, 1333, 1500.0));
    assert_eq!((image.package_ranks, image.loads_per_lane(), image.lanes()), (2, 2, 64));
    let image = read("ddr3-lrdimm-1333");
    assert_eq!(image.package, Package::MultiLoad { dies: 2 });
    assert_eq!((gibibytes(&image), image.lanes(), image.loads_per_lane()), (32, 72, 1));
    assert_eq!(read("ddr3-rdimm-1866").clock_period_ps, 1071.0);
    let patch =
        |changes: &[(usize, u8)]| SpdImage::read(&patched("ddr3-udimm-1333", changes)).expect("sound");
    assert!(patch(&[(6, 0x03)]).remarks[0].contains("does not work at 1.5 V"));
    assert!(patch(&[(33, 0x80)]).remarks[0].contains("how many dies"));
    assert!(patch(&[(14, 0x01)]).remarks[0].contains("bytes 14 to 16"));
}

/// Worked example: 4 Gb (0.5 GiB) x 64/4 x 2 package ranks x 4 dies = 64 GiB, 8 logical ranks, 2 loads per
/// lane.
#[test]
fn ddr4_single_load_stack() {
    let image = read("ddr4-rdimm-3ds-2133");
    assert_eq!(image.kind, ModuleKind::Rdimm);
    assert_eq!(image.package, Package::SingleLoad { dies: 4 });
    assert_eq!((gibibytes(&image), image.logical_ranks(), image.loads_per_lane()), (64, 8, 2));
    assert_eq!((image.lanes(), image.ecc_lanes, image.temperature_sensor), (72, 8, true));
    assert_eq!(image.rated.nominal(), 2133);
}

/// Worked example: 8 Gb (1 GiB) x 16 x 4 ranks (two-die packages, no die factor) = 64 GiB; the host sees one
/// load.
#[test]
fn ddr4_load_reduced_with_multi_load_packages() {
    let image = read("ddr4-lrdimm-2666");
    assert_eq!(image.kind, ModuleKind::Lrdimm);
    assert_eq!(image.package, Package::MultiLoad { dies: 2 });
    assert_eq!((gibibytes(&image), image.logical_ranks(), image.loads_per_lane()), (64, 4, 1));
    assert_eq!(image.rated.nominal(), 2666);
}

/// Expected figures from the layout: density/8 x sub-channels x width/device width x ranks (x stack height).
#[test]
fn ddr5_modules() {
    let image = read("ddr5-udimm-4800");
    assert_eq!((image.generation, image.kind), (Generation::Ddr5, ModuleKind::Udimm));
    assert_eq!((gibibytes(&image), image.channels, image.lanes(), image.device_width), (16, 2, 64, 8));
    assert_eq!((image.rated.nominal(), image.clock_period_ps), (4800, 416.0));
    assert_eq!((image.temperature_sensor, image.temperature_range), (true, Some("NT")));

    let image = read("ddr5-sodimm-5600");
    assert_eq!((image.kind, gibibytes(&image), image.device_width), (ModuleKind::Sodimm, 8, 16));

    let image = read("ddr5-udimm-5200-ecc");
    assert_eq!((gibibytes(&image), image.lanes(), image.ecc_lanes, image.package_ranks), (48, 72, 4, 2));

    let image = read("ddr5-rdimm-6400");
    assert_eq!((image.kind, gibibytes(&image), image.lanes()), (ModuleKind::Rdimm, 64, 80));
    assert_eq!((image.rated.nominal(), image.temperature_range), (6400, Some("XT")));

    let image = read("ddr5-rdimm-3ds-4800");
    assert_eq!((image.kind, image.package), (ModuleKind::Rdimm, Package::SingleLoad { dies: 4 }));
    assert_eq!((gibibytes(&image), image.logical_ranks(), image.temperature_sensor), (256, 8, true));
}

/// Clock period of each rate (source: the standard's speed-bin tables; 2133 pair cross-checked with
/// decode-dimms).
#[test]
fn every_ddr4_rate_is_told_from_its_time_base_values() {
    let table = [
        (1600, 0x0A, 0x00),
        (1866, 0x09, 0xCA),
        (2133, 0x08, 0xC2),
        (2133, 0x08, 0xC1),
        (2400, 0x07, 0xD6),
        (2666, 0x06, 0x00),
        (2933, 0x06, 0xBC),
        (3200, 0x05, 0x00),
    ];
    for (rate, medium, fine) in table {
        // All latencies supported, so that none of the rates draws a remark.
        let image = patched("ddr4-udimm-3200", &[(18, medium), (125, fine), (22, 0xFF)]);
        let image = SpdImage::read(&image).unwrap();
        assert_eq!(image.rated.nominal(), rate);
        assert!(image.remarks.is_empty(), "{rate}: {:?}", image.remarks);
    }
}

/// The exact period cut to whole picoseconds (source: SPD clock periods of DDR5).
#[test]
fn every_ddr5_rate_is_told_from_its_period() {
    let table = [
        (3200u32, 625u16),
        (3600, 555),
        (4000, 500),
        (4400, 454),
        (4800, 416),
        (5200, 384),
        (5600, 357),
        (6000, 333),
        (6400, 312),
        (6800, 294),
        (7200, 277),
        (7600, 263),
        (8000, 250),
        (8400, 238),
        (8800, 227),
    ];
    for (rate, period) in table {
        let [low, high] = period.to_le_bytes();
        let image =
            SpdImage::read(&patched("ddr5-udimm-4800", &[(20, low), (21, high), (28, 0xFF)])).unwrap();
        assert_eq!(image.rated.nominal(), rate);
    }
}

#[test]
fn twelve_gigabit_dies_use_three_quarters_of_their_rows() {
    // 12 Gbit x8: addresses of a 16 Gbit die (17 rows, 10 columns, 16 banks).
    let image = SpdImage::read(&patched("ddr4-udimm-3200", &[(4, 0x88), (5, 0x29)])).unwrap();
    assert_eq!((image.die_gigabits, gibibytes(&image)), (12.0, 24));
    let image = SpdImage::read(&patched("ddr5-udimm-4800", &[(4, 5), (5, 1)])).unwrap();
    assert_eq!((image.die_gigabits, gibibytes(&image)), (24.0, 24));
}

#[test]
fn truncated_images_are_refused_with_the_first_missing_byte() {
    for name in ["ddr4-udimm-3200", "ddr5-udimm-4800"] {
        let image = stored(name);
        for length in 3..image.len() {
            let error = SpdImage::read(&image[..length]).unwrap_err();
            assert_eq!(*error.bytes.start(), length, "{error}");
        }
        let mut long = image.clone();
        long.push(0);
        assert_eq!(*SpdImage::read(&long).unwrap_err().bytes.start(), image.len());
    }
    assert!(SpdImage::read(&[]).unwrap_err().to_string().contains("empty"));
    let dump = STORED[0].1.as_bytes();
    assert!(SpdImage::read(dump).unwrap_err().to_string().contains("binary"));
}

#[test]
fn every_single_bit_error_under_a_checksum_is_refused() {
    for (name, covered) in [("ddr4-udimm-3200", [0..128, 128..256]), ("ddr5-udimm-4800", [0..300, 300..512])]
    {
        let image = stored(name);
        for byte in covered.into_iter().flatten() {
            for bit in 0..8 {
                let mut broken = image.clone();
                broken[byte] ^= 1 << bit;
                assert!(SpdImage::read(&broken).is_err(), "{name}: bit {bit} of byte {byte}");
            }
        }
    }
}

#[test]
fn wrong_checksums_are_refused_by_their_place() {
    for (name, byte, place) in
        [("ddr4-udimm-3200", 30, 126), ("ddr4-udimm-3200", 130, 254), ("ddr5-udimm-4800", 30, 510)]
    {
        let mut image = stored(name);
        image[byte] ^= 0x40;
        let error = SpdImage::read(&image).unwrap_err();
        assert_eq!(error.bytes, place..=place + 1, "{error}");
    }
}

#[test]
fn inconsistent_and_reserved_values_are_refused_with_their_byte() {
    let ddr4: &[(usize, u8)] = &[
        (0, 0x13),
        (1, 0x21),
        (2, 0x0E),
        (3, 0x00),
        (3, 0x0F),
        (4, 0x8B),
        (4, 0x86),
        (4, 0xC5),
        (4, 0xA5),
        (5, 0x3A),
        (5, 0x24),
        (6, 0x10),
        (6, 0x91 & 0x7F),
        (6, 0x90),
        (6, 0x80),
        (6, 0x93),
        (12, 0x0B),
        (12, 0x49),
        (13, 0x04),
        (13, 0x13),
        (17, 0x04),
        (18, 0x00),
        (18, 0x0C),
        (19, 0x01),
        (335, 0x07),
    ];
    for (byte, value) in ddr4 {
        let error = SpdImage::read(&patched("ddr4-udimm-3200", &[(*byte, *value)])).unwrap_err();
        assert!(error.bytes.contains(byte), "byte {byte} = 0x{value:02X}: {error}");
        assert!(error.to_string().contains("allowed"), "{error}");
    }
    let ddr3: &[(usize, u8)] = &[
        (0, 0xA2),
        (0, 0x90),
        (1, 0x20),
        (3, 0x00),
        (3, 0x07),
        (4, 0x07),
        (4, 0x02),
        (5, 0x29),
        (7, 0x03),
        (7, 0x21),
        (8, 0x04),
        (8, 0x13),
        (9, 0x10),
        (11, 0x00),
        (12, 0x00),
        (12, 0x08),
        (33, 0x90),
        (33, 0xA3),
        (133, 0x07),
    ];
    for (byte, value) in ddr3 {
        let error = SpdImage::read(&patched("ddr3-udimm-1333", &[(*byte, *value)])).unwrap_err();
        assert!(error.bytes.contains(byte), "byte {byte} = 0x{value:02X}: {error}");
        assert!(error.to_string().contains("allowed"), "{error}");
    }
    let ddr5: &[(usize, u8)] = &[
        (0, 0x20),
        (1, 0x00),
        (3, 0x07),
        (3, 0x0A),
        (4, 0x00),
        (4, 0x09),
        (4, 0xC4),
        (5, 0x03),
        (5, 0x40),
        (6, 0x60),
        (7, 0x82),
        (7, 0x63),
        (7, 0x61),
        (20, 0x00),
        (22, 0x00),
        (234, 0x40),
        (235, 0x42),
        (235, 0x3A),
        (235, 0x24),
    ];
    for (byte, value) in ddr5 {
        let changes = if *byte == 22 { vec![(22, 0), (23, 0)] } else { vec![(*byte, *value)] };
        let error = SpdImage::read(&patched("ddr5-udimm-4800", &changes)).unwrap_err();
        assert!(error.bytes.contains(byte), "byte {byte} = 0x{value:02X}: {error}");
    }
    let no_latency = patched("ddr4-udimm-3200", &[(20, 0), (21, 0), (22, 0), (23, 0)]);
    assert_eq!(SpdImage::read(&no_latency).unwrap_err().bytes, 20..=23);
    let narrow = patched("ddr4-sodimm-2400", &[(13, 0)]);
    assert_eq!(SpdImage::read(&narrow).unwrap_err().bytes, 13..=13);
}

#[test]
fn an_error_reads_as_a_sentence() {
    let error = SpdImage::read(&patched("ddr4-udimm-3200", &[(12, 0x0B)])).unwrap_err();
    assert_eq!(
        error.to_string(),
        "byte 12 (device width): 0x0B, code 3; allowed: 0 (x4), 1 (x8) or 2 (x16) in bits 2:0; read the module again; \
         if the value stays, write its [[module]] entry by hand"
    );
}

#[test]
fn blank_fields_and_oddities_are_remarked() {
    let blank: Vec<(usize, u8)> = (325..349).map(|byte| (byte, 0xFF)).collect();
    let image = SpdImage::read(&patched("ddr4-udimm-3200", &blank)).unwrap();
    assert_eq!((image.serial.as_ref(), image.part_number.as_ref()), (None, None));
    assert_eq!(image.remarks.len(), 2, "{:?}", image.remarks);
    assert_eq!(image.plan_name(), "module");
    let image =
        SpdImage::read(&patched("ddr4-udimm-3200", &[(320, 0x80 | 0x7F), (324, 0x5A), (10, 1), (3, 0x92)]));
    let image = image.unwrap();
    for byte in ["byte 320", "bytes 323", "byte 10", "byte 3 "] {
        assert!(image.remarks.iter().any(|remark| remark.contains(byte)), "{byte}: {:?}", image.remarks);
    }
    let two_dies = SpdImage::read(&patched("ddr5-udimm-4800", &[(4, 0x24)])).unwrap();
    assert_eq!(gibibytes(&two_dies), 16);
    assert!(two_dies.remarks[0].contains("byte 4"));
}

/// A plan with the entry in place of its only module is read, and its module is the one the image converts
/// to.
#[test]
fn the_entry_is_a_module_of_a_plan() {
    for (name, _) in STORED {
        let image = read(name);
        let rate = image.rated;
        let generation = image.generation;
        let text = format!(
            "title = \"t\"\n[interface]\ngeneration = \"{generation}\"\nlanes = 80\n{}\n[[channel]]\nname = \"direct\"\n\
             fits = [\"{}\"]\n[matrix]\nmodule = [\"{}\"]\nrate = [{rate}]\n[[limit]]\nmetric = \"width\"\n\
             minimum = 0.2\nunit = \"UI\"\nsource = \"none\"\n",
            image.plan_entry(&image.plan_name(), Some(80)),
            if image.package.is_stack() { "3DS" } else { image.kind.name() },
            image.plan_name(),
        );
        let plan = Plan::read(&text).unwrap_or_else(|mistakes| panic!("{name}: {mistakes:?}\n{text}"));
        let (module, interface) = (plan.modules[0].clone(), plan.interface);
        assert_eq!(module, image.to_module(&image.plan_name(), &interface).unwrap());
    }
}

/// A DDR5 module without ECC in a slot with ECC: 32 lanes in each sub-channel of 36 (JESD79-5 has two of 32 data bits a module, ECC
/// beside them; from memory).
#[test]
fn each_sub_channel_of_a_module_meets_one_of_the_interface() {
    let image = read("ddr5-udimm-4800");
    let lanes = |interface: Option<u16>| {
        let entry: toml::Table = image.plan_entry("m", interface).parse().unwrap();
        entry["module"][0]["populated_lanes"][0].as_str().unwrap().to_string()
    };
    assert_eq!(lanes(None), "0-63");
    assert_eq!(lanes(Some(72)), "0-31, 36-67");
    assert_eq!(lanes(Some(80)), "0-31, 40-71");
    assert_eq!(lanes(Some(40)), "0-31", "one sub-channel");
    assert_eq!(lanes(Some(8)), "0-7");
}

#[test]
fn a_module_of_the_other_generation_does_not_fit() {
    let interface = nightbench_core::devices::Interface {
        generation: Generation::Ddr5,
        lanes: 40,
        read: sweep(),
        write: sweep(),
        command: None,
        dfe: false,
        dram_dfe: false,
        termination: TerminationRule::Fixed,
        wck_ratio: None,
    };
    let error = read("ddr4-udimm-3200").to_module("a", &interface).unwrap_err();
    assert!(error.contains("byte 2") && error.contains("DDR5"), "{error}");
    // Lanes beyond the interface's are left out.
    assert_eq!(read("ddr5-rdimm-6400").to_module("a", &interface).unwrap().lanes().len(), 40);
}

fn sweep() -> nightbench_core::devices::SweepRange {
    nightbench_core::devices::SweepRange {
        taps: 64,
        taps_per_ui: 32,
        vref_steps: 64,
        vref_start_percent: 50.0,
        vref_step_percent: 0.5,
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn arbitrary_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..1100)) {
        let _ = SpdImage::read(&bytes).map(|image| (image.facts(), image.plan_entry("x", Some(40))));
    }

    /// Any bytes of a valid image replaced and its checksums made right: read or refused, and what is read is
    /// sane.
    #[test]
    fn mutated_images_never_panic(
        which in 0..STORED.len(),
        changes in proptest::collection::vec((0usize..1024, any::<u8>()), 1..6),
        header in any::<bool>(),
    ) {
        let mut image = stored(STORED[which].0);
        for (byte, value) in changes {
            // Half of the cases aim at the fields that are read.
            let byte = if header { byte % 32 } else { byte };
            if let Some(place) = image.get_mut(byte) {
                *place = value;
            }
        }
        reseal(&mut image);
        match SpdImage::read(&image) {
            Ok(read) => {
                prop_assert!(read.capacity_bytes > 0 && read.lanes() > 0 && read.package_ranks <= 8);
                prop_assert!([4, 8, 16].contains(&read.device_width) && read.package.dies() <= 16);
                prop_assert!(read.plan_entry(&read.plan_name(), None).starts_with("[[module]]"));
                prop_assert!(!read.facts().is_empty());
            }
            Err(error) => {
                prop_assert!(error.bytes.start() <= error.bytes.end());
                prop_assert!(!error.value.is_empty() && !error.allowed.is_empty());
            }
        }
    }

    /// Names and serials with any printable text survive the way through the plan's text.
    #[test]
    fn any_part_number_makes_a_readable_entry(part in "[ -~]{20}") {
        let mut image = stored("ddr4-udimm-3200");
        image[329..349].copy_from_slice(part.as_bytes());
        let image = SpdImage::read(&image).unwrap();
        let name = image.part_number.clone().unwrap_or_default();
        let entry: toml::Table = image.plan_entry(&name, None).parse().unwrap();
        let read = entry["module"][0]["name"].as_str().unwrap().to_string();
        prop_assert_eq!(read, name);
    }
}
