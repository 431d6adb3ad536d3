//! `bench check`, `bench safe`, `bench clear` and `preview --bench`.

use crate::cli::BenchCommand;
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::terminal::{Terminal, duration};
use crate::folder::run_folder::bench_keys;
use crate::forecast::Forecast;
use crate::inputs::plan_file::PlanFile;
use crate::run::bench_run::{
    custody, know, lock_bench, make_safe_from_outside, narrowed, not_safe, overdue, read_bench,
    refuse_beyond, refused, state_folder, tell_doubts,
};
use crate::run::execute::Executor;
use crate::run::operator::CAUTIONS;
use crate::run::watchdog;
use crate::store::{utc_seconds, utc_text};
use bench::driver::within;
use bench::{BenchDriver, CommandLog};
use contract::{Call, CancelToken, Driver};
use plan::bench_file::BenchFile;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

/// Runs a command about a bench.
pub fn bench(terminal: &Terminal, command: &BenchCommand) -> Outcome {
    match command {
        BenchCommand::Check { bench } => check(terminal, bench),
        BenchCommand::Safe { bench } => safe(terminal, bench),
        BenchCommand::Clear { bench } => clear(terminal, bench),
        BenchCommand::Watchdog { run, state, log } => watchdog::watch(*run, state, log),
    }
}

/// A log in memory with times, for a command that leaves no run folder; what is waited for is said at once.
fn log(terminal: &Terminal) -> CommandLog {
    let terminal = *terminal;
    CommandLog::new(None, || utc_text(SystemTime::now())).told_to(move |words| terminal.note(words))
}

fn check(terminal: &Terminal, path: &Path) -> Outcome {
    let bench = Arc::new(read_bench(path, terminal.colour_err)?);
    let state = state_folder()?;
    terminal.out(&format!("alarms and locks are kept {}", state.describe()));
    let _lock = lock_bench(&bench, &state)?;
    let custody = custody(&bench, &state)?;
    let mut driver = BenchDriver::new(Arc::clone(&bench), log(terminal), false);
    let call = within(Duration::from_secs(60));
    let mut ready = true;
    let states = driver.look_around(&call);
    know(&custody, &bench, &state, &states)?;
    let latch = custody.latch().map_err(refused)?;
    for (state, spec) in states.iter().zip(&bench.instruments) {
        let due = spec
            .calibration_due
            .map_or("no calibration date".into(), |date| format!("calibrated until {date}"));
        match &state.answer {
            Ok(answer) => {
                terminal.out(&format!("{}: {answer}; {}; {due}", state.name, spec.transport.describe()))
            }
            Err(words) => {
                ready = false;
                terminal.out(&format!("{}: NOT READY: {words}", state.name));
            }
        }
        for on in &state.on {
            terminal.out(&format!("{}: ON NOW: {on}", state.name));
        }
        for words in &state.figures {
            terminal.out(&format!("{}: {words}", state.name));
        }
    }
    match driver.identify_agent(&call) {
        Ok(found) => terminal.out(&format!(
            "agent: {}; chip {}, firmware {} ({}), module {}",
            found.agent_version,
            found.chip_serial,
            found.firmware_build,
            found.firmware_hash,
            match (&found.module_spd, &found.module_serial) {
                (Some(_), _) => "known by its SPD content".to_string(),
                (None, Some(serial)) => format!("serial number {serial} (no SPD content)"),
                (None, None) => "not read".to_string(),
            },
        )),
        Err(error) => {
            ready = false;
            terminal.out(&format!("agent: NOT READY: {error}"));
        }
    }
    let (low, high) = bench.touch_band();
    let looks = driver.look_at_sensors(&call);
    let others_tell = looks.iter().any(|(_, reading)| reading.is_ok());
    for (name, reading) in looks {
        match reading {
            Ok((degc, None)) if (low.0..=high.0).contains(&degc.0) => {
                terminal.out(&format!("{name}: {degc}"))
            }
            Ok((degc, None)) => {
                terminal.out(&format!("{name}: {degc}: KEEP HANDS AWAY, {low} to {high} is safe to touch"))
            }
            Ok((_, Some(beyond))) => {
                ready = false;
                terminal.out(&format!("{name}: NOT READY: {beyond}"));
            }
            Err(unread) if unread.of_device && others_tell => terminal.out(&format!(
                "{name}: cannot be read now: {}; a run reads it once the device has power, and only then goes on",
                unread.words
            )),
            Err(unread) => {
                ready = false;
                terminal.out(&format!("{name}: NOT READY: {}", unread.words));
            }
        }
    }
    if let Some(latch) = &latch {
        ready = false;
        terminal.out(&format!(
            "ALARM, latched since {} on the bench `{}`: {}: {}\n  look at the bench, find the cause, then `nightbench bench clear {}`",
            latch.since_utc,
            latch.bench,
            latch.kind.words(),
            latch.words,
            path.display()
        ));
    }
    let overdue = overdue(&bench);
    for words in &overdue {
        terminal.out(&format!("calibration ran out: {words}"));
    }
    terminal.out(&format!(
        "limits: device {} to {}, air {} to {}; dew point {}, dry purge {}; hands near at {low} to {high}",
        bench.limits.device_low,
        bench.limits.device_high,
        bench.limits.air_low,
        bench.limits.air_high,
        bench.room.dew_point,
        if bench.room.dry_purge { "declared" } else { "not declared" },
    ));
    for rail in &bench.rails {
        terminal.out(&format!(
            "limits: {} {} to {}, {} A, over-voltage protection {}",
            rail.name, rail.low, rail.high, rail.most_a, rail.over_voltage
        ));
    }
    for rail in &bench.device_rails {
        terminal.out(&format!(
            "limits: {} {} to {}, {} A, alarm above {}; made by the device, set through the agent",
            rail.name, rail.low, rail.high, rail.most_a, rail.over_voltage
        ));
    }
    for doubt in bench.doubts(None, &[]) {
        terminal.out(&format!("warning: {doubt}"));
    }
    let guarded = bench::guards::guarded(&bench);
    if !guarded.by_timer.is_empty() {
        terminal
            .out(&format!("if this computer dies, by their own timers off: {}", guarded.by_timer.join(", ")));
    }
    if !guarded.by_nothing.is_empty() {
        terminal.out(&format!(
            "if this computer dies, NOTHING switches off: {} (their profiles have no `set_off_timer`)",
            guarded.by_nothing.join(", ")
        ));
    }
    terminal.note(CAUTIONS);
    if ready && overdue.is_empty() { Ok(Exit::Pass) } else { Err(refused("the bench is not ready")) }
}

