//! Linear two-ports as chain (ABCD) matrices: elements, cascade, stubs, conversion to and from scattering parameters.
//!
//! Convention: port 1 is the driver, port 2 the receiver, currents flow from 1 to 2: (V1, I1) = M (V2, I2); a chain of
//! two-ports is the matrix product in order.

use super::numbers::{Number, Numbers, PLACES, Real};

/// Complex number of the numeric kernels.
pub type Complex = rustfft::num_complex::Complex<f64>;

/// A chain matrix, of one frequency or of several; `b` in ohm, `c` in siemens.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Abcd<C = Complex> {
    /// V1/V2 with the output open.
    pub a: C,
    /// V1/I2 with the output shorted, ohm.
    pub b: C,
    /// I1/V2 with the output open, siemens.
    pub c: C,
    /// I1/I2 with the output shorted.
    pub d: C,
}

/// Scattering parameters on one real reference impedance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scattering {
    /// Reflection at port 1.
    pub s11: Complex,
    /// Transmission from port 2 to port 1.
    pub s12: Complex,
    /// Transmission from port 1 to port 2.
    pub s21: Complex,
    /// Reflection at port 2.
    pub s22: Complex,
}

impl Abcd<Numbers> {
    /// Of several frequencies.
    pub fn beside(of: &[Abcd; PLACES]) -> Self {
        Abcd {
            a: Numbers::from_places(|at| of[at].a),
            b: Numbers::from_places(|at| of[at].b),
            c: Numbers::from_places(|at| of[at].c),
            d: Numbers::from_places(|at| of[at].d),
        }
    }

    pub fn place(&self, at: usize) -> Abcd {
        Abcd { a: self.a.place(at), b: self.b.place(at), c: self.c.place(at), d: self.d.place(at) }
    }
}

impl<C: Number> Abcd<C> {
    /// The through connection.
    #[must_use]
    #[inline(always)]
    pub fn identity() -> Self {
        let (one, zero) = (C::of(Complex::ONE), C::of(Complex::ZERO));
        Abcd { a: one, b: zero, c: zero, d: one }
    }

    /// This two-port followed by `next`.
    #[must_use]
    #[inline(always)]
    pub fn then(&self, next: &Self) -> Self {
        Abcd {
            a: self.a * next.a + self.b * next.c,
            b: self.a * next.b + self.b * next.d,
            c: self.c * next.a + self.d * next.c,
            d: self.c * next.b + self.d * next.d,
        }
    }

    /// This two-port followed by a series impedance `z` in ohm.
    #[must_use]
    #[inline(always)]
    pub fn then_series(mut self, z: C) -> Self {
        self.b += self.a * z;
        self.d += self.c * z;
        self
    }

    /// This two-port followed by a shunt admittance `y` in siemens.
    #[must_use]
    #[inline(always)]
    pub fn then_shunt(mut self, y: C) -> Self {
        self.a += self.b * y;
        self.c += self.d * y;
        self
    }

    /// Followed by a series resistance (ohm) and inductance whose reactance is `reactance` ohm.
    #[must_use]
    #[inline(always)]
    pub fn then_rl(self, resistance_ohm: f64, reactance_ohm: C::Real) -> Self {
        self.then_series(C::new(C::Real::of(resistance_ohm), reactance_ohm))
    }

    /// Followed by a shunt capacitance whose susceptance is `b` siemens.
    #[must_use]
    #[inline(always)]
    pub fn then_susceptance(mut self, b: C::Real) -> Self {
        self.a += C::new(-self.b.im() * b, self.b.re() * b);
        self.c += C::new(-self.d.im() * b, self.d.re() * b);
        self
    }

    /// A connector: shunt C/2, series L (with a contact resistance), shunt C/2 + the board-side capacitance.
    #[must_use]
    pub fn connector(
        omega: C::Real,
        inductance_h: f64,
        capacitance_f: f64,
        board_side_f: f64,
        contact_ohm: f64,
    ) -> Self {
        let times = |value: f64| omega * C::Real::of(value);
        Abcd::identity()
            .then_susceptance(times(0.5) * C::Real::of(capacitance_f))
            .then_rl(contact_ohm, times(inductance_h))
            .then_susceptance(times(0.5 * capacitance_f + board_side_f))
    }

    /// Admittance seen into port 1 with `load` siemens at port 2: the shunt that a stub puts on its tap.
    #[must_use]
    #[inline(always)]
    pub fn input_admittance(&self, load: C) -> C {
        (self.c + self.d * load) / (self.a + self.b * load)
    }

    /// The same two-port seen from its other end: [[D, B], [C, A]] over the determinant.
    ///
    /// The determinant is handed in, 1 for everything reciprocal: formed here as AD - BC it would drown in rounding
    /// where a long chain passes next to nothing.
    #[must_use]
    #[inline(always)]
    pub fn reversed(&self, determinant: C) -> Self {
        let scale = determinant.inv();
        Abcd { a: self.d * scale, b: self.b * scale, c: self.c * scale, d: self.a * scale }
    }

    /// Voltage at `load_ohm` per volt of a source behind `source_ohm`: 1/(A + B/Rl) with the source resistance as the
    /// first series element.
    #[must_use]
    #[inline(always)]
    pub fn transfer(&self, source_ohm: f64, load_ohm: f64) -> C {
        let (g, rs) = (C::Real::of(1.0 / load_ohm), C::Real::of(source_ohm));
        (self.a + self.b.scaled(g) + (self.c + self.d.scaled(g)).scaled(rs)).inv()
    }
}

impl Abcd {
    /// Scattering parameters on `z0_ohm`.
    #[must_use]
    pub fn to_scattering(&self, z0_ohm: f64) -> Scattering {
        let (b, c) = (self.b / z0_ohm, self.c * z0_ohm);
        let den = self.a + b + c + self.d;
        let determinant = self.a * self.d - self.b * self.c;
        Scattering {
            s11: (self.a + b - c - self.d) / den,
            s12: determinant * 2.0 / den,
            s21: Complex::new(2.0, 0.0) / den,
            s22: (-self.a + b - c + self.d) / den,
        }
    }
}

impl Scattering {
    /// Chain matrix; `None` where nothing is transmitted (S21 = 0) and the chain matrix does not exist.
    #[must_use]
    pub fn to_abcd(&self, z0_ohm: f64) -> Option<Abcd> {
        if self.s21.norm_sqr() == 0.0 {
            return None;
        }
        let one = Complex::new(1.0, 0.0);
        let (p1, m1) = (one + self.s11, one - self.s11);
        let (p2, m2) = (one + self.s22, one - self.s22);
        let through = self.s12 * self.s21;
        let half = (self.s21 * 2.0).inv();
        Some(Abcd {
            a: (p1 * m2 + through) * half,
            b: (p1 * p2 - through) * half * z0_ohm,
            c: (m1 * m2 - through) * half / z0_ohm,
            d: (m1 * p2 + through) * half,
        })
    }
}
