//! Complex numbers one at a time and eight side by side: what is computed of one frequency is computed of several at once, alike to the
//! last bit.

use super::twoport::Complex;
use crate::wide;
use std::array::from_fn;
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub};

/// Frequencies side by side.
pub const PLACES: usize = 8;

/// A real number, or several.
pub trait Real:
    Copy + Add<Output = Self> + Sub<Output = Self> + Mul<Output = Self> + Div<Output = Self> + Neg<Output = Self>
{
    fn of(value: f64) -> Self;
    fn sqrt(self) -> Self;
    fn exp(self) -> Self;
    fn sin_cos(self) -> (Self, Self);
    /// The size of this with the sign of the other.
    fn copysign(self, sign: Self) -> Self;
    /// Place by place: where this is zero the first, else the second.
    fn where_zero(self, yes: Self, no: Self) -> Self;
    /// Place by place: where this is negative the first, else the second.
    fn where_negative(self, yes: Self, no: Self) -> Self;
}

/// A complex number, or several.
pub trait Number:
    Copy
    + Add<Output = Self>
    + AddAssign
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Neg<Output = Self>
{
    type Real: Real;
    fn new(re: Self::Real, im: Self::Real) -> Self;
    fn re(self) -> Self::Real;
    fn im(self) -> Self::Real;

    /// The same at every place.
    #[inline(always)]
    fn of(value: Complex) -> Self {
        Self::new(Self::Real::of(value.re), Self::Real::of(value.im))
    }

    #[inline(always)]
    fn scaled(self, by: Self::Real) -> Self {
        Self::new(self.re() * by, self.im() * by)
    }

    #[inline(always)]
    fn conj(self) -> Self {
        Self::new(self.re(), -self.im())
    }

    #[inline(always)]
    fn norm_sqr(self) -> Self::Real {
        self.re() * self.re() + self.im() * self.im()
    }

    #[inline(always)]
    fn inv(self) -> Self {
        let size = self.norm_sqr();
        Self::new(self.re() / size, -self.im() / size)
    }
}

impl Real for f64 {
    #[inline(always)]
    fn of(value: f64) -> f64 {
        value
    }
    #[inline(always)]
    fn sqrt(self) -> f64 {
        self.sqrt()
    }
    #[inline(always)]
    fn exp(self) -> f64 {
        wide::exp(self)
    }
    #[inline(always)]
    fn sin_cos(self) -> (f64, f64) {
        wide::sin_cos(self)
    }
    #[inline(always)]
    fn copysign(self, sign: f64) -> f64 {
        self.copysign(sign)
    }
    #[inline(always)]
    fn where_zero(self, yes: f64, no: f64) -> f64 {
        if self == 0.0 { yes } else { no }
    }
    #[inline(always)]
    fn where_negative(self, yes: f64, no: f64) -> f64 {
        if self < 0.0 { yes } else { no }
    }
}

impl Number for Complex {
    type Real = f64;
    #[inline(always)]
    fn new(re: f64, im: f64) -> Complex {
        Complex { re, im }
    }
    #[inline(always)]
    fn re(self) -> f64 {
        self.re
    }
    #[inline(always)]
    fn im(self) -> f64 {
        self.im
    }
}

/// [`PLACES`] real numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reals(pub [f64; PLACES]);

/// [`PLACES`] complex numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Numbers {
    pub re: Reals,
    pub im: Reals,
}

impl Numbers {
    /// Of what stands at each place.
    pub fn from_places(place: impl Fn(usize) -> Complex) -> Numbers {
        Numbers { re: Reals(from_fn(|at| place(at).re)), im: Reals(from_fn(|at| place(at).im)) }
    }

    pub fn places(&self) -> [Complex; PLACES] {
        from_fn(|at| self.place(at))
    }

    pub fn place(&self, at: usize) -> Complex {
        Complex::new(self.re.0[at], self.im.0[at])
    }
}

