//! Plates seen through pieces of known shape, and faces that only look like it.

use super::*;

const SIZE: i32 = 96;
const NOISE: Noise = Noise {
    p: [2e-5; 3],
    q: [2e-7; 3],
    r: [0.0; 3],
};

/// Even noise in -1.7 .. 1.7 of unit variance, the same always.
fn noise(x: i32, y: i32, k: usize) -> f32 {
    let mut v = (x as u32)
        .wrapping_mul(0x9e37_79b1)
        .wrapping_add((y as u32).wrapping_mul(0x85eb_ca6b))
        .wrapping_add((k as u32).wrapping_mul(0xc2b2_ae35));
    for shift in [15, 13, 16] {
        v = (v ^ (v >> shift)).wrapping_mul(0x2c1b_3c6d);
    }
    ((v >> 8) as f32 / (1u32 << 24) as f32 - 0.5) * 3.46
}

fn textured(x: i32, y: i32) -> [f32; 3] {
    let v = 0.16 + 0.03 * ((x.div_euclid(7) + 2 * y.div_euclid(5)).rem_euclid(3) as f32);
    [v, v * 1.05, v * 0.9]
}

fn smooth(x: i32, y: i32) -> [f32; 3] {
    let v = 0.2 + 0.0002 * (x + y) as f32;
    [v, v * 1.02, v * 0.95]
}

fn brass(x: i32, _: i32) -> [f32; 3] {
    let v = 0.35 + 0.001 * x as f32;
    [v, v * 0.8, v * 0.4]
}

/// Pixels found open in a piece of 80 x 80 pixels, `coverage` of it, its light and the plate's given.
fn open(
    coverage: impl Fn(f32, f32) -> f32,
    piece: impl Fn(i32, i32) -> [f32; 3],
    plate: impl Fn(i32, i32) -> [f32; 3],
) -> Vec<(i32, i32)> {
    opened(coverage, piece, &plate, &plate)
}

/// The same where the frame shows the set as `set`, and the plate holds it as `plate`.
fn opened(
    coverage: impl Fn(f32, f32) -> f32,
    piece: impl Fn(i32, i32) -> [f32; 3],
    set: impl Fn(i32, i32) -> [f32; 3],
    plate: impl Fn(i32, i32) -> [f32; 3],
) -> Vec<(i32, i32)> {
    beside_rods(coverage, piece, (set, plate), |_, _| false)
}

/// The same with rods, which the backdrop holds.
fn beside_rods(
    coverage: impl Fn(f32, f32) -> f32,
    piece: impl Fn(i32, i32) -> [f32; 3],
    (set, plate): (impl Fn(i32, i32) -> [f32; 3], impl Fn(i32, i32) -> [f32; 3]),
    rod: impl Fn(i32, i32) -> bool,
) -> Vec<(i32, i32)> {
    let account = Account::unlimited();
    let rect = Rect::of_size(SIZE as u32, SIZE as u32);
    let mut frame = Light::filled(rect, [0.0; 3], &account).unwrap();
    let mut backdrop = Light::filled(rect, [0.0; 3], &account).unwrap();
    let mut body = Raster::filled(Rect::of_size(48, 48), 0u8, &account).unwrap();
    for y in 0..SIZE {
        for x in 0..SIZE {
            let inside = (8..88).contains(&x) && (8..88).contains(&y);
            let a = if inside {
                coverage(x as f32 + 0.5, y as f32 + 0.5)
            } else {
                0.0
            };
            let (f, b) = (piece(x, y), set(x, y));
            let seen = std::array::from_fn(|k| {
                let c = a * f[k] + (1.0 - a) * b[k];
                // A frame holds no more than white.
                (c + noise(x, y, k) * (NOISE.p[k] * c + NOISE.q[k]).sqrt()).min(1.0)
            });
            frame.put(x, y, seen);
            backdrop.put(x, y, plate(x, y));
            if inside {
                body.put(x / 2, y / 2, 1);
            }
        }
    }
    let mut rods = Matte::filled(rect, 0.0, &account).unwrap();
    let mut cells = Raster::filled(body.rect(), 0u8, &account).unwrap();
    for (x, y) in (0..SIZE).flat_map(|y| (0..SIZE).map(move |x| (x, y))) {
        if rod(x, y) {
            frame.put(x, y, [0.05; 3]);
            backdrop.put(x, y, [0.05; 3]);
            rods.put(x, y, 1.0);
            cells.put(x / 2, y / 2, 1);
            body.put(x / 2, y / 2, 0);
        }
    }
    let light = LightField {
        cells: Raster::filled(body.rect(), [1.0; 3], &account).unwrap(),
    };
    let seen = found(
        &frame,
        &mut backdrop,
        &NOISE,
        &light,
        (&rods, &cells),
        &mut body,
        &account,
    )
    .unwrap();
    let place = seen.rect();
    (place.y0..place.y1)
        .flat_map(|y| (place.x0..place.x1).map(move |x| (x, y)))
        .filter(|&(x, y)| seen.at(x, y) > 0)
        .collect()
}

