//! Verdicts from outside: studies, comparison, other limits, release obstacles, masks, the cache.

use crate::support::{Folder, Run, SMALL, json, nightbench};
use runner::folder::eye_summaries::CACHE;

/// The small plan with repeats and re-seats, on a grid that holds the whole eye.
fn repeated(repeats: u16, re_seats: u16) -> String {
    let wide = SMALL
        .replace("vref_steps = 24", "vref_steps = 44")
        .replace("vref_start_percent = 50.0", "vref_start_percent = 20.0");
    format!("{wide}\n[repeats]\nrepeats = {repeats}\nre_seats = {re_seats}\n")
}

fn run(folder: &Folder, plan: &str, name: &str) -> Run {
    let path = folder.file(&format!("{name}.toml"), plan);
    let run = nightbench(folder.path(), &["run", path.to_str().unwrap(), "--into", name, "--json"]);
    assert!([0, 1].contains(&run.code), "{}\n{}", run.out, run.err);
    run
}

fn page(folder: &Folder, name: &str) -> String {
    std::fs::read_to_string(folder.path().join(name).join("report.html")).expect("a page")
}

#[test]
fn a_study_separates_repeats_from_reseats_and_gives_budget_lines() {
    let folder = Folder::new();
    run(&folder, &repeated(3, 2), "study");
    let study = nightbench(folder.path(), &["study", "study", "--json"]);
    assert_eq!(study.code, 0, "{}", study.err);
    let value = json(&study);
    let width = &value["metrics"][0];
    assert_eq!(width["metric"], "width");
    assert_eq!((&width["mountings"], &width["repeats"], &width["setups"]), (&3.into(), &3.into(), &2.into()));
    let (ev, av) = (width["repeatability_ps"].as_f64().unwrap(), width["reseating_ps"].as_f64().unwrap());
    let gauge = width["gauge_ps"].as_f64().unwrap();
    assert!(ev > 0.0 && av >= 0.0 && (gauge - ev.hypot(av)).abs() < 1e-9);
    // 8 conditions x 3 mountings x 2; (3 - 1) mountings in each of 2 setups.
    assert_eq!(
        (width["repeatability_dof"].as_f64(), width["reseating_dof"].as_f64()),
        (Some(48.0), Some(4.0))
    );
    assert!(width["distinct_categories"].as_u64().unwrap() >= 1);
    let words = nightbench(folder.path(), &["study", "study"]).out;
    for part in
        ["parts x mountings x repeats", "[[uncertainty]]", "name = \"re-seating\"", "degrees_of_freedom"]
    {
        assert!(words.contains(part), "missing {part}\n{words}");
    }
    // A plan that names the study gets its lines, and keeps them when the study is gone.
    let named = format!("{SMALL}\n[[uncertainty]]\nstudy = \"study\"\n");
    folder.file("sound.toml", &named);
    assert_eq!(nightbench(folder.path(), &["check", "sound.toml"]).code, 0);
    run(&folder, &named, "named");
    assert!(page(&folder, "named").contains("study of the run folder study"));
    std::fs::remove_dir_all(folder.path().join("study")).unwrap();
    let report = nightbench(folder.path(), &["report", "named"]);
    assert!([0, 1].contains(&report.code), "{}", report.err);
    assert!(page(&folder, "named").contains("study of the run folder study"));
    let again = folder.file("again.toml", &named);
    let refused = nightbench(folder.path(), &["run", again.to_str().unwrap(), "--into", "elsewhere"]);
    assert_eq!(refused.code, 2);
    assert!(
        refused.err.contains("the study `study` is not there") && !folder.path().join("elsewhere").exists()
    );
}

#[test]
fn a_run_without_repeats_gives_no_study() {
    let folder = Folder::new();
    run(&folder, SMALL, "single");
    let study = nightbench(folder.path(), &["study", "single"]);
    assert_eq!(study.code, 3);
    assert!(
        study.err.contains("too few repeats") && study.err.contains("too few mountings"),
        "{}",
        study.err
    );
    assert_eq!(nightbench(folder.path(), &["study", "absent"]).code, 2);
    // A plan that names it is refused by `check` as by `run`.
    folder.file("named.toml", &format!("{SMALL}\n[[uncertainty]]\nstudy = \"single\"\n"));
    let check = nightbench(folder.path(), &["check", "named.toml"]);
    assert_eq!((check.code, check.out.as_str()), (2, ""), "{}", check.err);
    assert!(check.err.contains("the study `single` gives no budget line: "), "{}", check.err);
    let refused = nightbench(folder.path(), &["run", "named.toml", "--into", "named"]);
    // A slow computer says before that it is at work.
    assert_eq!((refused.code, refused.err.lines().last()), (2, check.err.lines().last()));
}

