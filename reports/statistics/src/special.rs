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

pub use beta::{
    beta_cdf, beta_quantile, beta_sf, beta_upper_quantile, binomial_cdf, binomial_sf, f_cdf, f_quantile,
    f_sf, t_cdf, t_quantile, t_sf, t_tails, t_upper_quantile,
};
pub use gamma::{
    chi2_cdf, chi2_quantile, chi2_sf, chi2_upper_quantile, gamma_cdf, gamma_pdf, gamma_quantile, gamma_sf,
};
pub use noncentral::{
    noncentral_t_cdf, noncentral_t_quantile, noncentral_t_sf, normal_range_cdf, studentized_range_cdf,
    studentized_range_quantile,
};
pub use normal::{
    erfc, ln_normal_cdf, normal_cdf, normal_pdf, normal_quantile, normal_sf, normal_upper_quantile,
};
