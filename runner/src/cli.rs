//! The command line: what can be asked, in one clap definition.

use crate::folder::eye_summaries::CacheUse;
use crate::forecast::shard::Shard;
use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};
use clap::{Args, Parser, Subcommand, ValueEnum};
use judge::comparison::Demands;
use nightbench_core::rates::Generation;
use std::net::SocketAddr;
use std::path::PathBuf;

/// Characterizes memory interfaces: orders a test plan, runs it, measures data eyes and judges their margin.
#[derive(Debug, Parser)]
#[command(name = "nightbench", version = VERSION, max_term_width = 100, after_help = EXIT_CODES)]
pub struct Cli {
    /// Write no colour.
    #[arg(long, global = true)]
    pub no_color: bool,
    /// The command.
    #[command(subcommand)]
    pub command: Command,
}

/// Version and commit.
const VERSION: &str = concat!(env!("CARGO_PKG_VERSION"), env!("NIGHTBENCH_BUILD"));
const EXIT_CODES: &str = "Exit codes: 0 every verdict passes (or the command worked); 1 complete, something does not \
                          pass; 2 usage or plan invalid, nothing touched; 3 incomplete; 4 nothing selected, or nothing \
                          that counts; 5 bench refused before the start; 6 could not make safe; 74 a file or the store \
                          could not be read or written; 101 a fault in this program; 130/143 stopped by a signal, after \
                          a safe stop. Every command lists its own: nightbench COMMAND --help.";
const OF_CHECK: &str = "Exit codes: 0 no mistakes; 2 mistakes, or no such file; 4 the plan leaves everything out; 5 the bench \
                        cannot run it; 74 a study that the plan names could not be read.";
const OF_NEW: &str = "Exit codes: 0 written; 2 a file named does not fit, or the plan's name is taken; 74 the plan could not be \
                      written.";
const OF_PREVIEW: &str = "Exit codes: 0 done; 2 mistakes in plan, bench file or selection; 4 nothing selected; 5 the \
                          bench refuses (with --bench); 74 the page could not be written.";
const OF_RUN: &str = "Exit codes: 0 every condition that counts passes; 1 complete, something does not pass (a conditional \
                      pass is not a pass); 2 usage or plan invalid, or the folder holds another run: nothing touched; 3 \
                      incomplete: something that counts was not measured; 4 nothing selected, or nothing that counts (only \
                      conditions beyond a module's rating, or without a limit); 5 the bench refused before the start; 6 \
                      could not make safe; 74 the store could not be read or written, or another run uses it; 130/143 stopped \
                      by a signal, after a safe stop.";
const OF_LOOK: &str = "Exit codes: 0 drawn, whatever the eyes are; 2 mistakes in plan or selection, or too many conditions \
                       to look at; 3 a condition could not be measured; 4 nothing selected; 5, 6, 74, 130/143 as for `run`.";
const OF_VERDICT: &str = "Exit codes: those of the verdicts, as of `run`: 0 every condition that counts passes; 1 something \
                          does not pass; 3 something that counts is not measured; 4 nothing counts. `report --eye`: 0 when drawn; \
                          `report --verify`: 0 as it was, 1 something differs, 74 changed, or never known. Also 2 no such folder, or mistakes in a file; 74 the store or the page could not be read or written.";
const OF_FOLDER: &str =
    "Exit codes: 0 done, whatever the results are; 2 no such folder; 74 the store could not be read.";
const OF_STUDY: &str = "Exit codes: 0 done; 2 no such folder; 3 too few repeats or re-seats to say anything; 74 the store \
                        could not be read.";
const OF_COMPARE: &str = "Exit codes: 0 nothing got worse; 1 something did; 2 no such folder, or runs that cannot be \
                          compared; 3 nothing did for certain, something is undecided; 4 the runs have no condition in common; 74 a store or the page could not be \
                          read or written.";
const OF_EXPORT: &str = "Exit codes: 0 written; 2 no such folder, or a wrong selection; 4 the selection holds no condition of \
                         the run; 74 the store or the file could not be read or written.";
const OF_WHY: &str = "Exit codes: 0 told, whatever was found; 2 no such folder, or a wrong selection; 4 no condition of the \
                      selection has a margin; 74 the store could not be read.";