/// Distance from a disc of 10 pixels in the middle, as coverage with a rim of a pixel.
fn disc(x: f32, y: f32) -> f32 {
    let (dx, dy) = (x - 48.0, y - 48.0);
    ((dx * dx + dy * dy).sqrt() - 4.5).clamp(0.0, 1.0)
}

/// A slit of two pixels, 30 long, its rims blurred by a pixel, not along the grid.
fn slit(x: f32, y: f32) -> f32 {
    let middle = 48.2 + 0.2 * (y - 48.0);
    if (33.0..63.0).contains(&y) {
        ((x - middle).abs() - 0.5).clamp(0.0, 1.0)
    } else {
        1.0
    }
}

#[test]
fn a_disc_of_ten_pixels_is_open() {
    for plate in [textured as fn(i32, i32) -> [f32; 3], smooth] {
        let open = open(disc, brass, plate);
        // 49 pixels lie whole within four pixels of the middle.
        assert!(open.len() > 44, "{}", open.len());
        for (x, y) in open {
            assert!(disc(x as f32 + 0.5, y as f32 + 0.5) < 0.3, "{x} {y}");
        }
    }
}

/// A disc of 20 pixels in the middle.
fn wide(x: f32, y: f32) -> f32 {
    let (dx, dy) = (x - 48.0, y - 48.0);
    ((dx * dx + dy * dy).sqrt() - 19.5).clamp(0.0, 1.0)
}

/// Light falls from the plate's own to two thirds of it across that disc.
fn shaded(x: i32, y: i32) -> [f32; 3] {
    let part = (x as f32 - 28.0) / 40.0;
    textured(x, y).map(|v| v * (1.0 - 0.34 * part.clamp(0.0, 1.0)))
}

#[test]
fn a_hole_in_the_pieces_own_shadow_is_open() {
    let open = opened(wide, brass, shaded, textured);
    // 1,194 pixels lie whole within 19.5 of the middle.
    assert!(open.len() > 1100, "{}", open.len());
    for (x, y) in open {
        assert!(wide(x as f32 + 0.5, y as f32 + 0.5) < 0.3, "{x} {y}");
    }
}

#[test]
fn a_shaded_face_of_another_tint_is_no_hole() {
    let tinted = |x: i32, y: i32| {
        let [r, g, b] = shaded(x, y);
        [1.006 * r, g, 0.994 * b]
    };
    assert_eq!(opened(wide, brass, tinted, textured), []);
}

#[test]
fn stray_light_in_a_channel_that_is_nearly_black_is_no_tint_of_a_textured_hole() {
    let crimson = |x: i32, y: i32| {
        let v = textured(x, y)[0];
        [v, 0.02 * v, 0.01 * v]
    };
    let hazy = |x: i32, y: i32| crimson(x, y).map(|v| v + 0.0003);
    let open = opened(disc, brass, hazy, crimson);
    assert!(open.len() > 44, "{}", open.len());
    for (x, y) in open {
        assert!(disc(x as f32 + 0.5, y as f32 + 0.5) < 0.3, "{x} {y}");
    }
}

/// Brass around the middle, in a face that is nearly the set's own colour.
fn mounted(x: i32, y: i32) -> [f32; 3] {
    let (dx, dy) = (x as f32 - 47.5, y as f32 - 47.5);
    match dx * dx + dy * dy < 100.0 {
        true => brass(x, y),
        false => smooth(x, y).map(|b| 1.06 * b),
    }
}

#[test]
fn a_hole_that_shows_just_the_plate_is_open_whatever_the_face_is_like() {
    let open = open(disc, mounted, smooth);
    assert!(open.len() > 44, "{}", open.len());
    for (x, y) in open {
        assert!(disc(x as f32 + 0.5, y as f32 + 0.5) < 0.3, "{x} {y}");
    }
}

