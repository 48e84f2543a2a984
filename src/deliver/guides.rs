//! Guides and safe areas, drawn on previews only.

use crate::scene::{Guides, Safe};

/// EBU R 95 v1.1 and ITU-R BT.1848-1: margins as shares of each side.
fn margin(safe: Safe) -> f64 {
    match safe {
        Safe::Action => 0.035,
        Safe::Graphics => 0.05,
    }
}

/// Draws hairlines on 8-bit samples: a light line with a dark one beside it, so that it shows on any picture.
pub(super) fn draw(guides: &Guides, width: u32, height: u32, channels: usize, data: &mut [u8]) {
    let at = |fraction: f64, side: u32| {
        ((fraction * f64::from(side)).round() as u32).min(side.saturating_sub(1))
    };
    let mut sheet = Sheet {
        width,
        height,
        channels,
        data,
    };
    for x in &guides.x {
        let x = at(*x, width);
        sheet.vertical(x, 0, height);
    }
    for y in &guides.y {
        let y = at(*y, height);
        sheet.horizontal(y, 0, width);
    }
    for safe in &guides.safe {
        let (x0, y0) = (at(margin(*safe), width), at(margin(*safe), height));
        let (x1, y1) = (width - 1 - x0, height - 1 - y0);
        sheet.vertical(x0, y0, y1);
        sheet.vertical(x1, y0, y1);
        sheet.horizontal(y0, x0, x1);
        sheet.horizontal(y1, x0, x1);
    }
}

struct Sheet<'a> {
    width: u32,
    height: u32,
    channels: usize,
    data: &'a mut [u8],
}

const LIGHT: u8 = 230;
const DARK: u8 = 25;

impl Sheet<'_> {
    fn dot(&mut self, x: u32, y: u32, tone: u8) {
        if x >= self.width || y >= self.height {
            return;
        }
        let at = (y as usize * self.width as usize + x as usize) * self.channels;
        self.data[at..at + self.channels.min(3)].fill(tone);
        if self.channels == 4 || self.channels == 2 {
            self.data[at + self.channels - 1] = 255;
        }
        if self.channels == 2 {
            self.data[at] = tone;
        }
    }

    fn vertical(&mut self, x: u32, from: u32, to: u32) {
        for y in from..to {
            self.dot(x, y, LIGHT);
            self.dot(x + 1, y, DARK);
        }
    }

    fn horizontal(&mut self, y: u32, from: u32, to: u32) {
        for x in from..to {
            self.dot(x, y, LIGHT);
            self.dot(x, y + 1, DARK);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// EBU R 95: 1920 x 1080 has 96/54 px graphics-safe and 67/38 px action-safe margins.
    #[test]
    fn safe_margins_of_a_full_hd_picture() {
        let (w, h) = (1920u32, 1080u32);
        for (safe, x, y) in [(Safe::Graphics, 96, 54), (Safe::Action, 67, 38)] {
            let mut data = vec![128u8; (w * h * 3) as usize];
            let guides = Guides {
                safe: vec![safe],
                ..Guides::default()
            };
            draw(&guides, w, h, 3, &mut data);
            let tone = |x: u32, y: u32| data[((y * w + x) * 3) as usize];
            assert_eq!(tone(x, h / 2), LIGHT);
            assert_eq!(tone(x - 1, h / 2), 128);
            assert_eq!(tone(w / 2, y), LIGHT);
            assert_eq!(tone(w / 2, y - 1), 128);
        }
    }
}
