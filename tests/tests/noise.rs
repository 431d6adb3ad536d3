//! Words decide nothing. Every message of a driver, of the agent and of the instruments is replaced by noise, which
//! may hold any phrase that once decided something: tries, switch-offs, ends, exit codes and verdicts stay the same.

use crate::bench_run::{named, one_setup};
use crate::chance::Chance;
use crate::emulated::start;
use crate::faulty::{FaultyDriver, Mishaps, Witness};
use crate::rig::{Rig, Sitting, TINY, contents};
use crate::support::{Folder, nightbench};
use bench::InstrumentState;
use bench::{BenchDriver, WatchedValue};
use contract::{
    Call, CancelToken, Capabilities, Driver, DriverError, FaultKind, PointCounts, PointRequest, SafetyHandle,
    Setting, TrainingRequest,
};
use emulator::{EmulatedBench, Fault};
use nightbench_core::events::Event;
use nightbench_core::results::{EyeName, Identity, JobOutcome, Readback, TrainedEye, TrainingResult};
use nightbench_core::units::{Celsius, Seconds};
use runner::console::terminal::Terminal;
use runner::folder::run_folder::{bench_keys, open_on};
use runner::forecast::Forecast;
use runner::inputs::plan_file::PlanFile;
use runner::run::bench_run::{Bench, BenchEnd, BenchRun, BenchSession};
use runner::run::execute::Executor;
use runner::run::operator::{Again, Hands, Latest};
use runner::run::pending::{Mounting, PendingJob};
use runner::run::progress::Progress;
use runner::store::{Attempts, Store};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// Phrases that messages hold or once held, and that something was decided by.
const PHRASES: [&str; 14] = [
    "the bench was made safe from outside this call",
    "could not make safe: VDDQ still measures 1.2 V",
    "temperature not reached: 23.0",
    "lost its settings: VOLT? is 0",
    "wrong identity: another chip answers",
    "interlock: ",
    "time-out: agent: no sign of life",
    "cancelled",
    "training",
    "not measured: ",
    "no verdict: ",
    "not settled",
    "; calibration due 1999-01-01",
    "5 jobs to do, 3 done before, by nobody",
];

fn noise(chance: &mut Chance) -> String {
    let mut words = String::new();
    for _ in 0..chance.below(4) {
        words.push_str(chance.pick(&PHRASES));
        (0..chance.below(9)).for_each(|_| words.push(char::from(b' ' + chance.below(95) as u8)));
    }
    words
}

/// A driver whose words are noise, where it has a chance of its own, and that is struck once.
struct Noise<D: ?Sized> {
    chance: Option<Chance>,
    strike: Option<Strike>,
    inner: Box<D>,
}

/// What befalls a bench just before one of its batches of points.
struct Strike {
    batches: u64,
    bench: Arc<EmulatedBench>,
    fault: Fault,
}

impl<D: ?Sized> Noise<D> {
    fn new(seed: Option<u64>, inner: Box<D>) -> Noise<D> {
        Noise { chance: seed.map(Chance::new), strike: None, inner }
    }

    fn said(&mut self, words: String) -> String {
        self.chance.as_mut().map_or(words, noise)
    }

    fn error(&mut self, error: DriverError) -> DriverError {
        DriverError { words: self.said(error.words), ..error }
    }
}

struct NoisyHandle {
    chance: Option<Chance>,
    inner: Box<dyn SafetyHandle>,
}

impl SafetyHandle for NoisyHandle {
    fn make_safe(&self) -> Result<(), DriverError> {
        self.inner.make_safe().map_err(|error| match self.chance.clone() {
            Some(mut chance) => DriverError { words: noise(&mut chance), ..error },
            None => error,
        })
    }
}

