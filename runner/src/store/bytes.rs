//! Numbers and bits to bytes and back, for the packing; reading checks every length.

use super::packing::{PackingError, damaged};
use std::cell::RefCell;

thread_local! {
    // Making one costs more than unpacking a small capture does.
    static DECOMPRESSOR: RefCell<Option<zstd::bulk::Decompressor<'static>>> = const { RefCell::new(None) };
}

/// Bytes consumed from their beginning.
pub(super) struct Input<'a> {
    /// What was not consumed yet.
    pub rest: &'a [u8],
}

impl<'a> Input<'a> {
    pub(super) fn byte(&mut self) -> Result<u8, PackingError> {
        let (&first, rest) = self.rest.split_first().ok_or_else(|| damaged("it ends too early"))?;
        self.rest = rest;
        Ok(first)
    }

    pub(super) fn varint(&mut self) -> Result<u64, PackingError> {
        let mut value = 0_u64;
        for shift in (0..u64::BITS).step_by(7) {
            let byte = self.byte()?;
            let part = u64::from(byte & 0x7f);
            if shift == 63 && part > 1 {
                break;
            }
            value |= part << shift;
            if byte & 0x80 == 0 {
                return Ok(value);
            }
        }
        Err(damaged("a number is longer than 64 bits"))
    }

    pub(super) fn take(&mut self, count: usize) -> Result<&'a [u8], PackingError> {
        let (now, rest) = self.rest.split_at_checked(count).ok_or_else(|| damaged("it ends too early"))?;
        self.rest = rest;
        Ok(now)
    }

    /// Reads a plane of at most `most` bytes.
    pub(super) fn plane(&mut self, most: usize, name: &str) -> Result<Vec<u8>, PackingError> {
        let length = self.varint()?;
        if length > most as u64 {
            return Err(damaged(format!("the plane of {name} claims {length} bytes, at most {most} fit")));
        }
        let length = length as usize;
        if length == 0 {
            return Ok(Vec::new());
        }
        let stored = usize::try_from(self.varint()?).map_err(|_| damaged("the length of a plane"))?;
        if stored == 0 {
            return Ok(self.take(length)?.to_vec());
        }
        let frame = self.take(stored)?;
        let plane = DECOMPRESSOR
            .with_borrow_mut(|zstd| match zstd {
                Some(zstd) => zstd.decompress(frame, length),
                None => zstd.insert(zstd::bulk::Decompressor::new()?).decompress(frame, length),
            })
            .map_err(|error| damaged(format!("the plane of {name}: {error}")))?;
        if plane.len() != length {
            return Err(damaged(format!("the plane of {name} has {} bytes, not {length}", plane.len())));
        }
        Ok(plane)
    }
}

/// Appends a number, 7 bits a byte, lowest first, the top bit set in all but the last (LEB128).
pub(super) fn write_varint(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push(value as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

/// Signed to unsigned, small numbers staying small: 0, -1, 1, -2 become 0, 1, 2, 3.
pub(super) fn zigzag(value: i64) -> u64 {
    ((value << 1) ^ (value >> 63)) as u64
}

/// The number behind [`zigzag`].
pub(super) fn unzigzag(value: u64) -> i64 {
    (value >> 1) as i64 ^ -((value & 1) as i64)
}

/// Bits, lowest first within each byte.
#[derive(Default)]
pub(super) struct BitWriter {
    bytes: Vec<u8>,
    pending: u128,
    count: u32,
}

impl BitWriter {
    pub(super) fn push(&mut self, value: u64, count: u32) {
        self.pending |= u128::from(value) << self.count;
        self.count += count;
        if self.count >= 64 {
            self.bytes.extend_from_slice(&(self.pending as u64).to_le_bytes());
            self.pending >>= 64;
            self.count -= 64;
        }
    }

    pub(super) fn finish(mut self) -> Vec<u8> {
        let used = self.count.div_ceil(8) as usize;
        self.bytes.extend(self.pending.to_le_bytes().iter().take(used));
        self.bytes
    }
}

/// Reads what [`BitWriter`] wrote.
pub(super) struct BitReader<'a> {
    rest: &'a [u8],
    pending: u128,
    count: u32,
}

impl<'a> BitReader<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> BitReader<'a> {
        BitReader { rest: bytes, pending: 0, count: 0 }
    }

    /// The next `count` (at most 64) bits.
    pub(super) fn take(&mut self, count: u32) -> Result<u64, PackingError> {
        if self.count < count {
            // Eight bytes at a time, and the last few one by one.
            if let Some((word, rest)) = self.rest.split_first_chunk::<8>() {
                self.pending |= u128::from(u64::from_le_bytes(*word)) << self.count;
                self.count += 64;
                self.rest = rest;
            } else {
                while let (true, Some((&byte, rest))) = (self.count < count, self.rest.split_first()) {
                    self.pending |= u128::from(byte) << self.count;
                    self.count += 8;
                    self.rest = rest;
                }
            }
            if self.count < count {
                return Err(damaged("low bits are missing"));
            }
        }
        let value = (self.pending & ((1 << count) - 1)) as u64;
        self.pending >>= count;
        self.count -= count;
        Ok(value)
    }
}

/// Adler-32 checksum (RFC 1950, section 8.2).
pub(super) fn adler32(bytes: &[u8]) -> u32 {
    let (mut a, mut b) = (1_u32, 0_u32);
    // 5552 is the most bytes whose sums stay below 2^32 (RFC 1950 reference code).
    for chunk in bytes.chunks(5552) {
        for &byte in chunk {
            a += u32::from(byte);
            b += a;
        }
        a %= 65521;
        b %= 65521;
    }
    b << 16 | a
}
