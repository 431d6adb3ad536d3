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
}

/// Shows a Touchstone file.
pub fn channel(terminal: &Terminal, arguments: &ChannelArguments) -> Outcome {
    let pairing = PortPairing::parse(&arguments.pairing).ok_or_else(|| {
        let known: Vec<&str> = PortPairing::ALL.iter().map(|(word, _)| *word).collect();
        Failure::invalid(format!(
            "`{}` is no pairing of ports; known: {}",
            arguments.pairing,
            known.join(", ")
        ))
    })?;
    let rate = read_rate(&arguments.rate)?;
    let name = arguments.file.display().to_string();
    let (_, network) = read_touchstone(&arguments.file).map_err(Failure::invalid)?;
    let mut lines = Vec::new();
    for number in 0..network.lines().max(1) {
        let line = one_line(&network, pairing, number, arguments.reversed, rate)
            .map_err(|words| Failure::invalid(format!("{name}: {words}")))?;
        lines.push(line);
    }
    let warnings: Vec<String> =
        network.remarks.iter().cloned().chain(check_data(&network).iter().map(ToString::to_string)).collect();
    if arguments.json.json {
        let line_value = |line: &Line| {
            let (from, to) = line.through.ports;
            let half = line.through.to_measured().map(|measured| measured.at(0.5 * rate.bits_per_second()));
            json!({
                "line": line.number + 1, "from_port": from, "to_port": to,
                "delay_ps": line.through.delay_s().map(|delay| delay * 1e12),
                "loss_at_half_rate_db": half.ok().map(|here| -20.0 * here.s21.norm().max(1e-12).log10()),
                "warnings": line.warnings,
            })
        };
        let value = json!({
            "file": name, "ports": network.ports, "points": network.frequency_hz.len(),
            "lowest_hz": network.frequency_hz.first(), "highest_hz": network.frequency_hz.last(),
            "rate_mts": rate.mega_transfers(), "pairing": pairing.name(),
            "lines": lines.iter().map(line_value).collect::<Vec<_>>(), "warnings": warnings,
        });
        terminal.out(&value.to_string());
    } else {
        terminal.out(&words(&network, &lines, &warnings, arguments));
    }
    Ok(Exit::Pass)
}

fn read_rate(word: &str) -> Result<DataRate, Failure> {
    Generation::ALL.into_iter().find_map(|(_, generation)| DataRate::parse(generation, word)).ok_or_else(
        || {
            Failure::invalid(format!(
                "`{word}` MT/s is no standard data rate; write for example 3200 or DDR5-4800"
            ))
        },
    )
}

fn one_line(
    network: &Touchstone,
    pairing: PortPairing,
    number: usize,
    reversed: bool,
    rate: DataRate,
) -> Result<Line, String> {
    let through = network.through(pairing, number).map_err(|error| error.to_string())?;
    let through = if reversed { through.reversed() } else { through };
    let facts =
        through.facts(0.5 * rate.bits_per_second()).map_err(|error: PhysicsError| error.to_string())?;
    let warnings = check_through(network, pairing, &through, rate).iter().map(ToString::to_string).collect();
    Ok(Line { number, facts, through, warnings })
}

fn words(network: &Touchstone, lines: &[Line], warnings: &[String], arguments: &ChannelArguments) -> String {
    let rows = |facts: &[(&'static str, String)]| -> Vec<Vec<String>> {
        facts.iter().map(|(name, value)| vec![name.to_string(), value.clone()]).collect()
    };
    let mut text = table(&["file", ""], &rows(&network.facts()), 2);
    for line in lines {
        let title = format!("line {}", line.number + 1);
        text.push_str(&format!("\n\n{}", table(&[&title, ""], &rows(&line.facts), 2)));
        for warning in &line.warnings {
            text.push_str(&format!("\nwarning: {warning}"));
        }
    }
    for warning in warnings {
        text.push_str(&format!("\n\nwarning: {warning}"));
    }
    let file = toml::Value::String(arguments.file.display().to_string());
    text.push_str(&format!(
        "\n\nFor a plan (say which modelled segments the data stands in for):\n\n[[channel]]\nname = \"measured\"\n\
         touchstone = {file}\n"
    ));
    if network.ports == 4 {
        text.push_str(&format!(
            "touchstone_pairing = \"{}\"\ntouchstone_line = 1\n",
            arguments.pairing.trim()
        ));
    }
    if arguments.reversed {
        text.push_str("touchstone_reversed = true\n");
    }
    text.push_str("touchstone_replaces = [\"risers\", \"connector\"]\nfits = [\"UDIMM\"]");
    text
}
