//! Several windows or pixels at a time, side by side in lanes.

/// Windows and pixels that lie side by side are worked on so many at a time.
pub(super) const LANES: usize = 4;
pub(super) type Four = [f32; LANES];
pub(super) type Six = [f32; LANES + 2];

/// So many values from `at` on; lists are longer by `LANES` than what they hold.
#[inline(always)]
pub(super) fn some<const N: usize>(list: &[f32], at: usize) -> &[f32; N] {
    list[at..].first_chunk().unwrap_or(&[0.0; N])
}

#[inline(always)]
pub(super) fn four(list: &[f32], at: usize) -> Four {
    *some(list, at)
}

/// Four of six, from the `D`th on.
#[inline(always)]
pub(super) fn of<const D: usize>(six: &Six) -> Four {
    each(|l| six[D + l])
}

#[inline(always)]
pub(super) fn each(f: impl Fn(usize) -> f32) -> Four {
    let mut out = [0.0; LANES];
    for (l, out) in out.iter_mut().enumerate() {
        *out = f(l);
    }
    out
}

/// Adds to the slopes of four windows what their `D`th pixels of one row give.
#[inline(always)]
pub(super) fn added<const D: usize>(
    slope: &mut [Four; 3],
    matte: &Six,
    light: [&Six; 3],
    level: &Four,
    mean: &[Four; 3],
) {
    let v = of::<D>(matte);
    let d = each(|l| v[l] - level[l]);
    for k in 0..3 {
        let c = of::<D>(light[k]);
        slope[k] = each(|l| slope[k][l] + d[l] * (c[l] - mean[k][l]));
    }
}

/// What the `D`th windows of one row say of four pixels.
#[inline(always)]
pub(super) fn along<const D: usize>(lines: [&Six; 4], light: &[Four; 3]) -> Four {
    let [a, b, c, base] = [
        of::<D>(lines[0]),
        of::<D>(lines[1]),
        of::<D>(lines[2]),
        of::<D>(lines[3]),
    ];
    each(|l| a[l] * light[0][l] + b[l] * light[1][l] + c[l] * light[2][l] + base[l])
}
