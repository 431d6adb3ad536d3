//! At the desk: from an empty folder to a first plan, and eyes in the terminal.

use crate::files::spd_bytes;
use crate::support::{Folder, SMALL, json, nightbench};
use nightbench_core::rates::Generation;
use plan::Plan;
use runner::evaluate::judging::{JudgedBy, JudgedFolder};
use runner::folder::eye_summaries::CacheUse;
use runner::store::Store;

#[test]
fn the_first_plan_is_written_once_and_checks_without_a_word() {
    let folder = Folder::new();
    let run = nightbench(folder.path(), &["new", "mine.toml", "--generation", "ddr5", "--kind", "rdimm"]);
    assert_eq!(run.code, 0, "{}", run.err);
    let text = std::fs::read_to_string(folder.path().join("mine.toml")).expect("written");
    let plan = Plan::read(&text).expect("sound");
    assert_eq!(plan.interface.generation, Generation::Ddr5);
    let check = nightbench(folder.path(), &["check", "mine.toml"]);
    assert_eq!((check.code, check.err.as_str()), (0, ""), "{}", check.out);
    // Nothing is written over.
    let again = nightbench(folder.path(), &["new", "mine.toml"]);
    assert_eq!(again.code, 2);
    assert!(again.err.contains("mine.toml exists"), "{}", again.err);
    assert_eq!(std::fs::read_to_string(folder.path().join("mine.toml")).expect("still there"), text);
    let odd = nightbench(folder.path(), &["new", "other.toml", "--kind", "DIP"]);
    assert!(odd.code == 2 && odd.err.contains("UDIMM, SODIMM, RDIMM, LRDIMM"), "{}", odd.err);
}

/// First plans of DDR4 and DDR5 have the effects of a bench on: eyes are smaller, and train and pass all the same.
#[test]
fn first_plans_with_the_effects_of_a_bench_train_and_tell_rates_apart() {
    let folder = Folder::new();
    for generation in ["DDR4", "DDR5"] {
        let name = format!("{generation}.toml");
        let new = nightbench(folder.path(), &["new", &name, "--generation", generation, "--kind", "UDIMM"]);
        assert_eq!(new.code, 0, "{}", new.err);
        let text = std::fs::read_to_string(folder.path().join(&name)).unwrap();
        assert!(text.contains("[model]\neffects = \"estimated\""), "{text}");
        let worst = |text: &str, into: &str| {
            let text = text.replace("lanes = 64", "lanes = 8").replace("repeats = 3", "repeats = 1");
            folder.file(&name, &text);
            let run = nightbench(
                folder.path(),
                &["run", &name, "--into", into, "--only", "temperature=25", "--json"],
            );
            assert!([0, 1, 3].contains(&run.code), "{}", run.err);
            let value = json(&run);
            let verdicts = value["verdicts"].as_object().unwrap();
            let judged: u64 = verdicts.values().filter_map(serde_json::Value::as_u64).sum();
            assert_eq!(judged, 3, "{value}");
            assert!(verdicts["pass"].as_u64().unwrap() >= 2, "{value}");
            (value["worst"]["metric"].clone(), value["worst"]["margin"].as_f64().unwrap())
        };
        let with = worst(&text, &format!("{generation}-with"));
        let without = worst(&text.replace("effects = \"estimated\"", ""), &format!("{generation}-without"));
        println!("{generation}: worst margin {with:?} with, {without:?} without");
        assert!(
            with.0 != without.0 || with.1 < without.1,
            "{generation}: {with:?} with, {without:?} without"
        );
    }
}

#[test]
fn the_first_plan_takes_modules_from_their_spd_images() {
    let folder = Folder::new();
    std::fs::write(folder.path().join("a.bin"), spd_bytes("ddr4-udimm-3200.hex")).expect("an image");
    let run = nightbench(folder.path(), &["new", "--module", "a.bin", "--module", "a.bin"]);
    assert_eq!(run.code, 0, "{}", run.err);
    let text = std::fs::read_to_string(folder.path().join("plan.toml")).expect("written");
    let plan = Plan::read(&text).unwrap_or_else(|mistakes| panic!("{mistakes:?}\n{text}"));
    assert_eq!(plan.modules.len(), 2, "the same image twice gets two names");
    assert!(plan.matrix.rates.iter().all(|rate| rate.nominal() <= plan.modules[0].rated.nominal()));
    let other = nightbench(folder.path(), &["new", "b.toml", "--module", "a.bin", "--generation", "DDR5"]);
    assert!(other.code == 2 && other.err.contains("a.bin is a DDR4 module"), "{}", other.err);
    assert!(!folder.path().join("b.toml").exists());
}

