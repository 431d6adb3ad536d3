//! The command line as its users meet it: what `check` finds beside mistakes, what is said before a run begins, exit codes of
//! selections that judge nothing, and the words of `status` and `preview`.

use crate::support::{Folder, Run, SMALL, json, nightbench};

/// A plan of two conditions.
fn tiny() -> String {
    SMALL.replace("rate = [2133, 2400]", "rate = [2133]").replace("[25, 60]", "[25]")
}

fn check(folder: &Folder, text: &str) -> Run {
    let path = folder.file("plan.toml", text);
    nightbench(folder.path(), &["check", path.to_str().expect("a path")])
}

/// Every line of a text fits a terminal of 80 columns.
fn fits(words: &str) {
    for line in words.lines() {
        assert!(line.chars().count() <= 80, "{} columns: {line}", line.chars().count());
    }
}

#[test]
fn files_and_run_folders_that_are_not_there_are_named_with_their_line() {
    let folder = Folder::new();
    let files = tiny()
        .replace("kind = \"SODIMM\"\nrated = 2400", "spd = \"absent.bin\"")
        .replace("risers = 2", "touchstone = \"absent.s2p\"\ntouchstone_replaces = [\"risers\"]");
    let order = "[order]\nreference_every_jobs = 5\nreference_earlier = \"absent-run\"\n";
    let text = format!("{files}\n[[uncertainty]]\nstudy = \"absent-study\"\n\n{order}");
    let place = |text: &str, key: &str| {
        let line = 1 + text.lines().position(|line| line.starts_with(key)).expect("the key");
        format!("plan.toml:{line}:")
    };
    let run = check(&folder, &text);
    assert_eq!(run.code, 2, "{}", run.out);
    for words in ["absent.bin", "absent.s2p", "the study `absent-study` is not there"] {
        assert!(run.err.contains(words), "{words}: {}", run.err);
    }
    for key in ["spd = ", "touchstone = ", "study = "] {
        assert!(run.err.contains(&place(&text, key)), "{key}: {}", run.err);
    }
    assert_eq!(run.err.matches("help:").count(), 3, "each has its remedy: {}", run.err);
    // A folder that is there, but holds no run.
    std::fs::create_dir(folder.path().join("absent-study")).expect("a folder");
    assert!(check(&folder, &text).err.contains("the study `absent-study` holds no results"));
    // A control chart can do without an earlier run: a warning.
    let text = format!("{}\n{order}", tiny());
    let run = check(&folder, &text);
    assert_eq!(run.code, 0, "{}", run.err);
    let warning = format!(
        "{} the earlier run folder `absent-run` is not there; ",
        place(&text, "reference_earlier = ")
    );
    assert!(run.err.contains(&warning), "{}", run.err);
}

#[test]
fn naming_a_thing_that_is_declared_with_a_mistake_is_no_further_mistake() {
    let folder = Folder::new();
    let text = tiny()
        .replace("kind = \"SODIMM\"", "kind = \"SODIM\"")
        .replace("[matrix]", "[matrix]\nmodule = [\"Amber\", \"Birch\"]");
    let text = format!(
        "{text}\n[[skip]]\nreason = \"x\"\nmodule = \"Birch\"\n\n[order]\nbaseline_module = \"Birch\"\nbaseline_channel = \"direct\"\n"
    );
    let run = check(&folder, &text);
    assert_eq!(run.code, 2);
    assert!(run.err.contains("did you mean `SODIMM`"), "{}", run.err);
    assert!(run.err.contains("plan.toml: 1 mistake, nothing was touched"), "{}", run.err);
    // Mistakes of sections that need a sound matrix show in the same pass as those of the matrix.
    let run =
        check(&folder, &text.replace("rate = [2133]", "rate = [2134]").replace("reason = ", "reson = "));
    for words in ["2134 MT/s is no DDR4 data rate", "has no key `reson`", "has no `reason`"] {
        assert!(run.err.contains(words), "{words}: {}", run.err);
    }
}

