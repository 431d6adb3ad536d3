//! What the device makes and says of itself on the emulated bench: rails of its own, its module's SPD content; instruments that guard
//! by themselves; and how little a night spends beside measuring.

use crate::bench_run::{Rig, nothing_outside, one_setup, rig};
use crate::emulated::{bench_file, setting, start};
use crate::support::{json, nightbench};
use bench::{BenchDriver, CommandLog};
use contract::conformance::training;
use contract::{Alarm, Call, CancelToken, Driver, FaultKind};
use emulator::{MountedThings, Probe, Reading};
use nightbench_core::events::Event;
use nightbench_core::generations::Rail;
use plan::Plan;
use plan::spd::SpdImage;
use runner::store::Store;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

fn call() -> Call {
    Call::within(Duration::from_secs(60), &CancelToken::new())
}

/// A bench file whose VPP is made by the device.
fn without_vpp_supply(text: &str) -> String {
    let changed = text
        .replace("name = \"VPP\"\nsupply = \"supply\"\nchannel = \"3\"", "name = \"VPP\"\nfrom = \"agent\"");
    assert_ne!(changed, text);
    changed
}

fn driver(text: &str) -> BenchDriver {
    BenchDriver::new(Arc::new(bench_file(text)), CommandLog::in_memory(), false)
}

/// A bench without a VPP supply: the rail is limited, set, read back, watched and off like any other.
#[test]
fn a_rail_that_the_device_makes_is_a_rail_like_any_other() {
    let plan = Plan::read(&one_setup()).expect("a sound plan");
    let bench = start(&plan, 1, 0.0, 1000.0);
    bench.world().device_vpp = Some(0.0);
    let text = without_vpp_supply(&bench.bench_file());
    let mut own = driver(&text);
    // At this time scale a reading at the border of the band may leave it a moment later: tried again, as a run does.
    let mut tries = (0..5).map(|_| own.apply(&setting(&plan, 25.0), &call()));
    let readback = tries.find_map(Result::ok).expect("it settles");
    let asked = plan.supplies[0].rail(Rail::Vpp).expect("VPP");
    let (_, read) = readback.rails.iter().find(|(name, _)| name == "VPP").expect("VPP is read back");
    assert!((read.0 - asked.0).abs() < 0.01, "{read}, {asked} asked");
    assert!(!bench.world().outputs[2].on, "no supply feeds VPP");
    own.make_safe(&call()).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(bench.world().true_device_vpp(), 0.0);
    // Beyond its limits it is never set; a converter that gives too much is an alarm, and everything is off.
    let narrow = text.replace("low_v = 1.7\nhigh_v = 2.8", "low_v = 1.7\nhigh_v = 2.4");
    let narrow = narrow.replace("over_voltage_v = 2.90", "over_voltage_v = 2.50");
    let error = driver(&narrow).apply(&setting(&plan, 25.0), &call()).unwrap_err();
    assert_eq!(error.kind, FaultKind::OutOfRange, "{error}");
    bench.world().device_vpp_off_by = 0.6;
    let error = own.apply(&setting(&plan, 25.0), &call()).unwrap_err();
    assert_eq!(error.kind, FaultKind::Alarm(Alarm::Voltage), "{error}");
    assert!(error.words.contains("VPP (made by the device) is 3.1"), "{error}");
    assert_eq!(bench.world().still_on(), Vec::<String>::new());
    assert_eq!(
        own.apply(&setting(&plan, 25.0), &call()).unwrap_err().kind,
        FaultKind::Interlock,
        "it latched"
    );
    // What nothing could switch off is refused.
    let mut lines: Vec<&str> = text.split("\n[[").collect();
    lines.retain(|table| !table.starts_with("rail]]\nname = \"VDD"));
    let mistakes = plan::bench_file::BenchFile::read(&lines.join("\n[[")).expect_err("nothing feeds it");
    assert!(
        mistakes.iter().any(|one| one.message.contains("can switch off what feeds them")
            || one.message.contains("can switch off what feeds it")),
        "{mistakes:#?}"
    );
}