#[test]
fn other_limits_judge_the_same_counts_and_both_sets_stay() {
    let folder = Folder::new();
    run(&folder, SMALL, "run");
    let strict = "[[limit]]\nmetric = \"width\"\nminimum = 0.95\nunit = \"UI\"\nsource = \"invented, strict\"\n\n\
                  [decision]\nrule = \"simple acceptance\"\n";
    folder.file("strict.toml", strict);
    let report = nightbench(folder.path(), &["report", "run", "--limits", "strict.toml", "--json"]);
    assert_eq!(report.code, 1, "{}", report.err);
    let value = json(&report);
    assert_eq!(value["verdicts"]["pass"], 0);
    let sets = value["limit_sets"].as_array().unwrap();
    assert_eq!(sets.len(), 2, "{sets:?}");
    assert!(sets.iter().any(|set| set["agreed_before"] == true && set["shown"] == false));
    assert!(sets.iter().any(|set| set["agreed_before"] == false && set["shown"] == true));
    let file = |name: &str| std::fs::read_to_string(folder.path().join("run").join(name)).unwrap();
    let html = file("what-if.html");
    for words in [
        "What if",
        "before measuring",
        "the file strict.toml",
        "invented, strict",
        "verdict depends on the set",
    ] {
        assert!(html.contains(words), "missing: {words}");
    }
    assert!(!html.contains("A signature confirms") && !file("report.html").contains("strict.toml"));
    // Without the option: the plan's own again, the other still shown.
    let back = json(&nightbench(folder.path(), &["report", "run", "--json"]));
    assert_eq!(back["limit_sets"].as_array().unwrap().len(), 2);
    assert!(page(&folder, "run").contains("the file strict.toml"));
    assert_ne!(back["verdicts"], value["verdicts"]);
    // The rule alone, from a file and by its name; the report stays as it is.
    let report = file("report.html");
    folder.file("tighter.toml", "[decision]\nguard_band_factor = 0\n");
    let asked = json(&nightbench(folder.path(), &["report", "run", "--rule", "simple acceptance", "--json"]));
    let html = file("what-if.html");
    assert!(html.contains("judged by the rule simple acceptance"));
    let by_file = json(&nightbench(folder.path(), &["report", "run", "--limits", "tighter.toml", "--json"]));
    assert_eq!(asked["verdicts"], by_file["verdicts"]);
    assert_ne!(asked["verdicts"], value["verdicts"]);
    assert!(asked["report"].as_str().unwrap().ends_with("what-if.html"));
    assert_eq!(file("report.html"), report);
    let unknown = nightbench(folder.path(), &["report", "run", "--rule", "simple aceptance"]);
    assert_eq!(unknown.code, 2);
    assert!(unknown.err.contains("did you mean `simple acceptance`?"), "{}", unknown.err);
    folder.file("wrong.toml", "[[limit]]\nmetric = \"widht\"\n");
    let wrong = nightbench(folder.path(), &["report", "run", "--limits", "wrong.toml"]);
    assert_eq!(wrong.code, 2);
    assert!(
        wrong.err.contains("wrong.toml:2:10") && wrong.err.contains("did you mean `width`"),
        "{}",
        wrong.err
    );
}

