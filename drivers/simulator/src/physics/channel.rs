//! Transfer function of one data line at a list of frequencies; what does not depend on the bit is computed once.

use super::conditions::{Drifted, OperatingPoint};
use super::error::PhysicsError;
use super::line::{Material, MaterialAt};
use super::numbers::{Number, Numbers, PLACES, Real, Reals};
use super::parameters::Parameters;
use super::path::{Element, Layout, LineMaterial, Path};
use super::pattern::Pattern;
use super::pulse::{Edge, Edges};
use super::twoport::{Abcd, Complex};
use super::variation::{BitVariation, Mounting};
use crate::wide::wide;
use nightbench_core::generations::Signalling;
use nightbench_core::results::Direction;
use std::array::from_fn;
use std::f64::consts::TAU;

/// Equalization at the receiver.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Dfe {
    /// None.
    Off,
    /// Four-tap decision feedback, adapted per bit.
    FourTap,
}

/// Everything that is common to the lanes of one capture.
#[derive(Debug, Clone, PartialEq)]
pub struct Setup {
    /// The model's figures.
    pub parameters: Parameters,
    /// What is fitted.
    pub path: Path,
    /// How its lines are driven and terminated.
    pub signalling: Signalling,
    /// How the contacts sit in this mounting.
    pub mounting: Mounting,
    /// Which end drives.
    pub direction: Direction,
    /// Rate, temperatures, supply.
    pub operating_point: OperatingPoint,
    /// What is sent.
    pub pattern: Pattern,
    /// Receiver equalization.
    pub dfe: Dfe,
}

impl Setup {
    /// A read of `path`, terminated to VDDQ, with random data, nominal contacts and no DFE.
    #[must_use]
    pub fn read(parameters: Parameters, path: Path, operating_point: OperatingPoint) -> Self {
        Setup {
            parameters,
            path,
            signalling: Signalling::Pod,
            mounting: Mounting::default(),
            direction: Direction::Read,
            operating_point,
            pattern: Pattern::Prbs,
            dfe: Dfe::Off,
        }
    }

    /// Checks every part.
    ///
    /// # Errors
    /// The first thing found wrong.
    pub fn validate(&self) -> Result<(), PhysicsError> {
        self.parameters.validate()?;
        self.path.validate()?;
        self.mounting.validate()?;
        self.operating_point.validate()?;
        self.pattern.validate()?;
        if let Some(measured) = &self.path.measured {
            let (reach, need) = (measured.two_port.highest_hz(), self.operating_point.data_rate_bps);
            if reach < need {
                return Err(PhysicsError::Inconsistent(format!(
                    "the measured two-port ends at {:.3} GHz; at {:.0} Mbit/s it has to reach {:.3} GHz \
                     (one over the unit interval): measure further up or lower the rate",
                    reach * 1e-9,
                    need * 1e-6,
                    need * 1e-9
                )));
            }
        }
        Ok(())
    }
}

/// Frequency-dependent figures of one setup, shared by its bits.
#[derive(Debug, Clone)]
pub struct Channel {
    setup: Setup,
    drifted: Drifted,
    /// How many frequencies; the last band repeats the last one.
    count: usize,
    bands: Vec<Band>,
}

/// What stands at [`PLACES`] frequencies.
#[derive(Debug, Clone)]
struct Band {
    omega: Reals,
    package: MaterialAt<Numbers>,
    module: MaterialAt<Numbers>,
    board: MaterialAt<Numbers>,
    riser: MaterialAt<Numbers>,
    adapter: MaterialAt<Numbers>,
    /// The measured two-port and its determinant.
    measured: Option<(Abcd<Numbers>, Numbers)>,
}

impl Band {
    fn material(&self, which: LineMaterial) -> &MaterialAt<Numbers> {
        match which {
            LineMaterial::Package => &self.package,
            LineMaterial::Module => &self.module,
            LineMaterial::Board => &self.board,
            LineMaterial::Riser => &self.riser,
            LineMaterial::Adapter => &self.adapter,
        }
    }
}

