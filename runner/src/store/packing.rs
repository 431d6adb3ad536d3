//! Visits of a capture to bytes and back: lossless, compact, safe against damaged bytes.
//!
//! Counts fall into two kinds that do not mix well in one coder. A point that fails stops after a short
//! burst, and its counts are noise of about 2.5 bits a lane that only an entropy coder shortens. A point
//! with a passing lane is counted for millions of bits: its lanes hold zeros, half the bits or something
//! between. So visits of at most 8, at most 255 and more bits go to separate planes. Of the long counts, lane
//! by lane, the lengths of the runs of one sort (zero, near half, between) are kept, and each count above zero
//! becomes a token of few values and raw low bits that no coder could shorten. Every plane is compressed by
//! itself (zstd). The layout is documented byte by byte in `STORE.md`.

use super::bytes::{BitReader, BitWriter, Input, adler32, unzigzag, write_varint, zigzag};
use nightbench_core::results::{Grid, MOST_COUNTS as GRID_COUNTS, MOST_LANES, Point, Visit, VisitKind};
use std::cell::RefCell;
use zstd::zstd_safe::CParameter;

/// First byte of every packed capture.
const LAYOUT: u8 = 1;
/// Visits to at most this many bits (one burst of 8 beats) have a plane of their own.
const BURST_BITS: u64 = 8;
/// Visits to at most this many bits keep one byte a lane.
const SHORT_BITS: u64 = 255;
/// Most visits a point of the grid may have on average, beside [`SPARE_VISITS`].
const VISITS_PER_POINT: usize = 64;
/// Visits allowed on top of [`VISITS_PER_POINT`], so that tiny grids may be measured over and over.
const SPARE_VISITS: usize = 4096;
/// Most counts (visits x lanes) of one capture, 256 MiB when unpacked: a raster of the largest grid that a plan may ask for comes back
/// to one point in four.
const MOST_COUNTS: usize = 2 * GRID_COUNTS;
/// zstd level: higher ones gain nothing on noise and cost time.
const LEVEL: i32 = 1;
/// Planes of at most this many bytes are stored as they are: a frame alone takes about 20.
const SMALL_PLANE: usize = 32;
/// Hash table of 64 entries and matches of 7 bytes or more. Chance matches within noise cost more than they
/// save: on 294,912 counts of Binomial(8, 1/2) level 1 alone gives 104.8 kB in 1.0 ms, with these settings
/// 95.6 kB in 0.3 ms (entropy 93.8 kB). Runs of equal bytes are still found.
const FEW_MATCHES: [CParameter; 2] = [CParameter::HashLog(6), CParameter::MinMatch(7)];

/// Why visits cannot be packed or bytes cannot be unpacked.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PackingError {
    /// A visit that breaks the rules of a capture.
    #[error("visit {visit} {problem}")]
    Visit {
        /// Index in the capture's list of visits.
        visit: usize,
        /// What is wrong with it.
        problem: String,
    },
    /// More lanes, visits or counts than a capture may hold.
    #[error("the capture has {found} {what}, but at most {limit} can be stored")]
    TooMany {
        /// What there is too much of.
        what: &'static str,
        /// How many there are.
        found: u64,
        /// How many there may be.
        limit: u64,
    },
    /// The bytes are not what the packer wrote.
    #[error("the packed counts are damaged: {problem}")]
    Damaged {
        /// What does not fit.
        problem: String,
    },
    /// zstd refused to compress.
    #[error("the counts cannot be compressed: {0}")]
    Compression(String),
}

/// Damage in words.
pub(super) fn damaged(problem: impl Into<String>) -> PackingError {
    PackingError::Damaged { problem: problem.into() }
}

