//! The size of a tap: a delay line whose taps are larger than stated, swept, studied and counted in the budget.

use crate::support::{Folder, json, nightbench};

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
