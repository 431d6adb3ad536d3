//! Files that a plan names, end to end: SPD images, Touchstone channels, and the commands that show them.

use crate::support::{Folder, SMALL, json, nightbench};
use std::fmt::Write;
use std::path::Path;

/// Writes a stored SPD image as bytes into the folder.
fn image(folder: &Folder, stored: &str, name: &str) {
    std::fs::write(folder.path().join(name), spd_bytes(stored)).unwrap();
}

/// A stored SPD image.
pub fn spd_bytes(stored: &str) -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("data/spd").join(stored);
    std::fs::read_to_string(path)
        .unwrap()
        .lines()
        .flat_map(|line| line.split_whitespace().skip(1))
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect()
}

/// An ideal 50 ohm line of `delay_ps` with a loss that grows with the square root of frequency, 0 to 20 GHz.
fn line_file(delay_ps: f64, loss_db_at_1_ghz: f64) -> String {
    let mut text = String::from("! a riser with its connector, invented\n# GHz S RI R 50\n");
    for point in 0..=1000 {
        let ghz = f64::from(point) * 0.02;
        let size = 10f64.powf(-loss_db_at_1_ghz * ghz.sqrt() / 20.0);
        let phase = -std::f64::consts::TAU * ghz * delay_ps * 1e-3;
        let (re, im) = (size * phase.cos(), size * phase.sin());
        let _ = writeln!(text, "{ghz:.3} 0 0 {re:.9} {im:.9} {re:.9} {im:.9} 0 0");
    }
    text
}

/// One module and one channel at one condition.
fn plan(module: &str, channel: &str) -> String {
    let start = SMALL.find("[[module]]").unwrap();
    let end = SMALL.find("[matrix]").unwrap();
    let rest = SMALL[end..].replace("rate = [2133, 2400]", "rate = [2400]").replace("[25, 60]", "[25]");
    format!("{}{module}\n{channel}\n{rest}", &SMALL[..start])
}

const MODULE: &str = "[[module]]\nname = \"Amber\"\nkind = \"UDIMM\"\nrated = 2666\n";
const CHANNEL: &str = "[[channel]]\nname = \"direct\"\nfits = [\"UDIMM\", \"SODIMM\"]\n";
const MEASURED: &str = "[[channel]]\nname = \"measured\"\nrisers = 1\ntouchstone = \"data/riser.s2p\"\n\
                        touchstone_replaces = [\"risers\", \"connector\"]\nfits = [\"UDIMM\"]\n";

#[test]
fn a_module_image_is_shown_and_a_broken_one_named() {
    let folder = Folder::new();
    image(&folder, "ddr4-udimm-3200.hex", "amber.bin");
    let run = nightbench(folder.path(), &["module", "amber.bin"]);
    assert_eq!(run.code, 0, "{}", run.err);
    assert!(run.out.contains("[[module]]") && run.out.contains("kind = \"UDIMM\""), "{}", run.out);
    assert!(run.out.contains("GiB") && run.out.contains("3200 MT/s"), "{}", run.out);
    let value = json(&nightbench(folder.path(), &["module", "amber.bin", "--json"]));
    assert_eq!(value["rated_mts"], 3200);
    assert_eq!(value["package_ranks"], 2);
    assert_eq!((&value["row_bits"], &value["bank_groups"]), (&16.into(), &4.into()), "{value}");
    assert_eq!(value["layout_revision"], "1.1");
    // Its entry is a plan's entry.
    let entry = value["plan_entry"].as_str().unwrap();
    let text = plan(&entry.replace("\"0-63\"", "\"0-7\""), CHANNEL);
    let path = folder.file("entry.toml", &text);
    assert_eq!(nightbench(folder.path(), &["check", path.to_str().unwrap()]).code, 0, "{text}");

    let mut bytes = spd_bytes("ddr4-udimm-3200.hex");
    bytes[4] ^= 1;
    std::fs::write(folder.path().join("bad.bin"), &bytes).unwrap();
    let run = nightbench(folder.path(), &["module", "bad.bin"]);
    assert_eq!(run.code, 2);
    assert!(run.err.contains("bad.bin") && run.err.contains("bytes 126 to 127"), "{}", run.err);
    // Who asked for an object gets one.
    let refused = nightbench(folder.path(), &["module", "bad.bin", "--json"]);
    assert_eq!((refused.code, json(&refused)["exit_code"].as_u64()), (2, Some(2)));
    assert!(json(&refused)["refused"].as_str().is_some_and(|words| words.contains("bad.bin")));
    std::fs::write(folder.path().join("short.bin"), &bytes[..300]).unwrap();
    std::fs::write(folder.path().join("empty.bin"), b"").unwrap();
    std::fs::write(folder.path().join("huge.bin"), vec![0u8; 1 << 20]).unwrap();
    for (name, words) in [
        ("short.bin", "byte"),
        ("empty.bin", "byte"),
        ("huge.bin", "1048576 bytes"),
        ("absent.bin", "absent.bin"),
        (".", "no plain file"),
    ] {
        let run = nightbench(folder.path(), &["module", name]);
        assert_eq!(run.code, 2, "{name}");
        assert!(run.err.contains(words), "{name}: {}", run.err);
    }
}