#[test]
fn a_look_measures_once_draws_and_names_the_difference() {
    let folder = Folder::new();
    folder.file("plan.toml", SMALL);
    let look = ["look", "plan.toml", "--into", "run", "--only", "rate=2133", "--only", "temperature=25"];
    let first = nightbench(folder.path(), &look);
    assert_eq!(first.code, 0, "{}", first.err);
    assert!(first.out.contains("SIMULATED") && first.out.contains("ps a tap"), "{}", first.out);
    assert!(first.out.contains("the worst of"), "{}", first.out);
    let jobs = first.err.matches(": measured").count();
    assert!(jobs > 0, "{}", first.err);
    // What is on record is drawn, not measured; from the folder alone, too.
    let again = nightbench(folder.path(), &look);
    assert_eq!(again.out, first.out);
    assert_eq!(again.err.matches(": measured").count(), 0, "{}", again.err);
    let folder_alone =
        nightbench(folder.path(), &["look", "run", "--only", "rate=2133", "--only", "temperature=25"]);
    assert_eq!((folder_alone.code, folder_alone.out), (0, first.out.clone()));
    // A second one beside it, however the first was narrowed; nothing is measured again.
    let text = ["look", "run", "--only", "rate=2133,temperature=25", "--beside", "rate=2133"];
    let same = nightbench(folder.path(), &text);
    assert!(
        same.code == 0 && same.out.contains("second against first: wider by 0.0 ps"),
        "{}{}",
        same.out,
        same.err
    );
    assert_eq!(same.out.matches("25 \u{b0}C").count(), 2 * eyes_drawn(&first.out), "{}", same.out);
    let mut beside = look.to_vec();
    beside.extend(["--beside", "rate=2400"]);
    let both = nightbench(folder.path(), &beside);
    assert!(both.out.contains("second against first: ") && both.out.contains("2400 MT/s"), "{}", both.out);
    assert_eq!(both.err.matches(": measured").count(), jobs, "{}", both.err);
    let lane = nightbench(folder.path(), &["look", "run", "--only", "rate=2133", "--lane", "99"]);
    assert!(lane.code == 2 && lane.err.contains("lane 99 was not captured"), "{}", lane.err);
    let empty = nightbench(folder.path(), &["look", "plan.toml", "--beside", "rate=2133", "--beside", "run"]);
    assert_eq!(empty.code, 2, "{}", empty.err);
}

/// A lane of DDR5 belongs to one sub-channel: its eye is drawn, the other's is not asked for it.
#[test]
fn a_lane_is_looked_at_where_it_is() {
    let folder = Folder::new();
    let new = nightbench(folder.path(), &["new", "plan.toml", "--generation", "DDR5", "--kind", "UDIMM"]);
    assert_eq!(new.code, 0, "{}", new.err);
    let text = std::fs::read_to_string(folder.path().join("plan.toml")).expect("written");
    folder.file(
        "plan.toml",
        &text.replace("repeats = 3", "repeats = 1").replace("ber_limit = 1e-6", "ber_limit = 1e-4"),
    );
    let look = ["look", "plan.toml", "--only", "rate=4800,temperature=25", "--lane"];
    let drawn = nightbench(folder.path(), &[look.as_slice(), &["37"]].concat());
    assert_eq!(drawn.code, 0, "{}", drawn.err);
    assert!(drawn.out.contains("read rank 0 B, lane 37"), "{}", drawn.out);
    assert!(!drawn.out.contains("read rank 0 A"), "{}", drawn.out);
    let missing = nightbench(folder.path(), &[look.as_slice(), &["64"]].concat());
    assert!(missing.code == 2 && missing.err.contains("lane 64 was not captured"), "{}", missing.err);
}

#[test]
fn check_says_what_has_no_effect_and_what_a_trade_word_means() {
    let folder = Folder::new();
    folder.file(
        "plan.toml",
        &SMALL.replace("fits = [\"UDIMM\"]\n\n[matrix]", "fits = [\"LRDIMM\"]\n\n[matrix]"),
    );
    let run = nightbench(folder.path(), &["check", "plan.toml"]);
    assert_eq!(run.code, 0, "{}", run.err);
    assert!(
        run.err.contains("warning: no condition has 1 level of the factor channel: risers"),
        "{}",
        run.err
    );
    folder.file("trade.toml", &SMALL.replace("ber_limit = 1e-4", "BER = 1e-4").replace("2133, 2400", "2200"));
    let run = nightbench(folder.path(), &["check", "trade.toml"]);
    assert_eq!(run.code, 2);
    assert!(run.err.contains("`ber_limit` in [capture]"), "{}", run.err);
    assert!(run.err.contains("it lies between 2133 and 2400"), "{}", run.err);
}

/// Eyes in a drawing.
fn eyes_drawn(out: &str) -> usize {
    out.matches("ps a tap").count()
}

#[test]
fn preview_prints_the_budget_as_it_is_merged() {
    let folder = Folder::new();
    let line = |name: &str| {
        format!("[[uncertainty]]\nname = \"{name}\"\nstandard_uncertainty_ps = 2\nsource = \"S-1\"\n\n")
    };
    let plan = SMALL.replace("[capture]", &format!("{}{}[capture]", line("reseating"), line("tap step")));
    folder.file("plan.toml", &plan);
    let run = nightbench(folder.path(), &["preview", "plan.toml"]);
    assert_eq!(run.code, 0, "{}", run.err);
    let words = run.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        words.contains("in place of the tool's own, of the plan: tap step (2 ps, source: S-1)"),
        "{words}"
    );
    assert!(words.contains("beside them, of the plan: reseating (2 ps, source: S-1)"), "{words}");
    assert!(words.contains("the tool's own lines: sampling, "), "{words}");
}