impl Channel {
    /// Prepares `setup` at `frequencies_hz`.
    ///
    /// # Errors
    /// Whatever [`Setup::validate`] or the drift coefficients refuse.
    pub fn new(setup: Setup, frequencies_hz: &[f64]) -> Result<Self, PhysicsError> {
        setup.validate()?;
        let drifted =
            Drifted::new(&setup.parameters, &setup.operating_point, setup.path.kind, setup.direction)?;
        let m = &drifted.materials;
        let measured = setup.path.measured.as_ref().map(|found| &found.two_port);
        let bands = frequencies_hz
            .chunks(PLACES)
            .map(|few| {
                let f: [f64; PLACES] = from_fn(|at| few[at.min(few.len() - 1)]);
                let of = |material: &Material| MaterialAt::beside(&f.map(|f| material.at(f)));
                Band {
                    omega: Reals(f.map(|f| TAU * f)),
                    package: of(&m.package),
                    module: of(&m.module),
                    board: of(&m.board),
                    riser: of(&m.riser),
                    adapter: of(&m.adapter),
                    measured: measured.map(|found| {
                        let determinants = Numbers::from_places(|at| found.determinant_at(f[at]));
                        (Abcd::beside(&f.map(|f| found.abcd_at(f))), determinants)
                    }),
                }
            })
            .collect();
        Ok(Channel { setup, drifted, count: frequencies_hz.len(), bands })
    }

    /// The setup this channel was made of.
    #[must_use]
    pub fn setup(&self) -> &Setup {
        &self.setup
    }

    /// The figures at the operating point.
    #[must_use]
    pub fn drifted(&self) -> &Drifted {
        &self.drifted
    }

    /// H at every frequency for one bit: voltage at the receiving pad per volt of the source behind its resistance.
    ///
    /// # Errors
    /// [`PhysicsError::OutOfRange`] for an impossible deviation.
    pub fn transfer(&self, bit: &BitVariation) -> Result<Vec<Complex>, PhysicsError> {
        bit.validate(self.setup.parameters.brd_len_mm * 1e-3)?;
        let layout = self.setup.path.layout(&self.setup.parameters, &self.drifted, bit, &self.setup.mounting);
        let ron = self.drifted.ron_ohm;
        // A fly-by line ends behind its last package, not where it is seen.
        let far_end = self.setup.path.command.is_some_and(|line| line.fly_by);
        let rodt = if far_end { f64::INFINITY } else { self.drifted.rodt_ohm };
        let mut lines = vec![Abcd::identity(); layout.lines.len()];
        let mut out = Vec::with_capacity(self.bands.len() * PLACES);
        for band in &self.bands {
            let transfer = wide(
                #[inline(always)]
                || {
                    fill_lines(&mut lines, &layout, band);
                    let chain = cascade(&layout.elements, band, &lines);
                    match self.setup.direction {
                        Direction::Read => chain.transfer(ron, rodt),
                        Direction::Write | Direction::Command => {
                            let determinant =
                                band.measured.map_or(Numbers::of(Complex::ONE), |found| found.1);
                            chain.reversed(determinant).transfer(ron, rodt)
                        }
                    }
                },
            );
            out.extend(transfer.places());
        }
        out.truncate(self.count);
        Ok(out)
    }

    /// Voltage of one bit's receiving pad per volt of a neighbour's source, by the coupling that was measured; `None` where none
    /// was.
    ///
    /// # Errors
    /// [`PhysicsError::OutOfRange`] for an impossible deviation.
    pub fn coupling(&self, bit: &BitVariation) -> Result<Option<Vec<Complex>>, PhysicsError> {
        let Some(coupling) = self.setup.path.measured.as_ref().and_then(|found| found.coupling.as_ref())
        else {
            return Ok(None);
        };
        bit.validate(self.setup.parameters.brd_len_mm * 1e-3)?;
        let layout = self.layout(bit);
        let place = layout.elements.iter().position(|element| *element == Element::Measured);
        let (module, chip) = layout.elements.split_at(place.unwrap_or(layout.elements.len()));
        let chip = chip.get(1..).unwrap_or_default();
        let one = Numbers::of(Complex::ONE);
        let write = self.setup.direction != Direction::Read;
        let ohm = (self.drifted.ron_ohm, self.drifted.rodt_ohm);
        let mut lines = vec![Abcd::identity(); layout.lines.len()];
        let mut out = Vec::with_capacity(self.bands.len() * PLACES);
        for band in &self.bands {
            let (front, back) = wide(
                #[inline(always)]
                || {
                    fill_lines(&mut lines, &layout, band);
                    let (module, chip) = (cascade(module, band, &lines), cascade(chip, band, &lines));
                    if write { (chip.reversed(one), module.reversed(one)) } else { (module, chip) }
                },
            );
            out.extend((0..PLACES).map(|at| {
                coupling.transfer(band.omega.0[at] / TAU, write, (front.place(at), back.place(at)), ohm)
            }));
        }
        out.truncate(self.count);
        Ok(Some(out))
    }

