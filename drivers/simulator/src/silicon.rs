//! The invented silicon: how each chip, module and mounting differs, drawn from names.
//!
//! A chip's and a module's deviations follow from their names alone, so that the same names are the same parts under
//! every seed; a mounting's contacts and a start's training noise follow from the seed as well.

use super::draws::Draws;
use super::physics::{BitDraws, BitVariation, Contact, Mounting, Parameters};
use nightbench_core::devices::Module;
use nightbench_core::results::{Direction, EyeName};

/// Deviations of one lane of a module on a chip.
///
/// `group` is the strobe group (byte lane, or 4 lanes with x4 parts) that shares a strobe's skew.
pub fn bit(p: &Parameters, chip: &str, module: &Module, eye: EyeName, lane: u16) -> BitVariation {
    // Command lines share the clock, are copper of their own, and stand on either half of a pair alike.
    let command = eye.direction == Direction::Command;
    let half = if command { 0 } else { module.half_of(lane) as u8 };
    let group = if command { 0 } else { lane / u16::from(module.device_width.clamp(4, 8)) };
    let kind: &[u8] = if command { b"command copper" } else { b"module copper" };
    let pads: &[u8] = if command { b"command pad" } else { b"module pad" };
    let (direction, rank) = (eye.direction.name().as_bytes(), [eye.rank]);
    let lane_bytes = lane.to_le_bytes();
    // Copper belongs to the module's lane whatever the direction; the pad to the rank's DRAM as well.
    let mut copper = Draws::of(&[kind, module.name.as_bytes(), &[half], &lane_bytes]);
    let mut pad = Draws::of(&[pads, module.name.as_bytes(), &[half], &rank, &lane_bytes]);
    let mut receiver = Draws::of(&[b"chip lane", chip.as_bytes(), direction, &lane_bytes]);
    let mut strobe = Draws::of(&[
        b"strobe",
        chip.as_bytes(),
        module.name.as_bytes(),
        direction,
        &[half],
        &rank,
        &group.to_le_bytes(),
    ]);
    let mut line = Draws::of(&[b"delay line", chip.as_bytes(), direction, &group.to_le_bytes()]);
    let draws = BitDraws {
        impedance: copper.normal(),
        capacitance: pad.normal(),
        length: copper.normal(),
        bit_skew: receiver.normal(),
        lane_skew: strobe.normal(),
        offset: receiver.normal(),
        delay_drift: receiver.normal(),
        nonlinearity_turn: line.uniform(),
    };
    BitVariation::from_draws(p, eye.direction, &draws)
}

/// Contacts of one mounting of a half (0 or 1; 0 unless the module is a half-populated pair).
pub fn mounting(
    p: &Parameters,
    seed: u64,
    chip: &str,
    module: &str,
    channel: &str,
    half: u8,
    number: u32,
) -> Mounting {
    let mut draws = Draws::of(&[
        b"mounting",
        &seed.to_le_bytes(),
        chip.as_bytes(),
        module.as_bytes(),
        channel.as_bytes(),
        &[half],
        &number.to_le_bytes(),
    ]);
    let mut contact = || Contact::from_draws(p, [draws.normal(), draws.normal(), draws.normal()]);
    Mounting {
        adapter: contact(),
        risers: [contact(), contact(), contact()],
        board: contact(),
        socket: contact(),
    }
}
