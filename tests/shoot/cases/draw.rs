//! Chance for one case: numbers that depend on kind, level and seed, and on nothing else.

use crate::sampling::{hash, normal, unit};

#[derive(Clone, Debug)]
pub struct Draw {
    seed: u32,
    count: u32,
}

impl Draw {
    pub fn new(parts: &[u32]) -> Draw {
        Draw {
            seed: parts.iter().fold(0x517c_c1b7, |h, &part| hash(h, part)),
            count: 0,
        }
    }

    pub fn word(&mut self) -> u32 {
        self.count += 1;
        hash(self.seed, self.count)
    }

    pub fn between(&mut self, low: f32, high: f32) -> f32 {
        low + (high - low) * unit(self.word())
    }

    pub fn below(&mut self, count: usize) -> usize {
        ((u64::from(self.word()) * count as u64) >> 32) as usize
    }

    /// -1 or 1.
    pub fn sign(&mut self) -> f32 {
        if self.word() & 1 == 0 { -1.0 } else { 1.0 }
    }

    /// Mean 0, deviation 1.
    pub fn normal(&mut self) -> f32 {
        let (a, b) = (self.word(), self.word());
        normal(a, b)
    }

    /// A chance of its own for one part of a case: what is drawn there moves nothing elsewhere.
    pub fn part(&self, number: u32) -> Draw {
        Draw::new(&[self.seed, number])
    }
}
