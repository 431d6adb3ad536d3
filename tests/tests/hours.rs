//! A run that is given hours ends within them, made safe; the next goes on from there; what no time was left for is told everywhere.

use crate::bench_run::{one_setup, rig};
use crate::support::{Folder, SMALL, json, nightbench, program};
use runner::forecast::Forecast;
use runner::inputs::plan_file::PlanFile;
use runner::store::{Attempts, JobKey, Store};
use schedule::{JobSeconds, Standing, Walk};
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::Path;
use std::process::Stdio;
use std::time::Duration;

/// Four setups, three temperatures, three rates.
fn plan() -> String {
    SMALL
        .replace("kind = \"SODIMM\"", "kind = \"UDIMM\"")
        .replace("rate = [2133, 2400]", "rate = [1866, 2133, 2400]")
        .replace("temperature_degc = [25, 60]", "temperature_degc = [0, 25, 85]")
}

fn run(folder: &Folder, into: &str, more: &[&str]) -> (i32, Value) {
    let mut arguments = vec!["run", "plan.toml", "--into", into, "--json"];
    arguments.extend(more);
    let run = nightbench(folder.path(), &arguments);
    (run.code, json(&run))
}

/// What a folder holds, by key.
fn keys(folder: &Folder, into: &str) -> BTreeSet<JobKey> {
    let reader = Store::open_read_only(&folder.path().join(into)).expect("a store");
    reader.done_keys().expect("keys").into_iter().collect()
}

/// Bench hours of one simulated run in the order of the plan, the way home included.
fn hours_home(folder: &Folder, into: &str) -> f64 {
    let file = PlanFile::from_text(plan(), "plan of a test", false).expect("a sound plan");
    let forecast = Forecast::new(&file.plan, &[]).expect("an order");
    let reader = Store::open_read_only(&folder.path().join(into)).expect("a store");
    let mut jobs: Vec<(u64, JobSeconds)> = reader
        .jobs(Attempts::Counting)
        .map(|job| job.expect("a job"))
        .map(|job| {
            let (measuring_s, training_s) = (job.times.measuring_s, job.times.training_s);
            (job.row.plan_position, JobSeconds { measuring_s, training_s })
        })
        .collect();
    jobs.sort_by_key(|(place, _)| *place);
    let from = Standing { now_min: 0.0, mounted: None, chamber_c: forecast.problem.bench().start_c };
    let mut walk = Walk::new(&forecast.problem, from, None, &forecast.calendar);
    for (place, seconds) in jobs {
        let job = forecast.schedule.sequence[place as usize];
        walk.take(job, Some(seconds)).expect("hands at any hour");
    }
    walk.home_min() / 60.0
}

fn count(folder: &Folder, into: &str) -> usize {
    keys(folder, into).len()
}

/// Friday evening to Monday morning nobody comes: more of the same hours would not help, and `preview` says when somebody does.
#[test]
fn hours_without_hands_say_when_somebody_comes() {
    let attended = "[attended]\nstart = \"2026-11-27 18:00\"\nmonday = \"09:00-17:00\"\n";
    let folder = Folder::new();
    folder.file("plan.toml", &format!("{}{attended}", plan()));
    let words = |hours: &str| {
        let run = nightbench(folder.path(), &["preview", "plan.toml", "--hours", hours]);
        assert_eq!(run.code, 0, "{}", run.err);
        run.out.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let friday = words("6");
    assert!(friday.contains("before Mon 2026-11-30 09:00, 63.0 h after the begin"), "{friday}");
    assert!(!friday.contains("nothing would end in time"), "{friday}");
    let long = words("70");
    assert!(!long.contains("nobody is at the bench to mount"), "{long}");
    // The run names the same cause, wherever it is told.
    let run = nightbench(folder.path(), &["run", "plan.toml", "--into", "out", "--hours", "6"]);
    assert_eq!(run.code, 3, "{}", run.err);
    let cause = "since nobody is there to change what is mounted before Mon 2026-11-30 09:00";
    assert!(format!("{}{}", run.out, run.err).contains(cause), "{}{}", run.out, run.err);
    let page = std::fs::read_to_string(folder.path().join("out/live.html")).expect("a page");
    assert!(page.contains(cause), "the live page");
    // What would have ended in time is no matter of time.
    let status = nightbench(folder.path(), &["status", "out"]).out;
    let flat = status.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("not begun: nobody was there to mount it before Mon 2026-11-30 09:00"), "{status}");
    let machine = json(&nightbench(folder.path(), &["status", "out", "--json"]));
    let count = |name: &str| machine[name].as_u64().unwrap_or(0);
    assert!(count("nobody_there") > 0, "{machine}");
    assert_eq!(count("nobody_there") + count("no_time_left"), count("not_measured"), "{machine}");
    let csv = nightbench(folder.path(), &["export", "out", "--as", "csv"]).out;
    let junit = nightbench(folder.path(), &["export", "out", "--as", "junit"]).out;
    assert!(csv.contains("nobody there") && junit.contains("nobody was there to mount it"), "{junit}");
}