/// Packs the visits of a capture with `lanes` lanes on `grid`, in the order given.
///
/// # Errors
/// A point off the grid, a visit whose number of counts is not `lanes`, a count above the visit's bits, or
/// more lanes, visits or counts than a capture may hold.
pub fn pack_visits(grid: &Grid, lanes: usize, visits: &[Visit]) -> Result<Vec<u8>, PackingError> {
    check_size(grid, lanes, visits.len())?;
    let long = visits.iter().filter(|visit| visit.bits > SHORT_BITS).count();
    let mut places = Vec::with_capacity(visits.len() + 16);
    let mut kinds = Vec::with_capacity(visits.len());
    let mut bits = Vec::with_capacity(2 * visits.len() + 16);
    let mut burst = Vec::with_capacity(lanes * (visits.len() - long));
    let mut short = Vec::new();
    let mut sorts = vec![Sort::Zero; lanes * long];
    let mut near = Vec::new();
    let mut between = Vec::new();
    let mut low = BitWriter::default();
    let mut previous = -1_i64;
    let mut long_index = 0;
    for (index, visit) in visits.iter().enumerate() {
        check_visit(grid, lanes, index, visit)?;
        let place = snake_index(grid, visit.point) as i64;
        write_varint(&mut places, zigzag(place - previous - 1));
        previous = place;
        kinds.push(kind_code(visit.kind));
        write_varint(&mut bits, visit.bits);
        if visit.bits <= SHORT_BITS {
            let plane = if visit.bits <= BURST_BITS { &mut burst } else { &mut short };
            plane.extend(visit.errors.iter().map(|&errors| errors as u8));
        } else {
            let coder = LongCount::of(visit.bits);
            for (lane, &errors) in visit.errors.iter().enumerate() {
                if errors != 0 {
                    let (sort, token, count, value) = coder.token(errors);
                    sorts[lane * long + long_index] = sort;
                    if sort == Sort::Near {
                        near.push(token)
                    } else {
                        between.push(token)
                    }
                    low.push(value, count);
                }
            }
            long_index += 1;
        }
    }
    let runs = run_lengths(&sorts);
    let low = low.finish();
    let mut out = vec![LAYOUT];
    write_varint(&mut out, lanes as u64);
    write_varint(&mut out, visits.len() as u64);
    COMPRESSOR
        .with_borrow_mut(|zstd| -> std::io::Result<()> {
            let zstd = match zstd {
                Some(zstd) => zstd,
                None => zstd.insert(compressor()?),
            };
            [&places, &kinds, &bits, &burst, &short, &runs, &near, &between, &low]
                .into_iter()
                .try_for_each(|plane| write_plane(zstd, &mut out, plane))
        })
        .map_err(|error| PackingError::Compression(error.to_string()))?;
    let sum = adler32(&out);
    out.extend_from_slice(&sum.to_le_bytes());
    Ok(out)
}

