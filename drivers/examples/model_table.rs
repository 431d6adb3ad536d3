//! Prints drivers/MODEL.md: every figure of the simulated channel that a plan can set.

fn main() {
    print!("{}", drivers::simulated::model_table::model_table());
}
