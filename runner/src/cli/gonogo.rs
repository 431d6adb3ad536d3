//! What can be asked about a go/no-go test.

use super::exit_codes::{OF_DERIVE, OF_LINE, OF_LOT};
use super::{Json, Only};
use clap::{Args, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Commands about a go/no-go test.
#[derive(Debug, Subcommand)]
pub enum GonogoCommand {
    /// Work out a test at room temperature from a run folder of characterized units; writes DIR/gonogo.html and, where there is
    /// one, DIR/gonogo.toml. What the line's short look shows of each unit is measured first, as far as it is not on record.
    #[command(after_help = OF_DERIVE)]
    Derive(DeriveArguments),
    /// Test unit after unit: go, no-go, or to corner test. Resumed by lot.
    #[command(after_help = OF_LINE)]
    Run(LineArguments),
    /// Tell how a lot went, whether the test still holds, and take corner results up; writes DIR/lot.html.
    #[command(after_help = OF_LOT)]
    Lot(LotArguments),
}

/// Arguments of `gonogo derive`.
#[derive(Debug, Args)]
pub struct DeriveArguments {
    /// Run folder of the sample: units (modules or chips) at corners and at room temperature.
    pub dir: PathBuf,
    /// Predict this metric of the worst lane.
    #[arg(long, value_enum, default_value = "width")]
    pub metric: MetricName,
    /// Limit at the corners, UI for a width, % of VDDQ for a height. Default: the plan's.
    #[arg(long, value_name = "VALUE")]
    pub limit: Option<f64>,
    /// Room temperature, °C: the nearest level of the run within 10 °C is taken.
    #[arg(long, value_name = "DEGREES", default_value_t = 25.0, allow_negative_numbers = true)]
    pub room: f64,
    /// Most escapes, percent of all units.
    #[arg(long, value_name = "PERCENT", default_value_t = 0.2)]
    pub escapes: f64,
    /// Most good units rejected, percent of the good ones.
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0)]
    pub overkill: f64,
    /// Most units sent to the corner test, percent of all units.
    #[arg(long, value_name = "PERCENT", default_value_t = 20.0)]
    pub to_corner: f64,
    /// Cost of a bad unit that is shipped; with the two others the cheapest guard band is taken.
    #[arg(long, value_name = "COST", requires_all = ["cost_corner", "cost_overkill"])]
    pub cost_escape: Option<f64>,
    /// Cost of a corner test, in the same currency.
    #[arg(long, value_name = "COST", requires = "cost_escape")]
    pub cost_corner: Option<f64>,
    /// Cost of a good unit that is rejected, in the same currency.
    #[arg(long, value_name = "COST", requires = "cost_escape")]
    pub cost_overkill: Option<f64>,
    /// Faulty units on the line, percent of all units. Default: as in the sample.
    #[arg(long, value_name = "PERCENT")]
    pub faulty: Option<f64>,
    /// Bits compared at a place, 1000 to 100000000.
    #[arg(long, value_name = "N", default_value_t = 100_000, value_parser = clap::value_parser!(u64).range(1000..=100_000_000))]
    pub bits: u64,
    /// Bench (TOML) to measure the sample on: that of the run folder. Default: the simulated target.
    #[arg(long, value_name = "BENCH")]
    pub bench: Option<PathBuf>,
    /// Narrows the selection.
    #[command(flatten)]
    pub only: Only,
    /// Machine output.
    #[command(flatten)]
    pub json: Json,
}

/// Metrics that a test predicts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum MetricName {
    Width,
    Height,
}

/// Arguments of `gonogo run`.
#[derive(Debug, Args)]
pub struct LineArguments {
    /// The frozen test (TOML).
    pub test: PathBuf,
    /// Name of the lot; the same name goes on where it stopped.
    #[arg(long, value_name = "NAME")]
    pub lot: String,
    /// Folder of the lot. Default: lots/NAME.
    #[arg(long, value_name = "DIR")]
    pub into: Option<PathBuf>,
    /// Serial numbers from a file, one a line. Default: typed or scanned, one a line.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["count", "from_device"])]
    pub units: Option<PathBuf>,
    /// So many invented units, named after the lot (simulated target only).
    #[arg(long, value_name = "N", conflicts_with_all = ["from_device", "bench"], value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    pub count: Option<u32>,
    /// Serial numbers as the device tells them (bench only).
    #[arg(long, requires = "bench")]
    pub from_device: bool,
    /// Bench (TOML). Default: the simulated target.
    #[arg(long, value_name = "BENCH")]
    pub bench: Option<PathBuf>,
    /// Share of the go units drawn at random for the corner test, percent.
    #[arg(long, value_name = "PERCENT", default_value_t = 2.0)]
    pub draw: f64,
    /// Golden units at the begin and after so many units; 0: only when their serial number is given.
    #[arg(long, value_name = "N", default_value_t = 200)]
    pub golden_every: u32,
    /// Measure a unit again that the lot has already, without asking.
    #[arg(long)]
    pub again: bool,
    /// Continue a lot that golden units stopped; the reason is kept.
    #[arg(long, value_name = "REASON")]
    pub restart: Option<String>,
    /// Seed of the simulated target.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Machine output: one object a unit, then one for the lot.
    #[command(flatten)]
    pub json: Json,
}

/// Arguments of `gonogo lot`.
#[derive(Debug, Args)]
pub struct LotArguments {
    /// Folder of the lot.
    pub dir: PathBuf,
    /// Take corner results up from a file: serial number and value, comma between, one unit a line.
    #[arg(long, value_name = "FILE")]
    pub corners: Option<PathBuf>,
    /// Let the simulated target do the corner tests that are due.
    #[arg(long, conflicts_with = "corners")]
    pub simulate_corners: bool,
    /// Write the units as a table or as JSON lines instead of the words.
    #[arg(long = "as", value_enum, value_name = "FORMAT")]
    pub format: Option<LotFormat>,
    /// File to write. Default: standard output.
    #[arg(long, value_name = "FILE", requires = "format")]
    pub out: Option<PathBuf>,
    /// Machine output.
    #[command(flatten)]
    pub json: Json,
}

/// Export formats of a lot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum LotFormat {
    /// Comma-separated table, one row a unit.
    Csv,
    /// One JSON object a line, one line a unit.
    Jsonl,
}