#[test]
fn a_simulated_run_ends_within_its_hours_and_the_next_goes_on() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan());
    let whole = json(&nightbench(folder.path(), &["preview", "plan.toml", "--json"]));
    let total = whole["hours"]["total"].as_f64().expect("hours");
    let jobs = whole["jobs"].as_u64().expect("jobs") as usize;
    let mut before = 0;
    for share in [0.1, 0.25, 0.5, 0.8] {
        let (hours, into) = (share * total, format!("share {share}"));
        let (code, summary) = run(&folder, &into, &["--hours", &hours.to_string()]);
        assert_eq!(code, 3, "{summary}");
        assert!(hours_home(&folder, &into) <= hours, "{} of {hours} h", hours_home(&folder, &into));
        let done = count(&folder, &into);
        assert!(done >= before && done < jobs, "{done} of {jobs} in {hours} h, {before} in less");
        before = done;
    }
    assert!(before * 2 > jobs, "{before} of {jobs} in 0.8 of the hours");
    // The plan's own hours mean the same.
    folder.file("plan.toml", &format!("{}\n[bench_limits]\nmost_hours = {}\n", plan(), 0.5 * total));
    run(&folder, "by the plan", &[]);
    assert_eq!(keys(&folder, "by the plan"), keys(&folder, "share 0.5"));
    // What is left takes one more run where it fits into one, and else no single end is told.
    folder.file("plan.toml", &format!("{}\n[bench_limits]\nmost_hours = {}\n", plan(), 0.2 * total));
    run(&folder, "several", &[]);
    let status = json(&nightbench(folder.path(), &["status", "several", "--json"]));
    assert!(status["finish"].is_null() && status["most_hours"].as_f64() == Some(0.2 * total), "{status}");
    assert!(nightbench(folder.path(), &["status", "several"]).out.contains("(`most_hours`)"));
    folder.file("plan.toml", &plan());
    // Without hours the same folder is finished, and holds what one run without hours holds.
    let (_, rest) = run(&folder, "share 0.5", &[]);
    let (_, all) = run(&folder, "whole", &[]);
    assert_eq!((&rest["verdicts"], &rest["not_measured"]), (&all["verdicts"], &all["not_measured"]));
    assert_eq!(keys(&folder, "share 0.5"), keys(&folder, "whole"));
    assert!(!nightbench(folder.path(), &["status", "share 0.5"]).out.contains("no time"));
}

/// Every module at both extremes first, and two nights of half the hours cover what one night covers.
#[test]
fn what_decides_comes_first_and_two_nights_cover_what_one_does() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan());
    let whole = json(&nightbench(folder.path(), &["preview", "plan.toml", "--json"]));
    let total = whole["hours"]["total"].as_f64().expect("hours");
    let extremes = |into: &str| {
        let reader = Store::open_read_only(&folder.path().join(into)).expect("a store");
        let rows = reader.jobs(Attempts::Counting).map(|job| job.expect("a job").row);
        let found: BTreeSet<(String, i64)> = rows
            .filter(|row| row.temperature_set_degc != 25.0)
            .map(|row| (row.module, row.temperature_set_degc as i64))
            .collect();
        found.len()
    };
    for hours in [0.5 * total, 0.7 * total] {
        let (one, two) = (format!("one {hours}"), format!("two {hours}"));
        run(&folder, &one, &["--hours", &hours.to_string()]);
        assert_eq!(extremes(&one), 4, "two modules, cold and hot");
        let half = (0.5 * hours).to_string();
        let (_, first) = run(&folder, &two, &["--hours", &half]);
        let after_one = count(&folder, &two);
        let (_, second) = run(&folder, &two, &["--hours", &half]);
        assert!(count(&folder, &two) > after_one, "{first} {second}");
        // Each night has its own way home: short ones may leave one extreme to a third.
        assert!(extremes(&two) >= 3, "{} of 4 extremes", extremes(&two));
        let (once, twice) = (count(&folder, &one), count(&folder, &two));
        println!("{hours:.2} h: {once} jobs in one night, {twice} in two halves");
        // A night has its way home, and the next the way back out: one visit of a temperature (three jobs) at most.
        assert!(twice + 3 >= once, "{twice} jobs in two nights, {once} in one");
    }
}

