//! An outside check of our side of the wire: a supply whose messages are parsed, run and answered by the crate `scpi` (a
//! SCPI-1999 / IEEE 488.2 parser for devices that this project did not write), at the other end of a TCP socket.

use crate::emulated::{bench_file, plan, start};
use bench::CommandLog;
use bench::instrument::Instrument;
use contract::{Call, CancelToken, FaultKind};
use plan::bench_file::{Action, Transport};
use scpi::error::{ErrorQueue, Result};
use scpi::tree::prelude::*;
use scpi::{Branch, Leaf, Root, cmd_both, cmd_nquery, cmd_qonly};
use std::io::{BufRead, BufReader, Write};
use std::net::{SocketAddr, TcpListener};
use std::time::Duration;

/// The supply: two outputs.
#[derive(Default)]
struct Supply {
    errors: Vec<Error>,
    selected: usize,
    outputs: [Output; 2],
}

#[derive(Default, Clone, Copy)]
struct Output {
    volts: f64,
    amperes: f64,
    over_voltage: f64,
    on: bool,
}

impl Device for Supply {
    fn handle_error(&mut self, error: Error) {
        self.errors.push_back_error(error);
    }
}

impl Supply {
    fn output(&mut self) -> &mut Output {
        &mut self.outputs[self.selected]
    }
}

struct Identify;
impl Command<Supply> for Identify {
    cmd_qonly!();
    fn query(&self, _: &mut Supply, _: &mut Context, _: Parameters, mut answer: ResponseUnit) -> Result<()> {
        answer.data(Character(b"OUTSIDE,SUPPLY,OS-0001,1.0")).finish()
    }
}

struct Clear;
impl Command<Supply> for Clear {
    cmd_nquery!();
    fn event(&self, device: &mut Supply, _: &mut Context, _: Parameters) -> Result<()> {
        device.errors.clear();
        Ok(())
    }
}

struct NextError;
impl Command<Supply> for NextError {
    cmd_qonly!();
    fn query(
        &self,
        device: &mut Supply,
        _: &mut Context,
        _: Parameters,
        mut answer: ResponseUnit,
    ) -> Result<()> {
        answer.data(device.errors.pop_front_error().unwrap_or_default()).finish()
    }
}

struct Select;
impl Command<Supply> for Select {
    cmd_both!();
    fn event(&self, device: &mut Supply, _: &mut Context, mut parameters: Parameters) -> Result<()> {
        let number: usize = parameters.next_data()?;
        if !(1..=device.outputs.len()).contains(&number) {
            return Err(ErrorCode::DataOutOfRange.into());
        }
        device.selected = number - 1;
        Ok(())
    }
    fn query(
        &self,
        device: &mut Supply,
        _: &mut Context,
        _: Parameters,
        mut answer: ResponseUnit,
    ) -> Result<()> {
        answer.data(device.selected + 1).finish()
    }
}

/// A setting of an output: what it is, and its highest value.
struct Level(fn(&mut Output) -> &mut f64, f64);
impl Command<Supply> for Level {
    cmd_both!();
    fn event(&self, device: &mut Supply, _: &mut Context, mut parameters: Parameters) -> Result<()> {
        let value: f64 = parameters.next_data()?;
        if !(0.0..=self.1).contains(&value) {
            return Err(ErrorCode::DataOutOfRange.into());
        }
        *(self.0)(device.output()) = value;
        Ok(())
    }
    fn query(
        &self,
        device: &mut Supply,
        _: &mut Context,
        _: Parameters,
        mut answer: ResponseUnit,
    ) -> Result<()> {
        answer.data(*(self.0)(device.output())).finish()
    }
}

struct Switch;
impl Command<Supply> for Switch {
    cmd_both!();
    fn event(&self, device: &mut Supply, _: &mut Context, mut parameters: Parameters) -> Result<()> {
        device.output().on = parameters.next_data()?;
        Ok(())
    }
    fn query(
        &self,
        device: &mut Supply,
        _: &mut Context,
        _: Parameters,
        mut answer: ResponseUnit,
    ) -> Result<()> {
        answer.data(device.output().on).finish()
    }
}

struct Tripped;
impl Command<Supply> for Tripped {
    cmd_qonly!();
    fn query(&self, _: &mut Supply, _: &mut Context, _: Parameters, mut answer: ResponseUnit) -> Result<()> {
        answer.data(false).finish()
    }
}

/// What an output gives: 0 when it is off.
struct Measure(fn(&Output) -> f64);
impl Command<Supply> for Measure {
    cmd_qonly!();
    fn query(
        &self,
        device: &mut Supply,
        _: &mut Context,
        _: Parameters,
        mut answer: ResponseUnit,
    ) -> Result<()> {
        let output = *device.output();
        answer.data(if output.on { (self.0)(&output) } else { 0.0 }).finish()
    }
}

