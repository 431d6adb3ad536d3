//! `channel`: what a measured channel looks like to the tool.

use crate::cli::ChannelArguments;
use crate::console::exit::{Exit, Failure, Outcome};
use crate::console::terminal::{Terminal, table};
use crate::inputs::named_files::read_touchstone;
use nightbench_core::devices::PortPairing;
use nightbench_core::rates::{DataRate, Generation};
use serde_json::json;
use simulator::physics::PhysicsError;
use simulator::touchstone::{Through, Touchstone, check_data, check_through};

/// One line of the file.
struct Line {
    number: usize,
    facts: Vec<(&'static str, String)>,
    through: Through,
    warnings: Vec<String>,
    /// What was asked for by frequency.
    points: Vec<Point>,
}

/// One line at one frequency.
struct Point {
    ghz: f64,
    /// `None` beyond the file's last frequency.
    seen: Option<Seen>,
}

/// What was measured there, dB.
struct Seen {
    loss: f64,
    reflection: f64,
    /// Near-end and far-end coupling from the other line of a four-port.
    coupling: Option<(f64, f64)>,
}

/// Shows a Touchstone file.
pub fn channel(terminal: &Terminal, arguments: &ChannelArguments) -> Outcome {
    let name = arguments.file.display().to_string();
    let asked = arguments.pairing.as_deref().map(read_pairing).transpose()?;
    let rate_bps = read_rate(&arguments.rate)?;
    if let Some(wrong) = arguments.at.iter().find(|ghz| !(0.0..=1000.0).contains(*ghz)) {
        return Err(Failure::invalid(format!(
            "`--at {wrong}`: a frequency is 0 to 1000 GHz; write for example --at 1.6,3.2"
        )));
    }
    let (_, network) = read_touchstone(&arguments.file).map_err(Failure::invalid)?;
    let best = network.best_pairing();
    let pairing = asked.unwrap_or(best);
    let mut lines = Vec::new();
    for number in 0..network.lines().max(1) {
        let line = one_line(&network, pairing, number, rate_bps, arguments).map_err(|words| {
            let other = if best == pairing {
                String::new()
            } else {
                format!("; --pairing {} passes {:.3} there", best.name(), network.passes(best))
            };
            Failure::invalid(format!("{name}: {words}{other}"))
        })?;
        lines.push(line);
    }
    let warnings: Vec<String> =
        network.remarks.iter().cloned().chain(check_data(&network).iter().map(ToString::to_string)).collect();
    if arguments.json.json {
        let point_value = |point: &Point| {
            let seen = point.seen.as_ref();
            let coupling = seen.and_then(|seen| seen.coupling);
            json!({
                "frequency_ghz": point.ghz, "loss_db": seen.map(|seen| seen.loss),
                "reflection_db": seen.map(|seen| seen.reflection),
                "near_end_coupling_db": coupling.map(|both| both.0),
                "far_end_coupling_db": coupling.map(|both| both.1),
            })
        };
        let passes = |(word, pairing): &(&str, PortPairing)| json!({ "pairing": word, "passes_at_lowest": network.passes(*pairing) });
        let pairings: Vec<_> =
            if network.ports == 4 { PortPairing::ALL.iter().map(passes).collect() } else { Vec::new() };
        let line_value = |line: &Line| {
            let (from, to) = line.through.ports;
            let half = line.through.to_measured().map(|measured| measured.at(0.5 * rate_bps));
            json!({
                "line": line.number + 1, "from_port": from, "to_port": to,
                "delay_ps": line.through.delay_s().map(|delay| delay * 1e12),
                "loss_at_half_rate_db": half.ok().map(|here| -decibel(here.s21.norm())),
                "at": line.points.iter().map(point_value).collect::<Vec<_>>(),
                "warnings": line.warnings,
            })
        };
        let value = json!({
            "file": name, "ports": network.ports, "points": network.frequency_hz.len(),
            "lowest_hz": network.frequency_hz.first(), "highest_hz": network.frequency_hz.last(),
            "rate_mts": rate_bps / 1e6, "pairing": pairing.name(), "pairings": pairings,
            "plan_entry": entry(&network, arguments),
            "lines": lines.iter().map(line_value).collect::<Vec<_>>(), "warnings": warnings,
        });
        terminal.out(&value.to_string());
    } else {
        terminal.out(&words(&network, &lines, &warnings, arguments));
    }
    Ok(Exit::Pass)
}

fn decibel(size: f64) -> f64 {
    20.0 * size.max(1e-12).log10()
}

fn read_pairing(word: &str) -> Result<PortPairing, Failure> {
    PortPairing::parse(word).ok_or_else(|| {
        let known: Vec<&str> = PortPairing::ALL.iter().map(|(word, _)| *word).collect();
        Failure::invalid(format!("`{word}` is no pairing of ports; known: {}", known.join(", ")))
    })
}

/// A rate by its standard name, which is exact, or any other in MT/s; bit/s.
fn read_rate(word: &str) -> Result<f64, Failure> {
    let standard = Generation::ALL.into_iter().find_map(|(_, generation)| DataRate::parse(generation, word));
    let any = || word.parse::<f64>().ok().filter(|rate| (100.0..=20000.0).contains(rate));
    standard.map(|rate| rate.bits_per_second()).or_else(|| any().map(|rate| rate * 1e6)).ok_or_else(|| {
        Failure::invalid(format!(
            "`{word}` is no data rate: 100 to 20000 MT/s; write for example 3200, 5300 or DDR5-4800"
        ))
    })
}

fn one_line(
    network: &Touchstone,
    pairing: PortPairing,
    number: usize,
    rate_bps: f64,
    arguments: &ChannelArguments,
) -> Result<Line, String> {
    let through = network.through(pairing, number).map_err(|error| error.to_string())?;
    let through = if arguments.reversed { through.reversed() } else { through };
    let facts = through.facts(0.5 * rate_bps).map_err(|error: PhysicsError| error.to_string())?;
    let warnings =
        check_through(network, pairing, &through, rate_bps).iter().map(ToString::to_string).collect();
    let measured = through.to_measured().map_err(|error| error.to_string())?;
    let highest_hz = network.frequency_hz.last().copied().unwrap_or(0.0);
    let points = arguments.at.iter().map(|ghz| {
        let seen = || {
            let here = measured.at(ghz * 1e9);
            let coupling = network.crosstalk(pairing, number, ghz * 1e9);
            Seen {
                loss: -decibel(here.s21.norm()),
                reflection: decibel(here.s11.norm().max(here.s22.norm())),
                coupling: coupling.map(|(near, far)| (decibel(near), decibel(far))),
            }
        };
        Point { ghz: *ghz, seen: (ghz * 1e9 <= highest_hz * (1.0 + 1e-9)).then(seen) }
    });
    let points = points.collect();
    Ok(Line { number, facts, through, warnings, points })
}

fn words(network: &Touchstone, lines: &[Line], warnings: &[String], arguments: &ChannelArguments) -> String {
    let rows = |facts: &[(&'static str, String)]| -> Vec<Vec<String>> {
        facts.iter().map(|(name, value)| vec![name.to_string(), value.clone()]).collect()
    };
    let mut text = table(&["file", ""], &rows(&network.facts()), 2);
    for line in lines {
        let title = format!("line {}", line.number + 1);
        text.push_str(&format!("\n\n{}", table(&[&title, ""], &rows(&line.facts), 2)));
        for point in &line.points {
            let Some(seen) = &point.seen else {
                let highest = network.frequency_hz.last().copied().unwrap_or(0.0) / 1e9;
                text.push_str(&format!(
                    "\nat {} GHz: not measured, the file ends at {highest} GHz",
                    point.ghz
                ));
                continue;
            };
            text.push_str(&format!(
                "\nat {} GHz: loss {:.2} dB, reflection {:.1} dB",
                point.ghz, seen.loss, seen.reflection
            ));
            if let Some((near, far)) = seen.coupling {
                text.push_str(&format!(", coupling {near:.1} dB near, {far:.1} dB far"));
            }
        }
        for warning in &line.warnings {
            text.push_str(&format!("\nwarning: {warning}"));
        }
    }
    for warning in warnings {
        text.push_str(&format!("\n\nwarning: {warning}"));
    }
    text.push_str(&format!(
        "\n\nFor a plan (say which modelled segments the data stands in for):\n\n{}",
        entry(network, arguments)
    ));
    text
}

/// The file's entry in a plan.
fn entry(network: &Touchstone, arguments: &ChannelArguments) -> String {
    let file = toml::Value::String(arguments.file.display().to_string());
    let mut text = format!("[[channel]]\nname = \"measured\"\ntouchstone = {file}\n");
    if network.ports == 4 {
        // Whatever was asked for: the entry names the ports that belong together.
        text.push_str(&format!(
            "touchstone_pairing = \"{}\"\ntouchstone_line = 1\ntouchstone_coupling = true   # of the other line, in place of \
             the model's\n",
            network.best_pairing().name()
        ));
    } else {
        text.push_str(
            "# One line alone: what its neighbours couple stays the model's (xt_line_ps, xt_conn_ps).\n",
        );
    }
    if arguments.reversed {
        text.push_str("touchstone_reversed = true\n");
    }
    text.push_str("touchstone_replaces = [\"risers\", \"connector\"]\nfits = [\"UDIMM\"]");
    text
}
