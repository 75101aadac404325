//! Random choices that a seed in the campaign file repeats for ever.

/// SplitMix64 (Steele, Lea and Flood 2014): the same numbers from the same seed in every release, which a library's
/// generator does not promise.
#[derive(Debug, Clone)]
pub struct Seed(u64);

impl Seed {
    /// Starts from a seed.
    pub const fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next number.
    pub fn next_u64(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// A number from 0 to `n − 1`; 0 for `n` of 0 or 1. The bias of the remainder is below `n / 2⁶⁴`.
    pub fn below(&mut self, n: usize) -> usize {
        match n {
            0 | 1 => 0,
            n => (self.next_u64() % n as u64) as usize,
        }
    }

    /// A number between 0 and 1, neither of them included.
    pub fn open_unit(&mut self) -> f64 {
        ((self.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// First numbers from seed 1234567, as many public implementations of the algorithm list them (from memory).
    #[test]
    fn the_sequence_is_that_of_splitmix64() {
        let mut seed = Seed::new(1_234_567);
        let first: Vec<u64> = (0..3).map(|_| seed.next_u64()).collect();
        assert_eq!(first, [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423]);
    }

    #[test]
    fn units_stay_inside_and_numbers_below() {
        let mut seed = Seed::new(7);
        assert!((0..1000).map(|_| seed.open_unit()).all(|u| u > 0.0 && u < 1.0));
        assert!((0..1000).map(|_| seed.below(3)).all(|n| n < 3));
        assert_eq!((seed.below(0), seed.below(1)), (0, 0));
    }
}