fn spd() -> (String, SpdImage) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("data/spd/ddr4-udimm-2400-ecc.hex");
    let text = std::fs::read_to_string(path).expect("an image");
    // A dump: an address, then sixteen bytes a line.
    let digits: String = text.lines().flat_map(|line| line.split_whitespace().skip(1)).collect();
    let bytes: Vec<u8> = digits
        .as_bytes()
        .chunks(2)
        .map(|pair| u8::from_str_radix(std::str::from_utf8(pair).expect("digits"), 16).expect("digits"))
        .collect();
    let image = SpdImage::read(&bytes).unwrap_or_else(|error| panic!("{error}"));
    (digits, image)
}

/// The plan with the module that the image describes.
fn plan_of(image: &SpdImage) -> String {
    let entry = image.plan_entry("Amber", Some(8));
    one_setup().replace("[[module]]\nname = \"Amber\"\nkind = \"UDIMM\"\nrated = 2666\n", &entry)
}

fn identified(rig: &Rig) -> Vec<(String, usize)> {
    let reader = Store::open_read_only(&rig.folder.path().join("out")).expect("a store");
    let events = reader.events().expect("a readable log");
    let of = |event: Event| match event {
        Event::ModuleIdentified { known_by, facts, .. } => Some((known_by, facts.len())),
        _ => None,
    };
    events.iter().filter_map(|stored| of(stored.event()?)).collect()
}

/// The module is known by its SPD content, compared field by field; by less it is measured with a warning, or refused where the plan
/// says so.
#[test]
fn a_module_is_known_by_its_spd_content() {
    let (digits, image) = spd();
    let text = plan_of(&image);
    let rig1 = rig(&text, 1, 0.0, 2000.0);
    rig1.bench.mount(MountedThings { module_spd: Some(digits.clone()), ..rig1.bench.mounted() });
    let run = rig1.run(&[]);
    assert!([0, 1].contains(&run.code), "{}: {}", run.code, run.err);
    assert!(!run.err.contains("warning: the module"), "{}", run.err);
    let known = identified(&rig1);
    assert_eq!(known.len(), 1, "{known:?}");
    assert!(known[0].0 == "SPD" && known[0].1 >= 8, "{known:?}");
    let page = std::fs::read_to_string(rig1.folder.path().join("out/report.html")).expect("a page");
    assert!(page.contains("Amber: known by SPD"), "the page shows how the module is known");
    rig1.off();
    // Another width in the plan: refused before heat, with what differs.
    let other = text.replace(&format!("device_width = {}", image.device_width), "device_width = 16");
    let rig2 = rig(&other, 1, 0.0, 2000.0);
    rig2.bench.mount(MountedThings { module_spd: Some(digits.clone()), ..rig2.bench.mounted() });
    let run = rig2.run(&[]);
    assert_eq!(run.code, 5, "{}", run.err);
    assert!(
        run.err.contains(&format!("device width x{}, the plan says x16", image.device_width)),
        "{}",
        run.err
    );
    assert!((rig2.bench.world().ledger.device.1 - 23.0).abs() < 6.0, "nothing was heated");
    rig2.off();
    // Nothing is read: a warning; with the plan's word a refusal.
    let rig3 = rig(&one_setup(), 1, 0.0, 2000.0);
    let run = rig3.run(&[]);
    assert!(
        run.err.contains("warning: the module `Amber` is known by the word of whoever mounted it"),
        "{}",
        run.err
    );
    let rig4 = rig(&format!("{}\n[bench_limits]\nmodules_known_by = \"SPD\"\n", one_setup()), 1, 0.0, 2000.0);
    let run = rig4.run(&[]);
    assert_eq!(run.code, 5, "{}", run.err);
    assert!(run.err.contains("is to be known by its SPD"), "{}", run.err);
    rig4.off();
}

