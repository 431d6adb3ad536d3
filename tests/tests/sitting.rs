//! A sitting at the emulated bench: a run with scripted hands and clocks that a test may set.

use crate::bench_run::named;
use crate::emulated::start;
use crate::support::{Folder, STATE};
use bench::StateFolder;
use contract::CancelToken;
use emulator::{EmulatedBench, MountedThings};
use nightbench_core::results::JobOutcome;
use nightbench_core::units::Celsius;
use runner::console::exit::Failure;
use runner::console::terminal::Terminal;
use runner::folder::run_folder::{bench_keys, open_on};
use runner::forecast::Forecast;
use runner::inputs::plan_file::PlanFile;
use runner::run::bench_run::{BenchEnd, BenchRun, BenchSession, Choosing};
use runner::run::clock::Clocks;
use runner::run::execute::Executor;
use runner::run::known::Known;
use runner::run::operator::{Again, Hands, Latest};
use runner::run::pending::{Mounting, PendingJob};
use runner::run::prediction::choosing::{Basis, Visiting};
use runner::run::prediction::expected::kept_expected;
use runner::run::prediction::note::{Marks, chosen_so_far};
use runner::run::progress::Progress;
use runner::store::{Attempts, Store};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// What a scripted person does when asked: mounts something, and says whether it was done.
pub type Script<'b> = Box<dyn FnMut(&Mounting, &[String]) -> bool + 'b>;

pub struct ScriptedHands<'b> {
    bench: &'b EmulatedBench,
    script: Script<'b>,
    pub on_leave: Box<dyn FnMut(&str) + 'b>,
    pub asked: Vec<(String, Vec<String>)>,
    pub told: Vec<String>,
    /// Answers come when they are of no use any more.
    pub answers_late: bool,
}

impl Hands for ScriptedHands<'_> {
    fn present(&self) -> bool {
        true
    }

    fn change(
        &mut self,
        wanted: &Mounting,
        sensors: &[(String, Celsius)],
        again: &Again,
        latest: &Latest,
    ) -> bool {
        // What a person would stake their fingers on.
        assert_eq!(
            self.bench.world().still_on(),
            Vec::<String>::new(),
            "hands were asked for with something on"
        );
        let device = self.bench.world().true_device();
        assert!((14.5..=43.5).contains(&device), "hands were asked for at {device} degC");
        assert!(!sensors.is_empty());
        self.asked.push((format!("{} on {}", wanted.module, wanted.channel), again.reasons.clone()));
        if self.answers_late {
            // As a terminal: a prompt that nobody answers, or answers when it is too late.
            while !latest.is_over() {
                std::thread::sleep(Duration::from_millis(1));
            }
        }
        (self.script)(wanted, &again.reasons)
    }

    fn may_leave(&mut self, words: &str) {
        self.told.push(words.into());
        (self.on_leave)(words);
    }
}

/// A person who mounts what is asked for.
pub fn mounts(bench: &EmulatedBench) -> Script<'_> {
    Box::new(move |wanted, _| {
        bench.mount(as_wanted(wanted));
        true
    })
}

/// A person who puts the wrong module in for the first change that is asked for, every time.
pub fn first_change_wrong(bench: &EmulatedBench) -> Script<'_> {
    let mut broken: Option<(String, String)> = None;
    Box::new(move |wanted, _| {
        let this = (wanted.module.clone(), wanted.channel.clone());
        let wrong = *broken.get_or_insert_with(|| this.clone()) == this;
        let module = if wrong { "Birch".into() } else { wanted.module.clone() };
        bench.mount(MountedThings { module, ..as_wanted(wanted) });
        true
    })
}

pub fn as_wanted(wanted: &Mounting) -> MountedThings {
    MountedThings {
        chip: wanted.chip.clone(),
        module: wanted.module.clone(),
        module_serial: wanted.serial.clone(),
        module_spd: None,
        channel: wanted.channel.clone(),
        loose_lanes: Vec::new(),
    }
}

/// One sitting at a bench.
pub struct Sitting {
    pub folder: Folder,
    pub file: PlanFile,
    pub forecast: Forecast,
    pub bench: EmulatedBench,
    pub bench_text: String,
    pub start_local_min: Option<f64>,
    /// Bench hours that it is given.
    pub hours: Option<f64>,
    /// Seconds that this computer was suspended so far.
    pub suspended_s: Arc<AtomicU64>,
    /// Seconds by which its clock was set back so far.
    pub set_back_s: Arc<AtomicU64>,
}

impl Sitting {
    /// Channels of the jobs in the order they began.
    pub fn channels(&self) -> Vec<String> {
        let reader = Store::open_read_only(&self.folder.path().join("out")).unwrap();
        let mut jobs: Vec<(f64, String)> = reader
            .jobs(Attempts::All)
            .map(|job| job.unwrap())
            .map(|job| (job.row.started_bench_s, job.row.channel))
            .collect();
        jobs.sort_by(|a, b| a.0.total_cmp(&b.0));
        jobs.into_iter().map(|(_, channel)| channel).collect()
    }

