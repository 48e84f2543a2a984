//! Compositing against published numbers, and the laws it keeps.

use proptest::prelude::*;

use super::*;
use crate::color::{srgb_decode, srgb_encode};
use crate::raster::Premul;

const MODES: [Mode; 17] = [
    Mode::Normal,
    Mode::Multiply,
    Mode::Screen,
    Mode::Overlay,
    Mode::Darken,
    Mode::Lighten,
    Mode::ColorDodge,
    Mode::ColorBurn,
    Mode::HardLight,
    Mode::SoftLight,
    Mode::Difference,
    Mode::Exclusion,
    Mode::Hue,
    Mode::Saturation,
    Mode::Color,
    Mode::Luminosity,
    Mode::PlusLighter,
];

fn premul(colour: [f32; 3], alpha: f32) -> Premul {
    Premul([
        colour[0] * alpha,
        colour[1] * alpha,
        colour[2] * alpha,
        alpha,
    ])
}

fn mixed(backdrop: Premul, source: Premul, mode: Mode, mixing: Mixing) -> Premul {
    let mut row = [backdrop];
    composite(&mut row, &[source], 1.0, mode, mixing);
    row[0]
}

fn laid(backdrop: Premul, source: Premul, mode: Mode) -> Premul {
    mixed(backdrop, source, mode, Mixing::Linear)
}

fn bits(pixel: Premul) -> [u32; 4] {
    pixel.0.map(f32::to_bits)
}

fn assert_near(pixel: Premul, expected: [f64; 4], limit: f64, what: &str) {
    for (value, expected) in pixel.0.iter().zip(expected) {
        assert!(
            (f64::from(*value) - expected).abs() <= limit,
            "{what}: {pixel:?}, expected {expected}"
        );
    }
}

/// W3C Compositing and Blending Level 1, "Examples of simple alpha compositing".
#[test]
fn the_specifications_worked_values() {
    let (red, blue) = ([1.0, 0.0, 0.0], [0.0, 0.0, 1.0]);
    let over = |b, s| laid(b, s, Mode::Normal).0;
    assert_eq!(over(Premul::CLEAR, premul(red, 1.0)), [1.0, 0.0, 0.0, 1.0]);
    assert_eq!(
        over(premul(red, 1.0), premul(blue, 1.0)),
        [0.0, 0.0, 1.0, 1.0]
    );
    assert_eq!(
        over(premul(red, 1.0), premul(blue, 0.5)),
        [0.5, 0.0, 0.5, 1.0]
    );
    assert_eq!(
        over(premul(red, 0.5), premul(blue, 0.5)),
        [0.25, 0.0, 0.5, 0.75]
    );
}

/// Web Platform Tests, canvas compositing, "transparent" and "solid" series: straight 8-bit values of blue at 3/4
/// over green at 1/2, published truncated, and of opaque yellow over opaque cyan.
#[test]
fn the_web_platform_table() {
    let (green, blue) = (premul([0.0, 1.0, 0.0], 0.5), premul([0.0, 0.0, 1.0], 0.75));
    for (mode, published) in [
        (Mode::Normal, [0, 36, 218, 223]),
        (Mode::PlusLighter, [0, 127, 191, 255]),
    ] {
        let [r, g, b, a] = laid(green, blue, mode).0;
        let codes = [r / a, g / a, b / a, a].map(|v| (f64::from(v) * 255.0 + 1e-4) as i32);
        assert_eq!(codes, published, "{mode:?}");
    }
    let (cyan, yellow) = (premul([0.0, 1.0, 1.0], 1.0), premul([1.0, 1.0, 0.0], 1.0));
    assert_eq!(laid(cyan, yellow, Mode::Normal).0, [1.0, 1.0, 0.0, 1.0]);
    // "Lighter" there ends in an 8-bit canvas; here the second channel keeps the light of both.
    assert_eq!(
        laid(cyan, yellow, Mode::PlusLighter).0,
        [1.0, 2.0, 1.0, 1.0]
    );
}

