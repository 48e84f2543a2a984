//! Curves given by a table of evenly spaced 16-bit entries, straight between them (ICC.1:2022, 10.6).

/// At least two entries that never fall; light = entry / 65535.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Sampled {
    entries: Vec<u16>,
    beyond: f64,
}

impl Sampled {
    /// The curve, or why the entries can't be one.
    pub(super) fn new(entries: Vec<u16>) -> Result<Sampled, String> {
        let [.., _, last] = entries[..] else {
            return Err(format!("it has {} entries; at least 2", entries.len()));
        };
        if let Some(at) = entries.windows(2).position(|pair| pair[1] < pair[0]) {
            return Err(format!(
                "it falls from {} to {} at entry {} of {}",
                entries[at],
                entries[at + 1],
                at + 1,
                entries.len()
            ));
        }
        let mut sampled = Sampled {
            entries,
            beyond: 1.0,
        };
        let rise = f64::from(last) / 65535.0 - sampled.light(0.875);
        if rise > 0.0 {
            sampled.beyond = rise / 0.125;
        }
        Ok(sampled)
    }

    fn steps(&self) -> f64 {
        (self.entries.len() - 1) as f64
    }

    fn entry(&self, index: usize) -> f64 {
        f64::from(self.entries[index]) / 65535.0
    }

    /// Light of x >= 0. Beyond 1 the curve goes on straight with the mean slope of its last eighth (1 where that
    /// is flat).
    pub(super) fn light(&self, x: f64) -> f64 {
        let last = self.entries.len() - 1;
        if x >= 1.0 {
            return self.entry(last) + (x - 1.0) * self.beyond;
        }
        let position = x * self.steps();
        let index = (position as usize).min(last - 1);
        let (low, high) = (self.entry(index), self.entry(index + 1));
        low + (position - index as f64) * (high - low)
    }

    /// The lowest x of a light above the light of 0; 1 where that light is the curve's highest.
    pub(super) fn encoded(&self, light: f64) -> f64 {
        let last = self.entries.len() - 1;
        if light >= self.entry(last) {
            return 1.0 + (light - self.entry(last)) / self.beyond;
        }
        let above = self
            .entries
            .partition_point(|&entry| f64::from(entry) / 65535.0 < light);
        let (low, high) = (self.entry(above - 1), self.entry(above));
        ((above - 1) as f64 + (light - low) / (high - low)) / self.steps()
    }

    /// The knots of the inverse: every entry as (light, x), in order.
    pub(super) fn knots(&self) -> impl Iterator<Item = (f64, f64)> {
        let steps = self.steps();
        (0..self.entries.len()).map(move |index| (self.entry(index), index as f64 / steps))
    }
}
