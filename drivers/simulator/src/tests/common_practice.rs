//! Common practice, no published source: what several drawn chips and modules show through the driver. The defaults were
//! fitted to these statements, so agreement is by construction, and a change that breaks it is a regression.

use super::{Bench, eye};
use contract::StartKind;
use nightbench_core::devices::{Chip, Module};
use nightbench_core::results::Direction;
use std::sync::Arc;

/// Widths (taps) and heights (% VDDQ) of every lane of three chips with three modules each, sorted.
fn drawn(module: &str, channel: &str, rate: &str) -> (Vec<f64>, Vec<f64>, usize) {
    let (mut widths, mut heights, mut failed) = (Vec::new(), Vec::new(), 0);
    let mut bench = Bench::new(str::to_string, &[Direction::Read]);
    for number in 0..9 {
        let mut setting = bench.setting(module, channel, rate, 25.0);
        setting.chip = Arc::new(Chip { name: format!("chip {}", number / 3), corner: None, fault: None });
        setting.module = Arc::new(Module { name: format!("{module} {number}"), ..(*setting.module).clone() });
        setting.noise_key = [number; 32];
        let result = bench.train(&setting, StartKind::PowerCycle);
        failed += usize::from(!result.passed);
        for stage in &result.stages {
            match stage.name.as_str() {
                "read deskew and centring" => {
                    widths.extend(stage.lanes.iter().filter_map(|lane| lane.width_taps))
                }
                "read VrefDQ" => {
                    heights.extend(stage.lanes.iter().filter_map(|lane| lane.height_steps.map(|n| 0.65 * n)));
                }
                _ => {}
            }
        }
        assert!(!result.passed || eye(&result, Direction::Read).lanes.len() == 16);
    }
    widths.sort_by(f64::total_cmp);
    heights.sort_by(f64::total_cmp);
    (widths, heights, failed)
}

fn middle(values: &[f64]) -> f64 {
    values[values.len() / 2]
}

#[test]
fn small_outline_behind_adapter_and_three_risers_at_2400_keeps_ten_taps() {
    let (widths, heights, failed) = drawn("small", "adapter and three risers", "2400");
    assert_eq!(failed, 0);
    assert!(middle(&widths) >= 10.0, "middle {} taps, narrowest {}", middle(&widths), widths[0]);
    assert!(widths[widths.len() / 10] >= 9.0, "nine in ten lanes: {widths:?}");
    // About +-10 % of VDDQ.
    let half = 0.5 * middle(&heights);
    assert!((8.0..=12.0).contains(&half), "+-{half:.1} % VDDQ");
}

#[test]
fn die_stacked_parts_rated_2133_run_at_2400() {
    let (widths, heights, failed) = drawn("stacked", "direct", "2400");
    assert_eq!(failed, 0);
    assert!(widths[0] >= 18.0 && heights[0] >= 20.0, "{} taps, {} %", widths[0], heights[0]);
    let (rated, _, _) = drawn("stacked", "direct", "2133");
    assert!(middle(&rated) >= middle(&widths) - 1.0, "one bin above the rating costs little");
}

#[test]
fn three_risers_shrink_2667_visibly_but_do_not_close_it() {
    let (direct, high, failed) = drawn("unbuffered", "direct", "2667");
    let (widths, heights, failed_with) = drawn("unbuffered", "three risers", "2667");
    assert_eq!((failed, failed_with), (0, 0));
    assert!(middle(&widths) <= 0.7 * middle(&direct), "{} of {} taps", middle(&widths), middle(&direct));
    assert!(middle(&heights) <= 0.7 * middle(&high));
    assert!(widths[0] >= 7.0, "narrowest lane {} taps", widths[0]);
}