/// Longest that a run on the bench is given to end by itself.
const END_LIMIT: Duration = Duration::from_secs(30);

fn safe(terminal: &Terminal, path: &Path) -> Outcome {
    let bench = Arc::new(read_bench(path, terminal.colour_err)?);
    let waiting = |held: &Failure| {
        terminal.note(&format!(
            "{held}: it is told to end, and everything is made safe then, or in {} s",
            END_LIMIT.as_secs()
        ));
    };
    make_safe_from_outside(&bench, &state_folder()?, log(terminal), "bench safe", END_LIMIT, waiting)?;
    terminal
        .out("safe: every rail measured off, the chamber off, every sensor that answers within its limits");
    terminal.note("The chamber may still be hot or cold: look at its display before you open it.");
    Ok(Exit::Pass)
}

/// A person looked at the bench and clears its alarm.
fn clear(terminal: &Terminal, path: &Path) -> Outcome {
    let bench = Arc::new(read_bench(path, terminal.colour_err)?);
    let state = state_folder()?;
    let _lock = lock_bench(&bench, &state)?;
    let custody = custody(&bench, &state)?;
    let mut driver = BenchDriver::new(Arc::clone(&bench), log(terminal), false);
    // An alarm may have been latched by another way to the same instruments.
    know(&custody, &bench, &state, &driver.look_around(&within(Duration::from_secs(60))))?;
    let (latched, since) = match custody.latch() {
        Ok(None) => {
            terminal.out("no alarm is latched");
            return Ok(Exit::Pass);
        }
        Ok(Some(latch)) => (format!("{}: {}", latch.kind.words(), latch.words), Some(latch.since_utc)),
        Err(words) => (words, None),
    };
    let call = within(Duration::from_secs(60));
    driver.make_safe(&call).map_err(|error| not_safe(&error.into(), "the alarm stays latched"))?;
    let looks = driver.look_at_sensors(&call);
    let others_tell = looks.iter().any(|(_, reading)| matches!(reading, Ok((_, None))));
    let mut wrong = Vec::new();
    for (name, reading) in looks {
        match reading {
            Ok((_, beyond)) => wrong.extend(beyond),
            // Its device may need power to tell it, and gets none before the alarm is cleared.
            Err(unread) if unread.of_device && others_tell => match still_warm_s(&bench, since.as_deref()) {
                Some(left) => wrong.push(format!(
                    "{name}: {}\n  it may be warm still: wait for {} more, five time constants since the alarm ({}), or \
                     make its reading possible without power",
                    unread.words,
                    duration(left),
                    time_constant_words(&bench),
                )),
                None => terminal.note(&format!(
                    "{name} cannot be read without power; the other sensors are within their limits, and it had the time \
                     to cool down"
                )),
            },
            Err(unread) => wrong.push(format!("{name}: {}", unread.words)),
        }
    }
    if !wrong.is_empty() {
        return Err(refused(format!("{}\nthe alarm stays latched", wrong.join("\n"))));
    }
    for words in driver.reset_protections(&call).map_err(|error| refused(error.to_string()))? {
        terminal.out(&words);
    }
    custody.clear().map_err(refused)?;
    terminal.out(&format!("cleared: {latched}"));
    terminal.note(CAUTIONS);
    Ok(Exit::Pass)
}

