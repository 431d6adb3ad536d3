//! Distribution functions and quantiles with accurate tails, and the numerical tools they need.
//!
//! Upper tails have functions of their own (`*_sf`, `*_upper_quantile`): a tail is never formed as 1 minus a
//! cumulative probability.

mod beta;
mod gamma;
mod noncentral;
mod normal;
pub(super) mod quadrature;
pub(super) mod roots;
#[cfg(test)]
mod tests;

pub use beta::{beta_quantile, t_quantile, t_sf};
pub(crate) use beta::{beta_upper_quantile, binomial_sf, f_sf, t_tails, t_upper_quantile};
pub use gamma::chi2_quantile;
pub(crate) use gamma::{chi2_sf, chi2_upper_quantile, gamma_pdf};
pub(crate) use noncentral::{noncentral_t_quantile, noncentral_t_sf};
pub(crate) use normal::{ln_normal_cdf, normal_cdf};
pub use normal::{normal_pdf, normal_quantile, normal_sf, normal_upper_quantile};