macro_rules! by_place {
    ($name:ident, $call:ident) => {
        impl $name for Reals {
            type Output = Reals;
            #[inline(always)]
            fn $call(self, other: Reals) -> Reals {
                let mut out = self;
                for at in 0..PLACES {
                    out.0[at] = self.0[at].$call(other.0[at]);
                }
                out
            }
        }
    };
}
by_place!(Add, add);
by_place!(Sub, sub);
by_place!(Mul, mul);
by_place!(Div, div);

impl Reals {
    #[inline(always)]
    fn each(self, work: impl Fn(f64) -> f64) -> Reals {
        let mut out = self;
        for value in &mut out.0 {
            *value = work(*value);
        }
        out
    }
}

impl Neg for Reals {
    type Output = Reals;
    #[inline(always)]
    fn neg(self) -> Reals {
        self.each(|value| -value)
    }
}

impl Real for Reals {
    #[inline(always)]
    fn of(value: f64) -> Reals {
        Reals([value; PLACES])
    }
    #[inline(always)]
    fn sqrt(self) -> Reals {
        self.each(f64::sqrt)
    }
    #[inline(always)]
    fn exp(self) -> Reals {
        self.each(wide::exp)
    }
    #[inline(always)]
    fn sin_cos(self) -> (Reals, Reals) {
        let (mut sin, mut cos) = (self, self);
        for at in 0..PLACES {
            (sin.0[at], cos.0[at]) = wide::sin_cos(self.0[at]);
        }
        (sin, cos)
    }
    #[inline(always)]
    fn copysign(self, sign: Reals) -> Reals {
        let mut out = self;
        for at in 0..PLACES {
            out.0[at] = self.0[at].copysign(sign.0[at]);
        }
        out
    }
    #[inline(always)]
    fn where_zero(self, yes: Reals, no: Reals) -> Reals {
        let mut out = no;
        for at in 0..PLACES {
            out.0[at] = self.0[at].where_zero(yes.0[at], no.0[at]);
        }
        out
    }
    #[inline(always)]
    fn where_negative(self, yes: Reals, no: Reals) -> Reals {
        let mut out = no;
        for at in 0..PLACES {
            out.0[at] = self.0[at].where_negative(yes.0[at], no.0[at]);
        }
        out
    }
}

impl Add for Numbers {
    type Output = Numbers;
    #[inline(always)]
    fn add(self, other: Numbers) -> Numbers {
        Numbers { re: self.re + other.re, im: self.im + other.im }
    }
}

impl AddAssign for Numbers {
    #[inline(always)]
    fn add_assign(&mut self, other: Numbers) {
        *self = *self + other;
    }
}

impl Sub for Numbers {
    type Output = Numbers;
    #[inline(always)]
    fn sub(self, other: Numbers) -> Numbers {
        Numbers { re: self.re - other.re, im: self.im - other.im }
    }
}

impl Neg for Numbers {
    type Output = Numbers;
    #[inline(always)]
    fn neg(self) -> Numbers {
        Numbers { re: -self.re, im: -self.im }
    }
}

impl Mul for Numbers {
    type Output = Numbers;
    #[inline(always)]
    fn mul(self, other: Numbers) -> Numbers {
        Numbers { re: self.re * other.re - self.im * other.im, im: self.re * other.im + self.im * other.re }
    }
}

impl Div for Numbers {
    type Output = Numbers;
    #[inline(always)]
    fn div(self, other: Numbers) -> Numbers {
        let size = other.norm_sqr();
        Numbers {
            re: (self.re * other.re + self.im * other.im) / size,
            im: (self.im * other.re - self.re * other.im) / size,
        }
    }
}

impl Number for Numbers {
    type Real = Reals;
    #[inline(always)]
    fn new(re: Reals, im: Reals) -> Numbers {
        Numbers { re, im }
    }
    #[inline(always)]
    fn re(self) -> Reals {
        self.re
    }
    #[inline(always)]
    fn im(self) -> Reals {
        self.im
    }
}