/// Each night has its own way home and back out: report, status and JSON add up what the nights walked, and a run without hours that
/// follows does not make it less.
#[test]
fn several_nights_take_what_each_of_them_walked() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan());
    let whole = json(&nightbench(folder.path(), &["preview", "plan.toml", "--json"]));
    let hours = 0.3 * whole["hours"]["total"].as_f64().expect("hours");
    let noted = || -> Value {
        let reader = Store::open_read_only(&folder.path().join("out")).expect("a store");
        serde_json::from_str(&reader.noted("hours").expect("a note").expect("a note")).expect("a note")
    };
    let told = || {
        let status = json(&nightbench(folder.path(), &["status", "out", "--json"]));
        status["bench_hours"].as_f64().expect("hours")
    };
    let (mut before, mut nights) = (0.0, 0);
    while nights < 3 {
        let (_, summary) = run(&folder, "out", &["--hours", &hours.to_string()]);
        nights += 1;
        // The note says where the night began: at the end of what the nights before had walked, the first at 0.
        let begin = noted()["begin"]["now_min"].as_f64().expect("a begin") / 60.0;
        assert!((begin - before).abs() < 1e-6, "night {nights} began at {begin} h, told {before}");
        let now = told();
        assert!((summary["bench_hours"].as_f64().expect("hours") - now).abs() < 1e-6, "{summary}");
        let night = now - before;
        assert!(night > 0.5 * hours && night <= hours, "night {nights}: {night} of {hours} h");
        before = now;
    }
    run(&folder, "out", &[]);
    assert!(told() > before, "{} after {before}", told());
}

/// With --hours `preview` tells of those hours: what is mounted when, on the terminal, for machines and on paper.
#[test]
fn preview_of_hours_lists_what_they_hold() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan());
    let preview = |more: &[&str]| {
        nightbench(folder.path(), &[&["preview", "plan.toml", "--into", "out"][..], more].concat())
    };
    let flat = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let whole = json(&preview(&["--json"]));
    let total = whole["hours"]["total"].as_f64().expect("hours");
    let hours = (0.4 * total).to_string();
    let told = preview(&["--hours", &hours, "--page", "tonight.html"]);
    assert!(told.out.contains("What to mount in these hours, and when:"), "{}", told.out);
    assert!(told.out.lines().all(|line| line.chars().count() <= 80), "longer than 80 columns: {}", told.out);
    for words in ["P10", "What to mount, and when", "bench time  "] {
        assert!(!told.out.contains(words), "{words}: {}", told.out);
    }
    let machine = json(&preview(&["--hours", &hours, "--json"]))["in_hours"].clone();
    let listed = machine["hands_on"].as_array().expect("mountings");
    assert_eq!(listed.len(), machine["setups"].as_array().map_or(0, Vec::len), "{machine}");
    assert_eq!(told.out.matches("[ ]").count(), listed.len());
    let jobs: u64 = listed.iter().map(|one| one["jobs"].as_u64().expect("jobs")).sum();
    assert_eq!(Some(jobs), machine["jobs"].as_u64());
    assert!(listed.iter().all(|one| one["begin_hours"].as_f64().expect("hours") < 0.4 * total), "{machine}");
    let page = std::fs::read_to_string(folder.path().join("tonight.html")).expect("a page");
    assert!(page.contains("hours of the run") && !page.contains("the least possible"), "the page");
    // Where nothing fits the least hours are named, and they are the least.
    let short = flat(&preview(&["--hours", "0.02"]).out);
    let least: f64 = short
        .split_once("the way home takes ")
        .and_then(|(_, rest)| rest.split(' ').next())
        .and_then(|hours| hours.parse().ok())
        .unwrap_or_else(|| panic!("{short}"));
    let holds = |hours: f64| {
        let told = json(&preview(&["--hours", &hours.to_string(), "--json"]));
        told["in_hours"]["jobs"].as_u64().expect("jobs")
    };
    assert!(holds(least) > 0 && holds(least - 0.01) == 0, "{least}");
    for arguments in [["preview", "plan.toml", "--hours", "-1"], ["run", "plan.toml", "--hours", "-1"]] {
        let wrong = nightbench(folder.path(), &arguments);
        assert_eq!(wrong.code, 2);
        assert!(wrong.err.contains("-1 h is not between 0.01 and 2000 h"), "{}", wrong.err);
    }
    // A night later only what is left is listed, and in the end nothing.
    let (_, night) = run(&folder, "out", &["--hours", &hours]);
    let machine = json(&preview(&["--hours", &(2.0 * total).to_string(), "--json"]))["in_hours"].clone();
    let done = night["jobs"].as_u64().expect("jobs");
    assert_eq!(machine["jobs"].as_u64(), whole["jobs"].as_u64().map(|jobs| jobs - done), "{machine}");
    run(&folder, "out", &[]);
    let over = preview(&["--hours", &hours]).out;
    assert!(over.contains("nothing is left to do") && !over.contains("What to mount"), "{over}");
}

