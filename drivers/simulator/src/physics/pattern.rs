//! What is sent, as far as it decides which interference can occur.

use super::error::PhysicsError;

/// Data on the lane looked at (the victim) and on the seven other bits of its byte.
#[derive(Debug, Clone, PartialEq)]
pub enum Pattern {
    /// Independent random bits on all eight lines: every interference pattern occurs with its natural probability.
    Prbs,
    /// One bit sequence, repeated without end, the same on all eight lines: only its own interference values occur.
    Fixed(Vec<bool>),
    /// One bit sequence, repeated without end, on the lane; independent random bits on the other seven. A short
    /// pseudo-random sequence: it holds only some of the interference patterns that random data has.
    Sequence(Vec<bool>),
    /// Random bits on the victim, and one other random sequence on all seven aggressors together, so that their coupling
    /// always adds up with one sign.
    VictimAggressor,
    /// Random bits on the victim; the other seven lines keep one level, so that they couple nothing.
    VictimOnly,
    /// Random bytes with data-bus inversion: a byte with more than four zeros is sent inverted, so at most four of its
    /// eight bits are 0. Probabilities by enumeration of the 256 bytes; the inversion bit itself is not modelled.
    DataBusInversion,
}

/// Longest fixed sequence, bits.
pub const LONGEST_SEQUENCE: usize = 1024;

/// Highest order whose pseudo-random sequence is followed bit by bit; longer ones hold practically every interference
/// pattern with its natural probability and are taken as random.
pub const HIGHEST_FINITE_ORDER: u8 = 9;

/// The pseudo-random sequence of an order: 2^order - 1 bits of a shift register with feedback from its last stage and
/// one other (ITU-T O.150: x^7+x^6+1, x^9+x^5+1). `None` for other orders, see [`HIGHEST_FINITE_ORDER`].
#[must_use]
pub fn pseudo_random(order: u8) -> Option<Vec<bool>> {
    let other = match order {
        7 => 6,
        9 => 5,
        _ => return None,
    };
    let mut state = 1u32;
    let length = (1usize << order) - 1;
    let bits = (0..length).map(|_| {
        let next = (state >> (order - 1) ^ state >> (other - 1)) & 1;
        state = (state << 1 | next) & ((1 << order) - 1);
        next == 1
    });
    Some(bits.collect())
}

/// Bits as +1 and -1.
#[must_use]
pub fn signs(bits: &[bool]) -> Vec<f64> {
    bits.iter().map(|one| if *one { 1.0 } else { -1.0 }).collect()
}

/// One combined event in one unit interval of an inverted byte.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CodedEvent {
    /// Victim's bit, +1 or -1.
    pub victim: f64,
    /// Sum of weight x bit over the seven other bits.
    pub coupled: f64,
    /// Sum of the seven other bits.
    pub others: f64,
    /// Probability; all events add up to 1.
    pub probability: f64,
}

impl Pattern {
    /// Refuses a fixed sequence that is empty or too long.
    ///
    /// # Errors
    /// [`PhysicsError::OutOfRange`] with the allowed length.
    pub fn validate(&self) -> Result<(), PhysicsError> {
        if let Pattern::Fixed(bits) | Pattern::Sequence(bits) = self {
            let length = bits.len() as f64;
            PhysicsError::check_range(
                "length of the fixed pattern",
                length,
                1.0,
                LONGEST_SEQUENCE as f64,
                "bit",
            )?;
        }
        Ok(())
    }
}

/// Joint distribution of the victim's bit and the weighted sum of the others after data-bus inversion.
///
/// Exact: each of the 256 raw bytes is equally likely, is inverted when more than four of its bits are 0, and adds 1/256
/// to its event. Bit 0 is the victim; the code treats all eight alike. Equal events are merged; `apart`: those with
/// another number of ones are not equal.
#[must_use]
pub fn data_bus_inversion_events(weights: &[f64; 7], apart: bool) -> Vec<CodedEvent> {
    let mut events: Vec<CodedEvent> = (0..=255u8)
        .map(|raw| {
            let sent = if raw.count_zeros() > 4 { !raw } else { raw };
            let level = |bit: usize| if (sent >> bit) & 1 == 1 { 1.0 } else { -1.0 };
            let coupled = weights.iter().enumerate().map(|(i, w)| w * level(i + 1)).sum();
            let others = (1..8).map(level).sum();
            CodedEvent { victim: level(0), coupled, others, probability: 1.0 / 256.0 }
        })
        .collect();
    let ones = |event: &CodedEvent| if apart { event.others } else { 0.0 };
    events.sort_by(|a, b| {
        let count = ones(a).total_cmp(&ones(b));
        a.victim.total_cmp(&b.victim).then(count).then(a.coupled.total_cmp(&b.coupled))
    });
    let mut merged: Vec<CodedEvent> = Vec::new();
    for event in events {
        match merged.last_mut() {
            Some(last)
                if last.victim == event.victim
                    && ones(last) == ones(&event)
                    && (last.coupled - event.coupled).abs() < 1e-9 =>
            {
                last.probability += event.probability;
            }
            _ => merged.push(event),
        }
    }
    merged
}
