//! Invented setups: every figure of the model scattered, eight lanes that differ as lanes do, and one of them made worse.

use contract::{DriverError, EyeCapabilities, PointCounts, PointRequest, Setting};
use eye::shapes::Mask;
use judge::causes::surface::{HalfBox, Surface, quantile};
use judge::causes::{Cause, Trained, TrueLane};
use judge::why::limit_box;
use nightbench_core::devices::Pattern;
use nightbench_core::point_rule::{PointRule, PreparedRule};
use nightbench_core::random::SplitMix64;
use nightbench_core::results::{Capture, CaptureMode, Direction, LanePoint};
use plan::Plan;
use plan::diagnosis::lower_rate;
use plan::expand::{expand, jobs};
use plan::keys::JobKeys;
use plan::selection::Selection;
use runner::capture::{CaptureOptions, Sampler, capture};
use runner::run::execute::Executor;
use simulator::assembly;
use simulator::draws;
use simulator::fitting::figures;
use simulator::noise::Noise;
use simulator::nominal::NominalLane;
use simulator::physics::training::{Needed, train_coarse_to_fine};
use simulator::physics::{BitDraws, BitVariation, LaneSurface, Link, Mounting, Parameters};
use simulator::target::{MODEL_VERSION, expected_eyes};

#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Kind {
    Single,
    Double,
    Healthy,
    /// The model is wrong for every lane.
    WrongModel,
    WrongModelHealthy,
}

impl Kind {
    pub fn words(self) -> &'static str {
        match self {
            Kind::Single => "one cause",
            Kind::Double => "two causes",
            Kind::Healthy => "healthy",
            Kind::WrongModel => "model wrong for all lanes, one cause",
            Kind::WrongModelHealthy => "model wrong for all lanes, healthy",
        }
    }
}

/// Which extra jobs a setup has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Extra {
    None,
    Jobs,
    /// Those, and one with quiet neighbours.
    WithVictimOnly,
}

/// What was hidden in the lane.
pub struct Hidden {
    pub cause: Cause,
    pub words: String,
    /// Limit boxes gained without it, exact.
    pub gain: f64,
}

pub struct Setup {
    pub seed: u64,
    pub words: String,
    pub lane: usize,
    pub trained: Trained,
    pub hidden: Vec<Hidden>,
    /// The job asked about, then its extra jobs where they are asked for.
    jobs: Vec<SetupJob>,
}

/// One job of a setup.
struct SetupJob {
    model: NominalLane,
    device: EyeCapabilities,
    surfaces: Vec<LaneSurface>,
    operating: Vec<LanePoint>,
}

struct Random(SplitMix64);

impl Random {
    fn uniform(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }
    fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().max(1e-300).ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
    fn of<T: Copy>(&mut self, list: &[T]) -> T {
        list[(self.0.next_u64() % list.len() as u64) as usize]
    }
}

/// How every figure that shapes an eye is scattered, as a standard deviation, and impedances, which are kept more tightly.
const SCATTER: f64 = 0.12;
const IMPEDANCE_SCATTER: f64 = 0.05;

/// A figure of one cause: names, and the largest change (logarithm of the factor; places that the point or the eye moves).
type Change = (Cause, &'static [&'static str], f64);

const CHANGES: [Change; 25] = [
    (Cause::Reflection, &["sock_c_pf"], 3.0),
    (Cause::Reflection, &["brd_z_ohm"], 0.8),
    (Cause::Reflection, &["brd_z_ohm"], -0.8),
    (Cause::Reflection, &["mod_z_ohm"], 0.9),
    (Cause::Reflection, &["conn_c_pf"], 2.0),
    (Cause::Reflection, &["via_c_pf"], 2.6),
    (Cause::Reflection, &["odt_rd_ohm", "odt_wr_ohm"], 1.1),
    (Cause::Reflection, &["riser_z_ohm"], 0.8),
    (Cause::Loss, &["tand_mod", "tand_brd"], 2.4),
    (Cause::Loss, &["tand_brd"], 2.6),
    (Cause::Loss, &["rho20_ohm_m"], 3.6),
    (Cause::Crosstalk, &["xt_line_ps", "xt_conn_ps"], 1.8),
    (Cause::Crosstalk, &["xt_conn_ps"], 2.0),
    (Cause::Crosstalk, &["xt_line_ps"], 3.2),
    (Cause::RandomJitter, &["rj_ps"], 2.2),
    (Cause::RandomJitter, &["rj_ps"], 2.2),
    (Cause::BoundedJitter, &["dj_ps"], 3.0),
    (Cause::BoundedJitter, &["dcd_ps"], 3.0),
    (Cause::Noise, &["rx_noise_mv"], 2.6),
    (Cause::Noise, &["v_dj_mv"], 2.4),
    (Cause::Nonlinearity, &["inl_pp_tap"], 2.1),
    (Cause::Nonlinearity, &["inl_pp_tap"], 2.1),
    (Cause::Centring, &[], 8.0),
    (Cause::Centring, &[], 8.0),
    (Cause::Drift, &[], 10.0),
];