#[test]
fn the_page_is_the_same_with_and_without_the_cache() {
    let folder = Folder::new();
    run(&folder, &repeated(2, 0), "run");
    let cache = folder.path().join("run").join(CACHE);
    let (first, bytes) = (page(&folder, "run"), std::fs::read(&cache).expect("a cache"));
    nightbench(folder.path(), &["report", "run"]);
    assert_eq!(page(&folder, "run"), first);
    nightbench(folder.path(), &["report", "run", "--afresh"]);
    assert_eq!(page(&folder, "run"), first);
    // Torn, damaged, foreign or gone: computed again.
    let mut damaged = bytes.clone();
    let middle = damaged.len() / 2;
    damaged[middle] ^= 0xff;
    for broken in [&bytes[..bytes.len() - 7], &damaged[..], b"something else", b""] {
        std::fs::write(&cache, broken).unwrap();
        let report = nightbench(folder.path(), &["report", "run"]);
        assert!([0, 1].contains(&report.code), "{}", report.err);
        assert_eq!(page(&folder, "run"), first);
    }
    std::fs::remove_file(&cache).unwrap();
    nightbench(folder.path(), &["report", "run"]);
    assert_eq!(page(&folder, "run"), first);
    assert!(cache.exists());
}

#[test]
fn a_run_is_not_worse_than_itself_and_a_degraded_one_is() {
    let folder = Folder::new();
    run(&folder, &repeated(3, 0), "baseline");
    let other = repeated(3, 0);
    let path = folder.file("other.toml", &other);
    let seeded = ["run", path.to_str().unwrap(), "--into", "other", "--seed", "2"];
    assert!([0, 1].contains(&nightbench(folder.path(), &seeded).code));
    let loose = ["--loss-ui", "0.08", "--loss-percent", "4"];
    let same = nightbench(folder.path(), &[&["compare", "baseline", "other", "--json"][..], &loose].concat());
    let value = json(&same);
    assert_eq!(value["worse"], 0, "{value}");
    assert!(value["not_worse"].as_u64().unwrap() >= 6, "{value}");
    assert_eq!(same.code, if value["undecided"] == 0 { 0 } else { 3 });
    for name in ["baseline", "run"] {
        assert!(!value[name]["builds"].as_array().unwrap().is_empty(), "{name}");
    }
    // A worse clock: three times the default random jitter (4.5 ps).
    run(&folder, &format!("{other}\n[model]\n{DEGRADED}\n"), "degraded");
    let worse = nightbench(folder.path(), &["compare", "baseline", "degraded", "--json"]);
    let value = json(&worse);
    assert_eq!(worse.code, 1, "{value}");
    assert!(value["worse"].as_u64().unwrap() > 0);
    assert!(value["remarks"].to_string().contains("[model] differs"));
    let total =
        ["worse", "not_worse", "undecided"].map(|key| value[key].as_u64().unwrap()).iter().sum::<u64>();
    assert_eq!(total, 8);
    let html = std::fs::read_to_string(folder.path().join("degraded").join("compare.html")).unwrap();
    for words in [
        "SIMULATED",
        "Baseline",
        "Has anything got worse?",
        "too few mountings",
        "class=\"was\"",
        "Bonferroni",
    ] {
        assert!(html.contains(words), "missing: {words}");
    }
    assert!(
        html.contains("is held to 0.05 (") && value["demands"]["level"] == 0.05,
        "as many digits as given"
    );
    assert!(html.contains("@bottom-right{content:\"Page \" counter(page)"), "printed pages are numbered");
    let words = nightbench(folder.path(), &["compare", "baseline", "degraded"]);
    assert!(words.out.starts_with("baseline: Small"), "{}", words.out);
    assert!(words.out.contains("worse, ") && words.out.contains("failed starts:"));
    // What the next run will see against this baseline is said before it is measured.
    let plan = folder.path().join("next.toml");
    std::fs::write(&plan, &other).unwrap();
    let foreseen = nightbench(folder.path(), &["preview", "next.toml", "--against", "baseline", "--json"]);
    let value = json(&foreseen)["against"].clone();
    assert_eq!(value["conditions"], 8, "{value}");
    assert!(value["visible_loss"].as_f64().unwrap() > 1.0, "{value}");
    let words = nightbench(folder.path(), &["preview", "next.toml", "--against", "baseline"]);
    assert!(words.out.contains("against baseline: where nothing has changed"), "{}", words.out);
    let none = nightbench(folder.path(), &["preview", "next.toml", "--against", "nowhere"]);
    assert_eq!(none.code, 2, "{}", none.err);
}

const DEGRADED: &str = "rj_ps = 14.0";