/// A profile on top of the built-in one for an instrument of the emulated bench.
fn with_profile(text: &str, instrument: &str, lines: &str) -> String {
    let of = format!("name = \"{instrument}\"\nkind");
    let (before, after) = text.split_once(&of).expect("the instrument");
    let after = after.replacen("profile = \"SCPI-1999\"", "profile = \"more\"", 1);
    let profile = format!("[[profile]]\nname = \"more\"\n{lines}\n\n[[instrument]]\n");
    let before = before.strip_suffix("[[instrument]]\n").expect("a table");
    format!("{before}{profile}{of}{after}")
}

/// A door that opens while it is hot: everything off; nothing is switched on while it is open.
#[test]
fn an_open_interlock_switches_everything_off() {
    let plan = Plan::read(&one_setup()).expect("a sound plan");
    let bench = start(&plan, 1, 0.0, 400.0);
    let text = with_profile(&bench.bench_file(), "chamber", "interlock_closed = \"DOOR?\"");
    let mut own = driver(&text);
    bench.world().door_closed = false;
    let error = own.apply(&setting(&plan, 60.0), &call()).unwrap_err();
    assert_eq!(error.kind, FaultKind::Interlock, "{error}");
    assert!(error.words.contains("chamber: its interlock is open"), "{error}");
    assert_eq!(bench.world().ledger.outputs_switched_on, 0);
    bench.world().door_closed = true;
    let opened = std::thread::scope(|scope| {
        scope.spawn(|| {
            for _ in 0..5000 {
                let mut world = bench.world();
                if world.true_air() > 35.0 {
                    world.door_closed = false;
                    return;
                }
                drop(world);
                std::thread::sleep(Duration::from_millis(2));
            }
        });
        own.apply(&setting(&plan, 60.0), &call())
    });
    assert_eq!(opened.unwrap_err().kind, FaultKind::Interlock);
    assert_eq!(bench.world().still_on(), Vec::<String>::new());
}

/// A timer of the supply's own guards against the end of the computer: armed before anything is on, set anew at every look, and off when
/// it is not.
#[test]
fn an_output_timer_switches_off_what_nobody_watches_any_more() {
    let plan = Plan::read(&one_setup()).expect("a sound plan");
    let bench = start(&plan, 1, 0.0, 100.0);
    let text = with_profile(&bench.bench_file(), "supply", "set_off_timer = \"OUTP:TIM {value}\"");
    let guarded = bench::guards::guarded(&bench_file(&text));
    assert_eq!(
        (guarded.by_timer, guarded.by_nothing),
        (vec!["supply".to_string()], vec!["chamber".to_string()])
    );
    let mut own = driver(&text);
    own.apply(&setting(&plan, 25.0), &call()).unwrap_or_else(|error| panic!("{error}"));
    let first = bench.world().off_at_s.clone();
    assert!(first.iter().all(Option::is_some), "{first:?}");
    std::thread::sleep(Duration::from_millis(200));
    own.train(&training(), &call()).unwrap_or_else(|error| panic!("{error}"));
    let later = bench.world().off_at_s.clone();
    assert!(later.iter().zip(&first).all(|(later, first)| later > first), "{first:?}, {later:?}");
    // The computer dies: nobody sets it anew, and its time comes.
    let now = bench.world().now_s();
    bench.world().off_at_s.iter_mut().for_each(|at| *at = Some(now + 1.0));
    std::thread::sleep(Duration::from_millis(100));
    assert!(bench.world().outputs.iter().all(|output| !output.on));
    own.make_safe(&call()).unwrap_or_else(|error| panic!("{error}"));
    // Without one, `bench check` says that nothing guards this case.
    let rig = rig(&one_setup(), 1, 0.0, 2000.0);
    let check = nightbench(rig.folder.path(), &["bench", "check", &rig.file]);
    assert!(
        check.out.contains("if this computer dies, NOTHING switches off: chamber, supply"),
        "{}",
        check.out
    );
}

