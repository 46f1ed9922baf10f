//! Reproducible Gaussian noise.

use std::f64::consts::TAU;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// Independent standard-normal numbers: ChaCha8 words through the transform of
/// Box and Muller (1958, Ann. Math. Statist. 29, 610; textbook, from memory).
///
/// Words, arithmetic and `libm` are the same on every platform, so the numbers
/// are too, to the bit.
pub struct Gaussian {
    words: ChaCha8Rng,
    spare: Option<f64>,
}

impl Gaussian {
    /// The noise number `stream` of the seed; streams are independent.
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut key = [0; 32];
        key[..8].copy_from_slice(&seed.to_le_bytes());
        let mut words = ChaCha8Rng::from_seed(key);
        words.set_stream(stream);
        Self { words, spare: None }
    }

    /// The next number.
    pub fn draw(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.uniform()));
        let (sine, cosine) = libm::sincos(TAU * self.uniform());
        self.spare = Some(radius * sine);
        radius * cosine
    }

    /// A number from 0 (included) to 1 (excluded), in steps of 2⁻⁵³.
    pub fn uniform(&mut self) -> f64 {
        (self.words.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mean_spread_and_tails_are_those_of_the_normal_distribution() {
        let mut noise = Gaussian::new(7, 1);
        let count = 200_000;
        let drawn: Vec<f64> = (0..count).map(|_| noise.draw()).collect();
        let mean = drawn.iter().sum::<f64>() / f64::from(count);
        let square = drawn.iter().map(|x| x * x).sum::<f64>() / f64::from(count);
        let beyond = drawn.iter().filter(|x| x.abs() > 1.959_964).count();
        // Standard errors: 1/√N = 0.0022, √(2/N) = 0.0032, √(0.05·0.95/N) = 0.0005.
        assert!(mean.abs() < 0.009, "{mean}");
        assert!((square - 1.0).abs() < 0.013, "{square}");
        assert!((beyond as f64 / f64::from(count) - 0.05).abs() < 0.002);
    }

    #[test]
    fn the_same_seed_and_stream_give_the_same_numbers_and_others_do_not() {
        let first = |seed, stream| Gaussian::new(seed, stream).draw();
        assert_eq!(first(1, 2).to_bits(), first(1, 2).to_bits());
        assert_ne!(first(1, 2), first(1, 3));
        assert_ne!(first(1, 2), first(2, 2));
    }
}
