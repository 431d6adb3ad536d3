//! Outside checks of the bench side: PyVISA on the emulated instruments, an independent JSON-RPC client on the
//! reference agent, a serial line through a pseudo-terminal (socat).
//!
//! Where an outside program is missing a check says so and passes; NIGHTBENCH_OUTSIDE=1 makes that a failure.

use crate::bench_driver::{bench_file, plan, start};
use crate::support::{Folder, missing};
use bench::CommandLog;
use bench::agent::AgentLink;
use bench::instrument::Instrument;
use contract::{Call, CancelToken};
use plan::bench_file::{Action, AgentConnection, AgentSpec, Transport};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::process::Command;
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