/// Width in UI and height in % VDDQ of the box.
const BOX: (f64, f64) = (0.22, 10.0);
const LIMIT: f64 = 1e-6;
const LANES: u16 = 8;

fn scaled(p: &Parameters, names: &[&str], by: f64) -> Option<Parameters> {
    let mut p = p.clone();
    for name in names {
        let value = p.entries().find(|entry| entry.name == *name)?.value;
        p.set(name, value * by.exp()).ok()?;
    }
    Some(p)
}

/// A lane's exact error ratios.
fn exact(lane: &mut LaneSurface, device: &EyeCapabilities) -> Vec<f64> {
    let grid = device.grid;
    let ratio = |at| {
        let point = grid.point(at);
        lane.ber(point.tap.into(), point.vref.into())
    };
    (0..grid.len()).map(ratio).collect()
}

impl Setup {
    /// A setup of a seed; `None` where the draws make none that counts: no eye to speak of, or a cause that is not strong.
    pub fn new(kind: Kind, seed: u64, extra: Extra) -> Option<Setup> {
        let mut random =
            Random(SplitMix64::new(seed.wrapping_mul(0x9e37_79b9) ^ (kind as u64) << 48 ^ 0x5eed));
        let ddr5 = random.uniform() < 0.4;
        let write = random.uniform() < 0.4;
        let risers = if ddr5 { random.of(&[0, 0, 1]) } else { random.of(&[0, 1, 2, 3]) };
        let rate = if ddr5 {
            random.of(&[4400, 4800, 5200, 5600])
        } else {
            random.of(&[2133, 2400, 2666, 2933, 3200])
        };
        let (generation, rated) = if ddr5 { ("DDR5", 6400) } else { ("DDR4", 3200) };
        let direction = if write { "write" } else { "read" };
        let text = format!(
            "title = \"Why\"\n[interface]\ngeneration = \"{generation}\"\nlanes = {LANES}\n[[chip]]\nname = \"chip {seed}\"\n\
             [[module]]\nname = \"module {seed}\"\nkind = \"UDIMM\"\nrated = {rated}\n[[channel]]\nname = \"channel\"\n\
             risers = {risers}\nfits = [\"UDIMM\"]\n[matrix]\nrate = [{rate}]\n[capture]\ndirections = [\"{direction}\"]\n\
             ber_limit = 1e-6\n[[limit]]\nmetric = \"width\"\ndirection = \"{direction}\"\nminimum = 0.22\nunit = \"UI\"\n\
             source = \"invented\"\n"
        );
        let plan = Plan::read(&text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
        let expansion = expand(&plan, &Selection::default());
        let keys = JobKeys::new(&plan, MODEL_VERSION).expect("finite numbers");
        let executor = Executor::new(&plan, &expansion, &keys);
        let job = *jobs(&plan, &expansion).first().expect("a job");
        let setting: Setting = executor.setting(&expansion.conditions[0], &job, 1);
        let device_of = |setting: &Setting| {
            let direction = if write { Direction::Write } else { Direction::Read };
            let (module, supply) = (&setting.module, &setting.supply);
            let eyes = expected_eyes(&plan.interface, module, setting.rate, supply, &[direction]);
            eyes.into_iter().next().expect("an eye")
        };
        let device = device_of(&setting);
        let mut p = assembly::parameters(plan.interface.generation, []).expect("defaults");
        for figure in figures(plan.interface.generation, &[]).ok()? {
            let sd = match figure.unit.as_str() {
                "ohm" if figure.name.ends_with("_z_ohm") => IMPEDANCE_SCATTER,
                // How long a line is the drawing says.
                "mm" => continue,
                _ => SCATTER,
            };
            p = scaled(&p, &[&figure.name], sd * random.normal().clamp(-2.5, 2.5))?;
        }
        let wrong = matches!(kind, Kind::WrongModel | Kind::WrongModelHealthy);
        if wrong {
            p = scaled(&p, &["dram_t2080_ps", "ctl_t2080_ps"], 1.4f64.ln())?;
            p = scaled(&p, &["brd_z_ohm", "brd_len_mm"], 1.2f64.ln())?;
            p = scaled(&p, &["dram_pkg_z_ohm", "ctl_pkg_z_ohm"], 0.8f64.ln())?;
            p = scaled(&p, &["dram_cio_pf", "ctl_cio_pf"], 1.25f64.ln())?;
            p = scaled(&p, &["sock_l_nh"], 1.6f64.ln())?;
        }
        let phase = random.uniform();
        let skew = random.normal();
        let bits: Vec<BitVariation> = (0..LANES)
            .map(|_| {
                let mut normal = || random.normal();
                let draws = BitDraws {
                    impedance: normal(),
                    capacitance: normal(),
                    length: normal(),
                    bit_skew: normal(),
                    lane_skew: skew,
                    offset: normal(),
                    delay_drift: 0.0,
                    nonlinearity_turn: phase,
                };
                BitVariation::from_draws(&p, device.eye.direction, &draws)
            })
            .collect();
        let eye = device.eye;
        let link_of = |setting: &Setting, p: &Parameters| {
            Link::new(assembly::setup(&plan.interface, setting, eye, p.clone(), Mounting::default(), None))
                .ok()
        };
        let link = |p: &Parameters| link_of(&setting, p);
        let healthy = link(&p)?;
        let mut surfaces: Vec<LaneSurface> =
            bits.iter().map(|bit| healthy.lane(bit).ok()).collect::<Option<Vec<_>>>()?;
        let limit = quantile(LIMIT);
        let grid = device.grid;
        let limits = limit_box(BOX.0 * grid.ui.0, BOX.1 / 100.0 * grid.vddq.0);
        let half = HalfBox::of(&grid, &limits);
        let lane = (random.0.next_u64() % u64::from(LANES)) as usize;
        let base =
            Surface::new(grid.taps.into(), grid.vref_steps.into(), &exact(&mut surfaces[lane], &device))?;
        let open = base.box_about(base.trained(limit)?, half, limit);
        if open < 0.9 {
            return None;
        }
        let causes = match kind {
            Kind::Healthy | Kind::WrongModelHealthy => 0,
            Kind::Double => 2,
            _ => 1,
        };
        let mut faulty = p.clone();
        let mut chosen: Vec<(Change, f64)> = Vec::new();
        let (mut moved, mut drifted) = ((0.0, 0.0), 0.0);
        let phase_own = random.uniform();
        let mut fault_bit = bits[lane];
        while chosen.len() < causes {
            let change = random.of(&CHANGES);
            if chosen.iter().any(|(other, ..)| other.0 == change.0)
                || (change.1 == ["riser_z_ohm"] && risers == 0)
            {
                continue;
            }
            if kind == Kind::Double && matches!(change.0, Cause::Centring | Cause::Drift) {
                continue;
            }
            let size = random.between(0.25, 1.0) * change.2;
            chosen.push((change, size));
            match change.0 {
                Cause::Centring => {
                    let angle = random.between(0.0, std::f64::consts::TAU);
                    // On a DDR4 write the device's Vref serves all its lanes; the lane alone moves in time only.
                    moved = (size * angle.cos() * 0.7, if write && !ddr5 { 0.0 } else { size * angle.sin() });
                }
                Cause::Drift => drifted = size * if random.uniform() < 0.5 { 1.0 } else { -1.0 },
                Cause::Nonlinearity => {
                    faulty = scaled(&faulty, change.1, size)?;
                    fault_bit.inl_phase_rad = std::f64::consts::TAU * phase_own;
                }
                _ => faulty = scaled(&faulty, change.1, size)?,
            }
        }
        surfaces[lane] = link(&faulty)?.lane(&fault_bit).ok()?;
        let needed = Needed::default();
        let mut operating = Vec::new();
        for surface in &mut surfaces {
            let at = train_coarse_to_fine(surface, LIMIT, needed).ok()?;
            let landed = |at: usize, most: u16, random: &mut Random| {
                (at as f64 + 0.35 * random.normal()).round().clamp(0.0, f64::from(most - 1)) as u16
            };
            operating.push(LanePoint {
                tap: landed(at.tap, grid.taps, &mut random),
                vref: landed(at.vref, grid.vref_steps, &mut random),
            });
        }
        if write && !ddr5 {
            let mean = operating.iter().map(|at| f64::from(at.vref)).sum::<f64>() / f64::from(LANES);
            operating.iter_mut().for_each(|at| at.vref = mean.round() as u16);
        }
        let at = &mut operating[lane];
        at.tap = (f64::from(at.tap) + moved.0).round().clamp(0.0, f64::from(grid.taps - 1)) as u16;
        at.vref = (f64::from(at.vref) + moved.1).round().clamp(0.0, f64::from(grid.vref_steps - 1)) as u16;
        let held = drifted != 0.0;
        if held {
            surfaces[lane].set_shift(drifted * grid.tap_step.0 / grid.ui.0);
        }
        // A DDR4 DRAM has one write Vref: a lane trained anew moves in time only.
        let by = Trained { held, shared_vref: write && !ddr5 };
        let ratios = exact(&mut surfaces[lane], &device);
        let truth = TrueLane::new(&grid, &ratios, operating[lane], &limits, LIMIT, by)?;
        let (now, retrained) = (truth.box_now(), truth.retraining());
        let mut hidden = Vec::new();
        for (number, (change, size)) in chosen.iter().enumerate() {
            let gain = if matches!(change.0, Cause::Centring | Cause::Drift) {
                retrained
            } else {
                // Everything but this one.
                let mut without = p.clone();
                for (other, (change, size)) in chosen.iter().enumerate() {
                    if other != number && !change.1.is_empty() {
                        without = scaled(&without, change.1, *size)?;
                    }
                }
                let bit = if change.0 == Cause::Nonlinearity { bits[lane] } else { fault_bit };
                let mut other = link(&without)?.lane(&bit).ok()?;
                truth.with(&grid, &exact(&mut other, &device))?
            };
            hidden.push(Hidden { cause: change.0, words: format!("{} {size:.2}", change.1.join("+")), gain });
        }
        hidden.sort_by(|a, b| b.gain.total_cmp(&a.gain));
        if causes > 0 {
            let strong = match kind {
                Kind::Double => hidden[1].gain >= 0.3 && hidden[0].gain >= 0.5,
                _ => hidden[0].gain >= 0.5,
            };
            let second =
                if matches!(hidden[0].cause, Cause::Centring | Cause::Drift) { 0.0 } else { retrained };
            if !strong || hidden[0].gain < 1.8 * second || now < 0.05 {
                return None;
            }
        }
        let model = |setting: &Setting| NominalLane::new(&plan.interface, setting, &[], None).ok();
        let words = format!("{generation}-{rate} {direction} {risers} risers, box {open:.2} to {now:.2}");
        let shift_ps = drifted * grid.tap_step.0;
        let mut jobs =
            vec![SetupJob { model: model(&setting)?, device, surfaces, operating: operating.clone() }];
        let settings = extra_settings(&setting, extra);
        for other in settings {
            let device = device_of(&other);
            let (healthy, faulty) = (link_of(&other, &p)?, link_of(&other, &faulty)?);
            let mut surfaces: Vec<LaneSurface> =
                bits.iter().map(|bit| healthy.lane(bit).ok()).collect::<Option<Vec<_>>>()?;
            surfaces[lane] = faulty.lane(&fault_bit).ok()?;
            if held {
                surfaces[lane].set_shift(shift_ps / device.grid.ui.0);
            }
            let mut at = operating.clone();
            // Another rate is trained anew; a lane that does not train there is left where it was.
            if other.rate != setting.rate {
                for (at, surface) in at.iter_mut().zip(&mut surfaces) {
                    if let Ok(there) = train_coarse_to_fine(surface, LIMIT, needed) {
                        *at = LanePoint { tap: there.tap as u16, vref: there.vref as u16 };
                    }
                }
            }
            jobs.push(SetupJob { model: model(&other)?, device, surfaces, operating: at });
        }
        Some(Setup { seed, words, lane, trained: by, hidden, jobs })
    }

    pub fn limits(&self) -> Mask {
        let grid = self.jobs[0].device.grid;
        limit_box(BOX.0 * grid.ui.0, BOX.1 / 100.0 * grid.vddq.0)
    }

    /// The model of each job's nominal lane.
    pub fn models(&self) -> impl Iterator<Item = &NominalLane> {
        self.jobs.iter().map(|job| &job.model)
    }

    /// The counts of each job's eye, as a run captures them.
    pub fn captures(&mut self) -> Vec<Capture> {
        let rule = PointRule::sequential(LIMIT, 0.95);
        let options = CaptureOptions::new(CaptureMode::Exact, rule);
        let lanes: Vec<u16> = (0..LANES).collect();
        let seed = self.seed.to_le_bytes();
        let number = 0u64..;
        self.jobs
            .iter_mut()
            .zip(number)
            .map(|(job, number)| {
                let number = number.to_le_bytes();
                let mut words: Vec<&[u8]> = vec![b"why bench", &seed];
                if number != [0; 8] {
                    words.push(&number);
                }
                let key = draws::key(&words);
                let mut asked = Lanes { surfaces: &mut job.surfaces, noise: Noise::new(key), prepared: None };
                capture(&mut asked, &job.device, &lanes, &job.operating, &options).expect("captured")
            })
            .collect()
    }
}

/// The settings of the extra jobs: as [`plan::diagnosis`] has them.
fn extra_settings(base: &Setting, extra: Extra) -> Vec<Setting> {
    if extra == Extra::None {
        return Vec::new();
    }
    let mut patterns: Vec<Pattern> = ["01", "1", "0"].map(|bits| Pattern::Fixed(bits.into())).into();
    if extra == Extra::WithVictimOnly {
        patterns.push(Pattern::VictimOnly);
    }
    let slower = lower_rate(base.rate).map(|rate| Setting { rate, ..base.clone() });
    let of_pattern = patterns.into_iter().map(|pattern| Setting { pattern, ..base.clone() });
    slower.into_iter().chain(of_pattern).collect()
}

/// The lanes as a target that samples them.
struct Lanes<'s> {
    surfaces: &'s mut [LaneSurface],
    noise: Noise,
    prepared: Option<(PointRule, PreparedRule)>,
}