/// Unpacks what [`pack_visits`] made of a capture with `lanes` lanes on `grid`.
///
/// Every length is checked against the grid and the caps before memory is taken for it.
///
/// # Errors
/// Bytes that are cut short, changed, or belong to another grid or number of lanes.
pub fn unpack_visits(grid: &Grid, lanes: usize, packed: &[u8]) -> Result<Vec<Visit>, PackingError> {
    let Some((body, sum)) = packed.split_last_chunk::<4>() else {
        return Err(damaged(format!("{} bytes are too few", packed.len())));
    };
    if adler32(body) != u32::from_le_bytes(*sum) {
        return Err(damaged("the checksum does not match"));
    }
    let mut input = Input { rest: body };
    let layout = input.byte()?;
    if layout != LAYOUT {
        return Err(damaged(format!("layout {layout} is unknown (this version knows layout {LAYOUT})")));
    }
    let stored_lanes = input.varint()?;
    if stored_lanes != lanes as u64 {
        return Err(damaged(format!("{stored_lanes} lanes, expected {lanes}")));
    }
    let count = usize::try_from(input.varint()?).map_err(|_| damaged("the number of visits"))?;
    check_size(grid, lanes, count)?;
    let places = input.plane(10 * count, "places")?;
    let kinds = input.plane(count, "kinds")?;
    let bits = input.plane(10 * count, "bits")?;
    let burst = input.plane(lanes * count, "burst counts")?;
    let short = input.plane(lanes * count, "short counts")?;
    let runs = input.plane(2 * lanes * count + 16, "runs")?;
    let near = input.plane(lanes * count, "counts near half")?;
    let between = input.plane(lanes * count, "counts between")?;
    let low = input.plane(8 * (near.len() + between.len()) + 8, "low bits")?;
    if !input.rest.is_empty() {
        return Err(damaged(format!("{} bytes follow the last plane", input.rest.len())));
    }
    if kinds.len() != count {
        return Err(damaged(format!("{} kinds for {count} visits", kinds.len())));
    }
    let headers = read_headers(grid, &places, &kinds, &bits)?;
    let long = headers.iter().filter(|header| header.2 > SHORT_BITS).count();
    let sorts = read_runs(&runs, lanes * long)?;
    let mut planes = Counts {
        burst: Input { rest: &burst },
        short: Input { rest: &short },
        near: Input { rest: &near },
        between: Input { rest: &between },
        low: BitReader::new(&low),
    };
    let mut long_index = 0;
    let mut visits = Vec::with_capacity(count);
    for (point, kind, bits) in headers {
        let errors = if bits <= SHORT_BITS {
            let plane = if bits <= BURST_BITS { &mut planes.burst } else { &mut planes.short };
            plane.take(lanes)?.iter().map(|&errors| u64::from(errors)).collect::<Vec<u64>>()
        } else {
            let coder = LongCount::of(bits);
            let mut errors = Vec::with_capacity(lanes);
            for lane in 0..lanes {
                match sorts[lane * long + long_index] {
                    Sort::Zero => errors.push(0),
                    sort => errors.push(planes.long(&coder, sort)?),
                }
            }
            long_index += 1;
            errors
        };
        if let Some(errors) = errors.iter().find(|&&errors| errors > bits) {
            return Err(damaged(format!("{errors} errors in {bits} bits")));
        }
        visits.push(Visit { point, kind, bits, errors });
    }
    if planes.left() > 0 {
        return Err(damaged("more counts than visits"));
    }
    Ok(visits)
}

/// The planes that counts are read from, each consumed from its beginning.
struct Counts<'a> {
    burst: Input<'a>,
    short: Input<'a>,
    near: Input<'a>,
    between: Input<'a>,
    low: BitReader<'a>,
}

impl Counts<'_> {
    fn long(&mut self, coder: &LongCount, sort: Sort) -> Result<u64, PackingError> {
        match sort {
            Sort::Zero => Ok(0),
            Sort::Near => coder.near(self.near.byte()?, &mut self.low),
            Sort::Between => coder.between(self.between.byte()?, &mut self.low),
        }
    }

    /// Bytes that no visit asked for.
    fn left(&self) -> usize {
        self.burst.rest.len() + self.short.rest.len() + self.near.rest.len() + self.between.rest.len()
    }
}

/// What sort of number a long count is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sort {
    /// No error.
    Zero,
    /// Within 32 steps of half of the bits: see [`LongCount`].
    Near,
    /// Anything else.
    Between,
}

impl Sort {
    /// The sort of the run after one of this sort: two are possible.
    fn next(self, second: bool) -> Sort {
        match (self, second) {
            (Sort::Zero, false) | (Sort::Near, true) => Sort::Between,
            (Sort::Between, false) | (Sort::Zero, true) => Sort::Near,
            (Sort::Near, false) | (Sort::Between, true) => Sort::Zero,
        }
    }
}

/// Lengths of the runs of equal sorts, beginning with a run (perhaps empty) of zeros: varints of twice the
/// length, plus one if the next run is the second of the two possible ones (of the last run: plus zero).
fn run_lengths(sorts: &[Sort]) -> Vec<u8> {
    let mut runs = Vec::new();
    let (mut now, mut length) = (Sort::Zero, 0_u64);
    for &sort in sorts {
        if sort != now {
            write_varint(&mut runs, 2 * length + u64::from(now.next(true) == sort));
            (now, length) = (sort, 0);
        }
        length += 1;
    }
    if length > 0 {
        write_varint(&mut runs, 2 * length);
    }
    runs
}