const OF_DERIVE: &str = "Exit codes: 0 derived and frozen; 1 room temperature cannot sort these units, with the reasons; 2 no such folder, \
                        or one that does not hold what a test needs; 3 the sample is not measured whole; 5, 6, 74, 130/143 as for `run`.";
const OF_LINE: &str = "Exit codes, also for a handler that tests one unit a call: 0 every unit was a go; 1 a no-go; 3 no no-go, but a \
                      unit to corner test, or not measured; 2 the test was touched, or does not fit: nothing was measured; 4 nothing \
                      to do; 5 the lot is stopped by its golden units, or the bench refused; 6 could not make safe; 74 the lot could \
                      not be read or written; 130/143 stopped by a signal, after a safe stop.";
const OF_LOT: &str = "Exit codes: 0 told, and the test holds; 1 golden units stopped the lot, the mean residual drifted, or a drawn unit \
                     was bad; 2 no such lot, or mistakes in a file; 74 the lot is damaged, or a file could not be written.";
const OF_FIT: &str = "Exit codes: 0 correlated: held-out margins agree and nothing left out gains more than chance; 1 a misfit; 3 too few \
                     conditions were held out to say; 2 no such plan, folder, figure or selection; 4 nothing is left to be fitted, or \
                     held out; 74 a folder is damaged, the model has no answer, or a file could not be written.";