impl<D: Driver + ?Sized> Driver for Noise<D> {
    fn is_simulated(&self) -> bool {
        self.inner.is_simulated()
    }
    fn identity(&mut self, call: &Call) -> Result<Identity, DriverError> {
        self.inner.identity(call).map_err(|error| self.error(error))
    }
    fn capabilities(&mut self, call: &Call) -> Result<Capabilities, DriverError> {
        self.inner.capabilities(call).map_err(|error| self.error(error))
    }
    fn apply(&mut self, setting: &Setting, call: &Call) -> Result<Readback, DriverError> {
        self.inner.apply(setting, call).map_err(|error| self.error(error))
    }
    fn train(&mut self, request: &TrainingRequest, call: &Call) -> Result<TrainingResult, DriverError> {
        let mut result = self.inner.train(request, call).map_err(|error| self.error(error))?;
        for cause in result.stages.iter_mut().flat_map(|stage| &mut stage.causes) {
            *cause = self.chance.as_mut().map_or(std::mem::take(cause), noise);
        }
        Ok(result)
    }
    fn restore(&mut self, eyes: &[TrainedEye], call: &Call) -> Result<(), DriverError> {
        self.inner.restore(eyes, call).map_err(|error| self.error(error))
    }
    fn sample(
        &mut self,
        eye: EyeName,
        points: &[PointRequest],
        call: &Call,
    ) -> Result<Vec<PointCounts>, DriverError> {
        if let Some(strike) = &mut self.strike {
            if strike.batches == 0 {
                strike.bench.world().suffer(strike.fault);
                // Long enough for the next look at the rails to be due.
                std::thread::sleep(Duration::from_millis(60));
                self.strike = None;
            } else {
                strike.batches -= 1;
            }
        }
        self.inner.sample(eye, points, call).map_err(|error| self.error(error))
    }
    fn confirm(&mut self, call: &Call) -> Result<(), DriverError> {
        self.inner.confirm(call).map_err(|error| self.error(error))
    }
    fn make_safe(&mut self, call: &Call) -> Result<(), DriverError> {
        self.inner.make_safe(call).map_err(|error| self.error(error))
    }
    fn safety_handle(&self) -> Box<dyn SafetyHandle> {
        Box::new(NoisyHandle { chance: self.chance.clone(), inner: self.inner.safety_handle() })
    }
    fn elapsed(&self) -> Seconds {
        self.inner.elapsed()
    }
}

impl<B: Bench + ?Sized> Bench for Noise<B> {
    fn look_around(&mut self, call: &Call) -> Vec<InstrumentState> {
        let mut states = self.inner.look_around(call);
        for state in &mut states {
            let answer = std::mem::replace(&mut state.answer, Ok(String::new()));
            state.answer = answer.map_err(|words| self.said(words));
            state.on.iter_mut().for_each(|words| *words = self.said(std::mem::take(words)));
        }
        states
    }
    fn take_readings(&mut self) -> Vec<WatchedValue> {
        self.inner.take_readings()
    }
    fn mounted_anew(&mut self) {
        self.inner.mounted_anew();
    }
    fn check_at_ambient(&mut self, at_ambient: bool) {
        self.inner.check_at_ambient(at_ambient);
    }
    fn take_module_identity(&mut self) -> Option<bench::ModuleIdentity> {
        self.inner.take_module_identity()
    }
    fn agent_text(&mut self, method: &str, call: &Call) -> String {
        let text = self.inner.agent_text(method, call);
        self.said(text)
    }
    fn wait_touch_safe(&mut self, call: &Call) -> Result<Vec<(String, Celsius)>, DriverError> {
        self.inner.wait_touch_safe(call).map_err(|error| self.error(error))
    }
}

/// A night of seeded faults on the simulated target: what each job came to, how the run ended, and its verdicts.
fn night(seed: u64, noisy: bool) -> (Vec<String>, String, Value) {
    let folder = Folder::in_memory();
    let dir = folder.path().join("run");
    let rig = Rig::new(TINY);
    let stop = CancelToken::new();
    let mishaps = Arc::new(Mishaps { seed, share: 0.08, stubborn: 0.6, ..Mishaps::default() });
    let witness = Arc::new(Witness::default());
    let open = || -> Box<dyn Driver> {
        let target = rig.target();
        let faulty = FaultyDriver::new(target, Arc::clone(&mishaps), Arc::clone(&witness), stop.clone());
        Box::new(Noise::new(noisy.then_some(seed), Box::new(faulty)))
    };
    let sitting = Sitting { threads: 1, open: &open, cancel: &stop, spoil: &|_| {} };
    let end = match rig.sit(&dir, &sitting) {
        Ok(jobs) => format!("{jobs} jobs"),
        Err(failure) => format!("{:?}", failure.exit),
    };
    let jobs = contents(&dir).into_iter().map(|(key, attempt, counts, mut result)| {
        for stage in result.trainings.iter_mut().flat_map(|training| &mut training.stages) {
            stage.causes.clear();
        }
        let outcome = without_words(&result.outcome);
        format!("{key:?} {attempt} {counts} {outcome} {:?} {:?}", result.trainings, result.captures)
    });
    let jobs = jobs.collect();
    let report = nightbench(folder.path(), &["report", "run", "--json"]);
    let summary: Value = serde_json::from_str(&report.out).unwrap_or_else(|_| panic!("{}", report.err));
    (jobs, end, json!([report.code, summary["verdicts"], summary["not_measured"]]))
}

