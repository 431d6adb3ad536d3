//! Order and calendar from outside: preview, setup list, coverage, night-only plans, composed bench time, and plans that cannot be.

use crate::chance::Chance;
use crate::support::{Folder, SMALL, json, nightbench};
use rusqlite::Connection;

const OFFICE: &str = r#"
[attended]
start = "2026-11-23 09:00"
monday = "09:00-17:00"
tuesday = ["09:00-12:00", "13:00-17:00"]
wednesday = "09:00-17:00"
exceptions = ["2026-11-24 closed"]
"#;

/// Two setups at one temperature each, with soaks so long (11.1 h) that the second is ready at night only.
fn two_long_setups() -> String {
    format!("{}{OFFICE}\n[bench_times]\nsoak_s = 40000\n", SMALL.replace("[25, 60]", "[25]"))
}

fn number(value: &serde_json::Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("no number: {value}"))
}

#[test]
fn preview_walks_the_plan_through_the_calendar() {
    let folder = Folder::new();
    let path = folder.file("plan.toml", &two_long_setups());
    let path = path.to_str().unwrap();
    let preview = json(&nightbench(folder.path(), &["preview", path, "--json"]));
    for key in ["conditions", "skipped", "jobs", "setups", "hands_on_changes", "hours", "bound"] {
        assert!(!preview[key].is_null(), "no key {key}");
    }
    let hours = preview["hours"].as_object().unwrap();
    let kinds = ["measuring", "training", "ramps", "soak", "settle", "hands_on", "boot", "waiting"];
    assert_eq!(hours.len(), kinds.len() + 1);
    let parts: f64 = kinds.iter().map(|kind| number(&hours[*kind])).sum();
    assert!((parts - number(&hours["total"])).abs() < 1e-9);
    // The second setup is ready on Monday night and waits until Wednesday, because Tuesday is closed.
    assert!(number(&hours["waiting"]) > 24.0, "{hours:?}");
    let hands_on = preview["hands_on"].as_array().unwrap();
    assert_eq!(hands_on.len(), 2);
    assert_eq!(hands_on[0]["begin"], "Mon 2026-11-23 09:00");
    assert_eq!(hands_on[1]["begin"], "Wed 2026-11-25 09:00");
    assert_eq!(hands_on[1]["take_out"], format!("Amber on {}", hands_on[0]["channel"].as_str().unwrap()));
    let finish = &preview["finish"];
    let [p10, p50, p90] = ["p10_hours", "p50_hours", "p90_hours"].map(|key| number(&finish[key]));
    assert!(p10 <= p50 && p50 <= p90);
    assert!(number(&finish["earliest_possible_hours"]) <= number(&hours["total"]) + 1e-6);
    assert!(number(&preview["bound"]["ratio"]) >= 1.0 - 1e-9);
    // Exact and fast at four limits, and the plan's own raster at 1e-4.
    let capture = preview["capture"].as_array().unwrap();
    assert_eq!(capture.iter().filter(|way| way["planned"] == true).count(), 1);
    for limit in [1e-6, 1e-7, 1e-8, 1e-9] {
        let of = |mode: &str| {
            let row = capture.iter().find(|way| way["mode"] == mode && number(&way["ber_limit"]) == limit);
            number(&row.unwrap_or_else(|| panic!("no {mode} at {limit}"))["measuring_hours"])
        };
        assert!(of("fast") < of("exact"), "{limit}");
    }
    assert!(capture.iter().all(|way| way["fits_the_night"].is_boolean()));
}

#[test]
fn the_list_names_what_to_mount_and_keeps_to_eighty_columns() {
    let folder = Folder::new();
    let path = folder.file("plan.toml", &two_long_setups());
    let run = nightbench(folder.path(), &["preview", path.to_str().unwrap(), "--page", "list.html"]);
    assert_eq!(run.code, 0, "{}", run.err);
    for words in [
        "begins      Mon 2026-11-23 09:00",
        "ends  expected  ",
        "      P10       ",
        "      P50       ",
        "      P90       ",
        "repeatability (",
        "[ ] 1  Mon 2026-11-23 09:00  Amber on",
        "[ ] 2  Wed 2026-11-25 09:00  Amber on",
        "take out first: Amber on",
        "chamber between 15 and 45 °C",
        "no order with as few changes needs less than",
    ] {
        assert!(run.out.contains(words), "missing: {words}\n{}", run.out);
    }
    let after = run.out.split("What to mount, and when:").nth(1).expect("the list");
    assert!(after.trim_end().ends_with("°C"), "the text ends with the list: {after}");
    for line in run.out.lines() {
        assert!(line.chars().count() <= 80, "longer than 80 columns: {line}");
    }
    let page = std::fs::read_to_string(folder.path().join("list.html")).unwrap();
    assert_eq!(page.matches("class=\"box\"").count(), 6, "three boxes a mounting");
    assert!(page.contains("<svg") && page.contains("Tue 2026-11-24") && page.contains("Wrist strap"));
    assert!(!page.replace("http-equiv", "").contains("http"), "the page stands alone");
    // Terminal and page name each end alike.
    let said = |name: &str| {
        let line = run.out.lines().find(|line| line.contains(&format!("{name}  "))).expect("the line");
        line.split(name).nth(1).unwrap().split("  (").next().unwrap().trim().to_string()
    };
    let [expected, p10, p50, p90] = ["expected", "P10", "P50", "P90"].map(said);
    assert!(page.contains(&format!("its expected time</small><b>{expected}</b>")), "{expected}");
    for (name, end) in [("P10", p10), ("P50", p50), ("P90", p90)] {
        assert!(page.contains(&format!("{name} {end} (")), "{name} {end}");
    }
    let elsewhere = ["preview", path.to_str().unwrap(), "--page", "absent/list.html"];
    assert_eq!(nightbench(folder.path(), &elsewhere).code, 74);
}