#[test]
fn limits_that_judge_nothing_are_warned_of_with_their_line_and_nothing_fails() {
    let folder = Folder::new();
    let text = tiny()
        .replace("minimum = 0.2", "minimum = 1.7")
        .replace("mode =", "directions = [\"read\", \"write\"]\nmode =");
    let run = check(&folder, &text);
    assert_eq!(run.code, 0, "{}", run.err);
    assert!(run.out.contains("no mistakes, 3 warnings"), "{}", run.out);
    assert!(run.err.contains("no condition has 1 level of the factor module: Birch"), "{}", run.err);
    let line = |words: &str| 1 + text.lines().position(|line| line.starts_with(words)).expect("a line");
    let limit = format!("plan.toml:{}: the limit on width (read) at 2133 MT/s is 1.7 UI", line("[[limit]]"));
    let rates = format!("plan.toml:{}: no limit applies to write eyes at 2133 MT/s", line("rate = "));
    for words in [limit, rates] {
        assert!(run.err.contains(&words), "{words}: {}", run.err);
    }
    let preview = nightbench(folder.path(), &["preview", "plan.toml"]);
    assert!(preview.err.contains("no limit applies to write eyes at 2133 MT/s"), "{}", preview.err);
    assert!(check(&folder, &tiny().replace("minimum = 0.2", "minimum = -1")).err.contains("allowed: 0 to"));
}

#[test]
fn a_selection_that_judges_nothing_is_no_pass() {
    let folder = Folder::new();
    // Amber is rated 2666: every condition at 2933 is beyond.
    folder.file("plan.toml", &tiny().replace("rate = [2133]", "rate = [2133, 2933]"));
    let run = nightbench(folder.path(), &["run", "plan.toml", "--into", "d", "--only", "rate=2933"]);
    assert_eq!(run.code, 4, "{}", run.err);
    assert!(
        run.err.contains("nothing selected that counts: 2 conditions beyond a module's rating"),
        "{}",
        run.err
    );
    assert!(run.out.contains("report: d/report.html"), "measured and reported all the same: {}", run.out);
    let report = nightbench(folder.path(), &["report", "d"]);
    assert_eq!(report.code, 3, "the other conditions are not measured yet: {}", report.out);
    assert!(run.err.contains("nothing here counts towards a verdict"), "said before it begins: {}", run.err);
    // Where the plan lets them count, they do.
    let counts = format!(
        "{}\n[decision]\nbeyond_rating_counts = true\n",
        std::fs::read_to_string(folder.path().join("plan.toml")).expect("the plan")
    );
    folder.file("counts.toml", &counts);
    let run = nightbench(folder.path(), &["run", "counts.toml", "--into", "e", "--only", "rate=2933"]);
    assert!([0, 1].contains(&run.code), "{} {}", run.code, run.err);
    // An export of what the plan leaves out, or of nothing.
    let export = nightbench(folder.path(), &["export", "d", "--as", "jsonl", "--only", "module=Birch"]);
    assert_eq!((export.code, export.out.as_str()), (4, ""), "{}", export.err);
    assert!(export.err.contains("nothing to export"), "{}", export.err);
    let twice = ["export", "d", "--as", "csv", "--only", "rate=2933", "--only", "rate=2133"];
    assert_eq!(
        nightbench(folder.path(), &twice).code,
        4,
        "two selections of one factor leave what both hold"
    );
}

#[test]
fn a_condition_without_a_limit_is_counted_apart_and_is_no_pass() {
    let folder = Folder::new();
    let limited = tiny()
        .replace("rate = [2133]", "rate = [2133, 2400]")
        .replace("minimum = ", "rate = 2133\nminimum = ");
    folder.file("plan.toml", &limited);
    let run = nightbench(folder.path(), &["run", "plan.toml", "--into", "d"]);
    assert!(
        [0, 1].contains(&run.code),
        "two conditions are judged, which settles it: {} {}",
        run.code,
        run.err
    );
    let row = |words: &str| {
        run.out.lines().find(|line| line.starts_with(words)).map(str::to_string).unwrap_or_default()
    };
    assert!(row("not judged: no limit").contains(" 2 "), "{}", run.out);
    assert!(row("not measured").contains(" 0"), "{}", run.out);
    assert!(run.err.contains("no limit applies to read eyes at 2400 MT/s"), "{}", run.err);
    let only = nightbench(folder.path(), &["run", "plan.toml", "--into", "d", "--only", "rate=2400"]);
    assert_eq!(only.code, 4, "{}", only.err);
    assert!(only.err.contains("2 conditions to which no limit applies"), "{}", only.err);
}