#[test]
fn runs_of_different_grids_are_refused_with_the_reason() {
    let folder = Folder::new();
    run(&folder, SMALL, "a");
    run(&folder, &SMALL.replace("taps_per_ui = 16", "taps_per_ui = 20"), "b");
    let refused = nightbench(folder.path(), &["compare", "a", "b"]);
    assert_eq!(refused.code, 2);
    assert!(
        refused.err.contains("different grids") && refused.err.contains("taps_per_ui"),
        "{}",
        refused.err
    );
    // Nothing in common.
    run(&folder, &SMALL.replace("rate = [2133, 2400]", "rate = [1866]"), "c");
    let refused = nightbench(folder.path(), &["compare", "a", "c"]);
    assert_eq!(refused.code, 4);
    assert!(refused.err.contains("share no condition"), "{}", refused.err);
    let limits = SMALL.replace("minimum = 0.2", "minimum = 0.21");
    run(&folder, &limits, "d");
    let judged = nightbench(folder.path(), &["compare", "a", "d"]);
    assert!(judged.out.contains("both are judged by the baseline's"), "{}\n{}", judged.out, judged.err);
    assert_eq!(nightbench(folder.path(), &["compare", "a", "d", "--confidence", "1"]).code, 2);
}

/// Lines of the terminal joined again.
fn unfolded(words: &str) -> String {
    words.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn a_comparison_says_which_runs_what_loss_is_allowed_and_who_has_no_partner() {
    let folder = Folder::new();
    run(&folder, SMALL, "old");
    run(&folder, &SMALL.replace("[2133, 2400]", "[1866, 2133]").replace("[25, 60]", "[25, 70]"), "new");
    let same = json(&nightbench(folder.path(), &["compare", "old", "new", "--json"]));
    let (old, new) = (&same["baseline"], &same["run"]);
    assert_eq!((old["folder"].as_str(), new["folder"].as_str()), (Some("old"), Some("new")));
    assert_ne!(old["report_id"], new["report_id"]);
    // 2133 MT/s at 25 °C is in both; 6 of 8 are not.
    assert_eq!((&same["unmatched"]["baseline"], &same["unmatched"]["run"]), (&6.into(), &6.into()));
    let alone = same["without_partner"]["run"].as_array().expect("names");
    assert_eq!(alone.len(), 6);
    let compared = nightbench(folder.path(), &["compare", "old", "new"]);
    assert_eq!(compared.code, 3, "{}", compared.err);
    let words = unfolded(&compared.out);
    for part in [
        &format!("folder old, report {} chip", old["report_id"].as_str().expect("a number")),
        &format!("folder new, report {} chip", new["report_id"].as_str().expect("a number")),
        // 0.02 x 937.6 ps, 1 % of 1.2 V.
        "Loss allowed: 0.02 UI along the delay axis (here 9.4 ps), 1 % of VDDQ along the voltage axis (here 12.0 mV).",
        "Undecided: neither is shown. In brackets: the limits that decide",
        "6 conditions of the baseline have no partner (exit 3 without --allow-unmatched): Amber, direct, 2133 MT/s, 60 °C",
        "6 conditions of the run have no partner (exit 3 without --allow-unmatched): Amber, direct, 1866 MT/s, 25 °C",
        "and 1 more, named in the report",
        "Measure both with `repeats = 3` or more in [repeats], and compare again.",
    ] {
        assert!(words.contains(part), "{part}: {}", compared.out);
    }
    assert!(
        compared.out.find("Loss allowed") < compared.out.find("difference of margin"),
        "{}",
        compared.out
    );
    let html = std::fs::read_to_string(folder.path().join("new/compare.html")).expect("the page");
    for name in alone {
        let item = format!("<li dir=\"auto\">{}</li>", name.as_str().expect("a name").replace('/', "&#x2f;"));
        assert!(html.contains(&item), "{item}");
    }
    for (option, value, allowed) in [
        ("--loss-ui", "-1", "--loss-ui is -1; allowed: 0 to 1 UI (bit times)"),
        ("--loss-percent", "-0.5", "--loss-percent is -0.5; allowed: 0 to 100 % of VDDQ"),
        ("--confidence", "-1", "--confidence is -1; allowed: 0.5001 to 0.9999"),
    ] {
        let refused = nightbench(folder.path(), &["compare", "old", "new", option, value]);
        assert_eq!(refused.code, 2);
        assert!(refused.err.contains(allowed) && !refused.err.contains("tip"), "{}", refused.err);
    }
}

#[test]
fn preview_says_when_a_release_is_out_of_reach() {
    let folder = Folder::new();
    let path = folder.file("plan.toml", &format!("{SMALL}\n[release]\nunits = 5\n"));
    let preview = nightbench(folder.path(), &["preview", path.to_str().unwrap()]);
    // Folded at 80 columns.
    let words = preview.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("no release \"yes\" is possible"), "{}", preview.out);
    assert!(words.contains("[release] asks for 5 units, the matrix has 1 chip without"), "{}", preview.out);
    assert!(words.contains("the repeatability of width, height would be an estimate"), "{}", preview.out);
    let path = folder.file("able.toml", &repeated(2, 0));
    let able = json(&nightbench(folder.path(), &["preview", path.to_str().unwrap(), "--json"]));
    assert_eq!(able["release_impossible_because"].as_array().unwrap().len(), 0);
    let run = run(&folder, &format!("{}\n[release]\nunits = 5\n", repeated(2, 0)), "run");
    let release = &json(&run)["release"];
    assert_ne!(release["decision"], "yes");
    assert!(release["reasons"].to_string().contains("from 1 of 5 units"), "{release}");
}