/// What a run of hours tells as it goes on is of them, and after it nothing is told as if it went on.
#[test]
fn a_run_of_hours_tells_of_its_hours() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan());
    let whole = json(&nightbench(folder.path(), &["preview", "plan.toml", "--json"]));
    let hours = (0.4 * whole["hours"]["total"].as_f64().expect("hours")).to_string();
    let run = nightbench(folder.path(), &["run", "plan.toml", "--into", "out", "--hours", &hours]);
    for words in [
        format!("{hours} h of bench time at most"),
        format!(" of the {hours} h of this run, about "),
        " left of what is chosen, home by day 1, ".into(),
    ] {
        assert!(run.err.contains(&words), "{words}: {}", run.err);
    }
    assert!(!run.err.contains("ends (P50)"), "{}", run.err);
    let status = json(&nightbench(folder.path(), &["status", "out", "--json"]));
    assert!(status["next_hands_on"].is_null(), "what the next run chooses: {status}");
    assert_eq!((&status["finish"]["from"], &status["finish"]["p50"]), (&"next_run".into(), &Value::Null));
    assert!(status["finish"]["p50_hours"].as_f64() > Some(0.0), "{status}");
    assert!(
        nightbench(folder.path(), &["status", "out"]).out.contains(" into the next run  (every second one)")
    );
}

#[test]
fn a_run_that_is_killed_goes_on_to_the_same_end() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan().replace("lanes = 8", "lanes = 32"));
    let whole = json(&nightbench(folder.path(), &["preview", "plan.toml", "--json"]));
    let hours = (0.6 * whole["hours"]["total"].as_f64().expect("hours")).to_string();
    run(&folder, "whole", &["--hours", &hours]);
    for milliseconds in [30, 60, 120, 240] {
        let mut child = program()
            .current_dir(folder.path())
            .args(["run", "plan.toml", "--into", "cut", "--threads", "2", "--hours", &hours])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("a process");
        std::thread::sleep(Duration::from_millis(milliseconds));
        // Where it has ended by itself there is nothing to be killed.
        let _ = child.kill();
        child.wait().expect("an end");
        if json(&nightbench(folder.path(), &["status", "cut", "--json"]))["no_time_left"].is_number() {
            break;
        }
    }
    if !json(&nightbench(folder.path(), &["status", "cut", "--json"]))["no_time_left"].is_number() {
        run(&folder, "cut", &["--hours", &hours]);
    }
    assert_eq!(keys(&folder, "cut"), keys(&folder, "whole"));
}

