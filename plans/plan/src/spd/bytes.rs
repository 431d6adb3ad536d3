//! Access to the bytes of an SPD image: size and generation check, bit fields, checksum, maker's block.

use super::SpdError;
use nightbench_core::generations::Spd;
use nightbench_core::rates::Generation;
use std::ops::Range;

/// The bytes of an image whose size fits its generation.
#[derive(Clone, Copy)]
pub(super) struct Image<'a>(&'a [u8]);

/// Where the maker's block of a generation keeps its fields.
pub(super) struct MakerBlock {
    /// Maker's JEP-106 code, two bytes.
    pub maker: usize,
    /// Year and week, two bytes.
    pub date: usize,
    /// Serial number, four bytes.
    pub serial: usize,
    /// Part number: first byte and length.
    pub part: (usize, usize),
}

/// What the maker's block says.
pub(super) struct Maker {
    pub code: Option<(u8, u8)>,
    pub made: Option<(u8, u8)>,
    pub serial: Option<String>,
    pub part_number: Option<String>,
    pub remarks: Vec<String>,
}

/// CRC-16 with polynomial 0x1021, start 0, most significant bit first, no final inversion, as SPD images use
/// it.
pub(super) fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0u16, |crc, byte| {
        (0..8).fold(
            crc ^ u16::from(*byte) << 8,
            |crc, _| {
                if crc & 0x8000 == 0 { crc << 1 } else { crc << 1 ^ 0x1021 }
            },
        )
    })
}

impl<'a> Image<'a> {
    /// Revision of the image's layout, which every generation keeps in byte 1.
    pub fn revision(self) -> Result<(u8, u8), SpdError> {
        let revision = (self.bits(1, 7, 4), self.bits(1, 3, 0));
        if revision.0 != 1 {
            return Err(SpdError::at(
                1,
                "revision",
                format!("{}.{}", revision.0, revision.1),
                "1.0 to 1.15: another major revision may have moved fields",
            ));
        }
        Ok(revision)
    }

    /// Tells the generation and checks the size against it.
    pub fn open(bytes: &'a [u8]) -> Result<(Generation, Image<'a>), SpdError> {
        let whole = &sizes();
        if bytes.is_empty() {
            return Err(SpdError::over(
                0..=0,
                "first byte",
                "the image is empty",
                whole,
                "read the module again",
            ));
        }
        if looks_like_text(bytes) {
            return Err(SpdError::over(
                0..=bytes.len() - 1,
                "image",
                "the bytes are text",
                format!("the binary image, {whole}"),
                "turn a hexadecimal dump back into binary first (for example with `xxd -r`)",
            ));
        }
        let Some(&kind) = bytes.get(2) else {
            return Err(ends_early(bytes.len(), whole));
        };
        let Some((generation, Spd { bytes: size, .. })) = readable().find(|(_, spd)| spd.memory_type == kind)
        else {
            let name = match kind {
                0x0E => " (DDR4E)",
                0x10 => " (LPDDR4)",
                0x13 => " (LPDDR5)",
                _ => "",
            };
            let known: Vec<String> =
                readable().map(|(of, spd)| format!("0x{:02X} ({of})", spd.memory_type)).collect();
            return Err(SpdError::at(2, "memory type", format!("0x{kind:02X}{name}"), known.join(" or ")));
        };
        if bytes.len() < size {
            return Err(ends_early(bytes.len(), &format!("{size} bytes for {generation}")));
        }
        if bytes.len() > size {
            return Err(SpdError::over(
                size..=bytes.len() - 1,
                "beyond the image",
                format!("the image has {} bytes", bytes.len()),
                format!("{size} bytes for {generation}"),
                "cut the file to one module's image",
            ));
        }
        Ok((generation, Image(bytes)))
    }

    /// One byte; 0 outside the image (the size was checked at opening).
    pub fn at(self, byte: usize) -> u8 {
        self.0.get(byte).copied().unwrap_or(0)
    }

    /// Bits `high..=low` of one byte, shifted down.
    pub fn bits(self, byte: usize, high: u32, low: u32) -> u8 {
        let mask = (2u16 << (high - low)) - 1;
        (u16::from(self.at(byte)) >> low & mask) as u8
    }

    /// Two bytes, least significant first.
    pub fn word(self, byte: usize) -> u16 {
        u16::from_le_bytes([self.at(byte), self.at(byte + 1)])
    }

    /// Compares the checksum of bytes `first..stored` with the one at `stored`. The sum may cover less than
    /// up to its own place, never more.
    pub fn check_crc(self, first: usize, stored: usize, field: &'static str) -> Result<(), SpdError> {
        self.check_crc_of(first..stored, stored, field)
    }

