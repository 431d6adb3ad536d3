//! `fit` from outside: a hidden target's counts, the model fitted to them, and a plan that uses it.

use crate::support::{Folder, json, nightbench};

const PLAN: &str = r#"
title = "Hidden target"
[interface]
generation = "DDR4"
lanes = 8
[[module]]
name = "Amber"
kind = "UDIMM"
rated = 3200
[[channel]]
name = "direct"
fits = ["UDIMM"]
[[channel]]
name = "one riser"
risers = 1
fits = ["UDIMM"]
[matrix]
rate = [2400, 2667, 3200]
temperature_degc = [25]
[capture]
directions = ["read"]
mode = "exact"
ber_limit = 1e-6
confidence = 0.95
[[limit]]
metric = "width"
minimum = 0.2
unit = "UI"
source = "invented"
"#;

/// A driver and a jitter that nobody tells the fit.
const HIDDEN: &str = "[model]\ndram_ron_ohm = 41.0\nrj_ps = 5.6\n";

#[test]
fn a_model_is_fitted_written_used_and_said() {
    let folder = Folder::new();
    folder.file("hidden.toml", &format!("{PLAN}{HIDDEN}"));
    folder.file("plan.toml", PLAN);
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
    let with = format!("{}[model]\nfile = \"fitted.toml\"\n", PLAN.replace("[25]", "[25, 85]"));
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
    folder.file("plan.toml", PLAN);
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
