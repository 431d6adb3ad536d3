//! Hostile bytes: plan files and stored captures, from a committed corpus, mutated, and from nothing. None may panic,
//! hang or take unbounded memory.
//!
//! More cases: `PROPTEST_CASES=100000 cargo test --release -p tests fuzz`.

use crate::chance::Chance;
use nightbench_core::results::{Grid, Point, Visit, VisitKind};
use nightbench_core::units::{Millivolts, Picoseconds};
use plan::Plan;
use plan::expand::expand;
use plan::selection::Selection;
use proptest::prelude::*;
use runner::inputs::plan_file::render;
use runner::store::{pack_visits, unpack_visits};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Longest a file of the corpus's size may take.
pub const LONGEST: Duration = Duration::from_secs(5);

pub fn corpus(name: &str) -> Vec<(PathBuf, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(name);
    let mut paths: Vec<PathBuf> = std::fs::read_dir(&folder)
        .unwrap_or_else(|error| panic!("{}: {error}", folder.display()))
        .map(|entry| entry.expect("a folder entry").path())
        .filter(|path| path.is_file())
        .collect();
    paths.sort();
    paths.into_iter().map(|path| (path.clone(), std::fs::read(path).expect("a corpus file"))).collect()
}

pub fn plan_corpus() -> Vec<(PathBuf, Vec<u8>)> {
    let mut files = corpus("corpus/plans");
    files.extend(
        corpus("../plans/library")
            .into_iter()
            .filter(|(path, _)| path.extension().is_some_and(|e| e == "toml")),
    );
    assert!(files.len() >= 12, "{} plans", files.len());
    files
}

/// Changes bytes, pieces and numbers of a text.
pub fn mutate(bytes: &[u8], seed: u64) -> Vec<u8> {
    let mut chance = Chance::new(seed);
    let mut bytes = bytes.to_vec();
    for _ in 0..=chance.below(6) {
        let length = bytes.len() as u64;
        let from = chance.below(length.max(1)) as usize;
        let to = (from + chance.below(40) as usize).min(bytes.len());
        match chance.below(7) {
            0 if !bytes.is_empty() => bytes[from] = chance.next() as u8,
            1 => {
                bytes.drain(from.min(bytes.len())..to);
            }
            2 => {
                let piece = bytes[from.min(to)..to].to_vec();
                let at = chance.below(length + 1) as usize;
                bytes.splice(at..at, piece);
            }
            3 => bytes.truncate(from),
            4 => {
                let words: [&[u8]; 16] = [
                    b"1e308",
                    b"-1",
                    b"nan",
                    b"inf",
                    b"9223372036854775807",
                    b"0",
                    b"[]",
                    b"{}",
                    b"\"\"",
                    b"'''",
                    b"[[",
                    b"]]",
                    b"\xff\xfe",
                    b"\xe2\x80\xae",
                    b"\0",
                    b"\n\n[matrix]\n",
                ];
                let at = chance.below(length + 1) as usize;
                bytes.splice(at..at, chance.pick(&words).iter().copied());
            }
            5 => {
                // Every digit is a temptation.
                let digits: Vec<usize> = (0..bytes.len()).filter(|at| bytes[*at].is_ascii_digit()).collect();
                if !digits.is_empty() {
                    bytes[chance.pick(&digits)] = b'0' + chance.below(10) as u8;
                }
            }
            _ => {
                let lines: Vec<Vec<u8>> = bytes.split(|byte| *byte == b'\n').map(<[u8]>::to_vec).collect();
                let line = lines[chance.below(lines.len() as u64) as usize].clone();
                let at = chance.below(length + 1) as usize;
                bytes.splice(at..at, line);
            }
        }
    }
    bytes
}

/// Reads a plan, renders its mistakes, expands it; the number of mistakes.
pub fn read_plan(bytes: &[u8]) -> usize {
    let Ok(text) = std::str::from_utf8(bytes) else { return 0 };
    let begun = Instant::now();
    let mistakes = match Plan::read(text) {
        Ok(plan) => {
            let size: u64 = plan.matrix.level_counts().iter().map(|count| *count as u64).product();
            if size <= 20_000 {
                let expansion = expand(&plan, &Selection::default());
                assert_eq!((expansion.conditions.len() + expansion.skipped.len()) as u64, size);
            }
            0
        }
        Err(mistakes) => {
            assert!(!mistakes.is_empty(), "refused without a reason");
            for mistake in &mistakes {
                assert!(mistake.span.start <= text.len(), "a mistake beyond the text: {mistake:?}");
                assert!(!mistake.message.is_empty());
            }
            let words = render(text, "fuzzed.toml", &mistakes, false);
            assert!(words.contains("nothing was touched"));
            mistakes.len()
        }
    };
    assert!(begun.elapsed() < LONGEST, "{} bytes took {:?}", bytes.len(), begun.elapsed());
    mistakes
}

