//! What a person sees on the terminal: words, exit codes, a notice when something is slow.

pub mod exit;
pub mod eye_drawing;
pub mod slow_notice;
pub mod teller;
pub mod terminal;
