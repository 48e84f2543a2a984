//! CIE Lab and the CIEDE2000 colour difference, for measurements and reports. In f64 with `libm`.

use super::primaries::PCS_WHITE;

/// CIE Lab of XYZ D50 (Y of white = 1) against the profile connection space's white (CIE 15:2018, 8.2.1, with the
/// constants as fractions, 216/24389 and 24389/27).
pub fn lab_d50(xyz: [f64; 3]) -> [f64; 3] {
    let f = |value: f64| {
        if value > 216.0 / 24389.0 {
            libm::cbrt(value)
        } else {
            (24389.0 / 27.0 * value + 16.0) / 116.0
        }
    };
    let [x, y, z] = [0, 1, 2].map(|axis| f(xyz[axis] / PCS_WHITE[axis]));
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

/// CIEDE2000 between two Lab colours with kL = kC = kH = 1 (ISO/CIE 11664-6; Color Research and Application 30(1),
/// 21-30, 2005).
pub fn delta_e_2000(a: [f64; 3], b: [f64; 3]) -> f64 {
    let chroma = |lab: [f64; 3]| libm::sqrt(lab[1] * lab[1] + lab[2] * lab[2]);
    let flatness = |c: f64| {
        let c7 = seventh_power(c);
        libm::sqrt(c7 / (c7 + seventh_power(25.0)))
    };
    let stretch = 1.5 - 0.5 * flatness((chroma(a) + chroma(b)) / 2.0);
    let [first, second] = [a, b].map(|lab| {
        let stretched = [lab[0], lab[1] * stretch, lab[2]];
        (chroma(stretched), hue_degrees(stretched[1], stretched[2]))
    });
    let ((c1, h1), (c2, h2)) = (first, second);
    let both_coloured = c1 * c2 != 0.0;

    let turn = match h2 - h1 {
        _ if !both_coloured => 0.0,
        apart if apart > 180.0 => apart - 360.0,
        apart if apart < -180.0 => apart + 360.0,
        apart => apart,
    };
    let lightness_step = b[0] - a[0];
    let chroma_step = c2 - c1;
    let hue_step = 2.0 * libm::sqrt(c1 * c2) * sine(turn / 2.0);

    let lightness = (a[0] + b[0]) / 2.0;
    let mean_chroma = (c1 + c2) / 2.0;
    let hue = match h1 + h2 {
        sum if !both_coloured => sum,
        sum if (h1 - h2).abs() <= 180.0 => sum / 2.0,
        sum if sum < 360.0 => (sum + 360.0) / 2.0,
        sum => (sum - 360.0) / 2.0,
    };
    let weight =
        1.0 - 0.17 * cosine(hue - 30.0) + 0.24 * cosine(2.0 * hue) + 0.32 * cosine(3.0 * hue + 6.0)
            - 0.20 * cosine(4.0 * hue - 63.0);
    let off_middle = (lightness - 50.0) * (lightness - 50.0);
    let lightness_scale = 1.0 + 0.015 * off_middle / libm::sqrt(20.0 + off_middle);
    let chroma_scale = 1.0 + 0.045 * mean_chroma;
    let hue_scale = 1.0 + 0.015 * mean_chroma * weight;
    let blue = (hue - 275.0) / 25.0;
    let rotation = -2.0 * flatness(mean_chroma) * sine(60.0 * libm::exp(-(blue * blue)));

    let l = lightness_step / lightness_scale;
    let c = chroma_step / chroma_scale;
    let h = hue_step / hue_scale;
    libm::sqrt((l * l + c * c + h * h + rotation * c * h).max(0.0))
}

fn seventh_power(c: f64) -> f64 {
    let c2 = c * c;
    c2 * c2 * c2 * c
}

/// The angle of (a, b), 0..360; 0 for a neutral.
fn hue_degrees(a: f64, b: f64) -> f64 {
    if a == 0.0 && b == 0.0 {
        return 0.0;
    }
    let degrees = libm::atan2(b, a) * (180.0 / std::f64::consts::PI);
    if degrees < 0.0 {
        degrees + 360.0
    } else {
        degrees
    }
}

fn sine(degrees: f64) -> f64 {
    libm::sin(degrees * (std::f64::consts::PI / 180.0))
}

fn cosine(degrees: f64) -> f64 {
    libm::cos(degrees * (std::f64::consts::PI / 180.0))
}

#[cfg(test)]
mod tests {
    use super::super::{Named, Space, matrix::applied};
    use super::*;

    /// Color Research and Application 30(1), 21-30, 2005, table 1, DOI 10.1002/col.20070.
    #[rustfmt::skip]
    const PUBLISHED: [([f64; 3], [f64; 3], f64); 34] = [
        ([50.0000, 2.6772, -79.7751], [50.0000, 0.0000, -82.7485], 2.0425),
        ([50.0000, 3.1571, -77.2803], [50.0000, 0.0000, -82.7485], 2.8615),
        ([50.0000, 2.8361, -74.0200], [50.0000, 0.0000, -82.7485], 3.4412),
        ([50.0000, -1.3802, -84.2814], [50.0000, 0.0000, -82.7485], 1.0000),
        ([50.0000, -1.1848, -84.8006], [50.0000, 0.0000, -82.7485], 1.0000),
        ([50.0000, -0.9009, -85.5211], [50.0000, 0.0000, -82.7485], 1.0000),
        ([50.0000, 0.0000, 0.0000], [50.0000, -1.0000, 2.0000], 2.3669),
        ([50.0000, -1.0000, 2.0000], [50.0000, 0.0000, 0.0000], 2.3669),
        ([50.0000, 2.4900, -0.0010], [50.0000, -2.4900, 0.0009], 7.1792),
        ([50.0000, 2.4900, -0.0010], [50.0000, -2.4900, 0.0010], 7.1792),
        ([50.0000, 2.4900, -0.0010], [50.0000, -2.4900, 0.0011], 7.2195),
        ([50.0000, 2.4900, -0.0010], [50.0000, -2.4900, 0.0012], 7.2195),
        ([50.0000, -0.0010, 2.4900], [50.0000, 0.0009, -2.4900], 4.8045),
        ([50.0000, -0.0010, 2.4900], [50.0000, 0.0010, -2.4900], 4.8045),
        ([50.0000, -0.0010, 2.4900], [50.0000, 0.0011, -2.4900], 4.7461),
        ([50.0000, 2.5000, 0.0000], [50.0000, 0.0000, -2.5000], 4.3065),
        ([50.0000, 2.5000, 0.0000], [73.0000, 25.0000, -18.0000], 27.1492),
        ([50.0000, 2.5000, 0.0000], [61.0000, -5.0000, 29.0000], 22.8977),
        ([50.0000, 2.5000, 0.0000], [56.0000, -27.0000, -3.0000], 31.9030),
        ([50.0000, 2.5000, 0.0000], [58.0000, 24.0000, 15.0000], 19.4535),
        ([50.0000, 2.5000, 0.0000], [50.0000, 3.1736, 0.5854], 1.0000),
        ([50.0000, 2.5000, 0.0000], [50.0000, 3.2972, 0.0000], 1.0000),
        ([50.0000, 2.5000, 0.0000], [50.0000, 1.8634, 0.5757], 1.0000),
        ([50.0000, 2.5000, 0.0000], [50.0000, 3.2592, 0.3350], 1.0000),
        ([60.2574, -34.0099, 36.2677], [60.4626, -34.1751, 39.4387], 1.2644),
        ([63.0109, -31.0961, -5.8663], [62.8187, -29.7946, -4.0864], 1.2630),
        ([61.2901, 3.7196, -5.3901], [61.4292, 2.2480, -4.9620], 1.8731),
        ([35.0831, -44.1164, 3.7933], [35.0232, -40.0716, 1.5901], 1.8645),
        ([22.7233, 20.0904, -46.6940], [23.0331, 14.9730, -42.5619], 2.0373),
        ([36.4612, 47.8580, 18.3852], [36.2715, 50.5065, 21.2231], 1.4146),
        ([90.8027, -2.0831, 1.4410], [91.1528, -1.6435, 0.0447], 1.4441),
        ([90.9257, -0.5406, -0.9208], [88.6381, -0.8985, -0.7239], 1.5381),
        ([6.7747, -0.2908, -2.4247], [5.8714, -0.0985, -2.2286], 0.6377),
        ([2.0776, 0.0795, -1.1350], [0.9033, -0.0636, -0.5514], 0.9082),
    ];

    #[test]
    fn the_34_published_pairs() {
        for (index, (a, b, wanted)) in PUBLISHED.into_iter().enumerate() {
            let found = delta_e_2000(a, b);
            assert!(
                (found - wanted).abs() <= 0.5e-4 + 1e-9,
                "pair {}: {found}",
                index + 1
            );
            assert!((found - delta_e_2000(b, a)).abs() < 1e-12);
            assert_eq!(delta_e_2000(a, a), 0.0);
        }
    }

    /// Values by scikit-image 0.26, for hues on both sides of the red axis.
    #[test]
    fn hues_across_zero() {
        for (a, b, wanted) in [
            ([0.0, 43.0, -123.0], [64.0, 3.0, 77.0], 86.845269406147),
            ([32.0, 43.0, -123.0], [0.0, 3.0, 37.0], 61.686654271789),
            ([50.0, 60.0, -5.0], [52.0, 58.0, 9.0], 6.853823164493),
            ([40.0, -30.0, 12.0], [44.0, -28.0, -33.0], 28.723606543275),
            ([70.0, 20.0, -60.0], [71.0, -40.0, 3.0], 38.138194542735),
        ] {
            assert!((delta_e_2000(a, b) - wanted).abs() < 1e-10, "{a:?} {b:?}");
        }
    }

    /// Against the palette crate's own implementation, over a lattice of colours. Pairs across the red axis are left
    /// out: it takes mean hues beyond 360 degrees, where the paper doesn't, and gets another rotation term.
    #[test]
    fn agrees_with_palette() {
        use palette::color_difference::Ciede2000;
        let lattice = |n: u32| {
            let part = |by: u32| f64::from(n / by % 7);
            [
                part(1) * 16.0,
                part(7) * 40.0 - 117.0,
                part(49) * 40.0 - 123.0,
            ]
        };
        let of = |[l, a, b]: [f64; 3]| palette::Lab::<palette::white_point::D50, f64>::new(l, a, b);
        let mut compared = 0;
        for n in 0..343 {
            for m in (n..343).step_by(11) {
                let (a, b) = (lattice(n), lattice(m));
                if a[2] * b[2] > 0.0 {
                    let theirs = of(a).difference(of(b));
                    assert!(
                        (delta_e_2000(a, b) - theirs).abs() < 1e-9,
                        "{a:?} {b:?} {theirs}"
                    );
                    compared += 1;
                }
            }
        }
        assert!(compared > 2000, "{compared}");
    }

    /// Lab of the sRGB primaries against the D50 connection space, computed with Bradford adaptation in double
    /// precision; the profile's own rounding moves them by a few thousandths.
    #[test]
    fn lab_of_the_srgb_primaries() {
        let space = Space::named(Named::Srgb);
        for (rgb, wanted) in [
            ([1.0, 0.0, 0.0], [54.290, 80.814, 69.890]),
            ([0.0, 1.0, 0.0], [87.819, -79.275, 80.993]),
            ([0.0, 0.0, 1.0], [29.566, 68.286, -112.033]),
            ([1.0, 1.0, 1.0], [100.0, 0.0, 0.0]),
            ([0.0, 0.0, 0.0], [0.0, 0.0, 0.0]),
        ] {
            let lab = lab_d50(applied(&space.to_pcs(), rgb));
            for (found, wanted) in lab.iter().zip(wanted) {
                assert!((found - wanted).abs() < 0.01, "{lab:?}");
            }
        }
    }
}
