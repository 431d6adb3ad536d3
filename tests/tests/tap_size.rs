//! The size of a tap: a delay line whose taps are larger than stated, swept, studied and counted in the budget; on a bench as well.

use crate::bench_run::{named, nothing_outside};
use crate::emulated::start;
use crate::support::{Folder, json, nightbench};
use plan::Plan;

fn plan(capture: &str, off: &str) -> String {
    format!(
        "title = \"Taps\"\n[interface]\ngeneration = \"DDR4\"\nlanes = 64\n[[module]]\nname = \"Amber\"\nkind = \"UDIMM\"\n\
         rated = 2666\n[[channel]]\nname = \"direct\"\nfits = [\"UDIMM\"]\n[matrix]\nrate = [2133, 2400]\n[capture]\n\
         mode = \"row_and_column\"\nber_limit = 1e-6\n{capture}[[limit]]\nmetric = \"width\"\nminimum = 150\nunit = \"ps\"\n\
         source = \"invented\"\n{off}"
    )
}

#[test]
fn a_sweep_finds_how_large_a_tap_is() {
    let folder = Folder::new();
    for (name, off) in [("larger", 0.03), ("as-stated", 0.0), ("smaller", -0.03)] {
        let file = format!("{name}.toml");
        folder.file(&file, &plan("tap_sweep = true\n", &format!("[model]\ntap_off = {off}\n")));
        let run = nightbench(folder.path(), &["run", &file, "--into", name]);
        assert!(run.code <= 1, "{}", run.err);
        let study = nightbench(folder.path(), &["study", name, "--json"]);
        assert_eq!(study.code, 0, "{}", study.err);
        let taps = json(&study)["taps"].clone();
        let tap = &taps[0];
        let (scale, u) = (
            tap["size_over_stated"].as_f64().expect("a number"),
            tap["standard_uncertainty"].as_f64().expect("a number"),
        );
        assert_eq!((tap["direction"].as_str(), tap["strobes"].as_u64()), (Some("read"), Some(8)), "{taps}");
        // Eight lines of 0.24 taps rms at two crossings, of 32 taps: 0.4 %.
        assert!(u > 0.001 && u < 0.006, "{taps}");
        assert!((scale - 1.0 - off).abs() < 3.0 * u, "{name}: {taps}");
        let page = std::fs::read_to_string(folder.path().join(name).join("report.html")).expect("a page");
        assert!(page.contains("sweeps of 8 strobes: a tap is"), "{name}");
        assert!(!page.contains("nominal tap of"), "{name}");
    }
    let words = nightbench(folder.path(), &["study", "larger"]).out;
    assert!(words.contains("A tap (read): 1.0"), "{words}");
    // Without a sweep the page says that the tap is nominal.
    folder.file("plain.toml", &plan("", ""));
    assert!(nightbench(folder.path(), &["run", "plain.toml", "--into", "plain"]).code <= 1);
    let page = std::fs::read_to_string(folder.path().join("plain/report.html")).expect("a page");
    assert!(page.contains("nominal tap of") && page.contains("tap_sweep"));
}

/// A bench whose taps are 3 % larger than its agent says: the sweep goes over the agent, the report counts it, and a later plan takes it
/// over by naming the run.
#[test]
fn a_bench_is_swept_and_a_later_plan_names_its_run() {
    let folder = Folder::new();
    let swept = plan("tap_sweep = true\n", "");
    let device = Plan::read(&plan("tap_sweep = true\n", "[model]\ntap_off = 0.03\n")).expect("sound");
    // A computer that stands still for seconds is no stale watch.
    let bench = start(&device, 1, 0.0, 500.0);
    folder.file("bench.toml", &named(&bench, &folder));
    folder.file("plan.toml", &swept);
    let run = nightbench(folder.path(), &["run", "plan.toml", "--bench", "bench.toml", "--into", "bench"]);
    assert!(run.code <= 1, "{}", run.err);
    let study = nightbench(folder.path(), &["study", "bench", "--json"]);
    assert_eq!(study.code, 0, "{}", study.err);
    let tap = json(&study)["taps"][0].clone();
    let (scale, u) = (
        tap["size_over_stated"].as_f64().expect("a number"),
        tap["standard_uncertainty"].as_f64().expect("a number"),
    );
    assert!((scale - 1.03).abs() < 3.0 * u && u < 0.006 && tap["strobes"] == 8, "{tap}");
    let page = std::fs::read_to_string(folder.path().join("bench/report.html")).expect("a page");
    assert!(!page.contains("SIMULATED - not measured"));
    assert!(page.contains("sweeps of 8 strobes: a tap is") && !page.contains("nominal tap of"));
    assert_eq!(bench.world().still_on(), Vec::<String>::new());
    nothing_outside(&bench);
    // The line that a plan may name, or write by itself: 3 % and more, of read eyes only.
    let line = json(&study)["tap_lines"][0].clone();
    let percent = line["standard_uncertainty"].as_f64().expect("a number");
    assert!((percent - 100.0 * u.hypot(scale - 1.0)).abs() < 1e-9, "{line}");
    let later = plan("", "[[uncertainty]]\nstudy = \"bench\"\n")
        .replace("mode =", "directions = [\"read\", \"write\"]\nmode =")
        .replace("[[uncertainty]]", "[[limit]]\nmetric = \"width\"\ndirection = \"write\"\nminimum = 150\nunit = \"ps\"\nsource = \"invented\"\n[[uncertainty]]");
    folder.file("later.toml", &later);
    let run = nightbench(folder.path(), &["run", "later.toml", "--into", "later", "--json"]);
    assert!(run.code <= 1, "{}", run.err);
    let u_of = |into: &str, direction: &str| {
        let export = nightbench(folder.path(), &["export", into, "--as", "jsonl"]).out;
        let rows = export.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).expect("a row"));
        let metrics: Vec<serde_json::Value> =
            rows.filter_map(|row| row["metrics"].as_array().cloned()).flatten().collect();
        let of = metrics.iter().find(|metric| metric["eye"]["direction"] == direction);
        let number = of.and_then(|of| of["expanded_uncertainty"].as_f64());
        number.unwrap_or_else(|| panic!("no U in {into}: {export}"))
    };
    folder.file("without.toml", &later.replace("[[uncertainty]]\nstudy = \"bench\"\n", ""));
    let run = nightbench(folder.path(), &["run", "without.toml", "--into", "without", "--json"]);
    assert!(run.code <= 1, "{}", run.err);
    assert!(u_of("later", "read") > 1.2 * u_of("without", "read"));
    assert_eq!(u_of("later", "write"), u_of("without", "write"));
}

#[test]
fn a_sweep_that_cannot_see_both_crossings_names_the_remedy() {
    let folder = Folder::new();
    let short =
        plan("tap_sweep = true\n", "").replace("[[module]]", "[interface.read]\ntaps = 36\n[[module]]");
    folder.file("short.toml", &short);
    let check = nightbench(folder.path(), &["check", "short.toml"]);
    assert_eq!(check.code, 2);
    assert!(check.err.contains("covers 1.12 UI") && check.err.contains("sweep 40 taps"), "{}", check.err);
}