/// Pairs (Cb, Cs) through the formulas of W3C Compositing and Blending Level 1, computed outside this program in
/// double precision.
#[test]
fn separable_modes_follow_the_table() {
    let pairs = [
        (0.2, 0.6),
        (0.6, 0.2),
        (0.2, 0.8),
        (0.8, 0.8),
        (0.25, 0.75),
        (0.0, 1.0),
        (1.0, 0.0),
        (0.5, 0.5),
    ];
    let table = [
        (
            Mode::Multiply,
            [0.12, 0.12, 0.16, 0.64, 0.1875, 0.0, 0.0, 0.25],
        ),
        (
            Mode::Screen,
            [0.68, 0.68, 0.84, 0.96, 0.8125, 1.0, 1.0, 0.75],
        ),
        (
            Mode::Overlay,
            [0.24, 0.36, 0.32, 0.92, 0.375, 0.0, 1.0, 0.5],
        ),
        (Mode::Darken, [0.2, 0.2, 0.2, 0.8, 0.25, 0.0, 0.0, 0.5]),
        (Mode::Lighten, [0.6, 0.6, 0.8, 0.8, 0.75, 1.0, 1.0, 0.5]),
        (Mode::ColorDodge, [0.5, 0.75, 1.0, 1.0, 1.0, 0.0, 1.0, 1.0]),
        (Mode::ColorBurn, [0.0, 0.0, 0.0, 0.75, 0.0, 0.0, 1.0, 0.0]),
        (
            Mode::HardLight,
            [0.36, 0.24, 0.68, 0.92, 0.625, 1.0, 0.0, 0.5],
        ),
        (
            Mode::SoftLight,
            [0.2496, 0.456, 0.3488, 0.856656, 0.375, 0.0, 1.0, 0.5],
        ),
        (Mode::Difference, [0.4, 0.4, 0.6, 0.0, 0.5, 1.0, 1.0, 0.0]),
        (
            Mode::Exclusion,
            [0.56, 0.56, 0.68, 0.32, 0.625, 1.0, 1.0, 0.5],
        ),
    ];
    for (mode, row) in table {
        for ((b, s), expected) in pairs.into_iter().zip(row) {
            let result = laid(premul([b; 3], 1.0), premul([s; 3], 1.0), mode);
            let what = format!("{mode:?} of {b}, {s}");
            assert_near(result, [expected, expected, expected, 1.0], 2e-6, &what);
            // The same numbers as encoded values: in through the curve, out through it.
            let encoded = mixed(
                premul([srgb_decode(b); 3], 1.0),
                premul([srgb_decode(s); 3], 1.0),
                mode,
                Mixing::Encoded,
            );
            let back = srgb_encode(encoded.0[0]);
            assert!(
                (f64::from(back) - expected).abs() < 1e-5,
                "encoded {what}: {back}"
            );
        }
    }
}

/// The same for the modes that look at a whole colour.
#[test]
fn whole_colour_modes_follow_the_table() {
    let table = [
        (
            ([0.8, 0.4, 0.2], [0.1, 0.3, 0.9]),
            [
                [0.3435, 0.4935, 0.9435],
                [0.900667, 0.367333, 0.100667],
                [0.323906, 0.492929, 1.0],
                [0.608, 0.208, 0.008],
            ],
        ),
        (
            ([0.2, 0.5, 0.3], [0.9, 0.1, 0.1]),
            [
                [0.598, 0.298, 0.298],
                [0.0, 0.619149, 0.206383],
                [0.948, 0.148, 0.148],
                [0.152, 0.452, 0.252],
            ],
        ),
        (
            ([0.95, 0.9, 0.2], [0.1, 0.2, 0.9]),
            [
                [0.801531, 0.826340, 1.0],
                [0.957467, 0.904133, 0.157467],
                [0.801531, 0.826340, 1.0],
                [0.290361, 0.271003, 0.0],
            ],
        ),
    ];
    let modes = [Mode::Hue, Mode::Saturation, Mode::Color, Mode::Luminosity];
    for ((b, s), rows) in table {
        for (mode, [red, green, blue]) in modes.into_iter().zip(rows) {
            let result = laid(premul(b, 1.0), premul(s, 1.0), mode);
            assert_near(
                result,
                [red, green, blue, 1.0],
                2e-6,
                &format!("{mode:?} of {b:?}, {s:?}"),
            );
        }
    }
}

