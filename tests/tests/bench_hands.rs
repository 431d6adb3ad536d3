//! Hands on the emulated bench, scripted: asked only when everything is off and neither hot nor cold, kept until the mounting check has
//! passed, asked again for a re-seat; setups that do not work are left out and the rest is planned anew; attended hours.

use crate::bench_run::named;
use crate::emulated::start;
use crate::support::{Folder, SMALL, STATE, json, nightbench};
use bench::StateFolder;
use contract::CancelToken;
use emulator::{EmulatedBench, MountedThings};
use nightbench_core::faults::FaultKind;
use nightbench_core::results::JobOutcome;
use nightbench_core::units::Celsius;
use runner::console::exit::{Exit, Failure};
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
use runner::store::{Attempts, JobRow, Store};
use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// What a scripted person does when asked: mounts something, and says whether it was done.
pub type Script<'b> = Box<dyn FnMut(&Mounting, &[String]) -> bool + 'b>;

pub struct ScriptedHands<'b> {
    bench: &'b EmulatedBench,
    script: Script<'b>,
    on_leave: Box<dyn FnMut(&str) + 'b>,
    pub asked: Vec<(String, Vec<String>)>,
    told: Vec<String>,
    /// Answers come when they are of no use any more.
    answers_late: bool,
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
    file: PlanFile,
    forecast: Forecast,
    pub bench: EmulatedBench,
    pub bench_text: String,
    pub start_local_min: Option<f64>,
    /// Bench hours that it is given.
    hours: Option<f64>,
    /// Seconds that this computer was suspended so far.
    suspended_s: Arc<AtomicU64>,
    /// Seconds by which its clock was set back so far.
    set_back_s: Arc<AtomicU64>,
}

