//! A lot from its lines: every decision is made again from the counts.

use super::lot_folder::{Entry, LotLines, Purpose};
use super::test_file::TestFile;
use crate::console::exit::{Exit, Failure};
use crate::folder::output::Output;
use judge::gonogo::{CornerResult, Decision, GoldenResult, LotSummary, LotUnit, chart_of, stop_reason};
use pages::gonogo::{LotFacts, lot_page};
use sha2::{Digest, Sha256};
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// A lot as it is now.
pub struct Lot {
    pub units: Vec<LotUnit>,
    pub corners: Vec<CornerResult>,
    pub summary: LotSummary,
    by_serial: HashMap<String, f64>,
}

impl Lot {
    pub fn of(file: &TestFile, lines: &LotLines) -> Lot {
        let mut units: Vec<LotUnit> = Vec::new();
        let mut places: HashMap<&str, usize> = HashMap::new();
        for one in lines.measurements().filter(|one| one.purpose == Purpose::Unit) {
            let unit = LotUnit {
                serial: one.serial.clone(),
                judgement: file.test.judge(&one.outcome),
                times: one.times,
                drawn: one.drawn,
            };
            match places.get(one.serial.as_str()) {
                Some(at) => units[*at] = unit,
                None => {
                    places.insert(&one.serial, units.len());
                    units.push(unit);
                }
            }
        }
        let corners: Vec<CornerResult> = lines
            .entries
            .iter()
            .filter_map(|entry| match entry {
                Entry::Corner { serial, value, .. } => {
                    Some(CornerResult { serial: serial.clone(), value: *value })
                }
                _ => None,
            })
            .collect();
        let golden = golden_results(file, lines);
        let summary = LotSummary::of(&file.test, &units, &corners, &golden, file.golden.sd);
        let by_serial = corners.iter().map(|one| (one.serial.clone(), one.value)).collect();
        Lot { units, corners, summary, by_serial }
    }

    /// What the corners of a unit came to.
    pub fn corner(&self, serial: &str) -> Option<f64> {
        self.by_serial.get(serial).copied()
    }

    /// Units whose corner test is due: sent there, or drawn.
    pub fn due(&self) -> Vec<&str> {
        let due = |unit: &&LotUnit| {
            (unit.judgement.decision == Decision::ToCorner
                || unit.drawn && unit.judgement.decision == Decision::Go)
                && self.corner(&unit.serial).is_none()
        };
        self.units.iter().filter(due).map(|unit| unit.serial.as_str()).collect()
    }

    /// Something says that the test does not hold as it did.
    pub fn alarmed(&self, lines: &LotLines) -> bool {
        let (_, _, bad, _) = self.summary.drawn;
        lines.stopped().is_some() || bad > 0 || self.summary.drift.is_some_and(|drift| drift.seen())
    }
}

/// Golden measurements since the last restart.
fn golden_results(file: &TestFile, lines: &LotLines) -> Vec<GoldenResult> {
    lines
        .since_restart()
        .iter()
        .filter_map(|entry| match entry {
            Entry::Unit(one) if one.purpose == Purpose::Golden => {
                let known = file.golden.unit.iter().find(|golden| golden.name == one.serial)?;
                // One that trains no more, or reads nothing, deviates as far as can be.
                let predicted = file.test.judge(&one.outcome).predicted.unwrap_or(0.0);
                Some(GoldenResult { name: one.serial.clone(), deviation: predicted - known.predicted })
            }
            _ => None,
        })
        .collect()
}

/// Why golden units stop the lot, if they do.
pub fn golden_stop(file: &TestFile, lines: &LotLines) -> Option<String> {
    let chart = chart_of(&golden_results(file, lines), file.golden.sd);
    stop_reason(&chart).map(|reason| reason.words())
}

/// Is a go unit drawn for the corner test? By lot, test and serial number alone.
pub fn is_drawn(lot: &str, test: &str, serial: &str, share: f64) -> bool {
    let mut hash = Sha256::new();
    for word in [lot, test, serial] {
        hash.update((word.len() as u64).to_le_bytes());
        hash.update(word);
    }
    let digest = hash.finalize();
    let number = u64::from_le_bytes(std::array::from_fn(|at| digest[at]));
    ((number >> 11) as f64) < share * (1u64 << 53) as f64
}

/// Writes the lot's page; returns its path.
///
/// # Errors
/// Exit 74.
pub fn write_page(
    dir: &Path,
    file: &TestFile,
    digest: &str,
    lines: &LotLines,
    lot: &Lot,
) -> Result<PathBuf, Failure> {
    let short = |text: &str| text.chars().take(16).collect::<String>();
    let facts = LotFacts {
        lot: lines.begin.lot.clone(),
        title: file.title.clone(),
        origin: format!(
            "{}; test {}, head {}, nightbench {}",
            file.title,
            short(digest),
            short(&lines.head),
            lines.begin.tool
        ),
        simulated: lines.begin.bench.is_none(),
        expected_escapes: (file.sample.escapes, file.sample.escapes_low, file.sample.escapes_high),
        expected_to_corner: file.sample.to_corner_test,
        stopped: lines.stopped().map(String::from),
        restarts: lines
            .entries
            .iter()
            .filter_map(|entry| match entry {
                Entry::Restarted { reason } => Some(reason.clone()),
                _ => None,
            })
            .collect(),
        draw: lines.begin.draw,
    };
    let html = lot_page(&facts, &file.test, &lot.units, &|serial| lot.corner(serial), &lot.summary)
        .map_err(|words| Failure::new(Exit::Store, words))?;
    Output::page(dir, "lot.html")?.put(&html)?;
    Ok(dir.join("lot.html"))
}