/// Worked from the specification's formulas: Cs .6, Cb .2, both at one half: co .23, ao .75, Co .306667.
#[test]
fn a_partial_backdrop_multiplies_in_part() {
    let result = laid(premul([0.2; 3], 0.5), premul([0.6; 3], 0.5), Mode::Multiply);
    assert_near(result, [0.23, 0.23, 0.23, 0.75], 1e-7, "multiply");
    assert!((f64::from(result.0[0] / result.0[3]) - 0.306667).abs() < 1e-6);
}

/// Linear light: white at one half over black is 188 in sRGB's 8 bits (187.516, IEC 61966-2-1), not 128.
#[test]
fn half_white_over_black_is_188() {
    let half = laid(premul([0.0; 3], 1.0), premul([1.0; 3], 0.5), Mode::Normal);
    assert!((f64::from(srgb_encode(half.0[0])) * 255.0 - 187.516).abs() < 1e-3);
}

/// The language's own rule: which functions see values beyond 0..1.
#[test]
fn only_four_functions_see_unclamped_values() {
    let (b, s) = (
        premul([2.0, -0.5, 0.25], 1.0),
        premul([3.0, 0.5, -1.0], 1.0),
    );
    assert_eq!(laid(b, s, Mode::Multiply).0, [6.0, -0.25, -0.25, 1.0]);
    assert_eq!(laid(b, s, Mode::Darken).0, [2.0, -0.5, -1.0, 1.0]);
    assert_eq!(laid(b, s, Mode::Lighten).0, [3.0, 0.5, 0.25, 1.0]);
    assert_eq!(laid(b, s, Mode::Difference).0, [1.0, 1.0, 1.25, 1.0]);
    assert_eq!(laid(b, s, Mode::Screen).0, [1.0, 0.5, 0.25, 1.0]);
    assert_eq!(laid(b, s, Mode::Exclusion).0, [0.0, 0.5, 0.25, 1.0]);
    // And what is outside the common part is never clamped.
    let open = laid(
        premul([4.0, -2.0, 0.0], 0.5),
        premul([8.0, 0.5, 0.5], 0.5),
        Mode::Screen,
    );
    assert_near(
        open,
        [0.25 * (8.0 + 1.0 + 4.0), -0.25, 0.25, 0.75],
        1e-6,
        "screen",
    );
}

#[test]
fn plus_lighter_adds_light_without_alpha() {
    let backdrop = Premul([0.25, 0.5, 0.75, 0.5]);
    let sum = laid(backdrop, Premul([0.5, -0.75, 1.0, 0.0]), Mode::PlusLighter);
    assert_eq!(sum.0, [0.75, -0.25, 1.75, 0.5]);
    // Light left without alpha lives on under whatever comes next.
    let light = Premul([0.5, 0.25, 0.0, 0.0]);
    for mode in MODES {
        let covered = laid(light, premul([0.0; 3], 0.5), mode);
        let rest = if mode == Mode::PlusLighter { 1.0 } else { 0.5 };
        assert_eq!(covered.0, [0.5 * rest, 0.25 * rest, 0.0, 0.5], "{mode:?}");
    }
}

#[test]
fn opacity_multiplies_first() {
    for mode in MODES {
        let source = Premul([0.4, 0.2, 0.6, 0.8]);
        let mut row = [premul([0.3, 0.6, 0.9], 0.75)];
        let half = laid(row[0], Premul(source.0.map(|v| v * 0.5)), mode);
        composite(&mut row, &[source], 0.5, mode, Mixing::Linear);
        assert_eq!(bits(row[0]), bits(half), "{mode:?}");
    }
}

fn alpha() -> impl Strategy<Value = f32> {
    prop_oneof![
        Just(0.0f32),
        Just(1.0f32),
        0.0..1.0f32,
        Just(f32::MIN_POSITIVE),
        Just(1e-42f32)
    ]
}

