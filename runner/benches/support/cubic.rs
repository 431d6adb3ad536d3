//! Where a cubic through four equally spaced values falls below a level.

/// Values at -1, 0, 1 and 2, the second not below `level` and the third below it; the place between 0 and 1.
pub fn crossing(y: [f64; 4], level: f64) -> f64 {
    let cubic = |u: f64| {
        y[0] * (-u * (u - 1.0) * (u - 2.0) / 6.0)
            + y[1] * ((u + 1.0) * (u - 1.0) * (u - 2.0) / 2.0)
            + y[2] * (-(u + 1.0) * u * (u - 2.0) / 2.0)
            + y[3] * ((u + 1.0) * u * (u - 1.0) / 6.0)
    };
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..30 {
        let middle = 0.5 * (low + high);
        if cubic(middle) >= level { low = middle } else { high = middle }
    }
    low
}