fn without_words(outcome: &JobOutcome) -> String {
    match outcome {
        JobOutcome::NotMeasured(fault) => format!("not measured: {}", fault.kind.code()),
        other => other.to_string(),
    }
}

#[test]
fn noise_for_words_changes_nothing_on_the_simulated_target() {
    let mut kinds = 0;
    for seed in 1..=6 {
        let plain = night(seed, false);
        kinds += plain.0.iter().filter(|job| job.contains(" not measured: ")).count();
        assert_eq!(plain, night(seed, true), "seed {seed}");
    }
    assert!(kinds > 10, "{kinds} faults prove little");
}

/// How the agent refuses, and in which words anything is said.
#[derive(Clone, Copy)]
struct Wording {
    refusal: &'static str,
    noise: Option<u64>,
}

/// A way to a device or instrument that rewords what it says and refuses one `sample` with an interlock.
struct Reworded {
    address: SocketAddr,
}

impl Reworded {
    fn new(device: SocketAddr, wording: Wording, refused_sample: Option<u64>) -> Reworded {
        let listener = TcpListener::bind(("127.0.0.1", 0)).expect("loopback");
        let address = listener.local_addr().expect("an address");
        let samples = Arc::new(AtomicU64::new(0));
        // Ends with the process: a test's connections are few.
        std::thread::spawn(move || {
            for host in listener.incoming().map_while(Result::ok) {
                let Ok(device) = TcpStream::connect(device) else { continue };
                // A line that waits for another to be sent looks like a silent instrument.
                for end in [&host, &device] {
                    end.set_nodelay(true).expect("a socket");
                }
                relay(host, device, wording, (Arc::clone(&samples), refused_sample));
            }
        });
        Reworded { address }
    }
}

fn relay(
    host: TcpStream,
    device: TcpStream,
    wording: Wording,
    (samples, refused): (Arc<AtomicU64>, Option<u64>),
) {
    let copies = |stream: &TcpStream| stream.try_clone().expect("a copy of a socket");
    let (from_host, from_device) = (copies(&host), copies(&device));
    let (to_host, mut to_device) = (Arc::new(Mutex::new(host)), device);
    let back = Arc::clone(&to_host);
    std::thread::spawn(move || {
        for line in BufReader::new(from_host).lines().map_while(Result::ok) {
            let request: Value = serde_json::from_str(&line).unwrap_or(Value::Null);
            if request["method"] == "sample" && Some(samples.fetch_add(1, Ordering::SeqCst)) == refused {
                let error = json!({ "code": -32004, "message": wording.refusal });
                let answer = json!({ "jsonrpc": "2.0", "id": request["id"], "error": error });
                let _ = back.lock().expect("a lock").write_all(format!("{answer}\n").as_bytes());
            } else if to_device.write_all(format!("{line}\n").as_bytes()).is_err() {
                break;
            }
        }
        let _ = to_device.shutdown(Shutdown::Both);
    });
    std::thread::spawn(move || {
        let mut chance = Chance::new(wording.noise.unwrap_or(0));
        let mut reader = BufReader::new(from_device);
        let mut line = Vec::new();
        // Byte for byte: half an answer is passed on as half an answer.
        while reader.read_until(b'\n', &mut line).is_ok_and(|count| count > 0) {
            let said = match wording.noise {
                Some(_) => reworded(&line, &mut chance),
                None => line.clone(),
            };
            if to_host.lock().expect("a lock").write_all(&said).is_err() {
                break;
            }
            line.clear();
        }
        let _ = to_host.lock().expect("a lock").shutdown(Shutdown::Both);
    });
}

