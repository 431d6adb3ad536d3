//! Outside check of the channel model: the same channel as a ladder in ngspice, its pulse superposed over a pseudo-random
//! sequence, the eye counted bit by bit (tests/outside/ngspice_eye.py). No equation is shared.
//!
//! Where ngspice is missing the check says so and passes; NIGHTBENCH_OUTSIDE=1 makes that a failure.

use crate::support::missing;
use nightbench_core::devices::BusKind;
use nightbench_core::rates::Generation;
use nightbench_core::results::Direction;
use serde_json::{Value, json};
use simulator::physics::path::{Element, Layout, LineMaterial};
use simulator::physics::pulse::frequencies;
use simulator::physics::{BitVariation, Channel, Link, OperatingPoint, Parameters, Path, Setup};
use std::io::Write;
use std::process::{Command, Stdio};

/// Error ratio at which widths are held against each other: the sequence has no rarer patterns.
const PASS_BER: f64 = 1e-4;

fn elements(list: &[Element], layout: &Layout, channel: &Channel) -> Vec<Value> {
    let materials = &channel.drifted().materials;
    list.iter()
        .map(|element| match element {
            Element::Shunt(farad) => json!({ "shunt": farad }),
            Element::Series(ohm, henry) => json!({ "series": [ohm, henry] }),
            Element::Line(index) => {
                let spec = layout.lines[*index];
                let m = match spec.material {
                    LineMaterial::Package => materials.package,
                    LineMaterial::Module => materials.module,
                    LineMaterial::Board => materials.board,
                    LineMaterial::Riser => materials.riser,
                    LineMaterial::Adapter => materials.adapter,
                };
                json!({ "line": {
                    "z0_ohm": spec.z0_ohm, "length_m": spec.length_m, "er_reference": m.er_reference, "er": m.er,
                    "tand": m.tand, "width_m": m.width_m, "thickness_m": m.thickness_m,
                    "resistivity": m.resistivity, "roughness": m.roughness,
                } })
            }
            Element::Stub(inner, siemens) => {
                json!({ "stub": { "elements": elements(inner, layout, channel), "siemens": siemens } })
            }
            Element::Measured => unreachable!("nothing is measured here"),
        })
        .collect()
}

/// Width at [`PASS_BER`] on one row of a lane, taps, ends between two taps on a straight line of the logarithm.
fn width(setup: &Setup, row: usize) -> f64 {
    let mut lane = Link::new(setup.clone()).unwrap().lane(&BitVariation::default()).unwrap();
    let logs: Vec<f64> = (0..lane.taps()).map(|tap| (lane.ber(tap, row) / PASS_BER).ln()).collect();
    let first = logs.iter().position(|log| *log <= 0.0).expect("an open eye");
    let last = logs.iter().rposition(|log| *log <= 0.0).expect("an open eye");
    let between = |inside: usize, outside: usize| {
        let step = outside as f64 - inside as f64;
        inside as f64 + step * logs[inside] / (logs[inside] - logs[outside])
    };
    between(last, last + 1) - between(first, first - 1)
}

#[test]
fn widths_agree_with_a_ladder_in_ngspice() {
    if !Command::new("ngspice").arg("--version").output().is_ok_and(|output| output.status.success()) {
        return missing("ngspice");
    }
    let cases = [
        ("DDR4-3200, direct, read", Generation::Ddr4, 3.2e9, Direction::Read, 0),
        ("DDR4-2667, three risers, read", Generation::Ddr4, 8e9 / 3.0, Direction::Read, 3),
        ("DDR5-5600, one short riser, write", Generation::Ddr5, 5.6e9, Direction::Write, 1),
    ];
    for (name, generation, rate_bps, direction, risers) in cases {
        let mut p = Parameters::of(generation);
        // One line alone: no neighbour couples; delay line without its own nonlinearity.
        for figure in ["xt_line_ps", "xt_conn_ps", "inl_pp_tap"] {
            p.set(figure, 0.0).unwrap();
        }
        if generation == Generation::Ddr5 {
            p.set("riser_len_mm", 12.0).unwrap();
            p.set("riser_z_ohm", 48.0).unwrap();
        }
        (p.vref_lo, p.vref_step, p.n_vref) = (0.30, 0.005, 141.0);
        let at = OperatingPoint::calibrated(rate_bps, 25.0, p.vddq_nominal_v);
        let path = Path { risers, ..Path::direct(BusKind::Unbuffered) };
        let setup = Setup { direction, ..Setup::read(p, path, at) };
        let channel = Channel::new(setup.clone(), &frequencies(rate_bps)).unwrap();
        let middle = Link::new(setup.clone()).unwrap().lane(&BitVariation::default()).unwrap().middle_v();
        let row = ((middle / at.vddq_v - 0.30) / 0.005).round() as usize;
        let layout = channel.layout(&BitVariation::default());
        let mut list = elements(&layout.elements, &layout, &channel);
        if direction == Direction::Write {
            list.reverse();
        }
        let (p, drifted) = (&setup.parameters, channel.drifted());
        let case = json!({
            "elements": list, "ron_ohm": drifted.ron_ohm, "rodt_ohm": drifted.rodt_ohm,
            "t2080_s": drifted.t2080_s, "aperture_s": p.receiver(direction).aperture_s,
            "ui_s": at.unit_interval_s(), "vddq_v": at.vddq_v,
            "threshold_v": at.vddq_v * (0.30 + 0.005 * row as f64),
            "noise_v": drifted.rx_noise_v, "bounded_v": p.v_dj_mv * 1e-3, "rj_s": drifted.rj_s,
            "dcd_s": p.dcd_ps * 1e-12, "dj_s": p.dj_ps * 1e-12,
            "taps_per_ui": p.taps_per_ui, "pass_ber": PASS_BER,
        });
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/outside/ngspice_eye.py");
        let mut child = Command::new("python3")
            .arg(script)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("python3 starts");
        child.stdin.take().unwrap().write_all(case.to_string().as_bytes()).unwrap();
        let output = child.wait_with_output().unwrap();
        assert!(output.status.success(), "{name}: {}", String::from_utf8_lossy(&output.stderr));
        let circuit: Value = serde_json::from_slice(&output.stdout).unwrap();
        let circuit_taps = circuit["width_taps"].as_f64().unwrap();
        let model_taps = width(&setup, row);
        println!(
            "{name}: {model_taps:.2} taps, the circuit {circuit_taps:.2} ({circuit}; middle {middle:.4} V)"
        );
        assert!((circuit["middle_v"].as_f64().unwrap() - middle).abs() < 6e-3, "{name}: {circuit}");
        assert!(
            (model_taps - circuit_taps).abs() < 0.5,
            "{name}: {model_taps} taps, the circuit {circuit_taps}"
        );
    }
}