#[test]
fn a_write_mask_is_judged_by_rate_and_its_defined_ratio_is_information() {
    let folder = Folder::new();
    let plan = SMALL
        .replace("ber_limit = 1e-4", "ber_limit = 1e-4\ndirections = [\"read\", \"write\"]")
        .replace("rate = [2133, 2400]", "channel = [\"direct\"]\nrate = [1866, 2133, 2400]")
        + "\n[[limit]]\npreset = \"DDR4 write mask\"\n\
           [[limit]]\nmetric = \"early margin\"\nminimum = 0.1\nunit = \"UI\"\nsource = \"invented\"\n";
    let run = run(&folder, &plan, "run");
    assert!(json(&run)["global_risk"].as_array().unwrap().iter().any(|risk| risk["of"] == "mask"));
    let html = page(&folder, "run");
    for words in ["DDR4 DQ input mask (JESD79-4)", "from memory", "extrapolated, information only", "1e-16"] {
        assert!(html.contains(words), "missing: {words}");
    }
    let lines = nightbench(folder.path(), &["export", "run", "--as", "jsonl"]).out;
    let first: serde_json::Value = serde_json::from_str(lines.lines().next().unwrap()).unwrap();
    let masks: Vec<_> =
        first["metrics"].as_array().unwrap().iter().filter(|metric| metric["metric"] == "mask").collect();
    assert!(!masks.is_empty() && masks.iter().all(|mask| mask["eye"]["direction"] == "write"), "{first}");
    columns_agree(&nightbench(folder.path(), &["export", "run", "--as", "csv"]).out);
    // 0.20 UI at 1866 MT/s: 107 ps as the data sheets print it.
    assert!((masks[0]["limit"].as_f64().unwrap() - 107.1).abs() < 0.2, "{}", masks[0]);
}