const OF_FILE: &str = "Exit codes: 0 read; 2 no such file, or mistakes in it.";

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Write a first plan, commented, that runs at once.
    #[command(after_help = OF_NEW)]
    New(NewArguments),
    /// Show every mistake in a plan at once, with line and column, and warnings.
    #[command(after_help = OF_CHECK)]
    Check {
        /// Plan (TOML).
        plan: PathBuf,
        /// Also hold it against the limits of this bench (TOML); opens no connection.
        #[arg(long, value_name = "BENCH")]
        bench: Option<PathBuf>,
    },
    /// Show what would run: order, hours, the proven least hours, and what to mount when.
    #[command(after_help = OF_PREVIEW)]
    Preview {
        /// Plan (TOML).
        plan: PathBuf,
        /// Print every command this bench (TOML) would be sent, in order, instead of the forecast; opens no connection.
        #[arg(long, value_name = "BENCH")]
        bench: Option<PathBuf>,
        /// Also write the setup list as a page to print, with check boxes and a timeline.
        #[arg(long, value_name = "FILE.html")]
        page: Option<PathBuf>,
        /// Also say which loss this plan's repeats will show when `compare` holds its run against this one (run folder).
        #[arg(long, value_name = "BASELINE", conflicts_with = "bench")]
        against: Option<PathBuf>,
        /// Also say what a run of so many bench hours would measure, and what it would leave. `[bench_limits] most_hours` of the plan
        /// means the same.
        #[arg(long, value_name = "HOURS", conflicts_with = "bench", value_parser = hours)]
        hours: Option<f64>,
        /// Run folder whose results that goes on from. Default: runs/NAME for the plan NAME.toml, where there is one.
        #[arg(long, value_name = "DIR", conflicts_with = "bench")]
        into: Option<PathBuf>,
        /// Narrows the selection.
        #[command(flatten)]
        only: Only,
        /// Machine output.
        #[command(flatten)]
        json: Json,
    },
    /// Run a plan, or continue it; writes DIR/report.html at the end.
    #[command(after_help = OF_RUN)]
    Run(RunArguments),
    /// Measure a few conditions now and draw their eyes in the terminal, side by side if asked.
    #[command(after_help = OF_LOOK)]
    Look(LookArguments),
    /// Show the live page, the report and the eyes of a run folder over HTTP, to be read only.
    #[command(
        after_help = "Exit codes: 2 no such folder, a token that is too short, or an address that cannot be listened on; 74 the store could not be read; else as the signal that ends it."
    )]
    Serve(ServeArguments),
    /// Show how far a run is and what fails so far; safe during a run.
    #[command(after_help = OF_FOLDER)]
    Status {
        /// Run folder.
        dir: PathBuf,
        /// Machine output.
        #[command(flatten)]
        json: Json,
    },
    /// Rebuild DIR/report.html from the stored counts; measures nothing.
    #[command(after_help = OF_VERDICT)]
    Report(ReportArguments),
    /// Work out repeatability and re-seating from a run, as lines of an uncertainty budget.
    #[command(after_help = OF_STUDY)]
    Study {
        /// Run folder.
        dir: PathBuf,
        /// What was worked out before.
        #[command(flatten)]
        afresh: Afresh,
        /// Machine output.
        #[command(flatten)]
        json: Json,
    },
    /// Check a bench, or make it safe now.
    #[command(subcommand)]
    Bench(BenchCommand),
    /// Tell whether anything got worse since a baseline; writes DIR/compare.html.
    #[command(after_help = OF_COMPARE)]
    Compare(CompareArguments),
    /// Tell where the margin went: what each lane would gain at a better sampling point, and which factor moves which edge.
    #[command(after_help = OF_WHY)]
    Why(WhyArguments),
    /// Fit the channel model's figures to measured counts, and hold the fit against conditions that it has not seen.
    #[command(after_help = OF_FIT)]
    Fit(FitArguments),
    /// Merge shards, or parts measured on several benches, into one run folder.
    #[command(after_help = OF_VERDICT)]
    Merge {
        /// Run folder to write: new, or begun by an earlier merge.
        out: PathBuf,
        /// Run folders to merge.
        #[arg(required = true, value_name = "DIR")]
        parts: Vec<PathBuf>,
        /// Machine output.
        #[command(flatten)]
        json: Json,
    },
    /// Write the results as a table or as test results.
    #[command(after_help = OF_EXPORT)]
    Export {
        /// Run folder.
        dir: PathBuf,
        /// What to write.
        #[arg(long = "as", value_name = "FORMAT")]
        format: ExportFormat,
        /// File to write. Default: standard output.
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
        /// Narrows the selection.
        #[command(flatten)]
        only: Only,
        /// What was worked out before.
        #[command(flatten)]
        afresh: Afresh,
    },
    /// Show what a module's SPD image says, and its entry for a plan.
    #[command(after_help = OF_FILE)]
    Module {
        /// The SPD image, as a programmer reads it.
        #[arg(value_name = "SPD_FILE")]
        file: PathBuf,
        /// Machine output.
        #[command(flatten)]
        json: Json,
    },
    /// Print the completions of a shell, to be read by it at its start.
    #[command(after_help = "Exit codes: 0 printed; 2 no such shell.")]
    Completions {
        /// The shell.
        shell: clap_complete::Shell,
    },
    /// Write the manual pages (roff), one a command.
    #[command(after_help = "Exit codes: 0 written; 74 a page could not be written.")]
    Manual(ManualArguments),
    /// A go/no-go test of a production line: derived from characterized units, run on unit after unit, kept under control.
    #[command(subcommand)]
    Gonogo(GonogoCommand),
    /// Show delay, loss and faults of a measured channel, and its entry for a plan.
    #[command(after_help = OF_FILE)]
    Channel(ChannelArguments),
}

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

/// Arguments of `manual`.
#[derive(Debug, Args)]
pub struct ManualArguments {
    /// Folder for the pages; made if it is missing.
    pub dir: PathBuf,
}

/// Arguments of `serve`.
#[derive(Debug, Args)]
pub struct ServeArguments {
    /// Run folder.
    pub dir: PathBuf,
    /// Address and port to listen on; port 0 takes a free one. Anything but this computer's own needs --token-file.
    #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:8044")]
    pub address: SocketAddr,
    /// File with a token (16 characters or more) that every reader must bring once, as ?token=TOKEN.
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,
}

/// Arguments of `new`.
#[derive(Debug, Args)]
pub struct NewArguments {
    /// Plan to write; a file that exists is left alone.
    #[arg(default_value = "plan.toml")]
    pub plan: PathBuf,
    /// SPD image of a module of yours; one entry each.
    #[arg(long, value_name = "SPD_FILE")]
    pub module: Vec<PathBuf>,
    /// Memory generation. Default: that of the modules; else asked at a terminal, else DDR4.
    #[arg(long, value_name = "GENERATION", ignore_case = true, value_parser = generations())]
    pub generation: Option<Generation>,
    /// Kind of the invented module where no SPD image is named: UDIMM, SODIMM, RDIMM, LRDIMM, soldered, CAMM2.
    #[arg(long, value_name = "KIND")]
    pub kind: Option<String>,
    /// Bench (TOML) whose limits and mounted parts the plan takes over.
    #[arg(long, value_name = "BENCH")]
    pub bench: Option<PathBuf>,
}

