//! From 0..1 to 8 bits without banding (rule 13 of the language).

/// v = 255 x. Within 1/64 of an integer it is that integer, so that a white ground stays 255 all over; elsewhere
/// floor(v + u), u in [0, 1) from the place alone: the mean is right and no two runs differ.
pub(super) fn dithered(x: f32, column: u32, row: u32, channel: u32) -> u8 {
    let v = x * 255.0;
    let nearest = (v + 0.5).floor();
    if (v - nearest).abs() <= 1.0 / 64.0 {
        return nearest as u8;
    }
    (v + noise(column, row, channel)) as u8
}

/// floor(v + 1/2).
pub(super) fn rounded(x: f32) -> u8 {
    (x * 255.0 + 0.5) as u8
}

/// A number in [0, 1) from a place: an integer hash with good avalanche (the 32-bit finaliser of MurmurHash3,
/// applied to each coordinate in turn).
fn noise(column: u32, row: u32, channel: u32) -> f32 {
    let mut h = mixed(column ^ 0x9e37_79b9);
    h = mixed(h ^ row.wrapping_mul(0x85eb_ca6b));
    h = mixed(h ^ channel.wrapping_mul(0xc2b2_ae35));
    (h >> 8) as f32 * (1.0 / 16_777_216.0)
}

fn mixed(mut h: u32) -> u32 {
    h ^= h >> 16;
    h = h.wrapping_mul(0x85eb_ca6b);
    h ^= h >> 13;
    h = h.wrapping_mul(0xc2b2_ae35);
    h ^ (h >> 16)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rectangular dither of one step is unbiased with an rms error of sqrt(f (1 - f)) for the fraction f: 0.4583
    /// at 100.3 (uniform quantiser theory).
    #[test]
    fn the_mean_is_right() {
        let x = 100.3 / 255.0;
        let n = 512;
        let (mut sum, mut square) = (0.0f64, 0.0f64);
        for row in 0..n {
            for column in 0..n {
                let v = f64::from(dithered(x, column, row, 1));
                sum += v;
                square += (v - 100.3) * (v - 100.3);
            }
        }
        let count = f64::from(n) * f64::from(n);
        assert!((sum / count - 100.3).abs() < 0.003, "{}", sum / count);
        assert!(((square / count).sqrt() - 0.4583).abs() < 0.003);
    }

    #[test]
    fn white_black_and_exact_codes_stay() {
        for place in 0..2000 {
            assert_eq!(dithered(1.0, place, place / 3, 0), 255);
            assert_eq!(dithered(0.0, place, place / 3, 0), 0);
            assert_eq!(dithered(128.0 / 255.0, place, 7, 2), 128);
        }
        assert_eq!(rounded(127.5 / 255.0), 128);
    }
}