/// Power is cycled once a job, before the way to its temperature where that changes; at an unchanged temperature nothing dwells beyond
/// the check, and what is counted still lies within its condition.
#[test]
fn a_job_cycles_power_once_and_dwells_once_a_temperature() {
    let text =
        format!("{}\n[repeats]\nrepeats = 4\n", one_setup().replace("rate = [2133, 2400]", "rate = [2133]"));
    let rig = rig(&text, 1, 0.0, 200.0);
    rig.bench.world().boot_s = 30.0;
    let run = rig.run(&[]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    assert_eq!(json(&run)["jobs"], 8);
    // Three outputs; eight jobs, each from off.
    assert_eq!(rig.bench.world().ledger.outputs_switched_on, 3 * 8, "{}", run.err);
    let reader = Store::open_read_only(&rig.folder.path().join("out")).expect("a store");
    let soak = reader.reading_total(bench::SOAK_READING).expect("readings");
    let dwell = bench_file(&std::fs::read_to_string(&rig.file).expect("a file")).settle.dwell_s;
    println!("soaked {soak:.0} s over 8 jobs at 2 temperatures, dwell {dwell} s");
    // Two whole dwells and six checks of a quarter, with what the device needs to come back into the band.
    assert!(soak < 2.0 * 3.0 * dwell + 6.0 * 1.5 * dwell, "{soak} s");
    nothing_outside(&rig.bench);
    rig.off();
}

/// One reading beyond the band is read again; two in a row, or one now and again, end the job.
#[test]
fn a_single_reading_beyond_the_band_drops_no_job() {
    let plan = Plan::read(&one_setup()).expect("a sound plan");
    let bench = start(&plan, 1, 0.0, 200.0);
    let mut own = driver(&bench.bench_file());
    let ready = |own: &mut BenchDriver| {
        own.apply(&setting(&plan, 25.0), &call()).unwrap_or_else(|error| panic!("{error}"));
        own.train(&training(), &call()).unwrap_or_else(|error| panic!("{error}"));
    };
    let wrong = |degc: f64| {
        for probe in [Probe::Chip, Probe::Case] {
            bench.world().wrong_once.push_back((Reading::Temperature(probe), degc));
        }
    };
    ready(&mut own);
    own.confirm(&call()).unwrap_or_else(|error| panic!("{error}"));
    wrong(27.5);
    own.confirm(&call()).unwrap_or_else(|error| panic!("one reading: {error}"));
    // Two in a row are the condition's, not the sensor's.
    wrong(27.5);
    wrong(27.4);
    let left = own.confirm(&call()).unwrap_err();
    assert!(left.kind == FaultKind::NotSettled && left.words.contains("left its band"), "{left}");
    // A sensor that goes on like that is not believed.
    ready(&mut own);
    let again = (0..4).map(|_| {
        wrong(27.5);
        own.confirm(&call())
    });
    let ended: Vec<bool> = again.map(|looked| looked.is_ok()).collect();
    assert_eq!(ended, [true, true, true, false]);
    own.make_safe(&call()).unwrap_or_else(|error| panic!("{error}"));
}

/// Hours of a night by kind: `cargo test -p tests -- --ignored --nocapture hours_of_a_night`; NIGHTBENCH_BEFORE names another build of
/// the program to be held against this one.
#[test]
#[ignore = "minutes: the figures are printed, not asserted"]
fn hours_of_a_night_on_the_emulated_bench() {
    let text = format!("{}\n[repeats]\nrepeats = 25\n", one_setup());
    let rig = rig(&text, 1, 0.0, 120.0);
    rig.bench.world().boot_s = 20.0;
    if let Ok(program) = std::env::var("NIGHTBENCH_BEFORE") {
        let run = std::process::Command::new(program)
            .current_dir(rig.folder.path())
            .env("NIGHTBENCH_STATE", "benches")
            .args(["run", &rig.plan, "--bench", &rig.file, "--into", "out"])
            .output()
            .expect("the program starts");
        println!("{}{}", String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
    } else {
        println!("{}", rig.run(&[]).err.lines().last().unwrap_or_default());
    }
    let page = std::fs::read_to_string(rig.folder.path().join("out/report.html")).expect("a page");
    let hours = page.split("Hours by the bench").nth(1).unwrap_or_default();
    println!("hours by the bench{}", hours.split('<').next().unwrap_or_default());
}
