//! Numbers as bytes, one after another, little-endian; what is read must have been written so.

use crate::geom::Rect;

#[derive(Debug, Default)]
pub struct Writer(pub Vec<u8>);

impl Writer {
    pub fn tag(&mut self, tag: u8) {
        self.0.push(tag);
    }

    pub fn number(&mut self, number: f64) {
        self.0.extend(number.to_bits().to_le_bytes());
    }

    pub fn numbers(&mut self, numbers: &[f64]) {
        for number in numbers {
            self.number(*number);
        }
    }

    pub fn singles(&mut self, numbers: &[f32]) {
        for number in numbers {
            self.0.extend(number.to_bits().to_le_bytes());
        }
    }

    pub fn count(&mut self, count: usize) {
        self.0.extend((count as u64).to_le_bytes());
    }

    pub fn rect(&mut self, rect: Rect) {
        for side in [rect.x0, rect.y0, rect.x1, rect.y1] {
            self.0.extend(side.to_le_bytes());
        }
    }

    /// A value that may be missing.
    pub fn maybe<T>(&mut self, value: Option<T>, write: impl FnOnce(&mut Writer, T)) {
        self.tag(u8::from(value.is_some()));
        if let Some(value) = value {
            write(self, value);
        }
    }
}

/// Gives `None` for what is not there.
#[derive(Debug)]
pub struct Reader<'a>(pub &'a [u8]);

impl<'a> Reader<'a> {
    pub fn bytes(&mut self, count: usize) -> Option<&'a [u8]> {
        let (bytes, rest) = self.0.split_at_checked(count)?;
        self.0 = rest;
        Some(bytes)
    }

    fn exactly<const N: usize>(&mut self) -> Option<[u8; N]> {
        self.bytes(N)?.try_into().ok()
    }

    pub fn tag(&mut self) -> Option<u8> {
        self.exactly::<1>().map(|[tag]| tag)
    }

    pub fn number(&mut self) -> Option<f64> {
        self.exactly().map(u64::from_le_bytes).map(f64::from_bits)
    }

    pub fn numbers<const N: usize>(&mut self) -> Option<[f64; N]> {
        let mut numbers = [0.0; N];
        for number in &mut numbers {
            *number = self.number()?;
        }
        Some(numbers)
    }

    pub fn singles<const N: usize>(&mut self) -> Option<[f32; N]> {
        let mut numbers = [0.0; N];
        for number in &mut numbers {
            *number = f32::from_bits(u32::from_le_bytes(self.exactly()?));
        }
        Some(numbers)
    }

    pub fn count(&mut self) -> Option<usize> {
        self.exactly()
            .map(u64::from_le_bytes)
            .and_then(|count| count.try_into().ok())
    }

    pub fn rect(&mut self) -> Option<Rect> {
        let mut sides = [0; 4];
        for side in &mut sides {
            *side = i32::from_le_bytes(self.exactly()?);
        }
        let [x0, y0, x1, y1] = sides;
        Some(Rect { x0, y0, x1, y1 })
    }

    pub fn maybe<T>(&mut self, read: impl FnOnce(&mut Self) -> Option<T>) -> Option<Option<T>> {
        match self.tag()? {
            0 => Some(None),
            1 => Some(Some(read(self)?)),
            _ => None,
        }
    }
}