/// Generations by name, as the command line takes and lists them.
fn generations() -> impl TypedValueParser<Value = Generation> {
    let names =
        Generation::ALL.map(|(name, generation)| PossibleValue::new(name).help(generation.facts().standard));
    PossibleValuesParser::new(names).map(|word| {
        let known = Generation::ALL.iter().find(|(name, _)| name.eq_ignore_ascii_case(&word));
        known.map_or(Generation::Ddr4, |(_, generation)| *generation)
    })
}

/// Arguments of `channel`.
#[derive(Debug, Args)]
pub struct ChannelArguments {
    /// The Touchstone file (.s2p, .s3p, .s4p).
    pub file: PathBuf,
    /// Which ports of a four-port form a line: 1-2/3-4, 1-3/2-4 or 1-4/2-3. Left out: those that pass most at the lowest frequency.
    #[arg(long, value_name = "PORTS")]
    pub pairing: Option<String>,
    /// Port 1 is on the chip's side instead of the module's.
    #[arg(long)]
    pub reversed: bool,
    /// Fastest data rate of the channel, MT/s, for example 3200, 5300 or DDR5-4800: any from 100 to 20000.
    #[arg(long, value_name = "RATE", default_value = "3200")]
    pub rate: String,
    /// Show loss, reflections and coupling at these frequencies, too.
    #[arg(long, value_name = "GHZ,...", value_delimiter = ',')]
    pub at: Vec<f64>,
    /// Machine output.
    #[command(flatten)]
    pub json: Json,
}

/// Commands about a bench.
#[derive(Debug, Subcommand)]
pub enum BenchCommand {
    /// Check instruments, calibration and limits, and show what is on now. Switches nothing.
    #[command(
        after_help = "Exit codes: 0 all there and within limits; 2 mistakes in the bench file; 5 the bench refuses."
    )]
    Check {
        /// Bench (TOML).
        bench: PathBuf,
    },
    /// Switch everything off from any state, and measure that it is off. A run on the bench is told to end.
    #[command(
        after_help = "Exit codes: 0 everything was measured off; 2 mistakes in the bench file; 6 could not make safe."
    )]
    Safe {
        /// Bench (TOML).
        bench: PathBuf,
    },
    /// Clear a latched alarm, after somebody looked at the bench; refused while any sensor is outside its limits.
    #[command(
        after_help = "Exit codes: 0 cleared, or nothing was latched; 2 mistakes in the bench file; 5 refused; 6 not safe."
    )]
    Clear {
        /// The bench (TOML).
        bench: PathBuf,
    },
    /// Started by a run, for itself.
    #[command(hide = true)]
    Watchdog {
        /// Process of the run.
        run: u32,
        /// Folder in which this computer remembers benches.
        state: PathBuf,
        /// Command log of the run.
        log: PathBuf,
    },
}

/// Arguments of `run`.
#[derive(Debug, Args)]
pub struct RunArguments {
    /// Plan (TOML).
    pub plan: PathBuf,
    /// Bench (TOML) to measure on. Default: the simulated target.
    #[arg(long, value_name = "BENCH")]
    pub bench: Option<PathBuf>,
    /// Run folder; continued if it holds results. Default: runs/NAME for the plan NAME.toml.
    #[arg(long, value_name = "DIR")]
    pub into: Option<PathBuf>,
    /// Seed of the simulated target: draws mountings, training noise and counting noise.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Threads for simulated jobs, 1 to 1024; does not change results. Default: every core.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024), allow_negative_numbers = true)]
    pub threads: Option<u16>,
    /// Run part I of N of the plan (simulated target only); `merge` joins the parts.
    #[arg(long, value_name = "I/N", conflicts_with = "bench")]
    pub shard: Option<Shard>,
    /// Bench hours of this run: the most valuable work that fits, ending with the bench safe in time; the next run goes on from there.
    /// `[bench_limits] most_hours` of the plan means the same, and the fewer hours hold.
    #[arg(long, value_name = "HOURS", value_parser = hours)]
    pub hours: Option<f64>,
    /// Measure finished jobs again: factor=level,... and results (any of not-measured, undecided, fail, conditional-fail,
    /// conditional-pass, pass, undecided-against:BASELINE). Keeps the older attempts, marked superseded.
    #[arg(long, value_name = "SELECTION", requires = "reason")]
    pub again: Vec<String>,
    /// Why the jobs are measured again; kept with the older attempts.
    #[arg(long, value_name = "TEXT", requires = "again")]
    pub reason: Option<String>,
    /// Narrows the selection.
    #[command(flatten)]
    pub only: Only,
    /// Machine output.
    #[command(flatten)]
    pub json: Json,
}