#[test]
fn what_no_time_was_left_for_is_told_everywhere() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan());
    let told = nightbench(folder.path(), &["preview", "plan.toml", "--hours", "2", "--json"]);
    let foreseen = json(&told)["in_hours"].clone();
    std::fs::create_dir(folder.path().join("runs")).expect("a folder");
    let (code, summary) = run(&folder, "runs/plan", &["--hours", "2"]);
    assert_eq!(code, 3);
    let (jobs, done) = (foreseen["jobs"].as_u64().unwrap(), summary["jobs"].as_u64().unwrap());
    assert!(jobs.abs_diff(done) <= 2 && jobs > 0, "{jobs} foreseen, {done} done");
    assert!(foreseen["conditions"]["extreme"].as_u64().unwrap() > 0, "{foreseen}");
    // The words for people name the same.
    let words = nightbench(folder.path(), &["preview", "plan.toml", "--hours", "2"]);
    assert!(words.out.contains("jobs done already"), "{}", words.out);
    let status = nightbench(folder.path(), &["status", "runs/plan"]);
    assert!(status.out.contains("not begun: no time was left in the 2 h of the last run"), "{}", status.out);
    let left = json(&nightbench(folder.path(), &["status", "runs/plan", "--json"]))["no_time_left"].clone();
    assert_eq!(left.as_u64(), summary["not_measured"].as_u64());
    let export = nightbench(folder.path(), &["export", "runs/plan", "--as", "jsonl"]).out;
    let of = |text: &str, word: &str| text.matches(word).count() as u64;
    assert_eq!(of(&export, "\"state\":\"no_time\""), left.as_u64().unwrap());
    let junit = nightbench(folder.path(), &["export", "runs/plan", "--as", "junit"]).out;
    assert_eq!(of(&junit, "no time was left in the 2 h of the last run"), left.as_u64().unwrap());
    for (page, words) in [
        ("report.html", "are in the store: no time was left in the 2 h of the last run. The same command"),
        ("live.html", "no more of them would end within the 2 h of this run"),
    ] {
        let text = std::fs::read_to_string(folder.path().join("runs/plan").join(page)).expect("a page");
        assert!(text.contains(words), "{page}");
    }
    for wrong in ["0", "-1", "nothing", "3000"] {
        assert_eq!(nightbench(folder.path(), &["run", "plan.toml", "--hours", wrong]).code, 2, "{wrong}");
    }
}

/// A search goes on where it stands, before what is mounted is taken out: after a short night the series that were begun have their answer.
#[test]
fn a_search_answers_what_it_began_before_it_goes_elsewhere() {
    let folder = Folder::new();
    let rates = "rate = [1600, 1866, 2133, 2400, 2666, 2933, 3200]";
    let search = plan().replace("rate = [1866, 2133, 2400]", rates);
    folder.file("plan.toml", &format!("{search}\n[highest_rate]\n"));
    let whole = json(&nightbench(folder.path(), &["preview", "plan.toml", "--json"]));
    let total = whole["hours"]["total"].as_f64().expect("hours");
    let mut before = 0;
    for share in [0.3, 0.6] {
        let into = format!("share {share}");
        run(&folder, &into, &["--hours", &(share * total).to_string()]);
        let status = json(&nightbench(folder.path(), &["status", &into, "--json"]));
        let series = status["highest_rates"].as_array().expect("series").clone();
        let of = |wanted: &dyn Fn(&Value) -> bool| series.iter().filter(|one| wanted(one)).count();
        let begun = of(&|one| one["asked"].as_u64() > Some(0));
        let finished = of(&|one| one["asked"].as_u64() > Some(0) && one["finished"] == true);
        // The last one may be cut by the end.
        assert!(finished + 1 >= begun && finished > before, "{finished} of {begun} begun, {before} in less");
        before = finished;
    }
}

/// Seconds of bench time in which everything happened, by the store of a bench run.
fn bench_hours(folder: &Path) -> f64 {
    json(&nightbench(folder, &["status", "out", "--json"]))["bench_hours"].as_f64().expect("hours")
}

#[test]
fn a_bench_is_safe_before_its_hours_are_over() {
    // Two seconds of this computer are 0.2 hours. The forecast's ramps and soak are longer than this bench's.
    let rig = rig(
        &one_setup().replace("temperature_degc = [25, 60]", "temperature_degc = [25, 60, 80]"),
        1,
        0.0,
        400.0,
    );
    let mut before = 0;
    let mut spent = 0.0;
    for hours in [0.25, 1.3] {
        let run = rig.run(&["--hours", &hours.to_string()]);
        let jobs = json(&run)["jobs"].as_u64().unwrap();
        let now = bench_hours(rig.folder.path());
        assert!(now - spent <= hours, "{} of {hours} h: {}", now - spent, run.err);
        assert!(jobs > before, "{jobs} jobs: {}", run.err);
        assert_eq!(run.code == 3, jobs < 6, "{jobs}: {}", run.err);
        (before, spent) = (jobs, now);
        rig.off();
    }
    let run = rig.run(&[]);
    assert_eq!(json(&run)["jobs"], 6, "{}", run.err);
    assert_eq!(json(&run)["not_measured"], 0, "{}", run.err);
    rig.off();
}