    /// Rising and falling edges of one bit; alike unless the figures say otherwise.
    ///
    /// The pull-up drives the rising edge and holds the 1, the pull-down the falling one and the 0. A line that ends at VDDQ
    /// has its swing from the pull-down, one that ends at ground from the pull-up, one that ends at half of VDDQ from both.
    ///
    /// # Errors
    /// [`PhysicsError::OutOfRange`] for an impossible deviation.
    pub fn edges(&self, bit: &BitVariation) -> Result<Edges, PhysicsError> {
        let p = &self.setup.parameters;
        let transfer = |share: f64| {
            let mut driven = self.clone();
            driven.drifted.ron_ohm *= 1.0 + 0.5 * share;
            driven.transfer(bit)
        };
        let (up, down) = if p.ron_skew == 0.0 {
            let both = self.transfer(bit)?;
            (both.clone(), both)
        } else {
            (transfer(p.ron_skew)?, transfer(-p.ron_skew)?)
        };
        let level = |transfer: &[Complex]| transfer.first().map_or(0.0, |h| h.re);
        let (high, low) = (level(&up), level(&down));
        let (h0, middle_shift) = match self.setup.signalling {
            Signalling::Pod => (low, 0.0),
            Signalling::Lvstl => (high, 0.0),
            Signalling::Sstl => (0.5 * (high + low), 0.25 * (high - low)),
        };
        let edge = |transfer: Vec<Complex>, own: f64, share: f64| Edge {
            transfer,
            t2080_s: self.drifted.t2080_s * (1.0 + 0.5 * share),
            level: if own > 0.0 { h0 / own } else { 1.0 },
        };
        Ok(Edges { rise: edge(up, high, p.edge_skew), fall: edge(down, low, -p.edge_skew), h0, middle_shift })
    }

    /// The elements of one bit's path.
    #[must_use]
    pub fn layout(&self, bit: &BitVariation) -> Layout {
        self.setup.path.layout(&self.setup.parameters, &self.drifted, bit, &self.setup.mounting)
    }
}

#[inline(always)]
fn fill_lines(lines: &mut [Abcd<Numbers>], layout: &Layout, band: &Band) {
    for (slot, line) in lines.iter_mut().zip(&layout.lines) {
        *slot = band.material(line.material).line(line.z0_ohm, line.length_m);
    }
}

/// Elements one after the other, from the driver's side.
#[inline(always)]
fn cascade(elements: &[Element], band: &Band, lines: &[Abcd<Numbers>]) -> Abcd<Numbers> {
    // Two levels of stubs are compiled in, on wide vectors; any further ones are computed alike.
    chain(elements, band, lines, |stub| chain(stub, band, lines, |further| deeper(further, band, lines)))
}

fn deeper(elements: &[Element], band: &Band, lines: &[Abcd<Numbers>]) -> Abcd<Numbers> {
    chain(elements, band, lines, |further| deeper(further, band, lines))
}

#[inline(always)]
fn chain(
    elements: &[Element],
    band: &Band,
    lines: &[Abcd<Numbers>],
    stub: impl Fn(&[Element]) -> Abcd<Numbers>,
) -> Abcd<Numbers> {
    let mut chain = Abcd::identity();
    for element in elements {
        chain = match element {
            Element::Shunt(farad) => chain.then_susceptance(band.omega * Reals::of(*farad)),
            Element::Series(ohm, henry) => chain.then_rl(*ohm, band.omega * Reals::of(*henry)),
            Element::Line(index) => chain.then(&lines[*index]),
            Element::Stub(inner, load) => {
                chain.then_shunt(stub(inner).input_admittance(Numbers::of(Complex::from(*load))))
            }
            Element::Measured => match &band.measured {
                Some((two_port, _)) => chain.then(two_port),
                None => chain,
            },
        };
    }
    chain
}