/// An error answer of the agent, or an entry of an error queue, in other words.
fn reworded(line: &[u8], chance: &mut Chance) -> Vec<u8> {
    let text = String::from_utf8_lossy(line);
    if let Ok(mut answer) = serde_json::from_str::<Value>(&text)
        && answer.pointer("/error/message").is_some()
    {
        answer["error"]["message"] = noise(chance).into();
        return format!("{answer}\n").into_bytes();
    }
    match text.trim_end().split_once(",\"") {
        Some((code, words)) if words.ends_with('"') && code.parse::<i32>().is_ok() => {
            format!("{code},\"{}\"\n", noise(chance).replace('"', "'")).into_bytes()
        }
        _ => line.to_vec(),
    }
}

/// Hands that are there and fit nothing, or nobody.
struct Nobody;

impl Hands for Nobody {
    fn present(&self) -> bool {
        false
    }
    fn change(&mut self, _: &Mounting, _: &[(String, Celsius)], _: &Again, _: &Latest) -> bool {
        false
    }
    fn may_leave(&mut self, _: &str) {}
}

/// Everything decided in a run on the bench.
#[derive(Debug, PartialEq)]
struct Decided {
    end: (bool, bool, usize, usize, bool),
    outcomes: Vec<(u32, String)>,
    tries: Vec<(String, u32, bool)>,
    made_safe: usize,
    left_on: usize,
    report: Value,
}

/// What goes wrong in a run on the bench.
#[derive(Clone, Copy)]
enum Trouble {
    /// Nothing.
    None,
    /// The agent or an instrument fails at its next chance.
    Armed(Fault),
    /// Something befalls the bench while it measures.
    Struck(Fault),
    /// The air stays so cool that no high level is ever reached.
    Cool,
    /// The agent refuses a batch of points.
    Refused,
}

/// A run on the emulated bench with what goes wrong.
fn bench_run(trouble: Trouble, wording: Wording) -> Decided {
    let file = PlanFile::from_text(one_setup(), "plan of a test", false).expect("a sound plan");
    let plan = &file.plan;
    let forecast = Forecast::new(plan, &[]).expect("an order");
    let bench = Arc::new(start(plan, 1, 0.0, 2000.0));
    let folder = Folder::new();
    let mut text = named(&bench, &folder);
    let [chamber, supply, meter, agent, _] = bench.addresses();
    let refused_sample = matches!(trouble, Trouble::Refused).then_some(3);
    for (device, refused) in [(chamber, None), (supply, None), (meter, None), (agent, refused_sample)] {
        let way = Reworded::new(device, wording, refused);
        text = text.replace(&format!("\"{device}\""), &format!("\"{}\"", way.address));
    }
    match trouble {
        Trouble::Armed(fault) => bench.world().weather.arm(fault),
        Trouble::Cool => {
            text = text.replace("air_high_degc = 120", "air_high_degc = 45");
            text = text.replace("time_out_s = 7200", "time_out_s = 1800");
        }
        Trouble::None | Trouble::Struck(_) | Trouble::Refused => {}
    }
    let path = folder.file("bench.toml", &text);
    let quiet = Terminal { colour_out: false, colour_err: false, animated: true };
    let dir = folder.path().join("out");
    let keys = bench_keys(plan).expect("finite numbers");
    let state = bench::StateFolder::at(&folder.path().join(crate::support::STATE.1));
    let session =
        BenchSession::prepare(&quiet, &path, &file, &forecast, &keys, &dir, &state).expect("a ready bench");
    let struck = Arc::clone(&bench);
    let session = session.driven_by(move |driver: BenchDriver| -> Box<dyn Bench> {
        let mut noise = Noise::new(wording.noise, Box::new(driver));
        if let Trouble::Struck(fault) = trouble {
            noise.strike = Some(Strike { batches: 3, bench: Arc::clone(&struck), fault });
        }
        Box::new(noise)
    });
    let mut store = open_on(&dir, &file, 1, session.target()).expect("a new folder");
    let pending: Vec<PendingJob> = (0..)
        .zip(&forecast.jobs)
        .map(|(position, job)| {
            let condition = forecast.expansion.conditions[job.condition as usize];
            PendingJob { job: *job, condition, key: keys.key(&condition, job), position, attempt: 1 }
        })
        .collect();
    let executor = Executor::new(plan, &forecast.expansion, &keys);
    let mut progress = Progress::new(quiet, 0, pending.len());
    let run = BenchRun { plan, forecast: &forecast, executor, pending: &pending, choosing: None };
    let end = session.run_with(&mut Nobody, run, &mut store, &CancelToken::new(), &mut progress);
    let end = end.unwrap_or_else(|failure| panic!("{failure}"));
    store.close().expect("a store that can be closed");
    let BenchEnd {
        not_safe,
        ended_early,
        waiting_for_hands,
        not_measured,
        wrong_mounting,
        alarm: _,
        no_time_left,
        nobody_there,
    } = end;
    assert!(no_time_left.is_empty() && nobody_there.is_none(), "it was given no hours");
    let end = (not_safe.is_some(), ended_early.is_some(), waiting_for_hands, not_measured, wrong_mounting);
    let reader = Store::open_read_only(&dir).expect("a store");
    let outcomes = reader
        .jobs(Attempts::All)
        .map(|stored| stored.expect("a readable job"))
        .map(|stored| (stored.attempt, without_words(&stored.outcome)))
        .collect();
    let events = reader.events().expect("a readable log");
    let tries = events.iter().filter_map(|stored| match stored.event()? {
        Event::Fault { fault, attempt, last, .. } => Some((fault.kind.code().into_owned(), attempt, last)),
        _ => None,
    });
    let tries = tries.collect();
    let log = std::fs::read_to_string(dir.join("commands.log")).expect("a command log");
    let made_safe = log.lines().filter(|line| line.ends_with(" bench - make safe")).count();
    let left_on = bench.world().still_on().len();
    let report = nightbench(folder.path(), &["report", "out", "--json"]);
    let summary: Value = serde_json::from_str(&report.out).unwrap_or_else(|_| panic!("{}", report.err));
    let report = json!([report.code, summary["verdicts"], summary["not_measured"]]);
    Decided { end, outcomes, tries, made_safe, left_on, report }
}