#[test]
fn a_bay_that_a_rod_closes_is_a_hole() {
    // A broad loop of wire with a rod through its middle, and a body like the set around.
    let far = |x: f32, y: f32| ((x - 48.0) * (x - 48.0) + (y - 48.0) * (y - 48.0)).sqrt();
    let loop_of = |x: f32, y: f32| (far(x, y) - 29.5).clamp(0.0, 1.0);
    let wire = |x: i32, y: i32| match far(x as f32, y as f32) < 36.0 {
        true => brass(x, y),
        false => smooth(x, y).map(|b| 1.06 * b),
    };
    let rod = |x: i32, _: i32| (46..50).contains(&x);
    let open = beside_rods(loop_of, wire, (smooth, grainy), rod);
    let [left, right] =
        [0..46, 50..96].map(|side| open.iter().filter(|p| side.contains(&p.0)).count());
    // Half of a disc of 29 pixels but for half the rod.
    assert!(left > 1150 && right > 1150, "{left} {right}");
}

/// A plain set as a plate of one frame holds it.
fn grainy(x: i32, y: i32) -> [f32; 3] {
    let set = smooth(x, y);
    std::array::from_fn(|k| {
        set[k] + noise(x, y, k + 3) * (0.5 * (NOISE.p[k] * set[k] + NOISE.q[k])).sqrt()
    })
}

/// Grey in bands across the piece, from a third of the set's light to three times it.
fn steel(x: i32, y: i32) -> [f32; 3] {
    let slant = (x + y / 3 - 34).rem_euclid(60) as f32 - 30.0;
    smooth(x, y).map(|b| b * (0.35 + 0.003 * slant * slant))
}

#[test]
fn a_plates_grain_is_no_texture_that_a_hole_must_show() {
    let plain = |x: i32, y: i32| smooth(x, y).map(|b| 1.03 * b);
    let open = opened(disc, steel, plain, grainy);
    assert!(open.len() > 44, "{}", open.len());
    for (x, y) in open {
        assert!(disc(x as f32 + 0.5, y as f32 + 0.5) < 0.3, "{x} {y}");
    }
}

#[test]
fn bands_of_light_on_a_grey_face_are_no_holes() {
    assert_eq!(opened(|_, _| 1.0, steel, smooth, grainy), []);
    // Bands whose bottom is as bright as the set.
    let touching = |x: i32, y: i32| {
        let slant = (x + y / 3).rem_euclid(30) as f32 - 15.0;
        smooth(x, y).map(|b| b * (1.0 + 0.012 * slant * slant))
    };
    assert_eq!(opened(|_, _| 1.0, touching, smooth, grainy), []);
}

#[test]
fn a_slit_of_two_pixels_is_open() {
    for plate in [textured as fn(i32, i32) -> [f32; 3], smooth] {
        let open = open(slit, brass, plate);
        let rows: std::collections::BTreeSet<i32> = open.iter().map(|p| p.1).collect();
        assert!(rows.len() > 22, "{}", rows.len());
        for (x, y) in open {
            assert!(slit(x as f32 + 0.5, y as f32 + 0.5) < 0.97, "{x} {y}");
        }
    }
}

#[test]
fn a_wide_slit_with_soft_edges_is_open_as_wide_as_it_is() {
    // 14 pixels from rim to rim; a third of the piece is seen in its middle.
    let middle = |y: f32| 48.2 + 0.2 * (y - 48.0);
    let soft = |x: f32, y: f32| match (20.0..76.0).contains(&y) {
        true => (0.3 + 0.1 * (x - middle(y)).abs()).clamp(0.0, 1.0),
        false => 1.0,
    };
    let open = open(soft, brass, textured);
    for y in 28..68 {
        let row = open.iter().filter(|p| p.1 == y).count();
        assert!(row >= 10, "{row} in row {y}");
    }
    for (x, y) in open {
        // Its rims and ends are told to two pixels.
        let (px, py) = (x as f32 + 0.5, y as f32 + 0.5);
        let off = (px - middle(py)).abs();
        assert!(off < 9.0 && (18..78).contains(&y), "{x} {y}");
    }
}