/// Hours of a run, with the limits of a plan's `most_hours`.
fn hours(text: &str) -> Result<f64, String> {
    let hours: f64 =
        text.parse().map_err(|_| format!("`{text}` is no number of hours, for example 6 or 0.5"))?;
    match (0.01..=2000.0).contains(&hours) {
        true => Ok(hours),
        false => Err(format!("{text} h is not between 0.01 and 2000 h")),
    }
}

/// Arguments of `look`.
#[derive(Debug, Args)]
pub struct LookArguments {
    /// Plan (TOML): what is not yet measured of the selection is measured and stored as by `run`. Or a run folder: nothing is
    /// measured.
    #[arg(value_name = "PLAN|DIR")]
    pub what: PathBuf,
    /// Narrows the selection.
    #[command(flatten)]
    pub only: Only,
    /// Draw a second one beside it: other levels of the same conditions (factor=level), or the same of another run folder.
    #[arg(long, value_name = "FACTOR=LEVEL|DIR")]
    pub beside: Vec<String>,
    /// Lane (DQ number) to draw. Default: the worst one of each eye.
    #[arg(long, value_name = "N")]
    pub lane: Option<u16>,
    /// Bench (TOML) to measure on. Default: the simulated target.
    #[arg(long, value_name = "BENCH")]
    pub bench: Option<PathBuf>,
    /// Run folder of the plan. Default: runs/NAME for the plan NAME.toml.
    #[arg(long, value_name = "DIR")]
    pub into: Option<PathBuf>,
    /// Seed of the simulated target.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
}

/// Arguments of `report`.
#[derive(Debug, Args)]
pub struct ReportArguments {
    /// Run folder; with --verify also an archive (`export --as archive`).
    pub dir: PathBuf,
    /// What if these limits held? Judges by the limits, decision, uncertainty and release sections of this file; what it
    /// leaves out comes from the plan. Writes DIR/what-if.html, never the report; both sets are kept and shown.
    #[arg(long, value_name = "FILE")]
    pub limits: Option<PathBuf>,
    /// What if this decision rule held, for example `simple acceptance`? Writes DIR/what-if.html, never the report.
    #[arg(long, value_name = "NAME", conflicts_with = "limits")]
    pub rule: Option<String>,
    /// Draw the eyes of this job instead (first digits of its key), in DIR/eye-KEY.html.
    #[arg(long, value_name = "JOB")]
    pub eye: Option<String>,
    /// Ask instead whether the folder still is what it was: for a report's number (NB-...), a head of results or of the
    /// log as noted elsewhere, or a file of heads (`export --as heads`) with its signature beside it; says what differs.
    #[arg(long, value_name = "NUMBER-OR-HEAD", conflicts_with_all = ["limits", "rule", "eye"])]
    pub verify: Option<String>,
    /// Public keys of those whose signature counts: lines as in id_ed25519.pub. The signature is FILE.sig, made by
    /// `ssh-keygen -Y sign -n nightbench -f KEY FILE`.
    #[arg(long, value_name = "KEYS", requires = "verify")]
    pub signed_by: Option<PathBuf>,
    /// What was worked out before.
    #[command(flatten)]
    pub afresh: Afresh,
    /// Machine output.
    #[command(flatten)]
    pub json: Json,
}