const TREE: Node<Supply> = Root![
    Leaf!(b"*IDN" => &Identify),
    Leaf!(b"*CLS" => &Clear),
    Branch![b"SYSTem"; Branch![b"ERRor"; Leaf!(default b"NEXT" => &NextError)]],
    Branch![b"INSTrument"; Leaf!(b"NSELect" => &Select)],
    Branch![b"VOLTage";
        Leaf!(default b"LEVel" => &Level(|output| &mut output.volts, 6.0)),
        Branch![b"PROTection";
            Leaf!(default b"LEVel" => &Level(|output| &mut output.over_voltage, 7.0)),
            Leaf!(b"TRIPped" => &Tripped)
        ]
    ],
    Branch![b"CURRent"; Leaf!(default b"LEVel" => &Level(|output| &mut output.amperes, 5.0))],
    Branch![b"OUTPut"; Leaf!(default b"STATe" => &Switch)],
    Branch![b"MEASure";
        Leaf!(b"VOLTage" => &Measure(|output| output.volts)),
        Leaf!(b"CURRent" => &Measure(|output| 0.4 * output.amperes))
    ]
];

/// Serves connections one after the other until one of them says goodbye.
fn serve(listener: &TcpListener) -> Supply {
    let mut supply = Supply::default();
    loop {
        let (stream, _) = listener.accept().expect("a connection");
        let mut writer = stream.try_clone().expect("a second handle");
        for line in BufReader::new(stream).lines() {
            let Ok(line) = line else { break };
            if line == "goodbye" {
                return supply;
            }
            let mut answer = Vec::new();
            let mut context = Context::default();
            // An error is in the device's queue; the controller asks for it.
            let _ = TREE.run(line.as_bytes(), &mut supply, &mut context, &mut answer);
            if !answer.is_empty() && writer.write_all(&answer).is_err() {
                break;
            }
        }
    }
}

fn call() -> Call {
    Call::within(Duration::from_secs(20), &CancelToken::new())
}

fn instrument(address: SocketAddr) -> Instrument {
    // Everything but address and identity as the built-in profile has it.
    let emulated = start(&plan(), 1, 0.0, 100.0);
    let file = bench_file(&emulated.bench_file());
    let mut spec = file.instrument("supply").expect("a supply").clone();
    spec.transport = Transport::Tcp { address: address.to_string() };
    spec.identity = "OS-0001".into();
    spec.time_out_s = 2.0;
    Instrument::new(spec, CommandLog::in_memory(), false)
}

#[test]
fn a_device_side_parser_of_others_understands_every_command() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    let address = listener.local_addr().expect("an address");
    let device = std::thread::spawn(move || serve(&listener));
    let mut supply = instrument(address);
    supply.connect(&call()).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(supply.identity(), Some("OUTSIDE,SUPPLY,OS-0001,1.0"));
    for (channel, volts) in [("1", 1.2), ("2", 2.5)] {
        let channel = Some(channel);
        for (action, value) in [
            (Action::SetOverVoltage, Some(volts + 0.2)),
            (Action::SetCurrent, Some(3.0)),
            (Action::SetVoltage, Some(volts)),
            (Action::On, None),
        ] {
            // Each set is followed by the error queue and a read-back that must agree.
            supply
                .tell(action, channel, value, &call())
                .unwrap_or_else(|error| panic!("{action:?}: {error}"));
        }
        let measured = supply.ask(Action::MeasureVoltage, channel, 0.0, &call()).unwrap();
        assert!((measured - volts).abs() < 1e-9, "{measured}");
        let current = supply.ask(Action::MeasureCurrent, channel, 0.0, &call()).unwrap();
        assert!((current - 1.2).abs() < 1e-9, "{current}");
        assert!(!supply.ask_switch(Action::Tripped, channel, true, &call()).unwrap());
        assert!(supply.ask_switch(Action::IsOn, channel, false, &call()).unwrap());
    }
    // The parser's own errors arrive with their numbers.
    let beyond = supply.tell(Action::SetVoltage, Some("1"), Some(6.5), &call()).unwrap_err();
    assert_eq!(beyond.kind, FaultKind::Instrument(-222), "{beyond}");
    let nowhere = supply.tell(Action::SetVoltage, Some("3"), Some(1.0), &call()).unwrap_err();
    assert_eq!(nowhere.kind, FaultKind::Instrument(-222), "{nowhere}");
    let unknown = supply.tell(Action::ClearTrip, Some("1"), None, &call()).unwrap_err();
    assert_eq!(unknown.kind, FaultKind::Instrument(-113), "{unknown}");
    for channel in ["2", "1"] {
        supply.tell(Action::Off, Some(channel), None, &call()).unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(supply.ask(Action::MeasureVoltage, Some(channel), 9.0, &call()).unwrap(), 0.0);
    }
    supply.close();
    let mut last = std::net::TcpStream::connect(address).expect("the device is still there");
    last.write_all(b"goodbye\n").expect("the device listens");
    let device = device.join().expect("the device ended well");
    assert!(device.errors.is_empty(), "{:?}", device.errors);
    assert_eq!((device.outputs[0].volts, device.outputs[1].volts), (1.2, 2.5));
    assert!((device.outputs[1].over_voltage - 2.7).abs() < 1e-9 && !device.outputs[0].on);
}
