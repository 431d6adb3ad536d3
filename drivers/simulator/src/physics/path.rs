//! What lies between the memory's pad and the controller's pad on one data line, and its list of elements.

use super::conditions::Drifted;
use super::coupled::MeasuredCoupling;
use super::error::PhysicsError;
use super::measured::MeasuredTwoPort;
use super::parameters::Parameters;
use super::variation::{BitVariation, Contact, Mounting};
use nightbench_core::devices::{BusKind, ChannelSegment, SecondSlot};

/// A measured two-port that stands in for one or more neighbouring segments.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// The measurement; port 1 on the module's side, port 2 on the chip's.
    pub two_port: MeasuredTwoPort,
    /// The segments it stands in for: neighbours, at least one.
    pub replaces: Vec<ChannelSegment>,
    /// Measured coupling of a neighbour, in place of that of the modelled segments it stands in for.
    pub coupling: Option<MeasuredCoupling>,
}

/// What terminates a pad that is not addressed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Load {
    Off,
    /// The model's `odt_park_ohm`.
    Park,
    /// This resistance at calibration, ohm.
    Ohm(f64),
}

impl Load {
    /// Conductance, S.
    fn siemens(self, drifted: &Drifted) -> f64 {
        match self {
            Load::Off => 0.0,
            Load::Park => 1.0 / drifted.park_ohm,
            Load::Ohm(ohm) => 1.0 / (ohm * drifted.odt_factor),
        }
    }
}

/// A line of the command bus.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CommandLine {
    /// Packages (or a register) on it.
    pub loads: u16,
    /// Which of them sees the eye, from the controller's side, from 0.
    pub seen_at: u16,
    /// It runs from package to package and ends behind the last; else every load hangs at the end, and the one that sees the eye
    /// terminates it.
    pub fly_by: bool,
}

/// One data line's way from the memory to the controller, or a command line's.
#[derive(Debug, Clone, PartialEq)]
pub struct Path {
    /// The module as this line sees it. A register re-drives only command and address: on the data line an RDIMM is a UDIMM.
    pub kind: BusKind,
    /// Package ranks: 1, 2 or 4. Further ranks are stubs at the ball; not seen behind a data buffer.
    pub ranks: u8,
    /// Termination of the module's ranks that are not addressed.
    pub other_ranks: Load,
    /// Risers between module and board, 0 to 3.
    pub risers: u8,
    /// An adapter card from a SODIMM's to the full-size connector.
    pub adapter: bool,
    /// The board's second slot.
    pub second_slot: SecondSlot,
    /// Termination of a module in the second slot.
    pub other_module: Load,
    /// A measurement in place of modelled segments.
    pub measured: Option<Measured>,
    /// A command line in place of a data line.
    pub command: Option<CommandLine>,
}

/// One lumped or distributed element; SI units.
#[derive(Debug, Clone, PartialEq)]
pub enum Element {
    /// Shunt capacitance, F.
    Shunt(f64),
    /// Series resistance (ohm) and inductance (H).
    Series(f64, f64),
    /// Line, as an index into [`Layout::lines`].
    Line(usize),
    /// Shunt stub: its own elements from the tap outwards, and the conductance (S) at its end.
    Stub(Vec<Element>, f64),
    /// The measured two-port.
    Measured,
}

/// Which material a line is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineMaterial {
    Package,
    Module,
    Board,
    Riser,
    Adapter,
}

/// A line of the layout.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineSpec {
    pub material: LineMaterial,
    /// Nominal impedance with the bit's deviation, ohm.
    pub z0_ohm: f64,
    pub length_m: f64,
}

/// The elements from the memory's pad to the controller's pad; equal lines are listed once.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Layout {
    /// Distinct lines.
    pub lines: Vec<LineSpec>,
    /// Elements in order, memory first.
    pub elements: Vec<Element>,
}

impl Path {
    /// A module of `kind`, one rank, straight into the board, single slot.
    #[must_use]
    pub fn direct(kind: BusKind) -> Self {
        Path {
            kind,
            ranks: 1,
            other_ranks: Load::Off,
            risers: 0,
            adapter: false,
            second_slot: SecondSlot::None,
            other_module: Load::Park,
            measured: None,
            command: None,
        }
    }

