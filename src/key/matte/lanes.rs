//! Several numbers at a time, side by side in lanes.

/// So many numbers.
pub type Lanes<const L: usize> = [f32; L];

#[inline(always)]
pub fn each<const L: usize>(f: impl Fn(usize) -> f32) -> Lanes<L> {
    let mut out = [0.0; L];
    for (l, out) in out.iter_mut().enumerate() {
        *out = f(l);
    }
    out
}

/// Half of log 2, one and a half of it, and what is so small that its exponential is itself and 1: as the library of
/// [`exp`] has them, to the bit.
const HALF: f32 = f32::from_bits(0x3eb1_7218);
const MORE: f32 = f32::from_bits(0x3f85_1592);
const SMALL: f32 = f32::from_bits(0x3900_0000);
const LOG_2: [f32; 2] = [f32::from_bits(0x3f31_7200), f32::from_bits(0x35bf_be8e)];
const PARTS: f32 = f32::from_bits(0x3fb8_aa3b);
const TERMS: [f32; 2] = [1.666_662_5e-1, -2.766_733_3e-3];

/// The exponential of numbers from -80 to 0, to the bit that of `libm::expf`, whose method this is (FreeBSD's msun,
/// e_expf.c): x = k log 2 + r, and a quotient for r.
#[inline(always)]
pub fn exp<const L: usize>(x: Lanes<L>) -> Lanes<L> {
    each(|l| {
        let (x, size) = (x[l], -x[l]);
        let many = (PARTS * x - 0.5) as i32;
        let few = if size > HALF { -1 } else { 0 };
        let k = if size > MORE { many } else { few };
        let whole = k as f32;
        let (high, low) = (x - whole * LOG_2[0], whole * LOG_2[1]);
        let r = high - low;
        let square = r * r;
        let c = r - square * (TERMS[0] + square * TERMS[1]);
        let y = 1.0 + (r * c / (2.0 - c) - low + high);
        let power = f32::from_bits(((127 + k) as u32) << 23);
        if size <= SMALL { 1.0 + x } else { y * power }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exponentials_are_the_librarys() {
        let same = |x: f32| {
            let [own] = exp([x]);
            assert_eq!(own.to_bits(), libm::expf(x).to_bits(), "{x}");
        };
        for n in 0..400_000 {
            same(-n as f32 * 2e-4);
        }
        for x in [HALF, MORE, SMALL] {
            let near = -3i32..=3;
            near.for_each(|n| same(-f32::from_bits(x.to_bits().wrapping_add_signed(n))));
        }
        (0..2000).for_each(|n| same(-1e-7 * n as f32));
        same(-0.0);
    }
}
