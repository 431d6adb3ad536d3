//! `fit` from outside: a hidden target's counts, the model fitted to them, and a plan that uses it.

use crate::bench_run::rig;
use crate::support::{Folder, SMALL, json, nightbench};

/// Conditions of the hidden target at room temperature, on these channels at these rates, in one direction.
fn plan(channels: &str, rates: &str, direction: &str) -> String {
    let whole = include_str!("../hidden-target.toml");
    let (plan, _) = whole.split_once("[[skip]]").expect("what is skipped stands last");
    let parts = [
        ("[\"direct\", \"one riser\", \"two risers\", \"three risers\"]", channels),
        ("[2400, 2667, 3200]", rates),
        ("[25, 85]", "[25]"),
        ("\"read\"", direction),
    ];
    parts.iter().fold(plan.to_string(), |text, (from, to)| {
        assert!(text.contains(from), "{from}");
        text.replace(from, to)
    })
}

fn two_channels() -> String {
    plan("[\"direct\", \"one riser\"]", "[2400, 2667, 3200]", "\"read\"")
}

/// A driver and a jitter that nobody tells the fit.
const HIDDEN: &str = "[model]\ndram_ron_ohm = 41.0\nrj_ps = 5.6\n";

#[test]
fn a_model_is_fitted_written_used_and_said() {
    let folder = Folder::new();
    folder.file("hidden.toml", &format!("{}{HIDDEN}", two_channels()));
    folder.file("plan.toml", &two_channels());
    let run = nightbench(folder.path(), &["run", "hidden.toml", "--into", "runs"]);
    assert!(run.code <= 1, "{}", run.err);

    let alone =
        nightbench(folder.path(), &["fit", "plan.toml", "runs", "--free", "dram_ron_ohm,rj_ps", "--json"]);
    assert_eq!(alone.code, 3, "nothing was held out: {}{}", alone.out, alone.err);
    assert_eq!(json(&alone)["finding"], "not_shown");

    let arguments = [
        "fit",
        "plan.toml",
        "runs",
        "--free",
        "dram_ron_ohm,rj_ps",
        "--hold-out",
        "rate=2667",
        "--out",
        "fitted.toml",
    ];
    let told = nightbench(folder.path(), &arguments);
    assert!(told.code <= 1 || told.code == 3, "{}{}", told.out, told.err);
    assert!(told.out.contains("dram_ron_ohm") && told.out.contains("held out: read width"), "{}", told.out);
    let found = json(&nightbench(folder.path(), &[&arguments[..], &["--json"]].concat()));
    for (figure, truth) in found["figures"].as_array().unwrap().iter().zip([41.0, 5.6]) {
        let value = figure["fitted"].as_f64().unwrap();
        assert!((value / truth - 1.0).abs() < 0.1, "{figure}");
    }
    let page = std::fs::read_to_string(folder.path().join("fitted.html")).unwrap();
    for words in
        ["What was left out", "Held-out margins", "Correlations of the figures", "What is left of the counts"]
    {
        assert!(page.contains(words), "{words}");
    }
    assert!(page.contains("SIMULATED"));

    // A plan that takes it, at a temperature that it was not fitted at.
    let with = format!("{}[model]\nfile = \"fitted.toml\"\n", two_channels().replace("[25]", "[25, 85]"));
    folder.file("with.toml", &with);
    let preview = nightbench(folder.path(), &["preview", "with.toml"]);
    assert_eq!(preview.code, 0, "{}", preview.err);
    assert!(
        preview.err.contains("outside of where the fitted model (fitted.toml) holds: 85"),
        "{}",
        preview.err
    );
    assert!(preview.err.contains("is fitted to Hidden target, results"), "{}", preview.err);
    let only = ["run", "with.toml", "--into", "with", "--only", "rate=2400,temperature=25,channel=direct"];
    let run = nightbench(folder.path(), &only);
    assert!(run.err.contains("is fitted to Hidden target"), "{}", run.err);
    // The file is not needed any more: its content is stored with the run.
    std::fs::remove_file(folder.path().join("fitted.toml")).unwrap();
    let report = nightbench(folder.path(), &["report", "with"]);
    assert!(report.code <= 3, "{}", report.err);
    let page = std::fs::read_to_string(folder.path().join("with/report.html")).unwrap();
    assert!(
        page.contains("is fitted to Hidden target") && page.contains("outside of where the fitted model")
    );
    let missing = nightbench(folder.path(), &["check", "with.toml"]);
    assert_eq!(missing.code, 2);
    assert!(missing.err.contains("fitted.toml"), "{}", missing.err);
}

