//! Eye metrics: from error counts to edges, widths, heights, masks and outlines, each with its uncertainty.
//!
//! The path: [`counts::CaptureView`] sums a capture's visits; a [`map::PassMap`] a lane holds its labels;
//! [`edges::Line`] finds sub-tap edges; [`metrics`] puts them together. Two kinds of value stand side by side:
//! *last-pass* values (whole taps and steps between the outermost passing points, never too large by more than
//! the point rule's risk) and *sub-tap* values (the place where the BER crosses the limit, with a standard
//! uncertainty).

#![warn(clippy::print_stdout, clippy::print_stderr)]

mod bent_tail;
pub mod best_point;
pub mod cases;
pub mod contour;
pub mod counts;
pub mod edges;
pub mod extrapolation;
pub mod labels;
pub mod map;
pub mod mask_fit;
pub mod metrics;
pub mod shapes;
pub mod short;
pub mod slopes;
pub mod tail_fit;
pub mod tap_size;
#[cfg(test)]
mod tests;
pub mod together;
pub mod value;
pub mod verge;