#[test]
fn selections_given_twice_narrow_together() {
    let folder = Folder::new();
    folder.file("plan.toml", SMALL);
    let jobs = |only: &[&str]| {
        let mut arguments = vec!["preview", "plan.toml", "--json"];
        only.iter().for_each(|one| arguments.extend(["--only", one]));
        json(&nightbench(folder.path(), &arguments))["jobs"].as_u64()
    };
    assert_eq!(jobs(&[]), Some(8));
    assert_eq!(jobs(&["rate=2133"]), Some(4));
    assert_eq!(jobs(&["rate=2133", "temperature=25"]), Some(2));
    assert_eq!(jobs(&["rate=2133,2400", "rate=2133"]), Some(4));
}

#[test]
fn a_refusal_comes_before_anything_is_announced() {
    let folder = Folder::new();
    folder.file("plan.toml", &tiny());
    let first = nightbench(folder.path(), &["run", "plan.toml", "--into", "d"]);
    assert!(
        first.err.starts_with("Small: 2 jobs on the simulated target, seed 1, into d\n"),
        "{}",
        first.err
    );
    folder.file("plan.toml", &tiny().replace("risers = 2", "risers = 3"));
    for (arguments, words) in [
        (&["run", "plan.toml", "--into", "d"][..], "already holds results that were measured differently"),
        (&["run", "plan.toml", "--into", "d", "--seed", "7"][..], "was run with seed 1"),
        (&["run", "plan.toml", "--into", "absent/d"][..], "create that first"),
        (
            &["run", "plan.toml", "--into", "e", "--again", "rate=2133", "--reason", "x"][..],
            "holds no results yet",
        ),
    ] {
        let run = nightbench(folder.path(), arguments);
        assert!(run.code == 2 || run.code == 4, "{}", run.err);
        assert!(run.err.contains(words) && !run.err.contains("jobs on the simulated target"), "{}", run.err);
    }
}

#[test]
fn status_names_what_fails_and_which_time_it_means() {
    let folder = Folder::new();
    folder.file("plan.toml", &SMALL.replace("minimum = 0.2\n", "minimum = 0.99\n"));
    nightbench(folder.path(), &["run", "plan.toml", "--into", "d", "--only", "temperature=25"]);
    let status = nightbench(folder.path(), &["status", "d"]);
    assert_eq!(status.code, 0, "{}", status.err);
    fits(&status.out);
    fits(&nightbench(folder.path(), &["report", "d"]).out);
    for words in [
        "4 of 8 jobs done (50 %)",
        "bench time so far    ",
        "bench time to come   about ",
        "(bench time: what a bench would take",
        " into the next run  (every second one)",
        "next hands at the bench  as the next run begins: mount ",
        "finished conditions: 4 fail",
        "fail: Amber, direct, 2133 MT/s, 25 °C",
        "width of read rank 0, lane ",
        "\nfails so far:\n",
    ] {
        assert!(status.out.contains(words), "{words}: {}", status.out);
    }
    let machine = json(&nightbench(folder.path(), &["status", "d", "--json"]));
    assert_eq!(machine["failing"].as_array().map(Vec::len), Some(4));
    assert_eq!(machine["verdicts"]["fail"], 4);
    assert_eq!(machine["failing_beyond_rating"].as_array().map(Vec::len), Some(0));
    // Nothing more will come.
    nightbench(folder.path(), &["run", "plan.toml", "--into", "d"]);
    let whole = nightbench(folder.path(), &["status", "d"]).out;
    assert!(whole.contains("complete") && whole.contains("\nfails:\n"), "{whole}");
    assert!(!whole.contains("fails so far"), "{whole}");
}

#[test]
fn a_selection_is_not_told_what_it_did_not_ask_for() {
    let folder = Folder::new();
    // 2400 MT/s lies beyond this rating: a fail there is told apart.
    let plan = SMALL.replace("minimum = 0.2\n", "minimum = 0.99\n").replace("rated = 2666", "rated = 2133");
    assert_ne!(plan, SMALL.replace("minimum = 0.2\n", "minimum = 0.99\n"), "the rating was found");
    folder.file("plan.toml", &plan);
    let run = nightbench(folder.path(), &["run", "plan.toml", "--into", "d", "--only", "temperature=25"]);
    assert!(run.out.contains("not selected, not run"), "{}", run.out);
    let line = run.out.lines().find(|line| line.starts_with("not measured")).expect("the line");
    assert_eq!(line.split_whitespace().nth(2), Some("0"), "{line}");
    assert!(
        run.err.contains("this computer: ") && !run.err.contains(" 0 s left"),
        "from the first second: {}",
        run.err
    );
    let status = nightbench(folder.path(), &["status", "d"]).out;
    fits(&status);
    let (counting, beyond) = status.split_once("beyond rating, does not pass").expect("a list of its own");
    assert!(
        counting.contains("2133 MT/s") && !counting.contains("fail: Amber, direct, 2400 MT/s"),
        "{status}"
    );
    assert!(beyond.contains("2400 MT/s"), "{status}");
}