fn colour() -> impl Strategy<Value = [f32; 3]> {
    prop::array::uniform3(prop_oneof![
        Just(0.0f32),
        Just(1.0f32),
        -0.5..1.5f32,
        0.0..1.0f32
    ])
}

fn pixel() -> impl Strategy<Value = Premul> {
    (colour(), alpha()).prop_map(|(colour, alpha)| premul(colour, alpha))
}

fn mode() -> impl Strategy<Value = Mode> {
    prop::sample::select(&MODES[..])
}

fn mixing() -> impl Strategy<Value = Mixing> {
    prop::sample::select(&[Mixing::Linear, Mixing::Encoded][..])
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// W3C, "group invariance": A + (B + C) = (A + B) + C for source-over.
    #[test]
    fn normal_does_not_care_how_it_is_grouped(a in pixel(), b in pixel(), c in pixel()) {
        let inner = laid(b, c, Mode::Normal);
        let right = laid(a, inner, Mode::Normal);
        let left = laid(laid(a, b, Mode::Normal), c, Mode::Normal);
        for (x, y) in right.0.iter().zip(left.0) {
            prop_assert!((x - y).abs() <= 1e-6, "{right:?} {left:?}");
        }
    }

    #[test]
    fn opaque_replaces_and_nothing_changes_nothing(b in pixel(), c in colour(), mode in mode(), mixing in mixing()) {
        let opaque = premul(c, 1.0);
        prop_assert_eq!(bits(laid(b, opaque, Mode::Normal)), bits(opaque));
        prop_assert_eq!(bits(mixed(b, Premul::CLEAR, mode, mixing)), bits(b));
        let mut row = [b];
        composite(&mut row, &[Premul([c[0].abs(), 0.5, 0.0, 1.0])], 0.0, mode, mixing);
        prop_assert_eq!(bits(row[0]), bits(b));
    }

    #[test]
    fn an_opaque_backdrop_stays_opaque(b in colour(), s in pixel(), mode in mode(), mixing in mixing()) {
        prop_assert_eq!(mixed(premul(b, 1.0), s, mode, mixing).alpha(), 1.0);
    }

    /// Whatever the alphas, and for light under none.
    #[test]
    fn never_nan(b in pixel(), s in pixel(), light in colour(), mode in mode(), mixing in mixing()) {
        for backdrop in [b, Premul([light[0], light[1], light[2], b.alpha()])] {
            let result = mixed(backdrop, s, mode, mixing);
            prop_assert!(result.0.iter().all(|v| v.is_finite()), "{result:?}");
            prop_assert!((0.0..=1.0).contains(&result.alpha()));
        }
    }

    /// The composite step written with straight colours in `f64`, B taken from the opaque-over-opaque result.
    #[test]
    fn partial_alphas_follow_the_written_formula(
        cb in prop::array::uniform3(0.0..1.0f32), cs in prop::array::uniform3(0.0..1.0f32),
        ab in 0.01..1.0f32, alpha in 0.01..1.0f32, mode in prop::sample::select(&MODES[1..16]), mixing in mixing(),
    ) {
        let function = mixed(premul(cb, 1.0), premul(cs, 1.0), mode, mixing);
        let result = mixed(premul(cb, ab), premul(cs, alpha), mode, mixing);
        let (ab, alpha) = (f64::from(ab), f64::from(alpha));
        prop_assert!((f64::from(result.alpha()) - (alpha + ab - alpha * ab)).abs() < 1e-6);
        for k in 0..3 {
            let [cb, cs, b] = [cb[k], cs[k], function.0[k]].map(f64::from);
            let expected = alpha * (1.0 - ab) * cs + alpha * ab * b + (1.0 - alpha) * ab * cb;
            // Dodge and burn are steep: what rounding does to their arguments grows with the slope.
            let limit = if matches!(mode, Mode::ColorDodge | Mode::ColorBurn) { 1e-3 } else { 1e-5 };
            prop_assert!((f64::from(result.0[k]) - expected).abs() < limit, "{result:?}, {expected}");
        }
    }
}