    /// Connectors between module and chip that couple neighbouring bits: the board's, the risers', the adapter's.
    #[must_use]
    pub fn connectors(&self) -> u32 {
        u32::from(self.kind != BusKind::Soldered) + u32::from(self.risers) + u32::from(self.adapter)
    }

    /// Forward coupling time of what is modelled, ps: the lines' (they count with the board) and each connector's. What was
    /// measured with its coupling is not modelled a second time.
    #[must_use]
    pub fn coupling_ps(&self, p: &Parameters) -> f64 {
        let replaced = |segment: ChannelSegment| {
            self.measured
                .as_ref()
                .is_some_and(|found| found.coupling.is_some() && found.replaces.contains(&segment))
        };
        let mut connectors = self.connectors();
        for (segment, count) in [
            (ChannelSegment::Connector, u32::from(self.kind != BusKind::Soldered)),
            (ChannelSegment::Risers, u32::from(self.risers)),
            (ChannelSegment::Adapter, u32::from(self.adapter)),
        ] {
            if replaced(segment) {
                connectors -= count;
            }
        }
        let lines_ps = if replaced(ChannelSegment::Board) { 0.0 } else { p.xt_line_ps };
        lines_ps + f64::from(connectors) * p.xt_conn_ps
    }

    /// Refuses what cannot be fitted.
    ///
    /// # Errors
    /// [`PhysicsError`] naming the part.
    pub fn validate(&self) -> Result<(), PhysicsError> {
        if ![1, 2, 4].contains(&self.ranks) {
            return Err(PhysicsError::Inconsistent(format!(
                "the module has {} package ranks; the model knows 1, 2 or 4",
                self.ranks
            )));
        }
        if self.risers > 3 {
            return Err(PhysicsError::Inconsistent(format!(
                "the channel has {} risers; the model covers 0 to 3: give a measured two-port for a longer one",
                self.risers
            )));
        }
        if self.kind.is_point_to_point()
            && (self.risers > 0 || self.adapter || self.second_slot != SecondSlot::None)
        {
            return Err(PhysicsError::Inconsistent(format!(
                "a {} device stands alone at the end of its lines: no riser, adapter card or second slot",
                self.kind.name()
            )));
        }
        if let Some(measured) = &self.measured {
            let mut sorted = measured.replaces.clone();
            sorted.sort();
            sorted.dedup();
            let neighbours = sorted.windows(2).all(|pair| match pair {
                [a, b] => *b as u8 == *a as u8 + 1,
                _ => true,
            });
            if sorted.is_empty() || !neighbours {
                return Err(PhysicsError::Inconsistent(format!(
                    "the measured two-port replaces {:?}; it has to replace neighbouring segments, at least one \
                     (order: adapter, risers, connector, second slot, board, socket)",
                    measured.replaces
                )));
            }
        }
        Ok(())
    }

    /// The elements of this path for one bit in one mounting.
    #[must_use]
    pub fn layout(
        &self,
        p: &Parameters,
        drifted: &Drifted,
        bit: &BitVariation,
        mounting: &Mounting,
    ) -> Layout {
        let mut build = Builder { p, drifted, bit, layout: Layout::default() };
        let mut out = match &self.command {
            Some(line) => build.command(self.kind, line),
            None => build.module(self),
        };
        let segments: [(ChannelSegment, Vec<Element>); 6] = [
            (
                ChannelSegment::Adapter,
                if self.adapter { build.adapter(&mounting.adapter) } else { Vec::new() },
            ),
            (ChannelSegment::Risers, build.risers(&mounting.risers, usize::from(self.risers))),
            (ChannelSegment::Connector, build.board_connector(self.kind, &mounting.board)),
            // Each slot has command lines of its own.
            (
                ChannelSegment::SecondSlot,
                if self.command.is_some() { Vec::new() } else { build.second_slot(self) },
            ),
            (ChannelSegment::Board, vec![build.board()]),
            (
                ChannelSegment::Socket,
                if self.kind.is_point_to_point() { Vec::new() } else { build.socket(&mounting.socket) },
            ),
        ];
        let mut placed = false;
        for (segment, elements) in segments {
            match &self.measured {
                Some(measured) if measured.replaces.contains(&segment) => {
                    if !placed {
                        out.push(Element::Measured);
                        placed = true;
                    }
                }
                _ => out.extend(elements),
            }
        }
        out.extend(build.controller());
        build.layout.elements = out;
        build.layout
    }
}

