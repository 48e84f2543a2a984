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