#[test]
fn plans_that_cannot_be_are_refused_with_their_place() {
    let folder = Folder::new();
    let refused = |name: &str, plan: &str, words: &str, place: &str| {
        let path = folder.file("plan.toml", plan);
        let path = path.to_str().unwrap();
        for command in [vec!["check", path], vec!["preview", path], vec!["run", path, "--into", "d"]] {
            let run = nightbench(folder.path(), &command);
            assert_eq!(run.code, 2, "{name}: {} {}", run.out, run.err);
            assert!(run.err.contains(words), "{name}: {}", run.err);
            assert!(run.err.contains(place), "{name}: {}", run.err);
            assert!(!folder.path().join("d").exists(), "{name}: something was touched");
        }
    };
    let line = |plan: &str, words: &str| {
        let at =
            plan.lines().collect::<Vec<_>>().iter().rposition(|line| line.contains(words)).expect("the line")
                + 1;
        format!("plan.toml:{at}:")
    };
    let never = format!("{SMALL}\n[attended]\nmonday = \"09:00-09:05\"\n");
    refused("never", &never, "attended hours never come", &line(&never, "[attended]"));
    let cold = SMALL.replace("[25, 60]", "[25, -58]");
    refused(
        "cold",
        &cold,
        "level of -58 °C is outside the bench's range of -55 to 150 °C",
        &line(&cold, "-58"),
    );
    let ramp = format!("{SMALL}\n[bench_times]\nramp_up_degc_per_min = 0\n");
    refused("ramp", &ramp, "`ramp_up_degc_per_min` in [bench_times] is 0 °C/min", &line(&ramp, "ramp_up"));
    let circle = format!(
        "{SMALL}\n[[order.precedence]]\nfirst = {{ channel = \"direct\" }}\nthen = {{ channel = \"risers\" }}\n\
         [[order.precedence]]\nfirst = {{ module = \"Amber\", channel = \"risers\" }}\nthen = {{ channel = \"direct\" }}\n"
    );
    // Birch fits nowhere, so it is on no circle.
    let words = "Amber on risers before Amber on direct";
    refused("circle", &circle, words, &line(&circle, "[[order.precedence]]"));
    let baseline = format!(
        "{SMALL}\n[order]\nbaseline_module = \"Amber\"\nbaseline_channel = \"risers\"\n\
         [[order.precedence]]\nfirst = {{ channel = \"direct\" }}\nthen = {{ channel = \"risers\" }}\n"
    );
    refused("baseline", &baseline, "form a circle", "plan.toml:");
    let reference =
        format!("{SMALL}\n[order]\nreference_every_jobs = 3\nreference = {{ module = \"Birch\" }}\n");
    refused("reference", &reference, "not a condition that is run", &line(&reference, "[order]"));
}

#[test]
fn precedences_and_reference_jobs_shape_the_order() {
    let folder = Folder::new();
    let order = |text: &str| {
        let path = folder.file("plan.toml", &format!("{SMALL}\n[order]\n{text}\n"));
        json(&nightbench(folder.path(), &["preview", path.to_str().unwrap(), "--json"]))
    };
    for (first, then) in [("direct", "risers"), ("risers", "direct")] {
        let preview = order(&format!(
            "[[order.precedence]]\nfirst = {{ channel = \"{first}\" }}\nthen = {{ channel = \"{then}\" }}"
        ));
        let hands_on = preview["hands_on"].as_array().unwrap();
        assert_eq!((&hands_on[0]["channel"], &hands_on[1]["channel"]), (&first.into(), &then.into()));
    }
    assert_eq!(order("")["jobs"], 8);
    // The reference is measured again, and never more than two jobs pass without it.
    let referenced = order("reference_every_jobs = 2\nreference = { channel = \"direct\", rate = 2133 }");
    assert!(referenced["jobs"].as_u64().unwrap() >= 8 + 2, "{}", referenced["jobs"]);
    let baseline = order("baseline_module = \"Amber\"\nbaseline_channel = \"risers\"");
    assert_eq!(baseline["jobs"], 9, "the baseline's first job again at the end");
    assert_eq!(baseline["hands_on_changes"], 3);
}