/// Arguments of `compare`.
#[derive(Debug, Args)]
pub struct CompareArguments {
    /// Run folder of the baseline.
    pub baseline: PathBuf,
    /// Run folder to compare with it.
    pub dir: PathBuf,
    /// Loss of margin in time that still counts as not worse, UI (bit times), 0 to 1.
    #[arg(long, value_name = "UI", default_value_t = Demands::default().loss_ui, allow_negative_numbers = true)]
    pub loss_ui: f64,
    /// Loss of margin in voltage that still counts as not worse, percent of VDDQ, 0 to 100.
    #[arg(long, value_name = "PERCENT", default_value_t = Demands::default().loss_percent_vddq, allow_negative_numbers = true)]
    pub loss_percent: f64,
    /// Confidence of each answer "not worse", and that an unchanged run is called worse nowhere; 0.5001 to 0.9999.
    #[arg(long, value_name = "SHARE", default_value_t = 0.95, allow_negative_numbers = true)]
    pub confidence: f64,
    /// Allow comparing a simulated run with a measured one.
    #[arg(long)]
    pub simulated_with_measured: bool,
    /// Conditions measured in one of the runs only leave nothing open: without this they give exit 3.
    #[arg(long)]
    pub allow_unmatched: bool,
    /// What was worked out before.
    #[command(flatten)]
    pub afresh: Afresh,
    /// Machine output.
    #[command(flatten)]
    pub json: Json,
}

/// Arguments of `fit`.
#[derive(Debug, Args)]
pub struct FitArguments {
    /// Plan (TOML) whose model is fitted: its figures are where the fit begins.
    pub plan: PathBuf,
    /// Run folders whose counts it is fitted to, simulated or measured; modules and channels are found in the plan by their names.
    #[arg(required = true, value_name = "DIR")]
    pub dirs: Vec<PathBuf>,
    /// Figures of `[model]` to be fitted. Default: drivers, terminations, connectors, coupling, random jitter, bounded noise.
    #[arg(long, value_name = "KEYS", value_delimiter = ',')]
    pub free: Vec<String>,
    /// Conditions that are predicted, not fitted, for example rate=2667,temperature=85; given several times, those of any.
    #[arg(long, value_name = "SELECTION")]
    pub hold_out: Vec<String>,
    /// File to write with the fitted model, for `file` in a plan's `[model]`. Default: fitted.toml in the first run folder.
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Machine output.
    #[command(flatten)]
    pub json: Json,
}

/// Arguments of `why`.
#[derive(Debug, Args)]
pub struct WhyArguments {
    /// Run folder.
    pub dir: PathBuf,
    /// Narrows the selection; without it the worst conditions.
    #[command(flatten)]
    pub only: Only,
    /// What was worked out before.
    #[command(flatten)]
    pub afresh: Afresh,
    /// Machine output.
    #[command(flatten)]
    pub json: Json,
}

/// Narrows a selection.
#[derive(Debug, Args)]
pub struct Only {
    /// Only these levels of a factor, for example rate=2400,2666,temperature=85; given several times, all must hold.
    /// Factors: chip, firmware, module, channel, rate (MT/s), temperature (°C), supply, pattern. `run` also takes results,
    /// as --again does.
    #[arg(long, value_name = "FACTOR=LEVEL,...")]
    pub only: Vec<String>,
}

/// What was worked out before.
#[derive(Debug, Args)]
pub struct Afresh {
    /// Work out every eye again from its counts; ignore what earlier commands found.
    #[arg(long)]
    pub afresh: bool,
}

impl Afresh {
    /// What that means for a command that leaves the folder as it is.
    pub fn cache(&self) -> CacheUse {
        if self.afresh { CacheUse::Ignore } else { CacheUse::Look }
    }
}

/// Machine output.
#[derive(Debug, Args)]
pub struct Json {
    /// Print one JSON object instead of words; keys name their units.
    #[arg(long)]
    pub json: bool,
}

/// Export formats.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ExportFormat {
    /// Comma-separated table, one row a job and lane.
    Csv,
    /// One JSON object a line, one line a condition.
    Jsonl,
    /// JUnit XML: a suite a setup, a case a job.
    Junit,
    /// Everything a reviewer needs in one file (tar): report, plan, limits, notes, heads and store. Needs --out;
    /// `report FILE --verify` checks it.
    Archive,
    /// What identifies the folder as it is now, a few lines to be kept or signed; `report DIR --verify FILE` checks them.
    Heads,
}