struct Builder<'a> {
    p: &'a Parameters,
    drifted: &'a Drifted,
    bit: &'a BitVariation,
    layout: Layout,
}

impl Builder<'_> {
    fn line(&mut self, material: LineMaterial, z_ohm: f64, length_m: f64) -> Element {
        let spec = LineSpec { material, z0_ohm: z_ohm * self.bit.z_scale, length_m };
        let known = self.layout.lines.iter().position(|other| *other == spec);
        Element::Line(known.unwrap_or_else(|| {
            self.layout.lines.push(spec);
            self.layout.lines.len() - 1
        }))
    }

    fn pad(&self, picofarad: f64) -> Element {
        Element::Shunt(picofarad * 1e-12 * self.bit.c_scale)
    }

    /// Package line and pad capacitance of the memory.
    fn die(&mut self, stacked: bool) -> (Element, Element) {
        let p = self.p;
        let (delay_ps, cio_pf) =
            if stacked { (p.stack_pkg_t_ps, p.stack_cio_pf) } else { (p.dram_pkg_t_ps, p.dram_cio_pf) };
        let length = self.drifted.materials.package.length_of_delay(delay_ps * 1e-12);
        (self.line(LineMaterial::Package, p.dram_pkg_z_ohm, length), self.pad(cio_pf))
    }

    /// Package line, pad capacitance and module line of a data buffer.
    fn buffer(&mut self) -> (Element, Element, Element) {
        let p = self.p;
        let length = self.drifted.materials.package.length_of_delay(p.db_pkg_t_ps * 1e-12);
        let package = self.line(LineMaterial::Package, p.db_pkg_z_ohm, length);
        let stub = self.line(LineMaterial::Module, p.mod_z_ohm, p.db_stub_mm * 1e-3);
        (package, self.pad(p.db_cio_pf), stub)
    }

    fn module_line(&mut self, kind: BusKind) -> Element {
        let p = self.p;
        let length_mm = if kind == BusKind::SmallOutline { p.so_mod_len_mm } else { p.mod_len_mm };
        self.line(LineMaterial::Module, p.mod_z_ohm, length_mm * 1e-3)
    }

    /// Items 1 to 7: pad, package, ranks, module line, series resistor, edge finger. A soldered device has no more than its
    /// via; a compression connector touches the module line's end.
    fn module(&mut self, path: &Path) -> Vec<Element> {
        let p = self.p;
        let finger = Element::Shunt(p.pad_c_pf * 1e-12);
        if path.kind == BusKind::LoadReduced {
            let (package, pad, stub) = self.buffer();
            return vec![pad, package, stub, finger];
        }
        let (package, pad) = self.die(path.kind == BusKind::Stacked);
        let mut out = vec![pad.clone(), package.clone()];
        for _ in 1..path.ranks {
            let load = path.other_ranks.siemens(self.drifted);
            out.push(Element::Stub(vec![package.clone(), pad.clone()], load));
        }
        out.push(Element::Shunt(p.via_c_pf * 1e-12));
        if path.kind == BusKind::Soldered {
            return out;
        }
        out.push(self.module_line(path.kind));
        if path.kind == BusKind::Compression {
            return out;
        }
        out.push(Element::Series(p.r_stub_ohm, 0.0));
        out.push(finger);
        out
    }

    /// A command line from the package that sees the eye to the module's edge.
    fn command(&mut self, kind: BusKind, command: &CommandLine) -> Vec<Element> {
        let p = self.p;
        let length = self.drifted.materials.package.length_of_delay(p.dram_pkg_t_ps * 1e-12);
        let package = self.line(LineMaterial::Package, p.dram_pkg_z_ohm, length);
        let pad = self.pad(p.ca_cin_pf);
        let other = Element::Stub(vec![package.clone(), pad.clone()], 0.0);
        let mut out = vec![pad, package];
        if command.fly_by {
            let length = self.drifted.materials.module.length_of_delay(p.flyby_ps * 1e-12);
            let section = self.line(LineMaterial::Module, p.ca_z_ohm, length);
            let further = command.loads.saturating_sub(command.seen_at + 1);
            let beyond = (0..further).flat_map(|_| [section.clone(), other.clone()]).collect();
            out.push(Element::Stub(beyond, 1.0 / self.drifted.rodt_ohm));
            for _ in 0..command.seen_at.min(command.loads) {
                out.extend([section.clone(), other.clone()]);
            }
        } else {
            out.extend((1..command.loads).map(|_| other.clone()));
        }
        out.push(Element::Shunt(p.via_c_pf * 1e-12));
        if kind != BusKind::Soldered {
            out.push(self.module_line(kind));
        }
        if !kind.is_point_to_point() {
            out.push(Element::Shunt(p.pad_c_pf * 1e-12));
        }
        out
    }

    fn connector(l_nh: f64, c_pf: f64, board_side_pf: f64, contact: &Contact) -> [Element; 3] {
        let half = 0.5 * c_pf * 1e-12 * contact.c_scale;
        [
            Element::Shunt(half),
            Element::Series(contact.series_ohm, l_nh * 1e-9 * contact.l_scale),
            Element::Shunt(half + board_side_pf * 1e-12),
        ]
    }

    fn adapter(&mut self, contact: &Contact) -> Vec<Element> {
        let p = self.p;
        let mut out = Self::connector(p.so_conn_l_nh, p.so_conn_c_pf, p.pad_c_pf, contact).to_vec();
        out.push(self.line(LineMaterial::Adapter, p.adapt_z_ohm, p.adapt_len_mm * 1e-3));
        out.push(Element::Shunt(p.pad_c_pf * 1e-12));
        out
    }

    fn risers(&mut self, contacts: &[Contact], count: usize) -> Vec<Element> {
        let p = self.p;
        let mut out = Vec::new();
        for contact in contacts.iter().take(count) {
            out.extend(Self::connector(p.conn_l_nh, p.conn_c_pf, p.pad_c_pf, contact));
            out.push(self.line(LineMaterial::Riser, p.riser_z_ohm, p.riser_len_mm * 1e-3));
            out.push(Element::Shunt(p.pad_c_pf * 1e-12));
        }
        out
    }

    fn board_connector(&mut self, kind: BusKind, contact: &Contact) -> Vec<Element> {
        let p = self.p;
        match kind {
            BusKind::Soldered => Vec::new(),
            BusKind::Compression => Self::connector(p.camm_l_nh, p.camm_c_pf, p.via_c_pf, contact).to_vec(),
            _ => Self::connector(p.conn_l_nh, p.conn_c_pf, p.via_c_pf, contact).to_vec(),
        }
    }

    fn second_slot(&mut self, path: &Path) -> Vec<Element> {
        let p = self.p;
        if path.second_slot == SecondSlot::None {
            return Vec::new();
        }
        let half = 0.5 * p.conn_c_pf * 1e-12;
        let mut stub = vec![
            self.line(LineMaterial::Board, p.brd_z_ohm, p.slot2_len_mm * 1e-3),
            Element::Shunt(p.via_c_pf * 1e-12 + half),
            Element::Series(0.0, p.conn_l_nh * 1e-9),
            Element::Shunt(half),
        ];
        let mut load = 0.0;
        if path.second_slot == SecondSlot::Populated {
            load = path.other_module.siemens(self.drifted);
            stub.push(Element::Shunt(p.pad_c_pf * 1e-12));
            if path.kind == BusKind::LoadReduced {
                let (package, pad, line) = self.buffer();
                stub.extend([line, package, pad]);
            } else {
                let (package, pad) = self.die(path.kind == BusKind::Stacked);
                stub.push(Element::Series(p.r_stub_ohm, 0.0));
                stub.push(self.module_line(path.kind));
                stub.extend([package, pad]);
            }
        }
        vec![Element::Stub(stub, load)]
    }

    fn board(&mut self) -> Element {
        let length = self.p.brd_len_mm * 1e-3 + self.bit.extra_length_m;
        self.line(LineMaterial::Board, self.p.brd_z_ohm, length)
    }

    fn socket(&mut self, contact: &Contact) -> Vec<Element> {
        Self::connector(self.p.sock_l_nh, self.p.sock_c_pf, 0.0, contact).to_vec()
    }

    fn controller(&mut self) -> Vec<Element> {
        let p = self.p;
        let length = self.drifted.materials.package.length_of_delay(p.ctl_pkg_t_ps * 1e-12);
        vec![self.line(LineMaterial::Package, p.ctl_pkg_z_ohm, length), self.pad(p.ctl_cio_pf)]
    }
}