    /// As [`Image::check_crc`], of any bytes.
    pub fn check_crc_of(
        self,
        covered: Range<usize>,
        stored: usize,
        field: &'static str,
    ) -> Result<(), SpdError> {
        let (first, last) = (covered.start, covered.end.saturating_sub(1));
        let sum = crc16(self.0.get(covered).unwrap_or_default());
        let found = self.word(stored);
        if sum == found {
            return Ok(());
        }
        Err(SpdError::over(
            stored..=stored + 1,
            field,
            format!("0x{found:04X}, but bytes {first} to {last} give 0x{sum:04X}"),
            format!("0x{sum:04X} (low byte first)"),
            "read the module again: at least one byte is not what was programmed",
        ))
    }

    /// Reads the maker's block. No checksum covers it, so blank fields are remarks; a part number with
    /// unprintable bytes is refused.
    pub fn maker(self, block: &MakerBlock) -> Result<Maker, SpdError> {
        let mut remarks = Vec::new();
        let (continuation, code) = (self.at(block.maker), self.at(block.maker + 1));
        let blank = matches!((continuation, code), (0, 0) | (0xFF, 0xFF));
        if !blank {
            for (byte, value) in [(block.maker, continuation), (block.maker + 1, code)] {
                if value.count_ones() % 2 == 0 {
                    remarks.push(format!(
                        "byte {byte} (module maker) is 0x{value:02X}: its parity bit is wrong"
                    ));
                }
            }
        }
        let (year, week) = (self.at(block.date), self.at(block.date + 1));
        let made = match (decimal(year), decimal(week)) {
            (Some(year), Some(week)) if (1..=53).contains(&week) => Some((year, week)),
            _ => {
                if !matches!((year, week), (0, 0) | (0xFF, 0xFF)) {
                    remarks.push(format!(
                        "bytes {} and {} (year and week) are 0x{year:02X} 0x{week:02X}: not a date in packed decimal",
                        block.date,
                        block.date + 1
                    ));
                }
                None
            }
        };
        let serial = [0, 1, 2, 3].map(|i| self.at(block.serial + i));
        let serial = match u32::from_be_bytes(serial) {
            0 | u32::MAX => {
                remarks.push(format!(
                    "bytes {} to {} (serial number) are blank: the module cannot be told from others of its kind",
                    block.serial,
                    block.serial + 3
                ));
                None
            }
            number => Some(format!("{number:08X}")),
        };
        let part_number = self.part_number(block.part, &mut remarks)?;
        Ok(Maker { code: (!blank).then_some((continuation, code)), made, serial, part_number, remarks })
    }

    fn part_number(
        self,
        (first, length): (usize, usize),
        remarks: &mut Vec<String>,
    ) -> Result<Option<String>, SpdError> {
        let field = self.0.get(first..first + length).unwrap_or_default();
        // Padding is spaces by the standard; blank memory (0x00, 0xFF) at the end is common.
        let used = field.iter().rposition(|byte| !matches!(byte, b' ' | 0 | 0xFF)).map_or(0, |last| last + 1);
        let mut text = String::with_capacity(used);
        for (i, byte) in field.iter().take(used).enumerate() {
            if !(b' '..=b'~').contains(byte) {
                return Err(SpdError::at(
                    first + i,
                    "part number",
                    format!("0x{byte:02X} inside the text"),
                    "printable ASCII, 0x20 to 0x7E",
                ));
            }
            text.push(char::from(*byte));
        }
        let text = text.trim().to_string();
        if text.is_empty() {
            remarks.push(format!("bytes {first} to {} (part number) are blank", first + length - 1));
            return Ok(None);
        }
        Ok(Some(text))
    }
}

/// Generations whose images are read, with what these are.
fn readable() -> impl Iterator<Item = (Generation, Spd)> {
    Generation::ALL.into_iter().filter_map(|(_, generation)| Some((generation, generation.facts().spd?)))
}

/// The sizes of whole images.
fn sizes() -> String {
    let sizes: Vec<String> = readable().map(|(of, spd)| format!("{} bytes ({of})", spd.bytes)).collect();
    sizes.join(" or ")
}

fn ends_early(length: usize, whole: &str) -> SpdError {
    SpdError::over(
        length..=length,
        "missing",
        format!("the image ends after {length} bytes"),
        whole,
        "read the module again to its last byte",
    )
}

/// Is it a hexadecimal dump or the like? No real image is all text: its fields hold small numbers.
fn looks_like_text(bytes: &[u8]) -> bool {
    bytes.iter().all(|byte| byte.is_ascii_graphic() || byte.is_ascii_whitespace())
}

/// A packed decimal byte, 0x00 to 0x99.
fn decimal(byte: u8) -> Option<u8> {
    let (tens, ones) = (byte >> 4, byte & 15);
    (tens < 10 && ones < 10).then_some(tens * 10 + ones)
}