#[test]
fn every_plan_of_the_corpus_is_read_or_refused() {
    for (path, bytes) in plan_corpus() {
        let mistakes = read_plan(&bytes);
        let sound = path.to_string_lossy().contains("library") || path.to_string_lossy().contains("sound-");
        let text = std::str::from_utf8(&bytes).is_ok();
        assert_eq!(mistakes == 0, sound || !text, "{}: {mistakes} mistakes", path.display());
    }
}

/// Name of a stored capture of the corpus: lanes x taps x Vref steps, then what is special.
fn grid_of(path: &Path) -> (usize, Grid) {
    let name = path.file_stem().expect("a name").to_string_lossy().into_owned();
    let numbers: Vec<u16> =
        name.split('-').next().unwrap().split('x').map(|word| word.parse().expect("a number")).collect();
    (usize::from(numbers[0]), grid(numbers[1], numbers[2]))
}

fn grid(taps: u16, vref_steps: u16) -> Grid {
    Grid {
        taps,
        vref_steps,
        tap_step: Picoseconds(10.0),
        vref_start: Millivolts(500.0),
        vref_step: Millivolts(8.0),
        ui: Picoseconds(416.0),
        vddq: Millivolts(1200.0),
    }
}

/// Unpacks; what comes out must be storable again and come out the same.
fn unpack(grid: &Grid, lanes: usize, bytes: &[u8]) -> bool {
    let begun = Instant::now();
    let unpacked = unpack_visits(grid, lanes, bytes);
    assert!(begun.elapsed() < LONGEST, "{} bytes took {:?}", bytes.len(), begun.elapsed());
    let Ok(visits) = unpacked else { return false };
    for visit in &visits {
        assert!(grid.contains(visit.point) && visit.errors.len() == lanes);
        assert!(visit.errors.iter().all(|errors| *errors <= visit.bits));
    }
    let again = pack_visits(grid, lanes, &visits).expect("unpacked visits can be packed");
    assert_eq!(unpack_visits(grid, lanes, &again).expect("packed visits can be unpacked"), visits);
    true
}

#[test]
fn every_capture_of_the_corpus_is_read_or_refused() {
    let files = corpus("corpus/captures");
    assert!(files.len() >= 12, "{} captures", files.len());
    for (path, bytes) in files {
        let (lanes, grid) = grid_of(&path);
        let sound = path.to_string_lossy().contains("-sound");
        assert_eq!(unpack(&grid, lanes, &bytes), sound, "{}", path.display());
    }
}

/// Adler-32 (RFC 1950), so that mutated bytes get past the check sum.
fn adler32(bytes: &[u8]) -> u32 {
    let (mut a, mut b) = (1u32, 0u32);
    for byte in bytes {
        a = (a + u32::from(*byte)) % 65_521;
        b = (b + a) % 65_521;
    }
    b << 16 | a
}

fn sealed(mut bytes: Vec<u8>) -> Vec<u8> {
    bytes.truncate(bytes.len().saturating_sub(4));
    let sum = adler32(&bytes);
    bytes.extend(sum.to_le_bytes());
    bytes
}

