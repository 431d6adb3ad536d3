//! Outside checks of the bench side: PyVISA on the emulated instruments, an independent JSON-RPC client on the
//! reference agent, a serial line through a pseudo-terminal (socat).
//!
//! Where an outside program is missing a check says so and passes; NIGHTBENCH_OUTSIDE=1 makes that a failure.

use crate::emulated::{bench_file, plan, start};
use crate::support::{Folder, missing};
use bench::CommandLog;
use bench::agent::AgentLink;
use bench::instrument::Instrument;
use contract::{Call, CancelToken};
use plan::bench_file::{Action, AgentConnection, AgentSpec, Transport};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the workspace").to_path_buf()
}

fn there(program: &str, arguments: &[&str]) -> bool {
    let found = Command::new(program).args(arguments).output().is_ok_and(|output| output.status.success());
    if !found {
        missing(&format!("{program} {arguments:?}"));
    }
    found
}

fn call() -> Call {
    Call::within(Duration::from_secs(20), &CancelToken::new())
}

fn python(script: &str, arguments: &[String]) {
    let output = Command::new("python3")
        .arg(root().join("tests/outside").join(script))
        .args(arguments)
        .output()
        .expect("python3 starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn pyvisa_speaks_with_the_emulated_instruments() {
    if !there("python3", &["-c", "import pyvisa, pyvisa_py"]) {
        return;
    }
    let bench = start(&plan(), 1, 0.0, 100.0);
    let ports: Vec<String> = bench.addresses()[..3].iter().map(|place| place.port().to_string()).collect();
    python("instruments.py", &ports);
}

#[test]
fn an_independent_client_speaks_with_the_reference_agent() {
    if !there("python3", &["-c", "import jsonrpcclient"]) {
        return;
    }
    let agent = root().join("drivers/bench/agent/reference_agent.py");
    python("agent.py", &[agent.display().to_string()]);
}

/// The reference agent as a child process, through our own side of the protocol; its group is gone afterwards.
#[test]
fn the_reference_agent_runs_as_a_child_and_leaves_nothing_behind() {
    if !there("python3", &["--version"]) {
        return;
    }
    let agent = root().join("drivers/bench/agent/reference_agent.py");
    let spec = AgentSpec {
        connection: AgentConnection::Command(vec!["python3".into(), agent.display().to_string()]),
        heartbeat_s: 5.0,
        most_line_bytes: 1 << 20,
        kill_after_s: 1.0,
    };
    let mut link = AgentLink::open(&spec, &CommandLog::in_memory(), Duration::from_secs(5)).unwrap();
    let found: Value = link.call("identify", &json!({}), &call(), &mut |_| Ok(())).unwrap();
    assert_eq!(found["agent_version"], "reference agent 1");
    let error = link.call::<_, Value>("train", &json!({}), &call(), &mut |_| Ok(())).unwrap_err();
    assert_eq!(error.kind, contract::FaultKind::WrongOrder);
    // An error answer is no fault of the conversation.
    let _: Value = link.call("power", &json!({ "on": true }), &call(), &mut |_| Ok(())).unwrap();
    let id = link.process().expect("a child");
    drop(link);
    assert!(!Path::new(&format!("/proc/{id}")).exists());
}

#[test]
fn an_instrument_answers_over_a_serial_line_and_as_a_device_file() {
    if !there("socat", &["-V"]) {
        return;
    }
    let bench = start(&plan(), 1, 0.0, 100.0);
    let folder = Folder::new();
    let tty = folder.path().join("tty");
    let mut socat = Command::new("socat")
        .arg(format!("PTY,link={},raw,echo=0", tty.display()))
        .arg(format!("TCP:{}", bench.addresses()[1]))
        .spawn()
        .expect("socat starts");
    for _ in 0..200 {
        if tty.exists() {
            break;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    let file = bench_file(&bench.bench_file());
    let path = tty.display().to_string();
    for transport in
        [Transport::Serial { path: path.clone(), baud: 115_200 }, Transport::Usbtmc { path: path.clone() }]
    {
        let mut spec = file.instrument("supply").unwrap().clone();
        spec.transport = transport;
        spec.time_out_s = 2.0;
        let mut supply = Instrument::new(spec, CommandLog::in_memory(), false);
        supply.connect(&call()).unwrap_or_else(|error| panic!("{error}"));
        assert!(supply.identity().unwrap().contains("EP-0001"));
        supply
            .tell(Action::SetVoltage, Some("2"), Some(1.25), &call())
            .unwrap_or_else(|error| panic!("{error}"));
        let volts = supply.ask(Action::GetVoltage, Some("2"), 0.0, &call()).unwrap();
        assert!((volts - 1.25).abs() < 1e-6);
        let refused = supply.tell(Action::SetVoltage, Some("2"), Some(5.9), &call()).unwrap_err();
        assert_eq!(refused.kind, contract::FaultKind::Instrument(-221), "{refused}");
        supply.close();
    }
    let _ = socat.kill();
    let _ = socat.wait();
}

/// Clients that this project did not write understand the emulated supply behind HiSLIP and VXI-11: what our own client says to it and
/// hears from it is then the protocol of others.
#[test]
fn clients_of_others_speak_with_the_emulated_gateways() {
    if !there("python3", &["-c", "import pyvisa, pyvisa_py, vxi11"]) {
        return;
    }
    let bench = start(&plan(), 1, 0.0, 100.0);
    let ports = [bench.hislip(), bench.vxi11()].map(|place| place.expect("loopback").port().to_string());
    python("gateways.py", &ports);
}

/// Our own clients of both, through an instrument: set, read back, the instrument's own errors, a silence with its status byte.
#[test]
fn an_instrument_answers_over_hislip_and_vxi_11() {
    let bench = start(&plan(), 1, 0.0, 100.0);
    let file = bench_file(&bench.bench_file());
    let hislip = bench.hislip().expect("loopback").to_string();
    let vxi11 = bench.vxi11().expect("loopback").to_string();
    for transport in [
        Transport::Hislip { address: hislip, device: "hislip0".into() },
        Transport::Vxi11 { address: vxi11, device: "inst0".into() },
    ] {
        let mut spec = file.instrument("supply").unwrap().clone();
        let way = transport.describe();
        spec.transport = transport;
        spec.time_out_s = 0.5;
        let log = CommandLog::in_memory();
        let mut supply = Instrument::new(spec, log.clone(), false);
        supply.connect(&call()).unwrap_or_else(|error| panic!("{way}: {error}"));
        assert!(supply.identity().unwrap().contains("EP-0001"));
        for volts in [1.25, 1.1] {
            supply
                .tell(Action::SetVoltage, Some("2"), Some(volts), &call())
                .unwrap_or_else(|error| panic!("{way}: {error}"));
            let read = supply.ask(Action::GetVoltage, Some("2"), 0.0, &call()).unwrap();
            assert!((read - volts).abs() < 1e-6, "{way}: {read}");
        }
        let refused = supply.tell(Action::SetVoltage, Some("2"), Some(5.9), &call()).unwrap_err();
        assert_eq!(refused.kind, contract::FaultKind::Instrument(-221), "{way}: {refused}");
        // A question that the instrument does not know: it stays silent, and its status byte says why.
        supply.spec.profile.templates.insert(Action::GetTemperature, "TEMP?".into());
        let silent = supply.ask(Action::GetTemperature, None, 0.0, &call()).unwrap_err();
        assert_eq!(silent.kind, contract::FaultKind::TimeOut, "{way}: {silent}");
        let lines = log.latest(usize::MAX).join("\n");
        assert!(lines.contains("status byte 4: errors are queued"), "{way}: {lines}");
        supply.close();
    }
}

/// A VXI-11 server whose calls and encoding are python-vxi11's, found by its port and by a port mapper: every argument is there,
/// none too many, an answer may come in parts.
#[test]
fn an_instrument_of_others_answers_over_vxi_11_and_its_port_mapper() {
    if !there("python3", &["-c", "import vxi11"]) {
        return;
    }
    let mut server = Command::new("python3")
        .arg(root().join("tests/outside/vxi11_server.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::new(server.stdout.as_mut().unwrap()).read_line(&mut line).unwrap();
    let (port, mapped) = line.trim().split_once(' ').expect("a port");
    let mut addresses = vec![format!("127.0.0.1:{port}")];
    match mapped {
        "mapped" => addresses.push("127.0.0.1".into()),
        _ => missing("the right to serve port 111 (port mapper)"),
    }
    let file = bench_file(&start(&plan(), 1, 0.0, 100.0).bench_file());
    for address in addresses {
        let mut spec = file.instrument("supply").unwrap().clone();
        spec.transport = Transport::Vxi11 { address: address.clone(), device: "inst0".into() };
        spec.time_out_s = 0.5;
        let log = CommandLog::in_memory();
        let mut supply = Instrument::new(spec.clone(), log.clone(), false);
        // Another instrument than the bench file names is said; what matters here is that it was heard.
        let _ = supply.connect(&call());
        assert!(
            log.latest(usize::MAX).join("\n").contains("OT-0001"),
            "{address}: {:?}",
            log.latest(usize::MAX)
        );
        spec.identity = "OT-0001".into();
        let mut supply = Instrument::new(spec.clone(), log.clone(), false);
        supply.connect(&call()).unwrap_or_else(|error| panic!("{address}: {error}"));
        supply.tell(Action::SetVoltage, Some("2"), Some(1.25), &call()).unwrap();
        assert!((supply.ask(Action::GetVoltage, Some("2"), 0.0, &call()).unwrap() - 1.25).abs() < 1e-6);
        let refused = supply.tell(Action::SetVoltage, Some("2"), Some(6.5), &call()).unwrap_err();
        assert_eq!(refused.kind, contract::FaultKind::Instrument(-222), "{address}: {refused}");
        supply.spec.profile.templates.insert(Action::GetTemperature, "TEMP?".into());
        let silent = supply.ask(Action::GetTemperature, None, 0.0, &call()).unwrap_err();
        assert_eq!(silent.kind, contract::FaultKind::TimeOut, "{address}: {silent}");
        let lines = log.latest(usize::MAX).join("\n");
        assert!(lines.contains("status byte 4: errors are queued"), "{address}: {lines}");
        supply.close();
        let other = Transport::Vxi11 { address: address.clone(), device: "gpib0,5".into() };
        let mut nobody =
            Instrument::new(plan::bench_file::Instrument { transport: other, ..spec }, log, false);
        let words = nobody.connect(&call()).unwrap_err().to_string();
        assert!(words.contains("cannot be reached"), "{address}: {words}");
    }
    drop(server.stdin.take());
    let _ = server.wait();
}
