//! The emulated agent: the simulated target behind the agent protocol, over TCP.

use super::Shared;
use super::faults::Fault;
use bench::agent::messages::*;
use contract::{Call, CancelToken, Driver, DriverError, Setting, TrainingRequest};
use nightbench_core::devices::{ControlPoint, Pattern};
use nightbench_core::point_rule::PointRule;
use nightbench_core::rates::DataRate;
use nightbench_core::units::Celsius;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Longest call of the target inside the emulation.
const CALL_LIMIT: Duration = Duration::from_secs(120);
/// Time between heartbeats.
const HEARTBEAT: Duration = Duration::from_millis(100);

/// What really was while a batch was counted.
#[derive(Debug, Clone, PartialEq)]
pub struct LedgerEntry {
    /// The job, 64 hexadecimal digits.
    pub job: String,
    /// Trainings of the device before it: the batches of one number belong to one attempt at the job.
    pub trainings: u64,
    /// Device temperature asked for and true, degC.
    pub temperature: (f64, f64),
    /// Largest deviation of a rail, V.
    pub rail_deviation: f64,
    /// Time the agent itself spent on the batch.
    pub own_time: Duration,
}

struct Failure {
    code: i64,
    words: String,
}

impl From<DriverError> for Failure {
    fn from(error: DriverError) -> Failure {
        Failure { code: error_code(error.kind), words: error.words }
    }
}