/// A device's time constant where the bench file declares none, s. Common practice for a module in moving air, no source.
const TIME_CONSTANT_S: f64 = 300.0;
/// After so many time constants 0.7 % of the difference is left.
const TIME_CONSTANTS: f64 = 5.0;

/// Seconds until a device that cannot be read has lost the heat or cold of an alarm; `None` when it has. An alarm without a
/// time, or one of the future, was never long ago.
fn still_warm_s(bench: &BenchFile, since_utc: Option<&str>) -> Option<f64> {
    let wanted = TIME_CONSTANTS * bench.touch_safe.time_constant_s.unwrap_or(TIME_CONSTANT_S);
    let now = utc_seconds(&utc_text(SystemTime::now()));
    let age = since_utc.and_then(utc_seconds).zip(now).map_or(0.0, |(since, now)| now - since).max(0.0);
    (age < wanted).then_some(wanted - age)
}

fn time_constant_words(bench: &BenchFile) -> String {
    match bench.touch_safe.time_constant_s {
        Some(seconds) => format!("`time_constant_s` of the bench file, {seconds} s"),
        None => format!("{TIME_CONSTANT_S} s is taken, the bench file has no `time_constant_s`"),
    }
}

/// Is a bench file free of mistakes?
pub fn sound(terminal: &Terminal, bench_path: &Path) -> Result<(), Failure> {
    read_bench(bench_path, terminal.colour_err).map(|_| ())
}

/// Prints every command of a plan on a bench, in order, and opens no connection. What a capture samples depends on
/// what it finds, so its batches are announced, not listed.
pub fn preview(terminal: &Terminal, plan_path: &Path, bench_path: &Path, only: &[String]) -> Outcome {
    let file = PlanFile::read(plan_path, terminal.colour_err)?;
    let plan = &file.plan;
    let bench = Arc::new(narrowed(read_bench(bench_path, terminal.colour_err)?, plan)?);
    tell_doubts(terminal, &bench, plan);
    let forecast = Forecast::new(plan, only)?;
    let keys = bench_keys(plan)?;
    let executor = Executor::new(plan, &forecast.expansion, &keys);
    let settings = forecast
        .jobs
        .iter()
        .map(|job| executor.setting(&forecast.expansion.conditions[job.condition as usize], job, 1));
    refuse_beyond(&bench, settings)?;
    let log = CommandLog::in_memory();
    let mut driver = BenchDriver::new(Arc::clone(&bench), log.clone(), true);
    let call = || Call::within(Duration::from_secs(60), &CancelToken::new());
    let flush = |heading: &str| {
        terminal.out(heading);
        for line in log.latest(usize::MAX) {
            terminal.out(&format!("  {line}"));
        }
        log.forget();
    };
    let request = executor.training_request();
    let mut mounted = None;
    for (index, job) in forecast.jobs.iter().enumerate() {
        let condition = &forecast.expansion.conditions[job.condition as usize];
        let setup = (condition.setup(), job.mounting);
        let setting = executor.setting(condition, job, 1);
        if mounted != Some(setup) {
            driver.make_safe(&call()).map_err(|error| refused(error.to_string()))?;
            flush("make safe");
            driver.mounted_anew();
            terminal.out(&format!(
                "hands: chip {}, module {}, channel {}",
                setting.chip.name, setting.module.name, setting.channel.name
            ));
            mounted = Some(setup);
            driver.check_at_ambient(true);
            driver.apply(&setting, &call()).map_err(|error| refused(error.to_string()))?;
            driver.train(&request, &call()).map_err(|error| refused(error.to_string()))?;
            driver.check_at_ambient(false);
            flush("mounting check, at ambient (where somebody is at the terminal)");
            terminal.out("  agent > sample, a coarse grid of every eye");
        }
        driver.apply(&setting, &call()).map_err(|error| refused(error.to_string()))?;
        driver.train(&request, &call()).map_err(|error| refused(error.to_string()))?;
        flush(&format!("job {} of {}: {}", index + 1, forecast.jobs.len(), condition.describe(plan)));
        terminal.out("  agent > sample, as often as the capture needs");
    }
    driver.make_safe(&call()).map_err(|error| refused(error.to_string()))?;
    flush("end: make safe");
    Ok(Exit::Pass)
}
