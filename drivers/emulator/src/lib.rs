//! The emulated bench: chamber, supply, meter and agent over real sockets on loopback, with switchable faults and a
//! time scale. For tests and demonstration; nothing here reaches beyond this computer.

mod agent;
mod faults;
mod gateways;
mod ledger;
mod mishaps;
mod scpi;
mod world;

pub use agent::LedgerEntry;
pub use faults::{Fault, Weather};
pub use ledger::{Allowed, Harm, Passed, WorldLedger};
pub use mishaps::{Mishap, Mishaps};
pub use scpi::Kind;
pub use world::{Heater, Output, Probe, Reading, Tells, Thermal, World};

use nightbench_core::rates::Generation;
use plan::Plan;
use simulator::target::{SimulatedOptions, SimulatedTarget};
use std::collections::BTreeMap;
use std::net::{SocketAddr, TcpListener};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

/// Rails of outputs 1, 2 and 3.
pub const RAILS: [&str; 3] = ["VDD", "VDDQ", "VPP"];
/// Ambient temperature, degC.
pub const AMBIENT: f64 = 23.0;
/// Limits of its bench file: device, degC.
const DEVICE_LIMITS: (f64, f64) = (-40.0, 105.0);
/// Limits of its bench file: air, degC.
const AIR_LIMITS: (f64, f64) = (-60.0, 120.0);

/// Over-voltage protection above the highest voltage of a rail, V.
const PROTECTION_V: f64 = 0.1;
/// Tolerance of a rail, V.
const TOLERANCE_V: f64 = 0.01;

/// Lowest and highest voltage of its rails for what stands on it, V.
fn rail_limits(plan: &Plan) -> [(f64, f64); 3] {
    match plan.interface.generation {
        Generation::Ddr4 => [(1.0, 1.35), (1.0, 1.35), (1.7, 2.8)],
        Generation::Ddr3 => [(1.2, 1.7), (1.2, 1.7), (1.6, 2.0)],
        Generation::Ddr5 => [(0.95, 1.25), (0.95, 1.25), (1.6, 2.0)],
        Generation::Lpddr4x | Generation::Lpddr5 => [(0.25, 1.25), (0.25, 1.25), (1.6, 2.0)],
    }
}

/// How an emulated bench is built.
#[derive(Debug, Clone)]
pub struct EmulatedOptions {
    /// The plan whose chips, modules and channels exist.
    pub plan: Plan,
    /// Seed of silicon, noise and storm.
    pub seed: u64,
    /// Bench seconds a wall second.
    pub time_scale: f64,
    /// Faults a request, 0 for a calm bench.
    pub storm_rate: f64,
    /// First port; 0 = any free ports. Chamber, supply, meter, agent and power switch follow each other.
    pub first_port: u16,
}

/// What stands on the emulated bench.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MountedThings {
    /// Test chip.
    pub chip: String,
    pub module: String,
    /// Its serial number, as the agent reads it.
    pub module_serial: Option<String>,
    /// Its SPD content in hexadecimal digits, as the agent reads it.
    pub module_spd: Option<String>,
    pub channel: String,
    /// Positions of lanes whose contact is bad: they see nothing of their data.
    pub loose_lanes: Vec<usize>,
}

struct Device {
    target: SimulatedTarget,
    trained: bool,
    trainings: u64,
    job: String,
    asked: Option<(f64, BTreeMap<String, f64>)>,
}

impl Device {
    fn lose_state(&mut self) {
        self.trained = false;
        self.asked = None;
    }
}

struct Shared {
    plan: Plan,
    world: Arc<Mutex<World>>,
    device: Mutex<Device>,
    mounted: Mutex<MountedThings>,
    ledger: Mutex<Vec<LedgerEntry>>,
    says: Mutex<String>,
    stop: AtomicBool,
}

impl Shared {
    fn stopped(&self) -> bool {
        self.stop.load(Ordering::SeqCst)
    }

    /// The device's sensors: `asked`, or told by itself.
    fn temperatures(&self, asked: bool) -> BTreeMap<String, f64> {
        let mut world = self.world.lock().unwrap_or_else(PoisonError::into_inner);
        world.advance();
        if world.chip_needs_power && !world.powered() {
            return BTreeMap::new();
        }
        [("chip", Probe::Chip), ("case", Probe::Case)]
            .into_iter()
            .map(|(name, probe)| {
                let degc = if asked { world.tell_temperature(probe) } else { world.read_temperature(probe) };
                (name.to_string(), degc)
            })
            .collect()
    }
}

/// A running emulated bench; dropping it ends it.
pub struct EmulatedBench {
    shared: Arc<Shared>,
    addresses: [SocketAddr; 5],
    listeners: Vec<JoinHandle<()>>,
    time_scale: f64,
}

