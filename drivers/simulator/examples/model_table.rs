//! Prints drivers/simulator/MODEL.md: every figure of the simulated channel that a plan can set.

fn main() {
    print!("{}", simulator::model_table::model_table());
}
