//! SPD images: the DDR3 and DDR4 readers against Debian's `decode-dimms` (package i2c-tools) on every image of tests/data/spd, and the
//! corpus of broken images.
//!
//! Where the tool is not installed the test says so and compares nothing, except on a build server (`CI` set), where
//! its absence is a failure.

use crate::support::missing;
use nightbench_core::devices::ModuleKind;
use nightbench_core::rates::Generation;
use plan::spd::{Addressing, Package, SpdImage};
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The bytes of a dump: an address, then sixteen bytes a line.
pub fn bytes_of(path: &Path) -> Vec<u8> {
    let dump = std::fs::read_to_string(path).expect("a stored image");
    dump.lines()
        .flat_map(|line| line.split_whitespace().skip(1))
        .map(|byte| u8::from_str_radix(byte, 16).expect("two hexadecimal digits"))
        .collect()
}

pub fn stored_images() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("data/spd");
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder)
        .expect("tests/data/spd")
        .map(|entry| entry.expect("a folder entry").path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "hex"))
        .collect();
    paths.sort();
    paths
}

/// The tool's lines, label and value two or more spaces apart; `None` where the tool is not installed.
fn decode(path: &Path) -> Option<HashMap<String, String>> {
    let output = Command::new("decode-dimms").arg("-x").arg(path).output().ok()?;
    assert!(output.status.success(), "decode-dimms failed on {}", path.display());
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    Some(
        text.lines()
            .filter_map(|line| line.split_once("  "))
            .map(|(label, value)| (label.trim().to_string(), value.trim().to_string()))
            .collect(),
    )
}

fn number(text: &str) -> u64 {
    text.split_whitespace()
        .next()
        .and_then(|word| word.parse().ok())
        .unwrap_or_else(|| panic!("no number: {text}"))
}

/// What both generations' images say in the same words.
fn alike(image: &SpdImage, theirs: &HashMap<String, String>, name: &str) {
    let value =
        |label: &str| theirs.get(label).unwrap_or_else(|| panic!("{name}: no line `{label}`")).as_str();
    let kind = match value("Module Type") {
        "LRDIMM" => ModuleKind::Lrdimm,
        "RDIMM" => ModuleKind::Rdimm,
        "UDIMM" => ModuleKind::Udimm,
        "SO-DIMM" => ModuleKind::Sodimm,
        other => panic!("{name}: {other:?}"),
    };
    assert_eq!((image.module_type, image.kind), (value("Module Type"), kind), "{name}");
    assert_eq!(u64::from(image.package_ranks), number(value("Ranks")), "{name}");
    assert_eq!(u64::from(image.device_width), number(value("SDRAM Device Width")), "{name}");
    assert_eq!(u64::from(image.data_lanes), number(value("Primary Bus Width")), "{name}");
    let extension = theirs.get("Bus Width Extension").map_or(0, |text| number(text));
    assert_eq!(u64::from(image.ecc_lanes), extension, "{name}");
    assert_eq!(u64::from(image.rated.nominal()), number(value("Maximum module speed")), "{name}");
    assert_eq!(image.capacity_bytes >> 20, number(value("Size")), "{name}");
    assert_eq!(image.part_number.as_deref(), Some(value("Part Number")), "{name}");
    assert_eq!(
        image.serial.as_ref().map(|serial| format!("0x{serial}")).as_deref(),
        Some(value("Assembly Serial Number"))
    );
}

#[test]
fn ddr3_images_agree_with_decode_dimms() {
    let mut compared = 0;
    for path in stored_images() {
        let name = path.display().to_string();
        let image = SpdImage::read(&bytes_of(&path)).unwrap_or_else(|error| panic!("{name}: {error}"));
        if image.generation != Generation::Ddr3 {
            continue;
        }
        let Some(theirs) = decode(&path) else {
            missing("decode-dimms (package i2c-tools)");
            return;
        };
        let value =
            |label: &str| theirs.get(label).unwrap_or_else(|| panic!("{name}: no line `{label}`")).as_str();
        assert!(value("Fundamental Memory type").starts_with("DDR3"), "{name}");
        let checksum = theirs.iter().find(|(label, _)| label.starts_with("EEPROM CRC of bytes 0-"));
        assert!(checksum.is_some_and(|(_, words)| words.starts_with("OK")), "{name}: {checksum:?}");
        // The tool takes the loading of a stack from two reserved bits, so that only its first word is compared.
        let plain = value("SDRAM Device Type") == "Standard Monolithic";
        assert_eq!(image.package == Package::Monolithic, plain, "{name}");
        alike(&image, &theirs, &name);
        let Addressing { row_bits, column_bits, banks, .. } = image.addressing;
        let layout = format!("{banks} x {row_bits} x {column_bits} x ");
        assert!(value("Banks x Rows x Columns x Bits").starts_with(&layout), "{name}: {layout}");
        assert_eq!(image.temperature_sensor, value("Module Thermal Sensor") == "Yes", "{name}");
        compared += 1;
    }
    assert!(compared >= 7, "only {compared} DDR3 images were compared");
}

#[test]
fn ddr4_images_agree_with_decode_dimms() {
    let mut compared = 0;
    for path in stored_images() {
        let name = path.display().to_string();
        let image = SpdImage::read(&bytes_of(&path)).unwrap_or_else(|error| panic!("{name}: {error}"));
        if image.generation != Generation::Ddr4 {
            continue;
        }
        let Some(theirs) = decode(&path) else {
            missing("decode-dimms (package i2c-tools)");
            return;
        };
        let value =
            |label: &str| theirs.get(label).unwrap_or_else(|| panic!("{name}: no line `{label}`")).as_str();
        assert!(value("Fundamental Memory type").starts_with("DDR4"), "{name}");
        for checksum in ["EEPROM CRC of bytes 0-125", "EEPROM CRC of bytes 128-253"] {
            assert!(value(checksum).starts_with("OK"), "{name}");
        }
        let package = match image.package {
            Package::Monolithic => "Monolithic".to_string(),
            Package::MultiLoad { dies } => format!("Multi-load stack ({dies} dies)"),
            Package::SingleLoad { dies } => format!("3DS ({dies} dies)"),
        };
        assert_eq!(package, value("Package Type"), "{name}");
        alike(&image, &theirs, &name);
        let Addressing { row_bits, column_bits, bank_groups, banks } = image.addressing;
        let all = u32::from(bank_groups) * u32::from(banks);
        let layout = format!("{all} x {row_bits} x {column_bits} x ");
        assert!(value("Banks x Rows x Columns x Bits").starts_with(&layout), "{name}: {layout}");
        let sensor = value("Thermal Sensor") != "No";
        assert_eq!(image.temperature_sensor, sensor, "{name}");
        compared += 1;
    }
    assert!(compared >= 9, "only {compared} DDR4 images were compared");
}

/// Images that easily could be trouble, kept in tests/corpus/spd: each is refused with a byte, none is read.
#[test]
fn the_corpus_is_refused() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus/spd");
    let mut count = 0;
    for entry in std::fs::read_dir(folder).expect("tests/corpus/spd") {
        let path = entry.expect("an entry").path();
        let error = SpdImage::read(&std::fs::read(&path).expect("a readable file"));
        let error = error.expect_err(&path.display().to_string());
        assert!(error.to_string().starts_with("byte"), "{}: {error}", path.display());
        count += 1;
    }
    assert!(count >= 10, "{count} files");
}