#[test]
fn a_plan_takes_a_module_from_its_image_and_refuses_contradictions() {
    let folder = Folder::new();
    image(&folder, "ddr4-udimm-3200.hex", "amber.bin");
    let from_image = "[[module]]\nname = \"Amber\"\nspd = \"amber.bin\"\npopulated_lanes = \"0-7\"\n";
    let path = folder.file("plan.toml", &plan(from_image, CHANNEL));
    let path = path.to_str().unwrap();
    let run = nightbench(folder.path(), &["run", path, "--into", "d", "--json"]);
    assert!([0, 1].contains(&run.code), "{}", run.err);
    // The module has two ranks, so two eyes.
    let csv = nightbench(folder.path(), &["export", "d", "--as", "csv"]).out;
    let column = csv.lines().next().unwrap().split(',').position(|name| name == "rank").unwrap();
    assert!(csv.lines().any(|row| row.split(',').nth(column) == Some("1")), "{csv}");
    let page = || std::fs::read_to_string(folder.path().join("d/report.html")).unwrap();
    let before = page();
    // The store alone gives the same page, without plan and image; another name for the same image is no change.
    std::fs::rename(folder.path().join("amber.bin"), folder.path().join("other.bin")).unwrap();
    std::fs::remove_file(path).unwrap();
    let report = nightbench(folder.path(), &["report", "d"]);
    assert!([0, 1].contains(&report.code), "{}", report.err);
    assert_eq!(before, page());
    folder.file("plan.toml", &plan(&from_image.replace("amber.bin", "other.bin"), CHANNEL));
    let again = nightbench(folder.path(), &["run", path, "--into", "d"]);
    assert!(again.err.contains("1 of 1 job is done already"), "{}", again.err);
    // Another module behind the same name is.
    image(&folder, "ddr4-udimm-2400-ecc.hex", "other.bin");
    let refused = nightbench(folder.path(), &["run", path, "--into", "d"]);
    assert_eq!(refused.code, 2);
    assert!(refused.err.contains("module `Amber`"), "{}", refused.err);

    image(&folder, "ddr4-udimm-3200.hex", "amber.bin");
    let wrong = "[[module]]\nname = \"Amber\"\nspd = \"amber.bin\"\nkind = \"RDIMM\"\nranks = 1\nrated = 2400\n\
                 device_width = 4\ndies = 2\nserial = \"1\"\n";
    folder.file("plan.toml", &plan(wrong, CHANNEL));
    let run = nightbench(folder.path(), &["check", path]);
    assert_eq!(run.code, 2);
    for key in ["kind", "ranks", "rated", "device_width", "dies", "serial"] {
        assert!(run.err.contains(&format!("`{key}` in [[module]] `Amber` is")), "{key}: {}", run.err);
    }
    folder.file("plan.toml", &plan("[[module]]\nname = \"A\"\nspd = \"nowhere.bin\"\n", CHANNEL));
    let run = nightbench(folder.path(), &["check", path]);
    assert_eq!(run.code, 2);
    assert!(run.err.contains("nowhere.bin") && run.err.contains("plan.toml:17:7"), "{}", run.err);
}

#[test]
fn a_measured_channel_is_shown_with_its_warnings() {
    let folder = Folder::new();
    folder.file("riser.s2p", &line_file(210.0, 0.6));
    let run = nightbench(folder.path(), &["channel", "riser.s2p", "--rate", "2400"]);
    assert_eq!(run.code, 0, "{}", run.err);
    assert!(run.out.contains("210.0 ps") && run.out.contains("touchstone_replaces"), "{}", run.out);
    assert!(!run.out.contains("warning"), "{}", run.out);
    let value = json(&nightbench(folder.path(), &["channel", "riser.s2p", "--rate", "DDR5-8800", "--json"]));
    assert_eq!(value["ports"], 2);
    assert!((value["lines"][0]["delay_ps"].as_f64().unwrap() - 210.0).abs() < 0.1);
    let warnings = value["lines"][0]["warnings"].to_string();
    assert!(warnings.contains("too short"), "{warnings}");
    folder.file("empty.s2p", "");
    folder.file("words.s2p", "# GHz S RI R 50\n1 0 0 one 0 0 0 0 0\n");
    for (arguments, words) in [
        (vec!["channel", "empty.s2p"], "empty"),
        (vec!["channel", "words.s2p"], "line 2"),
        (vec!["channel", "absent.s2p"], "absent.s2p"),
        (vec!["channel", "riser.s2p", "--rate", "25000"], "25000"),
        (vec!["channel", "riser.s2p", "--at", "2000"], "0 to 1000 GHz"),
        (vec!["channel", "riser.s2p", "--at", "-1"], "0 to 1000 GHz"),
        (vec!["channel", "riser.s2p", "--pairing", "2-1/3-4"], "no pairing"),
    ] {
        let run = nightbench(folder.path(), &arguments);
        assert_eq!(run.code, 2, "{arguments:?}");
        assert!(run.err.contains(words), "{arguments:?}: {}", run.err);
    }
    // A program that reads JSON gets an object, wrong usage included.
    let usage = nightbench(folder.path(), &["channel", "--json"]);
    assert_eq!((usage.code, json(&usage)["exit_code"].as_u64()), (2, Some(2)));
    assert!(json(&usage)["refused"].as_str().unwrap().contains("<FILE>"), "{}", usage.out);
}