#[test]
fn a_slit_that_two_smaller_pictures_see_needs_none_of_full_size() {
    // 26 pixels from rim to rim.
    let middle = |y: f32| 48.2 + 0.2 * (y - 48.0);
    let soft = |x: f32, y: f32| match (16.0..80.0).contains(&y) {
        true => (0.35 + 0.05 * (x - middle(y)).abs()).clamp(0.0, 1.0),
        false => 1.0,
    };
    let open = open(soft, brass, textured);
    for y in 26..70 {
        let row = open.iter().filter(|p| p.1 == y).count();
        assert!(row >= 14, "{row} in row {y}");
    }
    for (x, y) in open {
        let (px, py) = (x as f32 + 0.5, y as f32 + 0.5);
        let off = (px - middle(py)).abs();
        assert!(off < 17.0 && (12..84).contains(&y), "{x} {y}");
    }
}

#[test]
fn a_soft_slit_is_open_beside_a_spot_that_looks_like_a_hole() {
    let middle = |y: f32| 48.2 + 0.2 * (y - 48.0);
    // Fully open for some pixels in one place.
    let spotted = |x: f32, y: f32| {
        let (dx, dy) = (x - middle(y), y - 48.0);
        match (20.0..76.0).contains(&y) {
            _ if dx * dx + dy * dy < 9.0 => 0.0,
            true => (0.3 + 0.1 * dx.abs()).clamp(0.0, 1.0),
            false => 1.0,
        }
    };
    let open = open(spotted, brass, textured);
    for y in 28..68 {
        let row = open.iter().filter(|p| p.1 == y).count();
        assert!(row >= 8, "{row} in row {y}");
    }
}

#[test]
fn a_slit_in_a_glaring_face_is_found_where_it_shows() {
    // A slit of one pixel; only where it lies within one row of pixels is the mean of plate and glare no white.
    let middle = |y: f32| 48.3 + 0.31 * (y - 48.0);
    let thin = |x: f32, y: f32| {
        if (30.0..66.0).contains(&y) {
            ((x - middle(y)).abs()).clamp(0.0, 1.0)
        } else {
            1.0
        }
    };
    let wood = |x: i32, y: i32| {
        let [r, g, b] = smooth(x, y);
        [1.15 * r, g, 0.85 * b]
    };
    let open = open(thin, |_, _| [1.6; 3], wood);
    let rows: std::collections::BTreeSet<i32> = open.iter().map(|p| p.1).collect();
    let ends = (rows.first().copied(), rows.last().copied());
    assert!(
        rows.len() > 14 && ends.0 < Some(36) && ends.1 > Some(58),
        "{rows:?}"
    );
    for (x, y) in open {
        let off = (x as f32 + 0.5 - middle(y as f32 + 0.5)).abs();
        assert!(off < 1.5, "{x} {y}");
    }
}

#[test]
fn shading_that_passes_through_the_plate_stays_solid() {
    // Grey like the plate, from half to twice its light, at three slopes; and a valley that touches it.
    for slope in [0.004, 0.02, 0.08] {
        let ramp = |x: i32, y: i32| {
            smooth(x, y).map(|b| b * (1.0 + slope * (x - 48) as f32).clamp(0.5, 2.0))
        };
        assert_eq!(open(|_, _| 1.0, ramp, smooth), []);
    }
    let valley =
        |x: i32, y: i32| smooth(x, y).map(|b| b * (1.0 + 0.003 * ((x - 48) * (x - 48)) as f32));
    assert_eq!(open(|_, _| 1.0, valley, smooth), []);
}

#[test]
fn grey_on_grey_stays_solid() {
    assert_eq!(open(|_, _| 1.0, smooth, smooth), []);
    // Painted with a darker line: nothing of it shows the plate.
    let painted =
        |x: i32, y: i32| smooth(x, y).map(|b| if (46..48).contains(&x) { 0.6 * b } else { b });
    assert_eq!(open(|_, _| 1.0, painted, smooth), []);
}

/// Sheets, edge on, each of its own tone.
fn sheets(_: i32, y: i32) -> [f32; 3] {
    let tone = [0.22, 0.41, 0.3, 0.45, 0.26][y.div_euclid(5).rem_euclid(5) as usize];
    [tone, 1.02 * tone, 0.95 * tone]
}