impl Sitting {
    /// Channels of the jobs in the order they began.
    fn channels(&self) -> Vec<String> {
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

    fn events(&self, kind: &str) -> Vec<String> {
        let reader = Store::open_read_only(&self.folder.path().join("out")).expect("a store");
        let events = reader.events().expect("a readable log");
        events.into_iter().filter(|event| event.kind == kind).map(|event| event.text).collect()
    }

    fn seconds(&self, reading: &str) -> f64 {
        let reader = Store::open_read_only(&self.folder.path().join("out")).expect("a store");
        reader.reading_total(reading).expect("readings")
    }

    fn off(&self) {
        assert_eq!(self.bench.world().still_on(), Vec::<String>::new());
    }
}

/// Amber on two channels and Cedar on two: four setups of four jobs.
fn four_setups() -> String {
    SMALL.replace(
        "[[module]]\nname = \"Birch\"\nkind = \"SODIMM\"\nrated = 2400",
        "[[module]]\nname = \"Cedar\"\nkind = \"UDIMM\"\nrated = 2666",
    )
}

/// A meter on the wrong rail reads a wrong voltage: the module in place is not to blame.
#[test]
fn a_fault_of_the_bench_sends_no_hands_to_a_module() {
    for declared in [true, false] {
        let mut sitting = Sitting::new(SMALL, 2000.0);
        sitting.bench_text = sitting.bench_text.replace("meter_channel = \"2\"", "meter_channel = \"3\"");
        if !declared {
            let (before, rest) = sitting.bench_text.split_once("[mounted]").expect("a declaration");
            let (_, after) = rest.split_once("\n\n").expect("its end");
            sitting.bench_text = format!("{before}{after}");
        }
        let mut hands = sitting.hands(mounts(&sitting.bench));
        let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
        // Only what nobody said to be in place is asked for, and that once.
        assert_eq!(hands.asked.len(), usize::from(!declared), "{:?}", hands.asked);
        assert!(hands.asked.iter().all(|(_, reseat)| reseat.is_empty()), "{:?}", hands.asked);
        let why = end.ended_early.as_deref().unwrap_or_default();
        assert!(why.starts_with("the bench has a fault: voltage alarm: VDDQ measures"), "{why}");
        assert_eq!(sitting.outcomes(), Vec::new());
        sitting.off();
    }
}

#[test]
fn hands_mount_each_setup_and_may_leave_after_its_check() {
    let sitting = Sitting::new(SMALL, 2000.0);
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    assert_eq!(sitting.outcomes().len(), 8);
    assert!(sitting.outcomes().iter().all(|(_, outcome)| *outcome == JobOutcome::Measured));
    // What is declared was checked first; the other setup was asked for once, without a reason to seat it again.
    assert_eq!(hands.asked.len(), 1, "{:?}", hands.asked);
    assert!(hands.asked[0].1.is_empty());
    assert_eq!(hands.told.len(), 2, "{:?}", hands.told);
    assert!(hands.told.iter().all(|words| words.contains("was checked") && words.contains("may leave")));
    let checks = sitting.events("mounting_check");
    assert_eq!(checks.len(), 2, "{checks:?}");
    assert!(checks.iter().all(|words| words.contains("passed")), "{checks:?}");
    assert!(sitting.seconds("change-over: mounting check") > 0.0);
    assert!(sitting.seconds("change-over: ramp") > 0.0 && sitting.seconds("change-over: soak") > 0.0);
    sitting.off();
}

/// A real bench runs at the speed of the clock: how long the check takes there is seen at a low time scale.
#[test]
fn a_mounting_check_takes_less_than_three_minutes_of_bench_time() {
    let sitting =
        Sitting::new(&SMALL.replace("temperature_degc = [25, 60]", "temperature_degc = [25]"), 100.0);
    let mut hands = sitting.hands(Box::new(|_, _| false));
    sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    let took = sitting.seconds("change-over: mounting check");
    println!("one mounting check: {took:.0} s of bench time at a scale of 100");
    assert!(took > 0.0 && took < 180.0, "{took} s");
}

#[test]
fn a_badly_seated_module_is_asked_for_again() {
    let sitting = Sitting::new(SMALL, 2000.0);
    let bench = &sitting.bench;
    let mut hands = sitting.hands(Box::new(move |wanted, reseat| {
        let loose_lanes = if reseat.is_empty() { vec![3] } else { Vec::new() };
        bench.mount(MountedThings { loose_lanes, ..as_wanted(wanted) });
        true
    }));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    assert_eq!(hands.asked.len(), 2, "{:?}", hands.asked);
    assert!(hands.asked[1].1.iter().any(|reason| reason.contains("lanes 3 of read")), "{:?}", hands.asked);
    assert_eq!(sitting.outcomes().len(), 8);
    assert!(sitting.outcomes().iter().all(|(_, outcome)| *outcome == JobOutcome::Measured));
    assert!(sitting.events("mounting_check").iter().any(|words| words.contains("failed in part")));
    sitting.off();
}

/// The serial number that the agent reads decides, not the operator's word.
#[test]
fn a_module_with_another_serial_number_is_asked_for_again() {
    let plan = four_setups().replace("name = \"Cedar\"", "name = \"Cedar\"\nserial = \"C-17\"");
    let sitting = Sitting::new(&plan, 2000.0);
    let bench = &sitting.bench;
    let mut wrong_once = true;
    let mut hands = sitting.hands(Box::new(move |wanted, _| {
        let mut things = as_wanted(wanted);
        if wanted.module == "Cedar" && std::mem::take(&mut wrong_once) {
            things.module_serial = Some("C-71".into());
        }
        bench.mount(things);
        true
    }));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    let again = hands.asked.iter().find(|(_, reseat)| !reseat.is_empty()).expect("a second request");
    assert!(again.1[0].contains("C-17") && again.1[0].contains("C-71"), "{again:?}");
    assert_eq!(sitting.outcomes().len(), 16);
    sitting.off();
}

/// What the bench file says is mounted is checked as well, while somebody is there to see to it.
#[test]
fn a_declared_setup_that_is_badly_seated_is_asked_for() {
    let sitting = Sitting::new(SMALL, 2000.0);
    let bench = &sitting.bench;
    bench.mount(MountedThings { loose_lanes: vec![0, 1], ..bench.mounted() });
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    assert_eq!(hands.asked.len(), 2, "{:?}", hands.asked);
    assert_eq!(hands.asked[0].0, "Amber on direct");
    let checks = sitting.events("mounting_check");
    assert!(checks[0].contains("failed in part") && checks[0].contains("lanes 0-1"), "{checks:?}");
    assert!(sitting.outcomes().iter().all(|(_, outcome)| *outcome == JobOutcome::Measured));
    sitting.off();
}

#[test]
fn a_setup_that_never_answers_is_left_out_and_the_rest_is_planned_anew() {
    let sitting = Sitting::new(&four_setups(), 2000.0);
    let mut hands = sitting.hands(first_change_wrong(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!((end.not_measured, end.waiting_for_hands), (4, 0), "{end:?}");
    let outcomes = sitting.outcomes();
    assert_eq!(outcomes.len(), 16);
    let broken = &hands.asked[0].0;
    assert_eq!(hands.asked.iter().filter(|(setup, _)| setup == broken).count(), 2, "{:?}", hands.asked);
    for (setup, outcome) in &outcomes {
        match outcome {
            JobOutcome::NotMeasured(fault) => {
                assert_eq!(setup, broken);
                assert_eq!(fault.kind, FaultKind::MountingCheck);
                assert!(fault.detail.starts_with("2 times for the whole device"), "{fault}");
                assert!(fault.detail.contains("is mounted, not"), "{fault}");
            }
            other => assert!(setup != broken && *other == JobOutcome::Measured, "{setup}: {other:?}"),
        }
    }
    assert_eq!(sitting.events("setup_left_out").len(), 1);
    let anew = sitting.events("planned_anew");
    assert!(!anew.is_empty(), "the change of plan is not in the log");
    println!("planned anew: {anew:?}");
    sitting.off();
}

#[test]
fn a_change_that_is_declined_leaves_its_jobs_waiting() {
    let sitting = Sitting::new(SMALL, 2000.0);
    let mut hands = sitting.hands(Box::new(|_, _| false));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!((end.waiting_for_hands, end.not_measured), (4, 0), "{end:?}");
    assert_eq!(end.exit(Exit::Pass), Exit::Incomplete);
    assert_eq!(sitting.outcomes().len(), 4);
    sitting.off();
}

/// Minutes since 1970-01-01 of 20:00 on a Monday.
pub const MONDAY_EVENING: f64 = (4.0 * 24.0 + 20.0) * 60.0;

#[test]
fn outside_attended_hours_what_is_fitted_goes_on_and_hands_are_waited_for() {
    let mut sitting = Sitting::new(SMALL, 4000.0);
    sitting.start_local_min = Some(MONDAY_EVENING);
    sitting.bench_text.push_str("\n[attended]\nfrom_h = 8\nto_h = 18\n");
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    assert_eq!(sitting.outcomes().len(), 8);
    let waiting = sitting.events("waiting");
    assert_eq!(waiting.len(), 1, "{waiting:?}");
    assert!(
        waiting[0].contains("outside attended hours") && waiting[0].contains("Tue 1970-01-06 08:00"),
        "{waiting:?}"
    );
    let waited_h = sitting.seconds("change-over: waiting") / 3600.0;
    assert!((1.0..=12.5).contains(&waited_h), "{waited_h} h");
    // What was mounted was measured before.
    let reader = Store::open_read_only(&sitting.folder.path().join("out")).unwrap();
    let begun: Vec<f64> = reader.jobs(Attempts::All).map(|job| job.unwrap().row.started_bench_s).collect();
    assert_eq!(begun.iter().filter(|at| **at < 11.9 * 3600.0).count(), 4, "{begun:?}");
    sitting.off();
}

/// A clock that was wrong when the run began and is set back by three hours: people come by the clock on the wall, and hours that were given
/// are bench time, as long as before.
#[test]
fn a_clock_that_is_set_moves_attended_hours_and_no_given_ones() {
    let sit = |text: &str, hours: Option<f64>| {
        let mut sitting = Sitting::new(text, 4000.0);
        sitting.start_local_min = Some(MONDAY_EVENING);
        sitting.hours = hours;
        sitting.bench_text.push_str("\n[attended]\nfrom_h = 8\nto_h = 18\n");
        let end = {
            let mut hands = sitting.hands(mounts(&sitting.bench));
            // What is declared to be mounted was checked: the run has begun.
            hands.on_leave = Box::new(|_| sitting.set_back_s.store(3 * 3600, Ordering::SeqCst));
            sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"))
        };
        sitting.off();
        (sitting, end)
    };
    let rows = |sitting: &Sitting| -> Vec<JobRow> {
        let reader = Store::open_read_only(&sitting.folder.path().join("out")).unwrap();
        reader.jobs(Attempts::All).map(|job| job.unwrap().row).collect()
    };
    let (sitting, end) = sit(SMALL, None);
    let rows_of_all = rows(&sitting);
    assert_eq!((end, rows_of_all.len()), (BenchEnd::default(), 8));
    // At 8:00 by the clock on the wall 15 hours have gone by.
    let first = sitting.channels()[0].clone();
    let begun: Vec<f64> = rows_of_all
        .iter()
        .filter(|row| row.channel != first)
        .map(|row| row.started_bench_s / 3600.0)
        .collect();
    assert!(begun.len() == 4 && begun.iter().all(|at| *at > 14.9), "{begun:?}");
    // With soaks of two hours one temperature ends within 3.5 hours, and the other within three hours more.
    let (sitting, end) = sit(&format!("{SMALL}\n[bench_times]\nsoak_s = 7200\n"), Some(3.5));
    let done = rows(&sitting);
    assert_eq!(end.no_time_left.len() + done.len(), 8, "{end:?}");
    assert!(done.iter().all(|row| row.ended_bench_s < 3.5 * 3600.0) && done.len() <= 2, "{done:?}");
}

/// The order begins with another setup than the one that was mounted in the evening: what is mounted goes first.
#[test]
fn at_night_what_is_fitted_goes_on_out_of_its_turn() {
    let text = SMALL.replace("temperature_degc = [25, 60]", "temperature_degc = [25]");
    let mut sitting = Sitting::new(&text, 4000.0);
    let first = sitting.forecast.condition(0).channel(&sitting.file.plan).name.clone();
    let other = if first == "direct" { "risers" } else { "direct" };
    sitting.start_local_min = Some(MONDAY_EVENING);
    sitting.bench_text =
        sitting.bench_text.replace("channel = \"direct\"", &format!("channel = \"{other}\""));
    sitting.bench_text.push_str("\n[attended]\nfrom_h = 8\nto_h = 18\n");
    sitting.bench.mount(MountedThings { channel: other.into(), ..sitting.bench.mounted() });
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    assert_eq!(sitting.channels(), [other, other, first.as_str(), first.as_str()]);
    let told = sitting.events("planned_anew");
    let about = told.iter().filter(|words| words.contains("what is mounted goes on")).count();
    assert_eq!(about, 1, "{told:?}");
    assert_eq!(sitting.events("waiting").len(), 1);
    sitting.off();
}

/// The baseline is measured first and last: its last measurement waits for its turn, also when everybody has gone home.
#[test]
fn the_baseline_at_the_end_is_not_taken_out_of_turn_at_night() {
    let order = "\n[order]\nbaseline_module = \"Amber\"\nbaseline_channel = \"direct\"\n";
    let text = SMALL.replace("temperature_degc = [25, 60]", "temperature_degc = [25]");
    let mut sitting = Sitting::new(&format!("{text}{order}"), 4000.0);
    sitting.start_local_min = Some(MONDAY_EVENING);
    sitting.bench_text.push_str("\n[attended]\nfrom_h = 8\nto_h = 18\n");
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    assert_eq!(sitting.channels(), ["direct", "direct", "risers", "risers", "direct"]);
    assert_eq!(sitting.events("waiting").len(), 1);
    assert_eq!(hands.asked.len(), 2, "{:?}", hands.asked);
    sitting.off();
}

/// A device that is still hot when the run begins is waited for, not taken for badly seated.
#[test]
fn a_device_still_hot_from_an_earlier_run_is_waited_for() {
    let sitting = Sitting::new(SMALL, 2000.0);
    sitting.bench.world().leave_at(95.0);
    let mut hands = sitting.hands(Box::new(|_, _| false));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!((end.waiting_for_hands, end.not_measured), (4, 0), "{end:?}");
    assert!(sitting.events("mounting_check")[0].contains("passed"), "{:?}", sitting.events("mounting_check"));
    sitting.off();
}

#[test]
fn a_run_that_may_not_last_until_morning_leaves_the_rest_for_hands() {
    let mut sitting = Sitting::new(SMALL, 4000.0);
    sitting.start_local_min = Some(MONDAY_EVENING);
    sitting.bench_text = sitting.bench_text.replace("most_hours = 2000", "most_hours = 11");
    sitting.bench_text.push_str("\n[attended]\nfrom_h = 8\nto_h = 18\n");
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert!(hands.asked.is_empty());
    assert!(end.ended_early.is_some() || end.waiting_for_hands == 4, "{end:?}");
    sitting.off();
}

#[test]
fn hours_that_end_before_hands_come_are_spent_on_what_is_mounted() {
    let mut sitting = Sitting::new(SMALL, 1000.0);
    sitting.start_local_min = Some(MONDAY_EVENING);
    sitting.hours = Some(6.0);
    sitting.bench_text.push_str("\n[attended]\nfrom_h = 8\nto_h = 18\n");
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert!(hands.asked.is_empty(), "{:?}", hands.asked);
    let done = sitting.outcomes().len();
    assert_eq!(end.no_time_left.len() + done, 8, "{end:?}");
    assert!(done > 0 && end.waiting_for_hands == 0, "{end:?}");
    let why = sitting.events("no_time_left");
    assert!(
        why.len() == 1
            && why[0].ends_with("nobody is there to change what is mounted before Tue 1970-01-06 08:00"),
        "{why:?}"
    );
    sitting.off();
}

/// A prompt that nobody answers, or somebody when nothing would end in time any more: the run ends within its hours, and nothing was switched
/// on for what was mounted too late.
#[test]
fn hands_that_come_too_late_switch_nothing_on() {
    for mounts_it in [false, true] {
        let mut sitting = Sitting::new(SMALL, 1000.0);
        sitting.hours = Some(6.0);
        let bench = &sitting.bench;
        let mut hands = sitting.hands(Box::new(move |wanted, _| {
            if mounts_it {
                bench.mount(as_wanted(wanted));
            }
            mounts_it
        }));
        hands.answers_late = true;
        let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
        assert_eq!(hands.asked.len(), 1, "{:?}", hands.asked);
        let done = sitting.outcomes().len();
        assert!(done > 0 && end.no_time_left.len() + done == 8, "{end:?}");
        assert_eq!(sitting.events("safe_late"), Vec::<String>::new());
        assert_eq!(sitting.events("mounting_check").len(), 1, "only what was declared is checked");
        let why = sitting.events("hands_needed");
        let words = if mounts_it { "was mounted, but nothing would end" } else { "nobody answered" };
        assert!(why.iter().any(|why| why.contains(words)), "{why:?}");
        sitting.off();
    }
}

/// Whoever looks from outside while a prompt waits is told that hands are wanted now, and for what; a wrong module in is told as that.
#[test]
fn a_prompt_that_waits_is_told_from_outside() {
    let sitting = Sitting::new(SMALL, 1000.0);
    let (bench, folder) = (&sitting.bench, sitting.folder.path());
    let (told, late) = (std::cell::RefCell::new(Vec::new()), std::cell::RefCell::new(Vec::new()));
    let look = || json(&nightbench(folder, &["status", "out", "--json"]))["next_hands_on"].clone();
    let mut hands = sitting.hands(Box::new(|wanted, _| {
        let words = nightbench(folder, &["status", "out"]).out;
        told.borrow_mut().push((format!("{} on {}", wanted.module, wanted.channel), look(), words));
        bench.mount(as_wanted(wanted));
        true
    }));
    // The prompt is over.
    hands.on_leave = Box::new(|_| late.borrow_mut().push(look()));
    sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    drop(hands);
    assert!(!told.borrow().is_empty());
    for (wanted, next, words) in told.borrow().iter() {
        assert_eq!((&next["begin"], &next["mount"]), (&"now".into(), &wanted.as_str().into()), "{words}");
        assert!(words.contains("next hands at the bench  now: mount"), "{words}");
    }
    assert!(late.borrow().iter().all(|next| next["begin"] != "now"), "{late:?}");
    sitting.off();
}

#[test]
fn a_panic_makes_the_bench_safe() {
    let sitting = Sitting::new(SMALL, 2000.0);
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let bench = &sitting.bench;
    hands.on_leave = Box::new(move |_| {
        // The mounting check leaves the device powered.
        assert!(bench.world().powered(), "the test needs something that is on");
        panic!("a fault of the program");
    });
    let ended =
        catch_unwind(AssertUnwindSafe(|| sitting.run(&mut hands))).expect("the panic does not get out");
    let failure = ended.expect_err("an internal fault");
    assert_eq!(failure.exit, Exit::Incomplete, "{failure}");
    assert!(failure.words.contains("internal fault; the bench was made safe"), "{failure}");
    sitting.off();
}

#[test]
fn a_run_ends_warm() {
    let text = SMALL
        .replace("temperature_degc = [25, 60]", "temperature_degc = [-20]")
        .replace("rate = [2133, 2400]", "module = [\"Amber\"]\nchannel = [\"direct\"]\nrate = [2133, 2400]");
    let sitting = Sitting::new(&text, 2000.0);
    let mut hands = sitting.hands(mounts(&sitting.bench));
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    assert_eq!(end, BenchEnd::default());
    assert!(sitting.bench.ledger().iter().all(|entry| entry.temperature.0 < 30.0));
    assert!(sitting.bench.ledger().iter().any(|entry| entry.temperature.1 < -18.0), "it was never cold");
    let device = sitting.bench.world().true_device();
    assert!(device > 14.0, "the run ended at {device} degC");
    sitting.off();
}

/// The computer was suspended with the rails up: on waking everything is made safe, it is said, and this run switches nothing on again.
#[test]
fn a_suspended_computer_makes_its_bench_safe_when_it_wakes() {
    let sitting = Sitting::new(&crate::bench_run::one_setup(), 100.0);
    let before = std::cell::Cell::new(0);
    let mut hands = sitting.hands(mounts(&sitting.bench));
    hands.on_leave = Box::new(|_| {
        before.set(sitting.bench.world().ledger.outputs_switched_on);
        sitting.suspended_s.fetch_add(3600, Ordering::SeqCst);
    });
    let end = sitting.run(&mut hands).unwrap_or_else(|failure| panic!("{failure}"));
    let why = end.ended_early.as_deref().unwrap_or_default();
    assert!(why.contains("this computer was suspended for 3600 s"), "{why}");
    assert_eq!(end.not_safe, None);
    assert_eq!(sitting.bench.world().ledger.outputs_switched_on, before.get(), "switched on again");
    assert!(sitting.outcomes().is_empty(), "{:?}", sitting.outcomes());
    sitting.off();
}