/// Two 50 ohm lines of 210 ps from port 1 to 4 and 2 to 3; each couples forward into the other.
fn coupled_file() -> String {
    let mut text = String::from("! two lines beside each other, invented\n# GHz S RI R 50\n");
    for point in 0..=1000 {
        let ghz = f64::from(point) * 0.02;
        let turn = |size: f64, more: f64| {
            let phase = -std::f64::consts::TAU * ghz * 0.21 + more;
            format!("{:.9} {:.9}", size * phase.cos(), size * phase.sin())
        };
        // Forward coupling grows with frequency and lies a quarter turn off the line's own signal.
        let far = (std::f64::consts::TAU * ghz * 5e-3).min(0.5);
        let (own, other) = (turn((1.0 - far * far).sqrt(), 0.0), turn(far, -std::f64::consts::FRAC_PI_2));
        for (row, cells) in [[4usize, 3], [3, 4], [2, 1], [1, 2]].iter().enumerate() {
            let cell = |column: usize| match cells.iter().position(|port| *port == column + 1) {
                Some(0) => own.clone(),
                Some(_) => other.clone(),
                None => "0 0".into(),
            };
            let cells: Vec<String> = (0..4).map(cell).collect();
            let start = if row == 0 { format!("{ghz:.3} ") } else { String::new() };
            let _ = writeln!(text, "{start}{}", cells.join(" "));
        }
    }
    text
}