#[test]
fn what_cannot_be_fitted_is_named() {
    let folder = Folder::new();
    folder.file("plan.toml", &two_channels());
    let run = nightbench(
        folder.path(),
        &["run", "plan.toml", "--into", "runs", "--only", "rate=2400,channel=direct"],
    );
    assert!(run.code <= 3, "{}", run.err);
    let refused = |arguments: &[&str]| {
        let run = nightbench(folder.path(), &[&["fit", "plan.toml", "runs"], arguments].concat());
        (run.code, run.err)
    };
    let (code, words) = refused(&["--free", "dram_ron"]);
    assert!(code == 2 && words.contains("dram_ron: no figure") && words.contains("dram_ron_ohm"), "{words}");
    let (code, words) = refused(&["--hold-out", "rate=9999"]);
    assert!(code == 2 && words.contains("--hold-out"), "{words}");
    let (code, words) = refused(&["--hold-out", "rate=3200"]);
    assert!(code == 4 && words.contains("no measured condition"), "{words}");
    let (code, words) = refused(&["--hold-out", "rate=2400"]);
    assert!(code == 4 && words.contains("no measured eye is left"), "{words}");
}

/// Runs a plan with hidden figures, fits the plan without them at all rates but the last, and answers what was said.
fn hidden_and_fitted(plan: &str, hidden: &str, free: &str, hold_out: &str) -> serde_json::Value {
    let folder = Folder::new();
    folder.file("hidden.toml", &format!("{plan}[model]\n{hidden}"));
    folder.file("plan.toml", plan);
    let run = nightbench(folder.path(), &["run", "hidden.toml", "--into", "runs"]);
    assert!(run.code <= 1, "{}", run.err);
    let told = nightbench(
        folder.path(),
        &["fit", "plan.toml", "runs", "--free", free, "--hold-out", hold_out, "--json"],
    );
    assert!(told.code <= 1 || told.code == 3, "{}{}", told.out, told.err);
    json(&told)
}

fn found(said: &serde_json::Value, name: &str) -> f64 {
    let all = said["figures"].as_array().expect("figures");
    let one = all.iter().find(|figure| figure["name"] == name).unwrap_or_else(|| panic!("{name}: {said}"));
    one["fitted"].as_f64().expect("a number")
}

/// In writes the controller drives and the DRAM's receiver is noisy: taken for reads, nothing of it could be found.
#[test]
fn write_eyes_are_fitted_by_the_figures_of_writes() {
    let plan = plan("[\"direct\"]", "[2400, 3200]", "\"write\"");
    let said =
        hidden_and_fitted(&plan, "ctl_ron_ohm = 42.0\nrj_ps = 5.6\n", "ctl_ron_ohm,rj_ps", "rate=2400");
    for (name, truth) in [("ctl_ron_ohm", 42.0), ("rj_ps", 5.6)] {
        let value = found(&said, name);
        assert!((value / truth - 1.0).abs() < 0.1, "{name} {value}");
    }
    let eye = said["held_out"][0]["eye"].as_str().expect("an eye");
    assert!(eye.starts_with("write"), "{eye}");
}

#[test]
fn ddr5_reads_are_fitted() {
    let plan = plan("[\"direct\"]", "[4800, 5600]", "\"read\"")
        .replace("\"DDR4\"", "\"DDR5\"")
        .replace("rated = 3200", "rated = 5600");
    let said =
        hidden_and_fitted(&plan, "dram_ron_ohm = 41.0\nrj_ps = 2.3\n", "dram_ron_ohm,rj_ps", "rate=4800");
    for (name, truth) in [("dram_ron_ohm", 41.0), ("rj_ps", 2.3)] {
        let value = found(&said, name);
        assert!((value / truth - 1.0).abs() < 0.1, "{name} {value}");
    }
}

/// The folder of a bench: its device has a jitter that the plan does not know, and nothing on the page is called simulated.
#[test]
fn a_bench_folder_is_fitted_as_hardware() {
    let one = SMALL
        .replace("rate = [2133, 2400]", "module = [\"Amber\"]\nchannel = [\"direct\"]\nrate = [2133, 2400]")
        .replace("temperature_degc = [25, 60]", "temperature_degc = [25]");
    let rig = rig(&format!("{one}\n[model]\nrj_ps = 9.0\n"), 3, 0.0, 20_000.0);
    let run = rig.run(&[]);
    assert!(run.code <= 1, "{}", run.err);
    rig.folder.file("plain.toml", &one);
    let arguments = ["fit", "plain.toml", "out", "--free", "rj_ps", "--hold-out", "rate=2133", "--json"];
    let told = nightbench(rig.folder.path(), &arguments);
    assert!(told.code <= 1 || told.code == 3, "{}{}", told.out, told.err);
    let said = json(&told);
    assert_eq!(said["simulated"], false);
    let value = found(&said, "rj_ps");
    assert!((value / 9.0 - 1.0).abs() < 0.1, "{value}");
    let page = std::fs::read_to_string(rig.folder.path().join("out/fit.html")).expect("a page");
    assert!(!page.contains("SIMULATED"));
}