#[test]
fn the_tools_own_budget_lines_are_those_that_a_plan_is_warned_about() {
    let folder = Folder::new();
    folder.file("plan.toml", &SMALL.replace("[capture]", "[repeats]\nrepeats = 2\n\n[capture]"));
    assert!(nightbench(folder.path(), &["run", "plan.toml", "--into", "run"]).code < 2);
    let dir = folder.path().join("run");
    let reader = Store::open_read_only(&dir).expect("a store");
    let judged = JudgedFolder::read(&dir, &reader, JudgedBy::plan(CacheUse::Look)).expect("judged");
    let lines: Vec<&str> =
        judged.run.budgets.iter().flat_map(|budget| &budget.rows).map(|row| row.name.as_str()).collect();
    assert!(lines.len() > 10, "{lines:?}");
    for line in lines {
        assert!(plan::budget::TOOL_LINES.contains(&line), "{line}");
    }
}

#[test]
fn shells_and_man_are_told_every_command() {
    let folder = Folder::new();
    for shell in ["bash", "zsh", "fish", "powershell"] {
        let run = nightbench(folder.path(), &["completions", shell]);
        assert!(run.code == 0 && run.out.contains("preview"), "{shell}: {}", run.err);
    }
    assert_eq!(nightbench(folder.path(), &["manual", "pages"]).code, 0);
    let page = |name: &str| std::fs::read_to_string(folder.path().join("pages").join(name));
    assert!(page("nightbench.1").expect("the program's").contains("preview"));
    assert!(page("nightbench-look.1").expect("a command's").contains("side by side"));
}

#[test]
fn jobs_are_chosen_by_what_they_came_to() {
    let folder = Folder::new();
    folder.file("plan.toml", SMALL);
    let run = nightbench(folder.path(), &["run", "plan.toml", "--into", "run", "--json"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    let again = |selection: &str| {
        nightbench(
            folder.path(),
            &["run", "plan.toml", "--into", "run", "--again", selection, "--reason", "tried", "--json"],
        )
    };
    let verdicts = &json(&run)["verdicts"];
    let passes = verdicts["pass"].as_u64().expect("a count");
    assert!(passes > 0, "{verdicts}");
    // Several factors in one selection narrow together.
    let one = again("rate=2133,temperature=25,channel=direct");
    assert_eq!(one.err.matches(": measured").count(), 1, "{}", one.err);
    let none = again("undecided,conditional-fail");
    assert!(none.code == 4 && none.err.contains("nothing to measure again"), "{}", none.err);
    let passed = again("pass");
    assert_eq!(passed.err.matches(": measured").count() as u64, passes, "{}", passed.err);
    let odd = again("passed");
    assert!(odd.code == 2 && odd.err.contains("conditional-pass, pass"), "{}", odd.err);
    // Against itself a run of one job a condition is undecided.
    let undecided = ["run", "plan.toml", "--into", "run", "--only", "undecided-against:run"];
    let nothing_new = nightbench(folder.path(), &undecided);
    assert!([0, 1, 3, 4].contains(&nothing_new.code), "{}", nothing_new.err);
    let missing = nightbench(
        folder.path(),
        &["run", "plan.toml", "--into", "run", "--only", "undecided-against:elsewhere"],
    );
    assert!(missing.code == 2 && missing.err.contains("elsewhere"), "{}", missing.err);
    let early = nightbench(folder.path(), &["run", "plan.toml", "--into", "new", "--only", "fail"]);
    assert!(early.code == 4 && early.err.contains("holds none yet"), "{}", early.err);
    assert!(!folder.path().join("new").exists());
}

/// The library's pair: exactly one lane gets worse, and the comparison names it and no other.
#[test]
fn a_comparison_names_the_one_lane_that_a_firmware_sets_wrong() {
    let folder = Folder::in_memory();
    let library = concat!(env!("CARGO_MANIFEST_DIR"), "/../plans/library");
    for name in ["firmware-before", "firmware-after"] {
        let plan = format!("{library}/{name}.toml");
        let run = nightbench(folder.path(), &["run", &plan, "--into", name, "--json"]);
        assert!([0, 1].contains(&run.code), "{}", run.err);
        assert_eq!(json(&run)["not_measured"], 0, "{}", run.err);
    }
    let compared = nightbench(folder.path(), &["compare", "firmware-before", "firmware-after", "--json"]);
    assert_eq!(compared.code, 1, "{}", compared.err);
    let compared = json(&compared);
    let changes = compared["lanes"]["changes"].as_array().expect("a list");
    let worse: std::collections::BTreeSet<u64> = changes
        .iter()
        .filter(|change| change["answer"] == "worse")
        .map(|change| change["lane"].as_u64().expect("a lane"))
        .collect();
    assert_eq!(worse, [11].into(), "{}", compared["lanes"]);
}