#[test]
fn one_of_a_thing_is_no_plural_and_degrees_are_degrees() {
    let folder = Folder::new();
    let one = tiny().replace("fits = [\"UDIMM\"]\n\n[[channel]]", "fits = [\"UDIMM\"]\n[[channel]]");
    folder.file("plan.toml", &one);
    let only = ["--only", "channel=direct", "--only", "module=Amber"];
    let preview = nightbench(folder.path(), &[&["preview", "plan.toml"][..], &only].concat());
    fits(&preview.out);
    assert!(
        preview.out.contains("1 condition, 1 job;") && preview.out.contains("1 hands-on change ("),
        "{}",
        preview.out
    );
    assert!(preview.out.contains("1 job at 25 °C"), "{}", preview.out);
    let run = nightbench(folder.path(), &[&["run", "plan.toml"][..], &only].concat());
    assert!(
        run.err.starts_with("Small: 1 job on the simulated target, seed 1, into runs/plan\n"),
        "{}",
        run.err
    );
    for words in [&preview.out, &run.out, &run.err, &nightbench(folder.path(), &["status", "runs/plan"]).out]
    {
        assert!(!words.contains("degC") && !words.contains(" 1 jobs"), "{words}");
    }
}

/// 950 temperatures: a bound over every one of them took minutes.
#[test]
fn a_fine_temperature_sweep_is_ordered_with_a_tight_bound() {
    let folder = Folder::new();
    let levels: Vec<String> = (0..950).map(|step| format!("{:.1}", -20.0 + 0.1 * f64::from(step))).collect();
    folder.file("plan.toml", &SMALL.replace("[25, 60]", &format!("[{}]", levels.join(", "))));
    let preview = json(&nightbench(folder.path(), &["preview", "plan.toml", "--json"]));
    assert_eq!(preview["jobs"], 3800);
    let ratio = preview["bound"]["ratio"].as_f64().expect("a ratio");
    assert!((1.0 - 1e-9..1.05).contains(&ratio), "{ratio}");
}

#[test]
fn every_command_explains_itself_in_words() {
    let folder = Folder::new();
    for command in [
        "check", "preview", "run", "status", "report", "study", "compare", "merge", "export", "module",
        "channel",
    ] {
        let help = nightbench(folder.path(), &[command, "--help"]);
        assert_eq!(help.code, 0);
        assert!(help.out.contains("Exit codes:"), "{command} says how it ends: {}", help.out);
    }
}

#[test]
fn names_cannot_steer_the_terminal() {
    let folder = Folder::new();
    let hostile = SMALL
        .replace("title = \"Small\"", r#"title = "Small \u001b]0;x\u0007 \u202e turned""#)
        .replace("name = \"risers\"", r#"name = "ri\u001b[2Jsers\u009b31m""#)
        .replace("minimum = 0.2\n", "minimum = 0.99\n");
    folder.file("plan.toml", &hostile);
    let runs: [&[&str]; 6] = [
        &["preview", "plan.toml"],
        &["run", "plan.toml", "--into", "d"],
        &["status", "d"],
        &["status", "d", "--json"],
        &["report", "d"],
        &["compare", "d", "d"],
    ];
    for arguments in runs {
        let run = nightbench(folder.path(), arguments);
        assert_ne!(run.code, 2, "{arguments:?}: {}", run.err);
        for text in [&run.out, &run.err] {
            let steers = |c: char| (c.is_control() && !matches!(c, '\n' | '\t')) || c == '\u{202e}';
            assert_eq!(text.find(steers), None, "{arguments:?}: {text:?}");
        }
        assert!(run.out.contains(r"\u001b") || run.err.contains(r"\u001b"), "{arguments:?}: {}", run.out);
        if arguments.contains(&"--json") {
            assert_eq!(json(&run)["title"], "Small \u{1b}]0;x\u{7} \u{202e} turned");
        }
    }
}