/// The lane table adds up: margins to width and height, each judged figure to its limit, one worst lane a condition.
fn columns_agree(csv: &str) {
    let mut lines = csv.lines();
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let column =
        |name: &str| header.iter().position(|word| *word == name).unwrap_or_else(|| panic!("no {name}"));
    let [early, late, upper, lower] =
        ["early_margin_ps", "late_margin_ps", "upper_margin_mv", "lower_margin_mv"].map(column);
    let (width, height) = (column("width_ps"), column("height_mv"));
    let (direction, mask, mask_limit) =
        (column("direction"), column("mask_ps"), column("condition_mask_limit_ps"));
    let figures = ["limit_ps", "margin_ps", "expanded_uncertainty_ps", "guard_band_ps"]
        .map(|figure| column(&format!("condition_early_margin_{figure}")));
    let (mut rows, mut masks) = (0, 0);
    for line in lines {
        let cells: Vec<&str> = line.split(',').collect();
        assert_eq!(cells.len(), header.len(), "{line}");
        let number =
            |at: usize| cells[at].parse::<f64>().unwrap_or_else(|_| panic!("`{}` in {line}", cells[at]));
        assert!((number(early) + number(late) - number(width)).abs() < 1e-6, "{line}");
        assert!((number(upper) + number(lower) - number(height)).abs() < 1e-6, "{line}");
        if cells[direction] == "write" {
            // A mask that is scaled to the eye is no wider than the eye.
            assert!(number(mask) <= number(width) + 1e-6 && number(mask_limit) > 0.0, "{line}");
            masks += 1;
        } else {
            // The margin limit is one of read eyes.
            let [limit, margin, expanded, guard] = figures.map(number);
            assert!(limit > 0.0 && expanded > 0.0 && (guard - expanded).abs() < 1e-9, "{line}");
            let own = number(column("early_margin_to_limit_ps"));
            assert!((number(early) - limit - own).abs() < 1e-6, "{line}");
            // The verdict rests on an estimate of the lowest lane, near that lane as read. On this coarse grid lanes read alike, so
            // that the estimate may lie below all of them.
            if cells[column("condition_early_margin_worst_lane")] == cells[column("lane")] {
                assert!((own - margin).abs() < 2.0 * expanded, "{line}");
            }
            assert!(cells[mask_limit].is_empty(), "{line}");
        }
        rows += 1;
    }
    assert!(rows > 50 && masks > 20, "{rows} rows, {masks} with a mask");
}

#[test]
fn impossible_judgements_are_words_and_no_verdicts() {
    let folder = Folder::new();
    // A limit that the grid cannot show: 32 taps of 1/16 UI are 2 UI.
    let plan = SMALL.replace("minimum = 0.2\n", "minimum = 3.0\n");
    let path = folder.file("high.toml", &plan);
    let high = nightbench(folder.path(), &["run", path.to_str().unwrap(), "--into", "high", "--json"]);
    assert_eq!(high.code, 3, "{}", high.err);
    assert_eq!((&json(&high)["not_measured"], &json(&high)["undecided"]), (&0.into(), &8.into()));
    assert!(page(&folder, "high").contains("more than the grid can show"));
    assert!(
        high.err.contains("8 conditions: undecided: the width limit is more than the grid can show"),
        "{}",
        high.err
    );
    // A guard band wider than the limit itself.
    let plan = SMALL.replace("minimum = 0.2\n", "minimum = 0.01\n") + "\n[decision]\nguard_band_factor = 9\n";
    let path = folder.file("wide.toml", &plan);
    let wide = nightbench(folder.path(), &["run", path.to_str().unwrap(), "--into", "wide", "--json"]);
    assert_eq!(wide.code, 3, "{}", wide.err);
    assert!(page(&folder, "wide").contains("is wider than the width limit"));
    assert!(page(&folder, "wide").contains("no prior"));
}

#[test]
fn the_reference_condition_is_charted_over_run_folders() {
    let folder = Folder::new();
    let reference = |earlier: &str| {
        format!(
            "\n[order]\nreference_every_jobs = 2\n{earlier}[order.reference]\nmodule = \"Amber\"\nchannel = \"direct\"\n\
             rate = 2133\ntemperature_degc = 25\n"
        )
    };
    let first = run(&folder, &format!("{}{}", repeated(2, 0), reference("")), "first");
    assert!(json(&first)["jobs"].as_u64().unwrap() > 16, "the reference is measured again");
    assert!(page(&folder, "first").contains("Reference condition: width of read rank 0"));
    let earlier = "reference_earlier = [\"first\", \"gone\"]\n";
    let path = folder.file("second.toml", &format!("{}{}", repeated(2, 0), reference(earlier)));
    let into = ["run", path.to_str().unwrap(), "--into", "second", "--seed", "2"];
    let second = nightbench(folder.path(), &into);
    assert!([0, 1, 3].contains(&second.code), "{}", second.err);
    assert!(second.err.contains("the earlier run folder `gone` is not there"), "{}", second.err);
    let html = page(&folder, "second");
    assert!(html.contains("values from earlier run folders"), "no chart");
    assert!(html.contains("the earlier run folder gone is left out"));
}