/// The `count` sorts behind [`run_lengths`].
fn read_runs(runs: &[u8], count: usize) -> Result<Vec<Sort>, PackingError> {
    let mut runs = Input { rest: runs };
    let mut sorts = Vec::with_capacity(count);
    let mut now = Sort::Zero;
    while !runs.rest.is_empty() {
        let run = runs.varint()?;
        if run / 2 > (count - sorts.len()) as u64 {
            return Err(damaged("the runs are longer than the counts"));
        }
        sorts.resize(sorts.len() + (run / 2) as usize, now);
        now = now.next(run % 2 == 1);
    }
    if sorts.len() != count {
        return Err(damaged("the runs are shorter than the counts"));
    }
    Ok(sorts)
}

type Header = (Point, VisitKind, u64);

fn read_headers(grid: &Grid, places: &[u8], kinds: &[u8], bits: &[u8]) -> Result<Vec<Header>, PackingError> {
    let mut places = Input { rest: places };
    let mut bits = Input { rest: bits };
    let mut headers = Vec::with_capacity(kinds.len());
    let mut previous = -1_i64;
    for &kind in kinds {
        let step = unzigzag(places.varint()?);
        let place = previous
            .checked_add(1)
            .and_then(|next| next.checked_add(step))
            .filter(|&place| place >= 0 && (place as u64) < grid.len() as u64)
            .ok_or_else(|| damaged("a point is off the grid"))?;
        previous = place;
        headers.push((snake_point(grid, place as usize), kind_of(kind)?, bits.varint()?));
    }
    if !places.rest.is_empty() || !bits.rest.is_empty() {
        return Err(damaged("more places or bits than visits"));
    }
    Ok(headers)
}

fn check_size(grid: &Grid, lanes: usize, visits: usize) -> Result<(), PackingError> {
    let most = VISITS_PER_POINT * grid.len() + SPARE_VISITS;
    let too_many = |what, found: usize, limit: usize| {
        Err(PackingError::TooMany { what, found: found as u64, limit: limit as u64 })
    };
    if lanes > usize::from(MOST_LANES) {
        return too_many("lanes", lanes, usize::from(MOST_LANES));
    }
    if visits > most {
        return too_many("visits", visits, most);
    }
    if visits.saturating_mul(lanes.max(1)) > MOST_COUNTS {
        return too_many("counts (visits x lanes)", visits.saturating_mul(lanes), MOST_COUNTS);
    }
    Ok(())
}

fn check_visit(grid: &Grid, lanes: usize, index: usize, visit: &Visit) -> Result<(), PackingError> {
    let problem = if !grid.contains(visit.point) {
        format!(
            "is at tap {}, Vref step {}, off the grid of {} x {}",
            visit.point.tap, visit.point.vref, grid.taps, grid.vref_steps
        )
    } else if visit.errors.len() != lanes {
        format!("has {} counts for {lanes} lanes", visit.errors.len())
    } else if let Some(errors) = visit.errors.iter().find(|&&errors| errors > visit.bits) {
        format!("counts {errors} errors in {} bits", visit.bits)
    } else {
        return Ok(());
    };
    Err(PackingError::Visit { visit: index, problem })
}

/// Index of a point when even rows run from the first tap to the last and odd rows back.
fn snake_index(grid: &Grid, point: Point) -> usize {
    let tap = if point.vref.is_multiple_of(2) { point.tap } else { grid.taps - 1 - point.tap };
    usize::from(point.vref) * usize::from(grid.taps) + usize::from(tap)
}

/// The point at a [`snake_index`] below `grid.len()`.
fn snake_point(grid: &Grid, index: usize) -> Point {
    let point = grid.point(index);
    if point.vref.is_multiple_of(2) { point } else { Point { tap: grid.taps - 1 - point.tap, ..point } }
}

