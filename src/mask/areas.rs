//! Areas of drawn shapes against what is known of them: closed formulas, and clippers that share nothing with the
//! rasteriser. Analytic truths from check-value practice for mattes: a half plane at offset t covers t, a disc of
//! radius r sums to pi r^2, a line to its width times its length.

use std::f64::consts::PI;

use proptest::prelude::*;

use super::{Cap, FillRule, Source};
use crate::budget::Account;
use crate::geom::Rect;
use crate::raster::Matte;

/// The limit the language states for vector edges.
const LIMIT: f64 = 1.0 / 512.0;

const BOX: Rect = Rect {
    x0: 0,
    y0: 0,
    x1: 40,
    y1: 32,
};

fn drawn(source: &Source, rect: Rect) -> Matte {
    source.coverage(rect, &Account::unlimited()).unwrap()
}

fn sum(matte: &Matte) -> f64 {
    matte.data().iter().map(|v| f64::from(*v)).sum()
}

fn polygon(points: &[(f64, f64)], rule: FillRule) -> Source {
    Source::Polygon {
        points: points.to_vec(),
        rule,
    }
}

/// Area of a convex polygon inside one pixel: Sutherland-Hodgman clipping, then the shoelace formula.
fn clipped_area(points: &[(f64, f64)], x: i32, y: i32) -> f64 {
    let (x, y) = (f64::from(x), f64::from(y));
    let sides: [(f64, f64, f64); 4] = [
        (1.0, 0.0, -x),
        (-1.0, 0.0, x + 1.0),
        (0.0, 1.0, -y),
        (0.0, -1.0, y + 1.0),
    ];
    let mut ring = points.to_vec();
    for (a, b, c) in sides {
        let side = |p: (f64, f64)| a * p.0 + b * p.1 + c;
        let mut kept = Vec::new();
        for k in 0..ring.len() {
            let (p, q) = (ring[k], ring[(k + 1) % ring.len()]);
            let (sp, sq) = (side(p), side(q));
            if sp >= 0.0 {
                kept.push(p);
            }
            if (sp > 0.0) != (sq > 0.0) && sp != sq {
                let t = sp / (sp - sq);
                kept.push((p.0 + t * (q.0 - p.0), p.1 + t * (q.1 - p.1)));
            }
        }
        ring = kept;
    }
    let mut twice = 0.0;
    for k in 0..ring.len() {
        let (p, q) = (ring[k], ring[(k + 1) % ring.len()]);
        twice += (p.0 - x) * (q.1 - y) - (q.0 - x) * (p.1 - y);
    }
    twice.abs() / 2.0
}

/// Covered share of one pixel by `lines` horizontal lines with exact ends on each: the winding number by crossings.
fn sampled_area(rings: &[Vec<(f64, f64)>], rule: FillRule, x: i32, y: i32, lines: u32) -> f64 {
    let left = f64::from(x);
    let mut sum = 0.0;
    for k in 0..lines {
        let at = f64::from(y) + (f64::from(k) + 0.5) / f64::from(lines);
        let mut hits: Vec<(f64, i32)> = Vec::new();
        for ring in rings {
            for k in 0..ring.len() {
                let (p, q) = (ring[k], ring[(k + 1) % ring.len()]);
                if (p.1 <= at) != (q.1 <= at) {
                    let hit = p.0 + (at - p.1) * (q.0 - p.0) / (q.1 - p.1);
                    hits.push((hit, if q.1 > p.1 { 1 } else { -1 }));
                }
            }
        }
        hits.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut winding = 0;
        for pair in hits.windows(2) {
            winding += pair[0].1;
            let inside = match rule {
                FillRule::Nonzero => winding != 0,
                FillRule::EvenOdd => winding % 2 != 0,
            };
            if inside {
                sum += (pair[1].0.min(left + 1.0) - pair[0].0.max(left)).max(0.0);
            }
        }
    }
    sum / f64::from(lines)
}

/// The hull of points (monotone chain): a convex test polygon.
fn hull(mut points: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    points.sort_by(|a, b| a.partial_cmp(b).unwrap());
    let mut ring: Vec<(f64, f64)> = Vec::new();
    for half in 0..2 {
        let floor = ring.len() + 1;
        for &p in &points {
            while ring.len() > floor {
                let (a, b) = (ring[ring.len() - 2], ring[ring.len() - 1]);
                if (b.0 - a.0) * (p.1 - a.1) - (b.1 - a.1) * (p.0 - a.0) > 0.0 {
                    break;
                }
                ring.pop();
            }
            ring.push(p);
        }
        ring.pop();
        if half == 0 {
            points.reverse();
        }
    }
    ring
}