#[test]
fn coverage_chooses_conditions_and_says_what_is_missing() {
    let folder = Folder::new();
    let pairs = format!("{SMALL}\n[coverage]\nkind = \"t-wise\"\nstrength = 2\n");
    let path = folder.file("plan.toml", &pairs);
    let path = path.to_str().unwrap();
    let preview = json(&nightbench(folder.path(), &["preview", path, "--json"]));
    // Amber alone fits: pairs of channel, rate and temperature need 4 of 8 conditions (the half fraction of 2^3).
    assert_eq!(preview["conditions"], 4);
    assert_eq!(preview["skipped"], 12);
    let missing = preview["missing_combinations"].as_array().unwrap();
    // Birch with each of two channels, two rates, two temperatures.
    assert_eq!(missing.len(), 6, "{missing:?}");
    let check = nightbench(folder.path(), &["check", path]);
    assert_eq!(check.code, 0, "{}", check.err);
    assert!(check.out.contains("6 combinations cannot be had"), "{}", check.out);
    assert!(check.out.contains("module Birch, channel direct"), "{}", check.out);
    let run = nightbench(folder.path(), &["run", path, "--into", "d", "--json"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    assert_eq!(json(&run)["jobs"], 4);
    let page = std::fs::read_to_string(folder.path().join("d/report.html")).unwrap();
    assert!(
        page.contains("not needed to cover every combination of 2 factors"),
        "left-out conditions keep their reason"
    );
}

#[test]
fn a_night_without_hands_runs_what_is_fitted_and_leaves_the_rest() {
    let folder = Folder::new();
    let night = format!(
        "{}\n[order]\nnight_only = true\nmounted_module = \"Amber\"\nmounted_channel = \"risers\"\n",
        SMALL.replace("minimum = 0.2\n", "minimum = 0.1\n").replace("minimum = 8.0", "minimum = 4.0")
    );
    let path = folder.file("plan.toml", &night);
    let path = path.to_str().unwrap();
    let preview = nightbench(folder.path(), &["preview", path]);
    assert!(preview.out.contains("left out 4: needs hands"), "{}", preview.out);
    let run = nightbench(folder.path(), &["run", path, "--into", "d", "--json"]);
    assert_eq!(run.code, 0, "all that needs no hands was done and passes: {} {}", run.out, run.err);
    let summary = json(&run);
    assert_eq!((&summary["jobs"], &summary["not_measured"]), (&4.into(), &0.into()));
    let reasons = summary["release"]["reasons"].to_string();
    assert!(reasons.contains("4 conditions of the matrix left out: needs hands"), "{reasons}");
    let both = night.replace("night_only = true\n", "");
    let path = folder.file("plan.toml", &both);
    let refused = nightbench(folder.path(), &["check", path.to_str().unwrap()]);
    assert_eq!(refused.code, 2);
    assert!(refused.err.contains("add `night_only = true`"), "{}", refused.err);
}

#[test]
fn a_dry_run_shows_the_bench_hours_of_the_night() {
    let folder = Folder::new();
    // Two setups of two temperatures with soaks of two hours: about nine bench hours.
    let path = folder.file("plan.toml", &format!("{SMALL}\n[bench_times]\nsoak_s = 7200\n"));
    let path = path.to_str().unwrap();
    let planned = number(&json(&nightbench(folder.path(), &["preview", path, "--json"]))["hours"]["total"]);
    assert!(planned > 8.0, "{planned}");
    let part = nightbench(folder.path(), &["run", path, "--into", "d", "--only", "channel=direct"]);
    assert!([0, 1].contains(&part.code), "{}", part.err);
    let half = json(&nightbench(folder.path(), &["status", "d", "--json"]));
    let (done, left) = (number(&half["bench_hours"]), number(&half["bench_hours_left"]));
    assert!(
        done > 4.0 && left > 4.0 && (done + left - planned).abs() < 0.05 * planned,
        "{done} + {left}, {planned}"
    );
    assert_eq!(
        (&half["finish"]["from"], &half["finish"]["p50"]),
        (&"next_run".into(), &serde_json::Value::Null)
    );
    assert!((number(&half["finish"]["p50_hours"]) - left).abs() < 0.2 * left, "{half}");
    let run = nightbench(folder.path(), &["run", path, "--into", "d", "--json"]);
    let hours = number(&json(&run)["bench_hours"]);
    assert!((hours - planned).abs() < 0.02 * planned, "{hours} h run, {planned} h planned");
    let words = nightbench(folder.path(), &["run", path, "--into", "d"]);
    assert!(words.out.contains("bench time: "), "{}", words.out);
    let status = nightbench(folder.path(), &["status", "d"]);
    assert!(status.out.contains("bench time so far") && status.out.contains("complete"), "{}", status.out);
    // The page's figure is the composed one.
    let page = std::fs::read_to_string(folder.path().join("d/report.html")).unwrap();
    assert!(page.contains(&format!("{hours:.1}")), "no {hours:.1} h on the page");
}

/// A plan whose setups are split by attended hours, or measured again at the end, as the seed says.
fn attended_plan(seed: u64) -> String {
    let mut chance = Chance::new(seed);
    let mut plan = SMALL.replace("[25, 60]", chance.pick(&["[25]", "[25, 60]", "[5, 25, 60]"]));
    plan = plan.replace("rate = [2133, 2400]", "rate = [2133]");
    for (name, kind) in [("Cedar", "UDIMM"), ("Dogwood", "SODIMM")] {
        if chance.happens(0.7) {
            let module = format!("[[module]]\nname = \"{name}\"\nkind = \"{kind}\"\nrated = 2666\n\n");
            plan = plan.replacen("[[channel]]", &format!("{module}[[channel]]"), 1);
        }
    }
    let end = chance.pick(&["09:40", "10:30", "12:00", "17:00"]);
    let soak = chance.pick(&[60, 3_000, 20_000]);
    plan.push_str(&format!(
        "\n[attended]\nstart = \"2026-11-23 09:00\"\nmonday = \"09:00-{end}\"\ntuesday = \"09:00-{end}\"\n\
         thursday = \"09:00-{end}\"\n\n[bench_times]\nsoak_s = {soak}\n"
    ));
    if chance.happens(0.5) {
        plan.push_str("\n[order]\nbaseline_module = \"Amber\"\nbaseline_channel = \"direct\"\n");
    }
    if chance.happens(0.5) {
        plan.push_str("\n[repeats]\nre_seats = 1\n");
    }
    plan
}

#[test]
fn preview_summary_store_and_page_tell_of_the_same_hands_on_changes() {
    let mut split = 0;
    for seed in 0..8 {
        let folder = Folder::in_memory();
        let path = folder.file("plan.toml", &attended_plan(seed));
        let path = path.to_str().unwrap();
        let run = nightbench(folder.path(), &["preview", path, "--json"]);
        assert_eq!(run.code, 0, "seed {seed}: {}", run.err);
        let preview = json(&run);
        let listed: Vec<(String, String)> = preview["hands_on"]
            .as_array()
            .unwrap()
            .iter()
            .map(|one| {
                (one["module"].as_str().unwrap().to_string(), one["channel"].as_str().unwrap().to_string())
            })
            .collect();
        assert_eq!(number(&preview["hands_on_changes"]) as usize, listed.len(), "seed {seed}");
        split += usize::from(listed.len() as u64 > preview["setups"].as_u64().unwrap());

        let run = nightbench(folder.path(), &["run", path, "--into", "d"]);
        assert!([0, 1].contains(&run.code), "seed {seed}: {}", run.err);
        let store = Connection::open(folder.path().join("d/results.sqlite")).unwrap();
        let mut rows = store
            .prepare(
                "SELECT module, channel, mounting FROM job_list WHERE counts = 'yes' ORDER BY plan_position",
            )
            .unwrap();
        let mut mountings: Vec<(String, String, u16)> = rows
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
            .unwrap()
            .flatten()
            .collect();
        mountings.dedup();
        let stored: Vec<(String, String)> =
            mountings.into_iter().map(|(module, channel, _)| (module, channel)).collect();
        assert_eq!(stored, listed, "seed {seed}: store and preview");

        let page = std::fs::read_to_string(folder.path().join("d/report.html")).unwrap();
        let table = page.split("Hands-on changes in order").nth(1).expect("the table");
        let shown: Vec<(String, String)> = table
            .split("</table>")
            .next()
            .unwrap()
            .split("<td dir=\"auto\">")
            .skip(1)
            .map(|cell| {
                let (module, channel) = cell.split("</td>").next().unwrap().split_once(", ").unwrap();
                (module.to_string(), channel.to_string())
            })
            .collect();
        assert_eq!(shown, listed, "seed {seed}: page and preview");
        let words = format!("{} hands-on change", listed.len());
        assert!(page.contains(&words), "seed {seed}: the page does not say {words}");
    }
    assert!(split > 0, "no plan needed a setup twice: the seeds test nothing");
}