fn kind_code(kind: VisitKind) -> u8 {
    match kind {
        VisitKind::Measure => 0,
        VisitKind::Retest => 1,
        VisitKind::Drift => 2,
        VisitKind::Sweep => 3,
    }
}

fn kind_of(code: u8) -> Result<VisitKind, PackingError> {
    match code {
        0 => Ok(VisitKind::Measure),
        1 => Ok(VisitKind::Retest),
        2 => Ok(VisitKind::Drift),
        3 => Ok(VisitKind::Sweep),
        other => Err(damaged(format!("kind of visit {other} is unknown"))),
    }
}

/// Codes the counts of one long visit.
///
/// A count within +- 8 standard deviations (sqrt(bits) / 2) of half the bits is coded by its distance from
/// half, in steps of about a quarter of the deviation; any other count by its length and second bit.
struct LongCount {
    half: u64,
    step_bits: u32,
}

impl LongCount {
    fn of(bits: u64) -> LongCount {
        let length = u64::BITS - bits.leading_zeros();
        LongCount { half: bits / 2, step_bits: (length / 2).saturating_sub(3) }
    }

    /// Sort, token, number of low bits and their value for a count above zero.
    fn token(&self, errors: u64) -> (Sort, u8, u32, u64) {
        let distance = i128::from(errors) - i128::from(self.half);
        let steps = distance >> self.step_bits;
        if (-32..32).contains(&steps) {
            let low = (distance - (steps << self.step_bits)) as u64;
            return (Sort::Near, (steps + 32) as u8, self.step_bits, low);
        }
        let length = u64::BITS - errors.leading_zeros();
        if length == 1 {
            return (Sort::Between, 1, 0, 0);
        }
        let rest = length - 2;
        let second = (errors >> rest & 1) as u32;
        (Sort::Between, (2 * length - 2 + second) as u8, rest, errors & ((1 << rest) - 1))
    }

    /// The count near half behind a token.
    fn near(&self, token: u8, low: &mut BitReader<'_>) -> Result<u64, PackingError> {
        let steps = i128::from(token) - 32;
        let value = i128::from(self.half) + (steps << self.step_bits) + i128::from(low.take(self.step_bits)?);
        u64::try_from(value).map_err(|_| damaged("a count below zero"))
    }

    /// Any other count behind a token: 1 is one error; 2 n - 2 and 2 n - 1 are numbers of n bits.
    fn between(&self, token: u8, low: &mut BitReader<'_>) -> Result<u64, PackingError> {
        match token {
            1 => Ok(1),
            2..=127 => {
                let rest = u32::from(token) / 2 - 1;
                Ok((2 | u64::from(token & 1)) << rest | low.take(rest)?)
            }
            other => Err(damaged(format!("token {other} is unknown"))),
        }
    }
}

thread_local! {
    // Making one costs more than packing a small capture does.
    static COMPRESSOR: RefCell<Option<zstd::bulk::Compressor<'static>>> = const { RefCell::new(None) };
}

fn compressor() -> std::io::Result<zstd::bulk::Compressor<'static>> {
    let mut zstd = zstd::bulk::Compressor::new(LEVEL)?;
    for parameter in FEW_MATCHES {
        zstd.set_parameter(parameter)?;
    }
    Ok(zstd)
}

/// Appends a plane: length, stored length (0: stored as it is), bytes.
fn write_plane(
    zstd: &mut zstd::bulk::Compressor<'_>,
    out: &mut Vec<u8>,
    plane: &[u8],
) -> std::io::Result<()> {
    write_varint(out, plane.len() as u64);
    if plane.is_empty() {
        return Ok(());
    }
    if plane.len() > SMALL_PLANE {
        let packed = zstd.compress(plane)?;
        if packed.len() < plane.len() {
            write_varint(out, packed.len() as u64);
            out.extend_from_slice(&packed);
            return Ok(());
        }
    }
    out.push(0);
    out.extend_from_slice(plane);
    Ok(())
}

#[cfg(test)]
#[path = "packing_tests.rs"]
mod tests;
