//! ln of the normal distribution function, tabulated: it is needed by the million.

use crate::special::ln_normal_cdf;
use std::sync::LazyLock;

/// Its values, `TABLE_STEP` apart from minus `TABLE_END` on.
pub struct Table {
    values: Vec<f64>,
}

const TABLE_STEP: f64 = 1.0 / 64.0;
const TABLE_END: f64 = 9.0;

pub static TABLE: LazyLock<Table> = LazyLock::new(|| {
    let count = (2.0 * TABLE_END / TABLE_STEP) as usize + 2;
    Table { values: (0..count).map(|at| ln_normal_cdf(at as f64 * TABLE_STEP - TABLE_END)).collect() }
});

impl Table {
    pub fn ln_cdf(&self, z: f64) -> f64 {
        let place = (z + TABLE_END) / TABLE_STEP;
        if place >= (self.values.len() - 1) as f64 {
            return 0.0;
        }
        if place < 0.0 {
            return -0.5 * z * z - z.abs().ln() - 0.918_938_533_204_672_7;
        }
        let at = place as usize;
        let (a, b) = (self.values[at], self.values[at + 1]);
        a + (place - at as f64) * (b - a)
    }
}