impl EmulatedBench {
    /// Starts the bench on loopback, with the plan's first chip, module and channel mounted.
    ///
    /// # Errors
    /// A port cannot be had.
    pub fn start(options: EmulatedOptions) -> std::io::Result<EmulatedBench> {
        let plan = options.plan;
        let name = |list: Option<&String>| list.cloned().unwrap_or_default();
        let first = |index: Option<&usize>| index.copied().unwrap_or(0);
        let module = plan.modules.get(first(plan.matrix.modules.first()));
        let mounted = MountedThings {
            chip: name(plan.chips.get(first(plan.matrix.chips.first())).map(|one| &one.name)),
            module: name(module.map(|one| &one.name)),
            module_serial: module.and_then(|one| one.serial.clone()),
            module_spd: None,
            channel: name(plan.channels.get(first(plan.matrix.channels.first())).map(|one| &one.name)),
            loose_lanes: Vec::new(),
        };
        let simulated = SimulatedOptions {
            interface: plan.interface.clone(),
            model: plan.model.clone(),
            directions: plan.capture.directions.clone(),
            measured: BTreeMap::new(),
            seed: options.seed,
        };
        let mut world =
            World::new(options.time_scale, options.seed, options.storm_rate, AMBIENT, RAILS.len());
        // A protection's own accuracy.
        world.ledger.allowed.volts = rail_limits(&plan).map(|(_, high)| high + PROTECTION_V + 0.02);
        world.ledger.allowed.told_volts = rail_limits(&plan).map(|(_, high)| high + 2.0 * TOLERANCE_V);
        let shared = Arc::new(Shared {
            plan,
            world: Arc::new(Mutex::new(world)),
            device: Mutex::new(Device {
                target: SimulatedTarget::new(Arc::new(simulated)),
                trained: false,
                trainings: 0,
                job: String::new(),
                asked: None,
            }),
            mounted: Mutex::new(mounted),
            ledger: Mutex::default(),
            says: Mutex::default(),
            stop: AtomicBool::new(false),
        });
        let mut addresses = Vec::new();
        let mut listeners = Vec::new();
        let kinds = [Some(Kind::Chamber), Some(Kind::Supply), Some(Kind::Meter), None, Some(Kind::Switch)];
        for (index, kind) in kinds.into_iter().enumerate() {
            let port = if options.first_port == 0 { 0 } else { options.first_port + index as u16 };
            let listener = TcpListener::bind(("127.0.0.1", port))?;
            listener.set_nonblocking(true)?;
            addresses.push(listener.local_addr()?);
            let shared = Arc::clone(&shared);
            listeners.push(std::thread::spawn(move || accept(&listener, kind, &shared)));
        }
        let addresses: [SocketAddr; 5] =
            addresses.try_into().map_err(|_| std::io::Error::other("five listeners were expected"))?;
        Ok(EmulatedBench { shared, addresses, listeners, time_scale: options.time_scale })
    }

