//! Seconds a point of a fit, beside those of tests/numpy/fit.py on the same counts in the same run.

use crate::runs::{ALIKE, direct, file, measured};
use eye::counts::CaptureView;
use runner::evaluate::fitting::gather;
use std::fmt::Write;
use std::process::Command;
use std::time::Instant;

const FREE: [&str; 4] = ["dram_ron_ohm", "odt_rd_ohm", "rj_ps", "v_dj_mv"];

pub fn speed() {
    let told: Vec<(String, f64)> = ALIKE.iter().map(|(name, value)| ((*name).to_string(), *value)).collect();
    let mut hidden = told.clone();
    hidden.extend([("dram_ron_ohm".into(), 41.0), ("odt_rd_ohm".into(), 42.0)]);
    hidden.extend([("rj_ps".into(), 5.4), ("v_dj_mv".into(), 13.0)]);
    let run = measured(&direct(&hidden), 1);
    let mut table = String::new();
    for capture in run.jobs.iter().flat_map(|job| &job.captures) {
        let view = CaptureView::new(capture).expect("sound counts");
        for index in 0..view.grid().len() {
            let point = view.grid().point(index);
            for lane in 0..capture.lanes.len() {
                if let Some((bits, errors)) = view.count(lane, point) {
                    writeln!(table, "{lane},{},{},{bits},{errors}", point.tap, point.vref).expect("a text");
                }
            }
        }
    }
    let csv = std::env::temp_dir().join(format!("nightbench-points-{}.csv", std::process::id()));
    std::fs::write(&csv, table).expect("a file");
    let plan = file(direct(&told));
    let mut gathered = gather(&plan, vec![run], &[]).unwrap_or_else(|failure| panic!("{}", failure.words));
    // The script fits and no more: no figure is left out to be looked at.
    gathered.figures.retain(|figure| FREE.contains(&figure.name.as_str()));
    let begun = Instant::now();
    let found = gathered.fit(&FREE.map(String::from)).unwrap_or_else(|failure| panic!("{}", failure.words));
    let seconds = begun.elapsed().as_secs_f64();
    let own = seconds / found.points as f64;
    let threads = rayon::current_num_threads();
    println!("fit: {seconds:.2} s, {} points, {:.1} us a point ({threads} threads)", found.points, 1e6 * own);
    for fitted in &found.figures {
        println!("    {} {:.3}", fitted.figure.name, fitted.value);
    }
    let python = std::env::var("NIGHTBENCH_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/numpy/fit.py");
    let output = Command::new(&python).arg(script).arg(&csv).env("OMP_NUM_THREADS", "1").output();
    let _ = std::fs::remove_file(&csv);
    match output {
        Ok(output) if output.status.success() => {
            let text = String::from_utf8_lossy(&output.stdout).into_owned();
            let number = |word: &str| -> f64 {
                text.lines()
                    .find_map(|line| line.strip_prefix(word)?.trim().parse().ok())
                    .expect("a figure of the script")
            };
            let there = number("seconds") / number("points");
            println!("{text}numpy and scipy: {:.1} us a point; ratio {:.1}", 1e6 * there, there / own);
        }
        Ok(output) => println!("{python} failed: {}", String::from_utf8_lossy(&output.stderr)),
        Err(error) => println!("{python}: {error}; set NIGHTBENCH_PYTHON to a Python with numpy and scipy"),
    }
}
