//! Random numbers that are the same on every machine.

/// SplitMix64 (Steele, Lea & Flood 2014): any seed is a good seed.
pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Random {
        Random(seed.wrapping_mul(0x5851_f42d_4c95_7f2d) ^ 0x6e69_6768)
    }

    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// As likely to lie in each factor of `low` to `high`.
    pub fn log_between(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    /// One of the numbers below `count`.
    pub fn below(&mut self, count: usize) -> usize {
        (self.next() % count.max(1) as u64) as usize
    }

    /// Of zero mean and unit variance (Box & Muller 1958).
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.between(1e-300, 1.0).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.between(0.0, 1.0)).cos()
    }

    /// RA and Dec in degrees, even on the sphere.
    pub fn on_sky(&mut self) -> [f64; 2] {
        let ra_deg = self.between(0.0, 360.0);
        [ra_deg, self.between(-1.0, 1.0).asin().to_degrees()]
    }
}
