//! Lossy transmission line: skin effect with a direct-current floor, roughness factor, wide-band Debye dielectric.
//!
//! Series impedance zs = sqrt(Rdc^2 + 2 j f Rs^2) + jwL (causal; tends to (1+j) Rs sqrt f, so it holds the internal
//! inductance), shunt y = jwC(w); gamma = sqrt(zs y), Zc = sqrt(zs/y).

use super::dielectric;
use super::numbers::{Number, Numbers, PLACES, Real, Reals};
use super::twoport::{Abcd, Complex};
use std::f64::consts::PI;

/// Speed of light in vacuum, m/s.
pub const SPEED_OF_LIGHT: f64 = 299_792_458.0;
/// Magnetic constant as the model uses it, H/m.
pub const MU0: f64 = 4e-7 * PI;

/// Copper and laminate of one family of lines at one temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Material {
    /// Relative permittivity at 1 GHz and the reference temperature: fixes inductance and geometry.
    pub er_reference: f64,
    /// Relative permittivity at 1 GHz and the present temperature.
    pub er: f64,
    /// Loss tangent at 1 GHz and the present temperature.
    pub tand: f64,
    /// Trace width, m.
    pub width_m: f64,
    /// Foil thickness, m.
    pub thickness_m: f64,
    /// Resistivity at the present temperature, ohm m.
    pub resistivity: f64,
    /// Factor on the skin resistance for rough foil.
    pub roughness: f64,
}

/// What a material does at one frequency or at several, shared by every line of that material.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MaterialAt<C: Number = Complex> {
    omega: C::Real,
    direct_ohm_per_m: f64,
    series_ohm_per_m: C,
    permittivity: C,
    root_er: f64,
}

impl Material {
    /// Direct-current resistance, ohm/m.
    #[must_use]
    pub fn direct_resistance(&self) -> f64 {
        self.resistivity / (self.width_m * self.thickness_m)
    }

    /// Skin-effect coefficient Rs in ohm/(m sqrt(Hz)): K sqrt(pi mu0 rho)/w.
    #[must_use]
    pub fn skin_coefficient(&self) -> f64 {
        self.roughness * (PI * MU0 * self.resistivity).sqrt() / self.width_m
    }

    /// Length in m of a line of this material with one-way delay `delay_s` at the reference temperature.
    #[must_use]
    pub fn length_of_delay(&self, delay_s: f64) -> f64 {
        delay_s * SPEED_OF_LIGHT / self.er_reference.sqrt()
    }

    /// Evaluates the frequency-dependent part at `frequency_hz` >= 0.
    #[must_use]
    pub fn at(&self, frequency_hz: f64) -> MaterialAt {
        let direct = self.direct_resistance();
        let skin = self.skin_coefficient();
        MaterialAt {
            omega: 2.0 * PI * frequency_hz,
            direct_ohm_per_m: direct,
            series_ohm_per_m: root(Complex::new(direct * direct, 2.0 * frequency_hz * skin * skin)),
            permittivity: dielectric::permittivity(frequency_hz, self.er, self.tand),
            root_er: self.er_reference.sqrt(),
        }
    }
}

impl MaterialAt<Numbers> {
    /// Of one material at several frequencies.
    pub fn beside(of: &[MaterialAt; PLACES]) -> Self {
        MaterialAt {
            omega: Reals(of.map(|at| at.omega)),
            direct_ohm_per_m: of[0].direct_ohm_per_m,
            series_ohm_per_m: Numbers::from_places(|at| of[at].series_ohm_per_m),
            permittivity: Numbers::from_places(|at| of[at].permittivity),
            root_er: of[0].root_er,
        }
    }
}

impl<C: Number> MaterialAt<C> {
    /// Series impedance (ohm/m) and shunt admittance (S/m) of a line of nominal impedance `z0_ohm`.
    #[must_use]
    #[inline(always)]
    pub fn per_metre(&self, z0_ohm: f64) -> (C, C) {
        let inductance = C::Real::of(z0_ohm * self.root_er / SPEED_OF_LIGHT);
        let scale = self.omega / C::Real::of(z0_ohm * self.root_er * SPEED_OF_LIGHT);
        let series = self.series_ohm_per_m + C::new(C::Real::of(0.0), self.omega * inductance);
        // j w C(w)
        let shunt = C::new(-self.permittivity.im() * scale, self.permittivity.re() * scale);
        (series, shunt)
    }

    /// Chain matrix of `length_m` of line of nominal impedance `z0_ohm`.
    #[must_use]
    #[inline(always)]
    pub fn line(&self, z0_ohm: f64, length_m: f64) -> Abcd<C> {
        let real = C::Real::of;
        let length = real(length_m);
        let (series, shunt) = self.per_metre(z0_ohm);
        let gamma = root(series * shunt);
        let (sin, cos) = (gamma.im() * length).sin_cos();
        let grow = (gamma.re() * length).exp();
        let fade = real(1.0) / grow;
        let (half_sum, half_difference) = (real(0.5) * (grow + fade), real(0.5) * (grow - fade));
        let cosh = C::new(half_sum * cos, half_difference * sin);
        let sinh = C::new(half_difference * cos, half_sum * sin);
        // sinh/gamma once: B = Zc sinh = zs sinh/gamma, C = sinh/Zc = y sinh/gamma.
        let product = sinh * gamma.conj();
        let size = gamma.norm_sqr();
        let ratio = C::new(product.re() / size, product.im() / size);
        // Without a frequency nothing but the resistance is left.
        let still = |number: C, re: C::Real| {
            C::new(self.omega.where_zero(re, number.re()), self.omega.where_zero(real(0.0), number.im()))
        };
        let along = still(cosh, real(1.0));
        Abcd {
            a: along,
            b: still(series * ratio, real(self.direct_ohm_per_m * length_m)),
            c: still(shunt * ratio, real(0.0)),
            d: along,
        }
    }
}

/// Principal square root of a number off the negative real axis; avoids the trigonometry of the general routine.
#[must_use]
#[inline(always)]
pub fn root<C: Number>(z: C) -> C {
    let (half, zero) = (C::Real::of(0.5), C::Real::of(0.0));
    let size = z.norm_sqr().sqrt();
    // The larger part by the root, the other by division.
    let large = (half * (size + z.re().where_negative(-z.re(), z.re()))).sqrt();
    let small = half * z.im() / large;
    let signed = large.copysign(z.im());
    let (re, im) =
        (z.re().where_negative(half * z.im() / signed, large), z.re().where_negative(signed, small));
    C::new(size.where_zero(zero, re), size.where_zero(zero, im))
}