    pub fn new(plan_text: &str, scale: f64) -> Sitting {
        let file = PlanFile::from_text(plan_text.to_string(), "plan of a test", false).expect("a sound plan");
        let forecast = Forecast::new(&file.plan, &[]).expect("an order");
        let bench = start(&file.plan, 1, 0.0, scale);
        let folder = Folder::new();
        let bench_text = named(&bench, &folder);
        Sitting {
            folder,
            file,
            forecast,
            bench,
            bench_text,
            start_local_min: None,
            hours: None,
            suspended_s: Arc::default(),
            set_back_s: Arc::default(),
        }
    }

    pub fn hands<'b>(&'b self, script: Script<'b>) -> ScriptedHands<'b> {
        ScriptedHands {
            bench: &self.bench,
            script,
            on_leave: Box::new(|_| {}),
            asked: Vec::new(),
            told: Vec::new(),
            answers_late: false,
        }
    }

    pub fn run(&self, hands: &mut ScriptedHands<'_>) -> Result<BenchEnd, Failure> {
        let plan = &self.file.plan;
        let quiet = Terminal { colour_out: false, colour_err: false, animated: true };
        let (dir, path) = (self.folder.path().join("out"), self.folder.file("bench.toml", &self.bench_text));
        let keys = bench_keys(plan).expect("finite numbers");
        let state = StateFolder::at(&self.folder.path().join(STATE.1));
        let session = BenchSession::prepare(&quiet, &path, &self.file, &self.forecast, &keys, &dir, &state)?;
        let session = match self.start_local_min {
            Some(at) => session.starting_at(at),
            None => session,
        };
        let suspended_s = Arc::clone(&self.suspended_s);
        let set_back_s = Arc::clone(&self.set_back_s);
        let session = session.by_clocks(move || {
            let asleep = Duration::from_secs(suspended_s.load(Ordering::SeqCst));
            let back = Duration::from_secs(set_back_s.load(Ordering::SeqCst));
            let now = Clocks::now();
            Clocks { always: now.always + asleep, utc: now.utc + asleep - back, ..now }
        });
        let mut store = open_on(&dir, &self.file, 1, session.target())?;
        let pending: Vec<PendingJob> = (0..)
            .zip(&self.forecast.jobs)
            .map(|(position, job)| {
                let condition = self.forecast.expansion.conditions[job.condition as usize];
                PendingJob { job: *job, condition, key: keys.key(&condition, job), position, attempt: 1 }
            })
            .collect();
        let executor = Executor::new(plan, &self.forecast.expansion, &keys);
        let basis = plan.predicted.map(|asked| {
            let of = (plan, &self.forecast, &executor);
            let marks = Marks::of(&self.file.text, &self.forecast.expansion, &keys);
            let kept = (&mut store, &marks);
            let prior = kept_expected(&quiet, of, &BTreeMap::new(), kept, 1, &CancelToken::new())?;
            Ok::<_, Failure>(Basis::new(plan, &self.forecast, asked, (&prior, marks), 1))
        });
        let basis = basis.transpose()?;
        let mut known = Known::new(plan, &self.forecast.expansion);
        known.read(&dir, store.reader(), &pending)?;
        let done = store.reader().done_keys()?;
        let open: Vec<PendingJob> = pending.iter().filter(|one| !done.contains(&one.key)).copied().collect();
        let visiting = match &basis {
            Some(basis) => {
                let chosen = chosen_so_far(store.reader(), basis.marks())?;
                Some(Visiting::begin(basis, chosen, &mut store, (&pending, &open))?)
            }
            None => None,
        };
        let mut progress = Progress::new(quiet, 0, pending.len());
        let run = BenchRun {
            plan,
            forecast: &self.forecast,
            executor,
            pending: &open,
            choosing: (self.hours.is_some() || visiting.is_some()).then_some(Choosing {
                known,
                search: None,
                hours: self.hours,
                visiting,
            }),
        };
        let end = session.run_with(hands, run, &mut store, &CancelToken::new(), &mut progress);
        store.close().expect("a store that can be closed");
        end
    }

    /// Outcome of each stored job with its setup.
    pub fn outcomes(&self) -> Vec<(String, JobOutcome)> {
        let reader = Store::open_read_only(&self.folder.path().join("out")).expect("a store");
        reader
            .jobs(Attempts::All)
            .map(|stored| stored.expect("a readable job"))
            .map(|stored| (format!("{} on {}", stored.row.module, stored.row.channel), stored.outcome))
            .collect()
    }

    pub fn events(&self, kind: &str) -> Vec<String> {
        let reader = Store::open_read_only(&self.folder.path().join("out")).expect("a store");
        let events = reader.events().expect("a readable log");
        events.into_iter().filter(|event| event.kind == kind).map(|event| event.text).collect()
    }

    pub fn seconds(&self, reading: &str) -> f64 {
        let reader = Store::open_read_only(&self.folder.path().join("out")).expect("a store");
        reader.reading_total(reading).expect("readings")
    }

    pub fn off(&self) {
        assert_eq!(self.bench.world().still_on(), Vec::<String>::new());
    }
}

/// Minutes since 1970-01-01 of 20:00 on a Monday.
pub const MONDAY_EVENING: f64 = (4.0 * 24.0 + 20.0) * 60.0;