fn anywhere() -> impl Strategy<Value = (f64, f64)> {
    (-20.0..60.0_f64, -20.0..50.0_f64)
}

/// Points on whole, half and any coordinates, so that vertices and edges meet pixel borders.
fn awkward() -> impl Strategy<Value = (f64, f64)> {
    prop_oneof![
        anywhere(),
        (0..40_i32, 0..32_i32).prop_map(|(x, y)| (f64::from(x), f64::from(y))),
        (0..40_i32, -0.01..0.01_f64).prop_map(|(x, y)| (f64::from(x) + 0.5, 12.3 + y)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn convex_polygons_match_a_clipper(points in proptest::collection::vec(awkward(), 3..12)) {
        let ring = hull(points);
        prop_assume!(ring.len() >= 3);
        let matte = drawn(&polygon(&ring, FillRule::Nonzero), BOX);
        for y in BOX.y0..BOX.y1 {
            for x in BOX.x0..BOX.x1 {
                let (ours, truth) = (f64::from(matte.at(x, y)), clipped_area(&ring, x, y));
                prop_assert!((ours - truth).abs() < 1e-6, "{ours} for {truth} at {x} {y}");
            }
        }
    }

    #[test]
    fn self_crossing_polygons_match_dense_lines(
        points in proptest::collection::vec(awkward(), 4..12), odd in any::<bool>(),
        x in 0..40_i32, y in 0..32_i32,
    ) {
        let rule = if odd { FillRule::EvenOdd } else { FillRule::Nonzero };
        let matte = drawn(&polygon(&points, rule), BOX);
        let ring = [points];
        // One row and one column of pixels, so that long flat edges are met too.
        let row = (0..40).map(|x| (x, y));
        let column = (0..32).map(|y| (x, y));
        for (x, y) in row.chain(column) {
            let ours = f64::from(matte.at(x, y));
            let mut truth = sampled_area(&ring, rule, x, y, 1024);
            if (ours - truth).abs() > LIMIT / 4.0 {
                // A flat edge that crosses the pixel between two lines: look closer.
                truth = sampled_area(&ring, rule, x, y, 1 << 16);
            }
            prop_assert!((ours - truth).abs() < LIMIT / 4.0, "{ours} for {truth} at {x} {y}");
        }
    }

    #[test]
    fn lines_are_the_points_within_half_a_width(
        points in proptest::collection::vec((2.0..38.0_f64, 2.0..30.0_f64), 1..6), width in 0.2..9.0_f64,
        x in 0..40_i32, y in 0..32_i32,
    ) {
        let source = Source::Line { points: points.clone(), width, cap: Cap::Round };
        let ours = f64::from(drawn(&source, BOX).at(x, y));
        let distance = |px: f64, py: f64| {
            let ends = points.windows(2).map(|pair| (pair[0], pair[1]));
            ends.chain([(points[0], points[0])]).map(|((ax, ay), (bx, by))| {
                let (dx, dy) = (bx - ax, by - ay);
                let long = dx * dx + dy * dy;
                let t = if long > 0.0 { ((px - ax) * dx + (py - ay) * dy) / long } else { 0.0 };
                let t = t.clamp(0.0, 1.0);
                let (ex, ey) = (px - ax - t * dx, py - ay - t * dy);
                (ex * ex + ey * ey).sqrt()
            }).fold(f64::INFINITY, f64::min)
        };
        // A quick answer away from the edge, else 1024 x 1024 samples in the pixel.
        let middle = distance(f64::from(x) + 0.5, f64::from(y) + 0.5) - width / 2.0;
        if middle.abs() > 0.71 {
            prop_assert!((ours - f64::from(u8::from(middle < 0.0))).abs() < 1e-6);
        } else {
            let n = 512;
            let mut hits = 0;
            for j in 0..n {
                for i in 0..n {
                    let at = |k: i32, from: i32| f64::from(from) + (f64::from(k) + 0.5) / f64::from(n);
                    hits += i32::from(distance(at(i, x), at(j, y)) < width / 2.0);
                }
            }
            let truth = f64::from(hits) / f64::from(n * n);
            prop_assert!((ours - truth).abs() < LIMIT, "{ours} for {truth} at {x} {y}");
        }
    }
}

#[test]
fn a_half_plane_at_offset_t_covers_t() {
    for t in [0.0, 0.001, 0.25, 0.5, 1.0 / 3.0, 0.999, 1.0] {
        let upright = polygon(
            &[
                (-50.0, -50.0),
                (5.0 + t, -50.0),
                (5.0 + t, 90.0),
                (-50.0, 90.0),
            ],
            FillRule::Nonzero,
        );
        let level = polygon(
            &[
                (-50.0, -50.0),
                (90.0, -50.0),
                (90.0, 5.0 + t),
                (-50.0, 5.0 + t),
            ],
            FillRule::Nonzero,
        );
        for k in 0..30 {
            assert!((f64::from(drawn(&upright, BOX).at(5, k)) - t).abs() < 1e-6);
            assert!((f64::from(drawn(&level, BOX).at(k, 5)) - t).abs() < 1e-6);
            assert_eq!(drawn(&level, BOX).at(k, 4), 1.0);
            assert_eq!(drawn(&level, BOX).at(k, 6), 0.0);
        }
    }
}

#[test]
fn a_nearly_level_edge_is_exact_in_every_pixel() {
    // The edge rises 1 px in 1000: column x holds 5 + (x + 1/2) / 1000 of it.
    let ring = [(0.0, -1.0), (1000.0, -1.0), (1000.0, 6.0), (0.0, 5.0)];
    let matte = drawn(&polygon(&ring, FillRule::Nonzero), Rect::of_size(1000, 8));
    for x in 0..1000 {
        let truth = (f64::from(x) + 0.5) / 1000.0;
        assert!((f64::from(matte.at(x, 5)) - truth).abs() < 1e-6, "{x}");
    }
}

#[test]
fn rectangles_multiply_their_sides() {
    let source = Source::Rect {
        x: 2.25,
        y: 3.5,
        width: 4.5,
        height: 2.75,
    };
    let matte = drawn(&source, BOX);
    assert_eq!(matte.at(2, 3), 0.75 * 0.5);
    assert_eq!(matte.at(6, 6), 0.75 * 0.25);
    assert_eq!(matte.at(4, 4), 1.0);
    assert_eq!(sum(&matte), 4.5 * 2.75);
    let same = polygon(
        &[(2.25, 3.5), (6.75, 3.5), (6.75, 6.25), (2.25, 6.25)],
        FillRule::EvenOdd,
    );
    assert_eq!(drawn(&same, BOX).data(), matte.data());
}

#[test]
fn discs_and_ellipses_have_their_areas() {
    for (rx, ry) in [(10.0, 10.0), (15.5, 7.25), (0.3, 0.2), (12.0, 0.05)] {
        let source = Source::Ellipse {
            cx: 19.3,
            cy: 15.9,
            rx,
            ry,
        };
        let area = sum(&drawn(&source, BOX));
        assert!((area - PI * rx * ry).abs() < 1e-3, "{area} for {rx} {ry}");
    }
    let ten = Source::Ellipse {
        cx: 20.0,
        cy: 16.0,
        rx: 10.0,
        ry: 10.0,
    };
    assert_eq!(format!("{:.3}", sum(&drawn(&ten, BOX))), "314.159");
    assert_eq!(ten.reach(BOX), Rect::new(10, 6, 20, 20));
}

#[test]
fn a_vast_circle_is_its_tangent() {
    // Its lowest point is (20, 12); a million pixels of radius leave 0.0002 px of bend across the box.
    let source = Source::Ellipse {
        cx: 20.0,
        cy: 12.0 - 1e6,
        rx: 1e6,
        ry: 1e6,
    };
    let matte = drawn(&source, BOX);
    for x in BOX.x0..BOX.x1 {
        assert_eq!(matte.at(x, 10), 1.0);
        assert!(matte.at(x, 11) > 1.0 - 3e-4);
        assert_eq!(matte.at(x, 12), 0.0);
    }
}

#[test]
fn lines_have_width_times_length_and_their_caps() {
    let (from, to, width) = ((8.0, 6.0), (29.0, 26.0), 5.0_f64);
    let length = 841.0_f64.sqrt();
    let area = |points: &[(f64, f64)], cap| {
        let source = Source::Line {
            points: points.to_vec(),
            width,
            cap,
        };
        sum(&drawn(&source, BOX))
    };
    let disc = PI * width * width / 4.0;
    assert!((area(&[from, to], Cap::Butt) - width * length).abs() < 1e-4);
    assert!((area(&[from, to], Cap::Round) - width * length - disc).abs() < 1e-3);
    // There and back again, and a point written twice: nothing counts double.
    assert!((area(&[from, to, to, from], Cap::Round) - width * length - disc).abs() < 1e-3);
    assert!((area(&[from], Cap::Round) - disc).abs() < 1e-3);
    assert_eq!(area(&[from], Cap::Butt), 0.0);
    // A right-angled bend: two rectangles overlap in a square of half the width, a quarter disc fills the outside.
    let bent = area(&[(6.0, 6.0), (26.0, 6.0), (26.0, 24.0)], Cap::Butt);
    let truth = width * 38.0 - width * width / 4.0 + disc / 4.0;
    assert!((bent - truth).abs() < 1e-3, "{bent} for {truth}");
}

#[test]
fn paths_close_themselves_and_follow_their_curves() {
    let fill = |text: &str, rule| {
        let path = kurbo::BezPath::from_svg(text).unwrap();
        drawn(&Source::Path { path, rule }, BOX)
    };
    // Under a parabola arch (Archimedes): 2/3 of base x height; the height is half the control point's.
    let arch = sum(&fill("M 4 28 Q 19 -12 34 28", FillRule::Nonzero));
    assert!((arch - 2.0 / 3.0 * 30.0 * 20.0).abs() < 1e-2, "{arch}");
    // A cubic's own area from its control points: 3/20 and so on, here by its moments: y = 3t(1-t)h over x linear.
    let bow = sum(&fill("M 3 2 C 13 30 23 30 33 2 Z", FillRule::Nonzero));
    assert!((bow - 30.0 * 28.0 / 2.0).abs() < 1e-2, "{bow}");
    // Two squares in one path, the same way round: the rules differ where they overlap.
    let squares = "M 2 2 h 20 v 20 h -20 z M 10 10 h 20 v 20 h -20";
    assert_eq!(
        sum(&fill(squares, FillRule::Nonzero)),
        400.0 + 400.0 - 144.0
    );
    assert_eq!(
        sum(&fill(squares, FillRule::EvenOdd)),
        400.0 + 400.0 - 288.0
    );
    // A hole the other way round is a hole under both.
    let frame = "M 2 2 h 20 v 20 h -20 z M 6 6 v 10 h 10 v -10 z";
    for rule in [FillRule::Nonzero, FillRule::EvenOdd] {
        assert_eq!(sum(&fill(frame, rule)), 300.0);
    }
}

#[test]
fn a_star_of_hundreds_of_points_stays_within_the_limit() {
    // Every spike passes near the centre: the crowded pixels are sampled, the others exact.
    let n = 401;
    let points: Vec<(f64, f64)> = (0..n)
        .map(|k| {
            let angle = f64::from(k * 200) / f64::from(n) * 2.0 * PI;
            (
                20.2 + 15.0 * libm::cos(angle),
                15.7 + 15.0 * libm::sin(angle),
            )
        })
        .collect();
    for rule in [FillRule::Nonzero, FillRule::EvenOdd] {
        let matte = drawn(&polygon(&points, rule), BOX);
        for (x, y) in [(20, 15), (19, 15), (20, 16), (12, 9), (33, 18), (6, 14)] {
            let truth = sampled_area(std::slice::from_ref(&points), rule, x, y, 1 << 13);
            let ours = f64::from(matte.at(x, y));
            assert!(
                (ours - truth).abs() < LIMIT,
                "{ours} for {truth} at {x} {y}"
            );
        }
    }
}

#[test]
fn hostile_numbers_neither_panic_nor_hang() {
    let bad = [
        f64::NAN,
        f64::INFINITY,
        -f64::INFINITY,
        1e300,
        -1e300,
        1e-320,
        0.0,
    ];
    let account = Account::new(64 << 20);
    for a in bad {
        for b in bad {
            let mut path = kurbo::BezPath::new();
            path.move_to((a, b));
            path.curve_to((b, a), (3.0, b), (a, 5.0));
            path.quad_to((b, 1.0), (2.0, a));
            let points = vec![(a, b), (5.0, a), (b, 7.0), (9.0, 9.0)];
            let sources = [
                Source::Rect {
                    x: a,
                    y: b,
                    width: b,
                    height: a,
                },
                Source::Ellipse {
                    cx: a,
                    cy: 5.0,
                    rx: b,
                    ry: 3.0,
                },
                Source::Ellipse {
                    cx: 4.0,
                    cy: b,
                    rx: 5.0,
                    ry: a,
                },
                Source::Path {
                    path,
                    rule: FillRule::Nonzero,
                },
                Source::Line {
                    points: points.clone(),
                    width: a,
                    cap: Cap::Round,
                },
                Source::Line {
                    points: points.clone(),
                    width: 3.0,
                    cap: Cap::Round,
                },
                Source::Polygon {
                    points,
                    rule: FillRule::EvenOdd,
                },
            ];
            for source in sources {
                let rect = source.reach(BOX);
                if let Ok(matte) = source.coverage(rect, &account) {
                    assert!(matte.data().iter().all(|c| (0.0..=1.0).contains(c)));
                }
            }
        }
    }
}
