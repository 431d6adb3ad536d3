//! Predicted verdicts in a run: what the channel model expects ([`expected`]), what a folder keeps of it ([`note`]), what an hour
//! of the bench costs ([`ahead`]), which conditions are measured next ([`choosing`]), and what that
//! will come to ([`foreseen`]).

pub mod ahead;
pub mod choosing;
pub mod expected;
pub mod foreseen;
pub mod note;