    /// The world, brought to the present moment.
    pub fn world(&self) -> MutexGuard<'_, World> {
        let mut world = self.shared.world.lock().unwrap_or_else(PoisonError::into_inner);
        world.advance();
        world
    }

    /// Addresses of chamber, supply, meter, agent and power switch (which its bench file does not name).
    pub fn addresses(&self) -> [SocketAddr; 5] {
        self.addresses
    }

    /// The supply behind HiSLIP, at this address.
    ///
    /// # Errors
    /// No port can be had.
    pub fn hislip(&self) -> std::io::Result<SocketAddr> {
        gateways::hislip(Arc::clone(&self.shared.world))
    }

    /// The supply behind VXI-11, at this address.
    ///
    /// # Errors
    /// No port can be had.
    pub fn vxi11(&self) -> std::io::Result<SocketAddr> {
        gateways::vxi11(Arc::clone(&self.shared.world))
    }

    /// Everything counted so far, with what really was.
    pub fn ledger(&self) -> Vec<LedgerEntry> {
        self.shared.ledger.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// What stands on the bench.
    pub fn mounted(&self) -> MountedThings {
        self.shared.mounted.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// What the agent's logs say from now on; empty: the usual.
    pub fn says(&self, words: &str) {
        *self.shared.says.lock().unwrap_or_else(PoisonError::into_inner) = words.into();
    }

    /// Hands mount something else.
    pub fn mount(&self, things: MountedThings) {
        *self.shared.mounted.lock().unwrap_or_else(PoisonError::into_inner) = things;
        self.shared.device.lock().unwrap_or_else(PoisonError::into_inner).lose_state();
    }

    /// The bench file that describes it. Waits are stretched with the time scale, since sockets take wall time.
    pub fn bench_file(&self) -> String {
        let [chamber, supply, meter, agent, _] = self.addresses;
        let mounted = self.mounted();
        let scale = self.time_scale;
        let every_s = (0.03 * scale).clamp(2.0, 600.0);
        // A computer that builds and tests at once may stand still for seconds.
        let stale_s = (8.0 * scale).clamp(60.0, 3600.0);
        let poll_s = (0.004 * scale).clamp(0.5, 30.0);
        let dwell_s = (12.0 * poll_s).max(60.0);
        let mut text = format!(
            "# The emulated bench: loopback only.\nname = \"emulated bench\"\ntime_scale = {scale:.1}\n\n\
             [limits]\ndevice_low_degc = {:.1}\ndevice_high_degc = {:.1}\nair_low_degc = {:.1}\nair_high_degc = {:.1}\n\
             ramp_k_per_min = 1000\n\n\
             [room]\ntemperature_degc = {AMBIENT:.1}\nhumidity_percent = 40\ndry_purge = true\n\n\
             [unattended]\nmost_hours = 2000\nmost_consecutive_faults = 50\nattempts = 10\n\n\
             [settle]\nband_k = 1.0\ndwell_s = {dwell_s:.2}\nslope_k_per_min = 0.5\ntime_out_s = 7200\npoll_s = {poll_s:.2}\n\n\
             [watch]\nevery_s = {every_s:.2}\nstale_after_s = {stale_s:.2}\n\n\
             [agent]\ntcp = \"{agent}\"\nheartbeat_s = 0.5\n\n\
             [mounted]\nchip = {:?}\nmodule = {:?}\nchannel = {:?}\n\n",
            DEVICE_LIMITS.0,
            DEVICE_LIMITS.1,
            AIR_LIMITS.0,
            AIR_LIMITS.1,
            mounted.chip,
            mounted.module,
            mounted.channel,
        );
        text.push_str(
            "[[profile]]\nname = \"scanner\"\nselect = \"none\"\nmeasure_voltage = \"MEAS:VOLT? (@{channel})\"\n\n",
        );
        for (name, kind, address, identity, profile) in [
            ("chamber", "chamber", chamber, "EC-0001", "SCPI-1999"),
            ("supply", "supply", supply, "EP-0001", "SCPI-1999"),
            ("meter", "meter", meter, "EM-0001", "scanner"),
        ] {
            text.push_str(&format!(
                "[[instrument]]\nname = \"{name}\"\nkind = \"{kind}\"\ntcp = \"{address}\"\nidentity = \"{identity}\"\n\
                 profile = \"{profile}\"\ncalibration_due = \"2099-12-31\"\ntime_out_s = 0.25\n\n"
            ));
        }
        let limits = rail_limits(&self.shared.plan);
        for (index, (name, (low, high))) in RAILS.into_iter().zip(limits).enumerate() {
            let channel = index + 1;
            let over = high + PROTECTION_V;
            let meter = if name == "VDDQ" { "meter = \"meter\"\nmeter_channel = \"2\"\n" } else { "" };
            text.push_str(&format!(
                "[[rail]]\nname = \"{name}\"\nsupply = \"supply\"\nchannel = \"{channel}\"\n{meter}low_v = {low}\n\
                 high_v = {high}\nmost_a = 3.0\nover_voltage_v = {over:.2}\ntolerance_v = {TOLERANCE_V}\n\n"
            ));
        }
        text.push_str(
            "[[sensor]]\npoint = \"chip\"\nfrom = \"agent\"\nchannel = \"chip\"\n\n\
             [[sensor]]\npoint = \"DRAM case\"\nfrom = \"agent\"\nchannel = \"case\"\n\n\
             [[sensor]]\npoint = \"air\"\nfrom = \"chamber\"\n",
        );
        text
    }
}

impl Drop for EmulatedBench {
    fn drop(&mut self) {
        self.shared.stop.store(true, Ordering::SeqCst);
        for listener in self.listeners.drain(..) {
            let _ = listener.join();
        }
    }
}

fn accept(listener: &TcpListener, kind: Option<Kind>, shared: &Arc<Shared>) {
    let mut serving: Vec<JoinHandle<()>> = Vec::new();
    while !shared.stopped() {
        let (one_connection, hung_up) = {
            let world = shared.world.lock().unwrap_or_else(PoisonError::into_inner);
            (world.one_connection, kind.is_some_and(|kind| world.hung_up.contains(&kind)))
        };
        if one_connection && kind.is_some() && !serving.is_empty() {
            std::thread::sleep(Duration::from_millis(2));
            serving.retain(|thread| !thread.is_finished());
            continue;
        }
        match listener.accept() {
            Ok((stream, _)) if hung_up => drop(stream),
            Ok((stream, _)) => {
                let _ = stream.set_nonblocking(false);
                let shared = Arc::clone(shared);
                serving.push(std::thread::spawn(move || match kind {
                    Some(kind) => scpi::serve(stream, kind, Arc::clone(&shared.world), &|| shared.stopped()),
                    None => agent::serve(stream, &shared),
                }));
            }
            Err(_) => std::thread::sleep(Duration::from_millis(2)),
        }
        serving.retain(|thread| !thread.is_finished());
    }
    for thread in serving {
        let _ = thread.join();
    }
}