impl Sampler for Lanes<'_> {
    fn sample(&mut self, points: &[PointRequest]) -> Result<Vec<PointCounts>, DriverError> {
        let mut answers = Vec::new();
        for request in points {
            let point = request.point;
            let mut noise = self.noise.point(point.tap, point.vref, request.series);
            let mut lanes: Vec<_> = (0u16..)
                .zip(self.surfaces.iter_mut())
                .map(|(lane, surface)| noise.lane(lane, surface.ber(point.tap.into(), point.vref.into())))
                .collect();
            let rule = match &mut self.prepared {
                Some((rule, ready)) if *rule == request.rule => ready,
                other => &mut other.insert((request.rule, request.rule.prepare())).1,
            };
            let decided = request
                .lanes
                .iter()
                .map(|lane| lanes[usize::from(lane)].decided_at(rule, request.bits_before))
                .max()
                .unwrap_or(request.bits_before);
            let new = decided.saturating_sub(request.bits_before).max(16).min(request.most_bits.max(16));
            let total = request.bits_before + new.div_ceil(16) * 16;
            let errors = lanes
                .iter_mut()
                .enumerate()
                .map(|(lane, errors)| {
                    errors.count(total).saturating_sub(request.errors_before.get(lane).copied().unwrap_or(0))
                })
                .collect();
            answers.push(PointCounts { bits: total - request.bits_before, errors });
        }
        Ok(answers)
    }
}