fn any_visits() -> impl Strategy<Value = (u16, u16, usize, Vec<Visit>)> {
    (1u16..40, 1u16..30, 1usize..20).prop_flat_map(|(taps, vrefs, lanes)| {
        let visit = (
            0..taps,
            0..vrefs,
            0..3u8,
            0u64..1 << 45,
            1..60u32,
            proptest::collection::vec(0.0..1.0f64, lanes),
        )
            .prop_map(|(tap, vref, kind, bits, shift, shares)| {
                let bits = (bits >> shift.min(44)).max(1);
                Visit {
                    point: Point { tap, vref },
                    kind: [VisitKind::Measure, VisitKind::Retest, VisitKind::Drift][usize::from(kind)],
                    bits,
                    errors: shares
                        .iter()
                        .map(|share| match (share * 8.0) as u8 {
                            0..3 => 0,
                            3..5 => bits / 2,
                            _ => ((share - 0.5).max(0.0) * 2.0 * bits as f64) as u64,
                        })
                        .map(|errors| errors.min(bits))
                        .collect(),
                }
            });
        proptest::collection::vec(visit, 0..60).prop_map(move |visits| (taps, vrefs, lanes, visits))
    })
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn mutated_plans_are_read_or_refused(which in any::<prop::sample::Index>(), seed in any::<u64>()) {
        let files = plan_corpus();
        read_plan(&mutate(&files[which.index(files.len())].1, seed));
    }

    #[test]
    fn arbitrary_text_is_no_plan(text in "\\PC{0,400}") {
        read_plan(text.as_bytes());
    }

    #[test]
    fn arbitrary_bytes_are_no_capture(
        bytes in proptest::collection::vec(any::<u8>(), 0..600),
        lanes in 0usize..130,
        taps in 0u16..1100,
        vrefs in 0u16..1100,
    ) {
        unpack(&grid(taps, vrefs), lanes, &bytes);
        unpack(&grid(taps, vrefs), lanes, &sealed(bytes));
    }

    #[test]
    fn mutated_captures_are_read_or_refused(
        which in any::<prop::sample::Index>(), seed in any::<u64>(), seal in any::<bool>()
    ) {
        let files = corpus("corpus/captures");
        let (path, bytes) = &files[which.index(files.len())];
        let (lanes, grid) = grid_of(path);
        let mutated = mutate(bytes, seed);
        unpack(&grid, lanes, &if seal { sealed(mutated) } else { mutated });
    }

    #[test]
    fn any_capture_comes_back_as_it_was((taps, vrefs, lanes, visits) in any_visits()) {
        let grid = grid(taps, vrefs);
        let packed = pack_visits(&grid, lanes, &visits).expect("visits within the rules");
        prop_assert_eq!(unpack_visits(&grid, lanes, &packed).expect("packed visits"), visits);
    }
}

/// Writes the captures of the corpus anew after a change of the layout.
#[test]
#[ignore = "rewrites tests/corpus/captures"]
fn write_the_capture_corpus() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus/captures");
    std::fs::create_dir_all(&folder).expect("a folder");
    let put = |name: &str, bytes: &[u8]| std::fs::write(folder.join(name), bytes).expect("a corpus file");
    let eye = |taps: u16, vrefs: u16, lanes: usize, most: u64| -> Vec<Visit> {
        let mut chance = Chance::new(u64::from(taps));
        let (cx, cy) = (f64::from(taps) / 2.0, f64::from(vrefs) / 2.0);
        let mut visits = Vec::new();
        for vref in 0..vrefs {
            for tap in 0..taps {
                let (x, y) = ((f64::from(tap) - cx) / cx, (f64::from(vref) - cy) / cy);
                let inside = x.abs() + y.abs();
                let bits = if inside < 0.5 { most } else { 8 << chance.below(12) };
                let ber = if inside < 0.5 { 0.0 } else { (inside - 0.5).min(0.5) };
                let errors = (0..lanes)
                    .map(|_| (ber * bits as f64) as u64 + u64::from(ber > 0.0) * chance.below(2))
                    .map(|errors| errors.min(bits))
                    .collect();
                visits.push(Visit { point: Point { tap, vref }, kind: VisitKind::Measure, bits, errors });
            }
        }
        visits
    };
    for (taps, vrefs, lanes, most) in
        [(16, 10, 8, 3_000), (32, 24, 4, 1 << 40), (9, 7, 128, 1 << 50), (1, 1, 1, 1)]
    {
        let packed = pack_visits(&grid(taps, vrefs), lanes, &eye(taps, vrefs, lanes, most)).expect("an eye");
        put(&format!("{lanes}x{taps}x{vrefs}-sound-eye.bin"), &packed);
        put(&format!("{lanes}x{taps}x{vrefs}-cut.bin"), &packed[..packed.len() * 2 / 3]);
        put(&format!("{lanes}x{}x{vrefs}-of-another-grid.bin", taps + 1), &{
            let mut other = packed.clone();
            other[1] = other[1].wrapping_add(1);
            sealed(other)
        });
    }
    let none = pack_visits(&grid(16, 10), 8, &[]).expect("no visits");
    put("8x16x10-sound-empty.bin", &none);
    put("8x16x10-nothing.bin", &[]);
    put("8x16x10-only-a-sum.bin", &[1, 0, 0, 0]);
    // A huge number of visits, and a plane that claims a huge length.
    put("8x16x10-huge-count.bin", &sealed([&[1, 8, 0xff, 0xff, 0xff, 0xff, 0x0f][..], &[0; 13]].concat()));
    put(
        "8x16x10-huge-plane.bin",
        &sealed([&[1, 8, 1, 0xff, 0xff, 0xff, 0xff, 0xff, 0x7f, 9][..], &[0; 30]].concat()),
    );
    put("8x16x10-endless-number.bin", &sealed(vec![0xff; 64]));
}