#[test]
fn a_four_port_finds_its_pairing_and_brings_its_own_coupling() {
    let folder = Folder::new();
    std::fs::create_dir(folder.path().join("data")).unwrap();
    folder.file("data/riser.s4p", &coupled_file());
    let shown =
        nightbench(folder.path(), &["channel", "data/riser.s4p", "--rate", "2750", "--at", "0.5,1.6,30"]);
    assert_eq!(shown.code, 0, "{}", shown.err);
    for words in [
        "pairing = \"1-4/2-3\"",
        "touchstone_coupling = true",
        "port 1 to port 4",
        "at 1.6 GHz",
        "-26.0 dB far",
        "at 30 GHz: not measured, the file ends at 20 GHz",
    ] {
        assert!(shown.out.contains(words), "{words}: {}", shown.out);
    }
    let value = json(&nightbench(folder.path(), &["channel", "data/riser.s4p", "--at", "1.6,30", "--json"]));
    assert!(value["plan_entry"].as_str().unwrap().contains("touchstone_pairing = \"1-4/2-3\""), "{value}");
    let passes: Vec<_> = value["pairings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|of| of["passes_at_lowest"].as_f64().unwrap())
        .collect();
    assert_eq!(
        passes.iter().map(|size| (size * 10.0).round()).collect::<Vec<_>>(),
        [0.0, 0.0, 10.0],
        "{value}"
    );
    assert!(
        value["lines"][0]["at"][0]["loss_db"].is_number() && value["lines"][0]["at"][1]["loss_db"].is_null()
    );
    let wrong = nightbench(folder.path(), &["channel", "data/riser.s4p", "--pairing", "1-3/2-4"]);
    assert!(wrong.code == 2 && wrong.err.contains("--pairing 1-4/2-3 passes 1.000"), "{}", wrong.err);
    // Far-end coupling of 5 ps a line is that of a little less than a modelled riser with its connector: an eye of about the size.
    let entry = |more: &str| {
        let channel = MEASURED.replace("riser.s2p", "riser.s4p");
        format!("{channel}touchstone_pairing = \"1-4/2-3\"\n{more}")
    };
    let margin = |more: &str| {
        let path = folder.file("plan.toml", &plan(MODULE, &entry(more)));
        let into = if more.is_empty() { "modelled" } else { "measured" };
        let run = nightbench(folder.path(), &["run", path.to_str().unwrap(), "--into", into, "--json"]);
        assert!([0, 1].contains(&run.code), "{}", run.err);
        json(&run)["worst"]["margin"].as_f64().unwrap()
    };
    let (modelled, measured) = (margin(""), margin("touchstone_coupling = true\n"));
    assert!(measured > modelled, "5 ps in place of 12 ps: {measured} against {modelled}");
    let path = folder.file("plan.toml", &plan(MODULE, &format!("{MEASURED}touchstone_coupling = true\n")));
    folder.file("data/riser.s2p", &line_file(210.0, 0.6));
    let refused = nightbench(folder.path(), &["check", path.to_str().unwrap()]);
    assert!(refused.code == 2 && refused.err.contains("needs a four-port"), "{}", refused.err);
}

#[test]
fn a_measured_channel_runs_and_its_content_is_part_of_the_key() {
    let folder = Folder::new();
    std::fs::create_dir(folder.path().join("data")).unwrap();
    folder.file("data/riser.s2p", &line_file(210.0, 0.6));
    let path = folder.file("plan.toml", &plan(MODULE, MEASURED));
    let path = path.to_str().unwrap();
    let check = nightbench(folder.path(), &["check", path]);
    assert_eq!(check.code, 0, "{}", check.err);
    let first = nightbench(folder.path(), &["run", path, "--into", "d", "--json"]);
    assert!([0, 1].contains(&first.code), "{}", first.err);
    assert_eq!(json(&first)["not_measured"], 0);
    // A longer, lossier riser is another channel: its eye is narrower, and the folder refuses to go on with it.
    folder.file("data/riser.s2p", &line_file(210.0, 8.0));
    let refused = nightbench(folder.path(), &["run", path, "--into", "d"]);
    assert_eq!(refused.code, 2);
    assert!(refused.err.contains("channel `measured`"), "{}", refused.err);
    // Whose crosstalk it is stands in the forecast and on the page.
    let stays = "stays the model's estimate";
    let preview = nightbench(folder.path(), &["preview", path]);
    assert!(preview.err.replace("\n  ", " ").contains(stays), "{}", preview.err);
    let page = std::fs::read_to_string(folder.path().join("d/report.html")).unwrap();
    assert!(page.contains("without its neighbours") && page.contains("(risers, connector)"));
    let lossy = nightbench(folder.path(), &["run", path, "--into", "lossy", "--json"]);
    let worst = |run| json(run)["worst"]["margin"].as_f64();
    match (worst(&first), worst(&lossy)) {
        (Some(short), Some(long)) => assert!(long < short, "{long} < {short}"),
        (short, long) => assert!(short.is_some() && long.is_none(), "training may fail: {short:?} {long:?}"),
    }
    // Without the file the stored results still make a report.
    std::fs::remove_file(folder.path().join("data/riser.s2p")).unwrap();
    let report = nightbench(folder.path(), &["report", "d"]);
    assert_eq!(report.code, first.code, "{}", report.err);
    assert_eq!(nightbench(folder.path(), &["check", path]).code, 2, "a missing file");
    // Doubts are printed by check: half the frequency range.
    let half: String = line_file(210.0, 0.6).lines().take(152).map(|line| format!("{line}\n")).collect();
    folder.file("data/riser.s2p", &half);
    let check = nightbench(folder.path(), &["check", path]);
    assert_eq!(check.code, 0, "{}", check.err);
    assert!(
        check.err.contains("warning: channel measured") && check.err.contains("too short"),
        "{}",
        check.err
    );
}

#[test]
fn keys_of_measured_data_are_checked_where_they_stand() {
    let folder = Folder::new();
    std::fs::create_dir(folder.path().join("data")).unwrap();
    folder.file("data/riser.s2p", &line_file(210.0, 0.6));
    for (channel, words) in [
        (
            MEASURED.replace("touchstone_replaces = [\"risers\", \"connector\"]\n", ""),
            "does not say which segments",
        ),
        (MEASURED.replace("\"connector\"", "\"board\""), "no neighbouring segments"),
        (MEASURED.replace("\"connector\"", "\"conector\""), "did you mean `connector`"),
        (MEASURED.replace("touchstone = \"data/riser.s2p\"\n", ""), "no `touchstone` file is named"),
        (format!("{MEASURED}touchstone_line = 2\n"), "no line 2"),
        (MEASURED.replace("riser.s2p", "gone.s2p"), "gone.s2p"),
    ] {
        let path = folder.file("plan.toml", &plan(MODULE, &channel));
        let run = nightbench(folder.path(), &["check", path.to_str().unwrap()]);
        assert_eq!(run.code, 2, "{words}");
        assert!(run.err.contains(words), "{words}: {}", run.err);
        assert!(run.err.contains("plan.toml:"), "with its place: {}", run.err);
    }
}
