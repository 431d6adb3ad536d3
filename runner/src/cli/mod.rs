//! The command line: what can be asked, in one clap definition.

mod exit_codes;
mod gonogo;

pub use gonogo::{DeriveArguments, GonogoCommand, LineArguments, LotArguments, LotFormat, MetricName};

use crate::folder::eye_summaries::CacheUse;
use crate::forecast::shard::Shard;
use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};
use clap::{Args, Parser, Subcommand, ValueEnum};
use exit_codes::{
    EXIT_CODES, OF_CHECK, OF_COMPARE, OF_EXPORT, OF_FILE, OF_FIT, OF_FOLDER, OF_LOOK, OF_NEW, OF_PREVIEW,
    OF_RUN, OF_STUDY, OF_VERDICT, OF_WHY,
};
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
        /// Also say how small a loss `compare` will show when it holds this plan's run against this run folder.
        #[arg(long, value_name = "BASELINE", conflicts_with = "bench")]
        against: Option<PathBuf>,
        /// Show a run of so many bench hours instead of the whole plan: what it would measure, mount when, and leave. As with `run`, the
        /// fewer hours hold where the plan has `[bench_limits] most_hours`.
        #[arg(long, value_name = "HOURS", value_parser = hours, allow_negative_numbers = true)]
        hours: Option<f64>,
        /// Run folder that the run would go on in: what it holds counts as done. Default: runs/NAME for the plan NAME.toml.
        #[arg(long, value_name = "DIR")]
        into: Option<PathBuf>,
        /// Run folder of an earlier night on the same bench, once for each: the forecast begins with how fast the bench was there.
        #[arg(long, value_name = "DIR", conflicts_with = "bench")]
        nights: Vec<PathBuf>,
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
    /// Show how far a run is, how long still, and what fails so far; also while it goes on.
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
    #[arg(long, value_name = "GHZ,...", value_delimiter = ',', allow_negative_numbers = true)]
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
    #[arg(long, value_name = "HOURS", value_parser = hours, allow_negative_numbers = true)]
    pub hours: Option<f64>,
    /// Run folder of an earlier night on the same bench, once for each: the forecast begins with how fast the bench was there. Kept with
    /// the run; the nights that its own folder holds count as well.
    #[arg(long, value_name = "DIR")]
    pub nights: Vec<PathBuf>,
    /// Measure finished jobs again: factor=level,... and results, as --only takes them. An old result counts until the new one is
    /// stored, and is kept, marked superseded.
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
    /// Factors: chip, firmware, module, channel, rate (MT/s), temperature (°C), supply, pattern. `run` and `preview` also take results:
    /// not-measured, undecided, fail, conditional-fail, conditional-pass, pass, predicted-fail, predicted-pass,
    /// undecided-against:BASELINE.
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