fn failure(code: i64, words: impl Into<String>) -> Failure {
    Failure { code, words: words.into() }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Serves one connection until it closes or the bench ends.
pub(super) fn serve(stream: TcpStream, shared: &Arc<Shared>) {
    let Ok(writer) = stream.try_clone() else { return };
    let _ = stream.set_nodelay(true);
    let _ = stream.set_read_timeout(Some(Duration::from_millis(20)));
    let writer = Arc::new(Mutex::new(writer));
    let busy = Arc::new(AtomicU64::new(0));
    let alive = Arc::new(AtomicU64::new(1));
    let beats = {
        let (writer, busy, alive, shared) =
            (Arc::clone(&writer), Arc::clone(&busy), Arc::clone(&alive), Arc::clone(shared));
        std::thread::spawn(move || {
            while alive.load(Ordering::SeqCst) == 1 && !shared.stopped() {
                std::thread::sleep(HEARTBEAT);
                let call = busy.load(Ordering::SeqCst);
                if call != 0 {
                    let sensors = shared.temperatures(false);
                    let beat = json!({ "jsonrpc": "2.0", "method": "heartbeat",
                                       "params": { "call": call, "sensors_degc": sensors, "rails": shared.rails().rails } });
                    let _ = lock(&writer).write_all(format!("{beat}\n").as_bytes());
                }
            }
        })
    };
    talk(stream, &writer, &busy, shared);
    alive.store(0, Ordering::SeqCst);
    let _ = lock(&writer).shutdown(std::net::Shutdown::Both);
    let _ = beats.join();
}

fn talk(stream: TcpStream, writer: &Mutex<TcpStream>, busy: &AtomicU64, shared: &Arc<Shared>) {
    let mut reader = BufReader::new(stream);
    let mut line = Vec::new();
    loop {
        match reader.read_until(b'\n', &mut line) {
            Ok(0) => return,
            Ok(_) => {}
            Err(error)
                if matches!(error.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut) =>
            {
                if shared.stopped() {
                    return;
                }
                continue;
            }
            Err(_) => return,
        }
        if line.last() != Some(&b'\n') {
            continue;
        }
        let text = String::from_utf8_lossy(&line).into_owned();
        line.clear();
        let answer = match serde_json::from_str::<Value>(&text) {
            Err(_) => Some(error_answer(&Value::Null, -32700, "parse error")),
            Ok(Value::Array(list)) if list.is_empty() => {
                Some(error_answer(&Value::Null, -32600, "an empty batch"))
            }
            Ok(Value::Array(list)) => {
                let answers: Vec<Value> =
                    list.iter().filter_map(|one| handle(one, writer, busy, shared).flatten()).collect();
                (!answers.is_empty()).then_some(Value::Array(answers))
            }
            Ok(one) => match handle(&one, writer, busy, shared) {
                Some(answer) => answer,
                // The fault ends the connection.
                None => return,
            },
        };
        if let Some(answer) = answer
            && lock(writer).write_all(format!("{answer}\n").as_bytes()).is_err()
        {
            return;
        }
    }
}

fn error_answer(id: &Value, code: i64, words: &str) -> Value {
    json!({ "jsonrpc": "2.0", "id": id, "error": { "code": code, "message": words } })
}

/// `None`: the connection ends. `Some(None)`: no answer.
fn handle(
    request: &Value,
    writer: &Mutex<TcpStream>,
    busy: &AtomicU64,
    shared: &Arc<Shared>,
) -> Option<Option<Value>> {
    let id = request.get("id").cloned();
    let method = request.get("method").and_then(Value::as_str);
    let (Some("2.0"), Some(method)) = (request.get("jsonrpc").and_then(Value::as_str), method) else {
        return Some(Some(error_answer(&Value::Null, -32600, "no JSON-RPC 2.0 request")));
    };
    // A notification: `cancel` comes too late here, since a call is one computation.
    let id = match id {
        Some(id) => id,
        None => return Some(None),
    };
    let possible: &[Fault] = match method {
        "sample" => &Fault::OF_AGENT,
        "safe" => &[],
        _ => &[Fault::Hang, Fault::Crash, Fault::WrongId, Fault::Malformed],
    };
    let fault = lock(&shared.world).weather.next(possible);
    match fault {
        Some(Fault::Hang) => return Some(None),
        Some(Fault::Crash) => {
            lock(&shared.device).lose_state();
            return None;
        }
        Some(Fault::LostTraining) => lock(&shared.device).trained = false,
        _ => {}
    }
    busy.store(id.as_u64().unwrap_or(u64::MAX), Ordering::SeqCst);
    let parameters = request.get("params").cloned().unwrap_or(Value::Null);
    let result = shared.run(method, parameters);
    busy.store(0, Ordering::SeqCst);
    let mut answer = match result {
        Ok(result) => json!({ "jsonrpc": "2.0", "id": id, "result": result }),
        Err(failure) => error_answer(&id, failure.code, &failure.words),
    };
    match fault {
        Some(Fault::WrongId) => answer["id"] = json!(999_999_999u64),
        Some(Fault::Malformed) => {
            let _ = lock(writer).write_all(b"{\"jsonrpc\": \"2.0\", \"id\": \n");
            return Some(None);
        }
        Some(Fault::TooManyErrors) => {
            if let Some(count) = answer.pointer_mut("/result/counts/0") {
                let bits = count["bits"].as_u64().unwrap_or(0);
                count["errors"][0] = json!(bits + 1);
            }
        }
        _ => {}
    }
    Some(Some(answer))
}

fn read<T: DeserializeOwned>(parameters: Value) -> Result<T, Failure> {
    serde_json::from_value(parameters).map_err(|error| failure(-32602, error.to_string()))
}

fn answer<T: serde::Serialize>(value: &T) -> Result<Value, Failure> {
    serde_json::to_value(value).map_err(|error| failure(-32603, error.to_string()))
}

impl Shared {
    fn run(&self, method: &str, parameters: Value) -> Result<Value, Failure> {
        match method {
            "identify" => self.identify(),
            "power" => {
                let request: PowerRequest = read(parameters)?;
                if request.on && !lock(&self.world).powered() {
                    return Err(failure(
                        code::DEVICE_SILENT,
                        "the device does not answer: are all rails on?",
                    ));
                }
                lock(&self.world).device_on = request.on;
                if !request.on {
                    lock(&self.device).lose_state();
                }
                Ok(json!({}))
            }
            "set_rails" => {
                self.awake()?;
                let request: SetRails = read(parameters)?;
                let volts = request.rails_v.get("VPP").copied();
                let volts = volts.ok_or_else(|| failure(code::OUT_OF_RANGE, "the device makes VPP only"))?;
                let mut world = lock(&self.world);
                if world.device_vpp.is_none() {
                    return Err(failure(code::UNSUPPORTED, "this device makes no rail"));
                }
                world.device_vpp = Some(volts);
                Ok(json!({}))
            }
            "rails" => answer(&self.rails()),
            "configure" => self.configure(read(parameters)?),
            "train" => self.train(read(parameters)?),
            "restore" => {
                self.awake()?;
                let request: RestoreRequest = read(parameters)?;
                let mut device = lock(&self.device);
                device.target.restore(&request.eyes, &call())?;
                device.trained = true;
                Ok(json!({}))
            }
            "sample" => self.sample(read(parameters)?),
            "temperature" => answer(&Temperatures { sensors_degc: self.temperatures(true) }),
            "log" => answer(&FreeText { text: self.words("log", "nothing to report") }),
            "training_log" => answer(&FreeText { text: self.words("training log", "trained as asked") }),
            "registers" => answer(&FreeText { text: "0x0000: 0x00000000 emulated".into() }),
            "safe" => {
                // Not through the device: it may be stuck in a call.
                lock(&self.world).device_on = false;
                Ok(json!({}))
            }
            _ => Err(failure(-32601, format!("no method `{method}`"))),
        }
    }

    /// Rails that the device makes, as its own converter measures them.
    fn rails(&self) -> RailReadings {
        let mut world = lock(&self.world);
        world.advance();
        let reading = RailReading { volts: world.true_device_vpp(), amperes: Some(0.2) };
        let rails = world.device_vpp.map(|_| ("VPP".to_string(), reading));
        RailReadings { rails: rails.into_iter().collect() }
    }

    /// The device answers only while it has power and was told so.
    fn awake(&self) -> Result<(), Failure> {
        let mut world = lock(&self.world);
        world.advance();
        if world.powered() && world.device_on {
            return Ok(());
        }
        drop(world);
        lock(&self.device).lose_state();
        Err(failure(code::DEVICE_SILENT, "the device does not answer: it has no power"))
    }

    /// What the agent says about itself, with what a test wants it to say.
    fn words(&self, what: &str, usual: &str) -> String {
        let said = lock(&self.says).clone();
        format!("emulated agent, {what}: {}", if said.is_empty() { usual } else { &said })
    }

    fn identify(&self) -> Result<Value, Failure> {
        let mut device = lock(&self.device);
        let powered = {
            let mut world = lock(&self.world);
            world.advance();
            world.powered()
        };
        let (firmware, hash) = match device.target.identity(&call()) {
            Ok(known) => (known.firmware_build, known.firmware_hash),
            Err(_) => ("as loaded".to_string(), String::new()),
        };
        let mounted = lock(&self.mounted).clone();
        answer(&Identified {
            protocol: PROTOCOL,
            agent_version: "emulated agent 1".into(),
            chip_serial: mounted.chip,
            firmware_build: firmware,
            firmware_hash: hash,
            settings_hash: "emulated".into(),
            module_serial: mounted.module_serial,
            // The module's memory of itself needs power, as on a board.
            module_spd: mounted.module_spd.filter(|_| powered),
            powered,
        })
    }

    fn configure(&self, request: ConfigureRequest) -> Result<Value, Failure> {
        self.awake()?;
        let setting = self.setting(&request)?;
        let mut device = lock(&self.device);
        device.job = request.job;
        device.target.apply(&setting, &call())?;
        device.asked = Some((request.temperature_degc, request.rails_v));
        let known = device.target.capabilities(&call())?;
        drop(device);
        let boot_s = lock(&self.world).boot_s;
        self.pass_time(boot_s);
        answer(&Configured {
            eyes: known.eyes.iter().map(EyeAnswer::new).collect(),
            restores_training: true,
            power_cycle: true,
            double_refresh: request.double_refresh,
        })
    }

    fn setting(&self, request: &ConfigureRequest) -> Result<Setting, Failure> {
        let plan = &self.plan;
        let unknown =
            |what: &str, name: &str| failure(code::OUT_OF_RANGE, format!("no {what} `{name}` in the plan"));
        let find = |what, name: &str, found: bool| if found { Ok(()) } else { Err(unknown(what, name)) };
        let module = plan.modules.iter().find(|one| one.name == request.module.name);
        let channel = plan.channels.iter().find(|one| one.name == request.channel);
        let supply = plan.supplies.iter().find(|one| one.name == request.supply);
        let chip = plan.chips.iter().find(|one| one.name == request.chip);
        find("module", &request.module.name, module.is_some())?;
        let mounted = lock(&self.mounted).clone();
        if module.is_some_and(|module| module.name != mounted.module) {
            return Err(failure(
                code::WRONG_IDENTITY,
                format!("`{}` is mounted, not `{}`", mounted.module, request.module.name),
            ));
        }
        let generation = plan.interface.generation;
        let rate = DataRate::parse(generation, &request.rate.to_string())
            .ok_or_else(|| unknown("rate", &request.rate.to_string()))?;
        let pattern = Pattern::parse(&request.pattern);
        let mut noise_key = [0u8; 32];
        for (index, byte) in noise_key.iter_mut().enumerate() {
            let digits = request.job.get(2 * index..2 * index + 2);
            *byte = digits
                .and_then(|digits| u8::from_str_radix(digits, 16).ok())
                .ok_or_else(|| failure(-32602, "`job` is not 64 hexadecimal digits"))?;
        }
        Ok(Setting {
            chip: Arc::new(chip.ok_or_else(|| unknown("chip", &request.chip))?.clone()),
            firmware: request
                .firmware
                .as_ref()
                .map(|name| {
                    let known = plan.firmwares.iter().find(|one| one.name == *name);
                    known.cloned().map(Arc::new).ok_or_else(|| unknown("firmware", name))
                })
                .transpose()?,
            module: Arc::new(module.ok_or_else(|| unknown("module", ""))?.clone()),
            channel: Arc::new(channel.ok_or_else(|| unknown("channel", &request.channel))?.clone()),
            rate,
            temperature: Celsius(request.temperature_degc),
            control_point: ControlPoint::Chip,
            calibrated_at: Celsius(request.calibrated_at_degc),
            supply: Arc::new(supply.ok_or_else(|| unknown("supply", &request.supply))?.clone()),
            pattern: pattern.ok_or_else(|| unknown("pattern", &request.pattern))?,
            mounting: request.mounting,
            start: request.start,
            wck_ratio: request.wck_ratio,
            noise_key,
        })
    }

    fn train(&self, request: TrainRequest) -> Result<Value, Failure> {
        self.awake()?;
        let mut device = lock(&self.device);
        if device.asked.is_none() {
            return Err(failure(code::WRONG_ORDER, "nothing was configured yet"));
        }
        let before = device.target.elapsed().0;
        let result = device.target.train(
            &TrainingRequest {
                start: request.start.into(),
                pass_ber: request.pass_ber,
                fewest_taps: request.fewest_taps,
                fewest_steps: request.fewest_steps,
                command: request.command,
                write: request.write,
            },
            &call(),
        )?;
        device.trained = result.passed;
        device.trainings += 1;
        let spent = device.target.elapsed().0 - before;
        drop(device);
        self.pass_time(spent);
        answer(&result)
    }

    fn sample(&self, request: SampleRequest) -> Result<Value, Failure> {
        let begin = Instant::now();
        self.awake()?;
        let mut device = lock(&self.device);
        if !device.trained {
            return Err(failure(code::TRAINING_LOST, "training was lost; train again"));
        }
        let points: Option<Vec<_>> = request.points.iter().map(PointQuestion::request).collect();
        let mut points =
            points.ok_or_else(|| failure(code::OUT_OF_RANGE, "a lane beyond every interface"))?;
        let blind = lock(&self.world).blind_lanes.clone();
        for point in &mut points {
            // A lane that is not compared counts no error, so that its point takes every bit it may have.
            if blind.iter().any(|lane| point.lanes.contains(*lane as u16)) {
                point.rule = PointRule::Fixed { bits: point.bits_before + point.most_bits, errors: u64::MAX };
            }
        }
        let before = device.target.elapsed().0;
        let mut counts = device.target.sample(request.eye, &points, &call())?;
        let loose = lock(&self.mounted).loose_lanes.clone();
        for count in &mut counts {
            for lane in &loose {
                if let Some(errors) = count.errors.get_mut(*lane) {
                    // Chance, with what the lane would have counted as its noise.
                    *errors = count.bits / 2 - *errors % (count.bits / 64).max(1);
                }
            }
        }
        for count in &mut counts {
            for lane in &blind {
                if let Some(errors) = count.errors.get_mut(*lane) {
                    *errors = 0;
                }
            }
        }
        let spent = device.target.elapsed().0 - before;
        let entry = self.ledger_entry(&device, begin);
        drop(device);
        self.pass_time(spent);
        let sampled = answer(&Sampled {
            counts: counts
                .into_iter()
                .map(|one| PointAnswer { bits: one.bits, errors: one.errors })
                .collect(),
        });
        if let Some(entry) = entry {
            lock(&self.ledger).push(LedgerEntry { own_time: begin.elapsed(), ..entry });
        }
        sampled
    }

    fn ledger_entry(&self, device: &super::Device, begin: Instant) -> Option<LedgerEntry> {
        let (temperature, rails) = device.asked.as_ref()?;
        let mut world = lock(&self.world);
        world.advance();
        let rail_deviation = super::RAILS
            .iter()
            .enumerate()
            .map(|(index, name)| {
                let by_device = *name == "VPP" && world.device_vpp.is_some();
                let volts = if by_device { world.true_device_vpp() } else { world.true_volts(index) };
                (rails.get(*name).copied().unwrap_or(0.0) - volts).abs()
            })
            .fold(0.0, f64::max);
        Some(LedgerEntry {
            job: device.job.clone(),
            trainings: device.trainings,
            temperature: (*temperature, world.true_device()),
            rail_deviation,
            own_time: begin.elapsed(),
        })
    }

    /// The device's own time passes on the bench's clock.
    fn pass_time(&self, bench_s: f64) {
        let scale = lock(&self.world).scale;
        std::thread::sleep(Duration::from_secs_f64((bench_s / scale).min(10.0)));
    }
}

fn call() -> Call {
    Call::within(CALL_LIMIT, &CancelToken::new())
}