/// The plan believes in ramps of 500 K a minute and no soak; the bench needs minutes. The first ramp shows it, while it still can be broken
/// off.
#[test]
fn a_forecast_that_is_too_fast_makes_no_run_late() {
    let times =
        "[bench_times]\nramp_up_degc_per_min = 500\nramp_down_degc_per_min = 500\nsoak_s = 0\nsettle_s = 0\n";
    let hot = one_setup().replace("temperature_degc = [25, 60]", "temperature_degc = [85, 100]");
    for hours in [0.1, 0.3, 0.6] {
        let rig = rig(&format!("{hot}\n{times}"), 1, 0.0, 200.0);
        let run = rig.run(&["--hours", &hours.to_string()]);
        let spent = bench_hours(rig.folder.path());
        assert!(spent <= hours, "{spent} of {hours} h: {}", run.err);
        assert!(!run.err.contains("was safe"), "{}", run.err);
        rig.off();
    }
}

/// After a night of hours `status` says what a run without hours then takes, and the page counts the same hours twice.
#[test]
fn what_is_left_after_a_night_is_what_the_next_run_takes() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan());
    run(&folder, "d", &["--hours", "4"]);
    let status = |into: &str| json(&nightbench(folder.path(), &["status", into, "--json"]));
    let before = status("d");
    let (done, left) =
        (before["bench_hours"].as_f64().unwrap(), before["bench_hours_left"].as_f64().unwrap());
    assert!(left > 0.0);
    run(&folder, "d", &[]);
    let whole = status("d")["bench_hours"].as_f64().unwrap();
    // Change-overs are as foretold; only measuring may differ.
    assert!((whole - done - left).abs() < 0.05 * left, "{left} h foretold, {} h taken", whole - done);
    let page = std::fs::read_to_string(folder.path().join("d/report.html")).expect("a page");
    let told = format!("jobs in {whole:.1} h: ");
    assert!(page.contains(&told) && page.contains(&format!("{whole:.1} h with every change-over")), "{told}");
    assert!(page.contains("each run of given hours with its own way out and home"));
}

/// With attended hours what is left waits for them, whatever was done before.
#[test]
fn attended_hours_hold_for_what_is_left() {
    let folder = Folder::new();
    let attended = "[attended]\nstart = \"2026-11-30 09:00\"\nmonday = \"09:00-09:30\"\n";
    folder.file("plan.toml", &format!("{}{attended}", plan()));
    run(&folder, "d", &["--hours", "4"]);
    let status = nightbench(folder.path(), &["status", "d"]).out;
    assert!(!status.contains("into the next run"), "{status}");
    let words = nightbench(folder.path(), &["run", "plan.toml", "--into", "d"]).err;
    let end = words.split("ends (P50) ").nth(1).expect("an end").lines().next().expect("a line");
    let end = end.split(';').next().expect("an end").trim();
    assert!(status.contains(&format!("P50  {end}")), "{end}\n{status}");
}

/// A shard of a run that chooses by its hours would choose for itself; and fewer hours than are asked for are said.
#[test]
fn hours_are_of_a_whole_run_and_the_fewer_hold_aloud() {
    let folder = Folder::new();
    folder.file("plan.toml", &plan());
    let part = ["run", "plan.toml", "--into", "d", "--hours", "3", "--shard", "1/2"];
    let refused = nightbench(folder.path(), &part);
    assert!(refused.code == 2 && refused.err.contains("chooses what is worth most"), "{}", refused.err);
    folder.file("plan.toml", &format!("{}\n[bench_limits]\nmost_hours = 2\n", plan()));
    for command in
        [&["preview", "plan.toml", "--hours", "6"][..], &["run", "plan.toml", "--into", "e", "--hours", "6"]]
    {
        let told = nightbench(folder.path(), command);
        assert!(
            told.err.contains("6 h are asked for, and `most_hours` of the plan allows 2 h"),
            "{}",
            told.err
        );
    }
}