const PLAIN: Wording = Wording { refusal: "a person is near", noise: None };

#[test]
fn noise_for_words_changes_nothing_on_a_bench() {
    let cases = [
        ("nothing", Trouble::None),
        ("the agent hangs", Trouble::Armed(Fault::Hang)),
        ("the agent crashes", Trouble::Armed(Fault::Crash)),
        ("more errors than bits", Trouble::Armed(Fault::TooManyErrors)),
        ("training is lost", Trouble::Armed(Fault::LostTraining)),
        ("a protection trips", Trouble::Struck(Fault::Trip)),
        ("too much current", Trouble::Struck(Fault::OverCurrent)),
        ("no high level is reached", Trouble::Cool),
        ("outputs stay on", Trouble::Struck(Fault::StuckOn)),
        ("the agent refuses", Trouble::Refused),
    ];
    for (name, trouble) in cases {
        decides_the_same(name, trouble, Wording { noise: Some(1), ..PLAIN });
    }
}

/// A busy computer may add an attempt at settling to either run; what words change, they change every time.
fn decides_the_same(name: &str, trouble: Trouble, wording: Wording) {
    let both = || (bench_run(trouble, wording), bench_run(trouble, PLAIN));
    let mut pairs = std::iter::repeat_with(both).take(5);
    let (seen, plain) = pairs.next().expect("five pairs");
    println!("{name}: {plain:?}");
    assert!(seen == plain || pairs.any(|(seen, plain)| seen == plain), "{name}: {seen:?}, not {plain:?}");
}

/// A refusal is an interlock: everything goes off at once, in whatever words the device refuses.
#[test]
fn no_words_of_a_device_keep_the_bench_from_switching_off() {
    let made_safe_once = |decided: &Decided| {
        let stops = decided.tries.iter().filter(|(kind, ..)| *kind == FaultKind::Interlock.code());
        stops.count() == 1 && decided.made_safe >= 4 && decided.left_on == 0
    };
    let plain = bench_run(Trouble::Refused, PLAIN);
    assert!(made_safe_once(&plain), "{plain:?}");
    for refusal in &PHRASES[..3] {
        decides_the_same(refusal, Trouble::Refused, Wording { refusal, noise: None });
    }
}