#[test]
fn a_plain_face_is_open_in_no_stripe_of_the_set() {
    // As bright as one sheet in five.
    let face = |x: i32, y: i32| {
        let tone = 0.3 + 0.0001 * (x - 48) as f32 - 0.0002 * (y - 48) as f32;
        [tone, 1.02 * tone, 0.95 * tone]
    };
    assert_eq!(open(|_, _| 1.0, face, sheets), []);
}

#[test]
fn a_mark_in_the_plates_mean_colour_is_no_hole_where_the_plate_has_texture() {
    let marked = |x: i32, y: i32| {
        let (dx, dy) = (x - 48, y - 48);
        if dx * dx + dy * dy < 64 {
            [0.19, 0.1995, 0.171]
        } else {
            brass(x, y)
        }
    };
    assert_eq!(open(|_, _| 1.0, marked, textured), []);
}

fn wood(x: i32, y: i32) -> [f32; 3] {
    let [r, g, b] = smooth(x, y);
    [1.15 * r, g, 0.85 * b]
}

/// Where two turns of grey paper meet: one lies in the shade, darker than the set, and the other is brighter.
fn between_turns(y: f32) -> f32 {
    40.0 + 0.5 * (y - 8.0)
}

fn turns(x: i32, y: i32) -> [f32; 3] {
    let right = x as f32 + 0.5 > between_turns(y as f32 + 0.5);
    [if right { 0.5 } else { 0.09 }; 3]
}

/// A wedge between them, five pixels wide where it opens to the set.
fn wedge(x: f32, y: f32) -> f32 {
    let half = 2.5 - (y - 8.0) / 12.0;
    ((x - between_turns(y)).abs() - half + 0.5).clamp(0.0, 1.0)
}

#[test]
fn a_wedge_between_a_dark_turn_and_a_bright_one_is_open() {
    let open = open(wedge, turns, wood);
    let rows: std::collections::BTreeSet<i32> = open.iter().map(|p| p.1).collect();
    assert!(rows.len() > 16, "{rows:?}");
    for (x, y) in open {
        assert!(wedge(x as f32 + 0.5, y as f32 + 0.5) < 0.2, "{x} {y}");
    }
}

#[test]
fn turns_that_meet_are_no_wedge() {
    assert_eq!(open(|_, _| 1.0, turns, wood), []);
    // Softly, passing through the plate's brightness; and a stripe that is twice as brown as the plate.
    let soft = |x: i32, y: i32| {
        let off = x as f32 + 0.5 - between_turns(y as f32 + 0.5);
        [0.3 + 0.2 * (0.4 * off).clamp(-1.0, 1.0); 3]
    };
    assert_eq!(open(|_, _| 1.0, soft, wood), []);
    let striped = |x: i32, y: i32| match wedge(x as f32 + 0.5, y as f32 + 0.5) < 0.5 {
        true => {
            let [r, g, b] = wood(x, y);
            [1.15 * r, g, 0.85 * b]
        }
        false => turns(x, y),
    };
    assert_eq!(open(|_, _| 1.0, striped, wood), []);
}

/// A flank that ends where glare begins, brighter than a frame holds.
fn glaring(x: i32, y: i32) -> [f32; 3] {
    let right = x as f32 + 0.5 > between_turns(y as f32 + 0.5);
    if right {
        [2.4, 1.7, 1.0]
    } else {
        [0.1, 0.07, 0.04]
    }
}

#[test]
fn a_soft_slit_between_a_dark_flank_and_glare_is_open() {
    // Two pixels wide, seen through a blur that leaves a quarter of the piece in its middle.
    let soft = |x: f32, y: f32| {
        if (20.0..60.0).contains(&y) {
            (0.2 + 0.4 * (x - between_turns(y)).abs()).clamp(0.0, 1.0)
        } else {
            1.0
        }
    };
    let open = open(soft, glaring, wood);
    let rows: std::collections::BTreeSet<i32> = open.iter().map(|p| p.1).collect();
    assert!(rows.len() > 24, "{rows:?}");
    for (x, y) in open {
        assert!(soft(x as f32 + 0.5, y as f32 + 0.5) < 0.9, "{x} {y}");
    }
}

#[test]
fn many_thin_lines_in_the_plates_tint_are_texture() {
    let drawn = |x: i32, y: i32| {
        let (plate, line) = (wood(x, y), (x - y / 4).rem_euclid(6) == 0);
        plate.map(|v| if line { 0.7 * v + 0.03 } else { 0.1 })
    };
    assert_eq!(open(|_, _| 1.0, drawn, wood), []);
}
